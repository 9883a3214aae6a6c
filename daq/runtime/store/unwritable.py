"""Rows that the results file does not take: which errors say so, how many there were, and what is said of them.

Such a row would be refused for ever, and everything behind it would wait: it is given up, and all else is written.
"""

import re
import sqlite3
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from daq.runtime.store.buffer import Row
from daq.runtime.store.damage import is_damage

TOLD_S = 60.0
"""So long it stands as a trouble after the last of them (real time) [s]."""

WORDED_S = TOLD_S / 2
"""So long the words stay the same (real time) [s]: shorter, so that the last of them are told too."""

_OF_VALUES = (
    OverflowError,
    TypeError,
    ValueError,
    sqlite3.DataError,
    sqlite3.IntegrityError,
    sqlite3.InterfaceError,
    sqlite3.ProgrammingError,
)
_TABLE = re.compile(r'INSERT INTO "?(\w+)')


def is_of_a_row(exc: Exception) -> bool:
    """Whether an error says that a row cannot be written as it is, rather than that nothing can."""
    if is_damage(exc):
        return False
    # A table or a column that is not there: other rows do not need it.
    is_unknown = (
        isinstance(exc, sqlite3.OperationalError)
        and getattr(exc, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_ERROR
    )
    return is_unknown or isinstance(exc, _OF_VALUES)


class Unwritable:
    """Counts them, and says what is to be said.

    Attributes:
        count: How many were given up.
    """

    def __init__(self, path: Path) -> None:
        self.count = 0
        self._path = path
        self._kinds: Counter[tuple[str, str]] = Counter()
        self._causes: dict[tuple[str, str], str] = {}
        self._why = ""
        self._last_s: float | None = None
        self._worded_s: float | None = None
        self._text = ""

    @property
    def reason(self) -> str | None:
        """Why the last was not taken; None where all were."""
        return f"{self._path}: not taken ({self._why})" if self.count else None

    def add(self, rows: Sequence[tuple[Row, Exception]], now_s: float) -> None:
        """Give up rows, each with the error that it met."""
        for (statement, _), exc in rows:
            found = _TABLE.search(statement)
            kind = found[1] if found else "another table", type(exc).__name__
            self._why = f"{kind[1]}: {exc}"
            self._kinds[kind] += 1
            self._causes[kind] = self._why
            self._last_s = now_s
        self.count += len(rows)

    def word_anew(self) -> None:
        """Another trouble was told: what is told after it is as things are then."""
        self._worded_s = None

    def text(self, now_s: float) -> str | None:
        """What is told at that time; None where there were none lately."""
        if self._last_s is None or now_s - self._last_s >= TOLD_S:
            self._worded_s = None
            return None
        # A meter may make one at every poll: a new text for each would drown all others.
        if self._worded_s is None or now_s - self._worded_s >= WORDED_S:
            self._worded_s, self._text = now_s, self._words()
        return self._text

    def _words(self) -> str:
        kinds = "; ".join(
            f"{n} for {kind[0]}: {self._causes[kind]}"
            for kind, n in self._kinds.items()
        )
        rows = "row is" if self.count == 1 else "rows are"
        has_readings = any(table.startswith("readings_") for table, _ in self._kinds)
        by_hand = "write down by hand what such a meter shows, and " if has_readings else ""  # fmt: skip
        return (
            f"{self._path}: {self.count} {rows} lost, the results file does not take what is in it ({kinds});"
            f" all else is written; {by_hand}report these words, for it is a fault of this program"
        )
