"""What was acknowledged or measured before, kept as TOML: one entry for each item and what it was about.

An entry holds only for what it was about, word for word: another meter, port or profile is asked for anew. The newest
entry of an item and its subject takes the place of an older one.
"""

import math
import re
import sys
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from daq.starting_files.strings import toml_string

FORMAT = 1
FOR_EVER_S = math.inf
A_WORKING_DAY_S = 12 * 3600.0
"""What a meter forgets when it is switched off, and what drifts with room and weather, is asked once a working day [s]."""
A_QUARTER_S = 90 * 86400.0
"""What ages with the meter itself [s]. Common practice, no published source."""

_KEYS = frozenset({"item", "about", "answer", "utc", "figures"})
_LINE = re.compile(
    r"(?P<item>.+?): (?P<answer>.*), (?P<utc>\d{4}-\d\d-\d\dT[\d:.]+(?:Z|[+-]\d\d:\d\d))"
    r"(?:: (?P<figures>[^;]*))?; (?P<about>.*)"
)
_FIGURE_NAME = re.compile(r"[A-Za-z0-9_-]+")
_HEAD = (
    "# Written by daq check: what was acknowledged and measured before sessions.\n"
    "# Take an entry out to be asked again.\n"
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One acknowledgement.

    Attributes:
        item: Name of the item.
        about: What it was about, so that a changed bench is asked anew.
        answer: As it was given; "measured" where readings were taken.
        utc: When, RFC 3339.
        figures: What was measured, by name with unit.
    """

    item: str
    about: str
    answer: str
    utc: str
    figures: Mapping[str, float] = field(default_factory=dict)

    @property
    def day(self) -> str:
        """The day of it, for people."""
        return self.utc[:10]


@dataclass(frozen=True, slots=True)
class Kept:
    """All entries, and the moment from which they are looked at (RFC 3339)."""

    entries: tuple[Entry, ...]
    now_utc: str

    def find(self, item: str, about: str, *, holds_s: float) -> Entry | None:
        """The entry on that, if it is not too old.

        Args:
            item: Name.
            about: Word for word as it was.
            holds_s: For how long it holds [s].
        """
        for entry in self.entries:
            if (entry.item, entry.about) == (item, about):
                age_s = _utc_s(self.now_utc) - _utc_s(entry.utc)
                # From the future: the clock was wrong then or is now, so the age is not known.
                return entry if 0.0 <= age_s <= holds_s else None
        return None

    def with_entry(
        self,
        item: str,
        about: str,
        answer: str,
        utc: str,
        figures: Mapping[str, float] | None = None,
    ) -> "Kept":
        """With what was acknowledged or measured at that moment, from which the entries are looked at then."""
        entry = Entry(item, about, answer, utc, figures or {})
        others = [e for e in self.entries if (e.item, e.about) != (item, about)]
        return Kept((*others, entry), utc)


def entry_text(entry: Entry) -> str:
    """An entry in a line, for the record of a session; whoever edits the file may have left in it what a terminal obeys."""
    figures = ", ".join(f"{k} = {float(v):.6g}" for k, v in entry.figures.items())
    measured = f": {figures}" if figures else ""
    line = f"{entry.item}: {entry.answer}, {entry.utc}{measured}; {entry.about}"
    return "".join(c if c.isprintable() else " " for c in line)


def parse_entry_text(text: str) -> Entry | None:
    """The entry of which `entry_text` made that line; None where it is another line."""
    found = _LINE.fullmatch(text)
    if found is None:
        return None
    item, answer, utc, figures, about = found.groups()
    parts = [part.split(" = ") for part in figures.split(", ")] if figures else []
    try:
        return Entry(item, about, answer, utc, {k: float(v) for k, v in parts})
    except ValueError:
        return None


def _utc_s(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def parse_entries(text: str) -> tuple[Entry, ...]:
    """Entries of a file.

    Raises:
        ValueError: If it is no such file; the text says what is wrong with it.
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        msg = f"no valid TOML: {exc}"
        raise ValueError(msg) from exc
    except RecursionError as exc:
        msg = "tables too deep in each other, expected none"
        raise ValueError(msg) from exc
    if content.get("format") != FORMAT:
        msg = f"format {content.get('format')!r:.40}, expected {FORMAT}"
        raise ValueError(msg)
    tables = content.get("acknowledged", [])
    if isinstance(tables, list):
        return tuple(_entry(number, table) for number, table in enumerate(tables, 1))
    msg = "acknowledged is no list of tables, expected [[acknowledged]]"
    raise ValueError(msg)


def _entry(number: int, table: object) -> Entry:
    if not isinstance(table, dict) or not set(table) <= _KEYS:
        msg = f"acknowledged[{number}]: expected the keys {', '.join(sorted(_KEYS))} and no other"
        raise ValueError(msg)
    texts = [table.get(key) for key in ("item", "about", "answer", "utc")]
    figures = table.get("figures", {})
    if not all(isinstance(text, str) for text in texts) or not _are_figures(figures):
        msg = f"acknowledged[{number}]: expected texts item, about, answer, utc and a table of numbers figures"
        raise ValueError(msg)
    item, about, answer, utc = map(str, texts)
    try:
        has_zone = datetime.fromisoformat(utc).tzinfo is not None
    except ValueError:
        has_zone = False
    if not has_zone:
        msg = f"acknowledged[{number}]: utc {utc[:40]!r}, expected a moment like 2026-11-30T12:00:00Z"
        raise ValueError(msg)
    return Entry(item, about, answer, utc, figures)


def _are_figures(figures: object) -> bool:
    """Whether it is what `render_entries` can write again."""
    return isinstance(figures, dict) and all(
        _FIGURE_NAME.fullmatch(name)
        and isinstance(value, int | float)
        and abs(value) <= sys.float_info.max
        for name, value in figures.items()
    )


def render_entries(entries: Sequence[Entry]) -> str:
    """The file's text."""
    tables = "".join(_table(entry) for entry in entries)
    return f"{_HEAD}format = {FORMAT}\n{tables}"


def _table(entry: Entry) -> str:
    texts = (
        ("item", entry.item),
        ("about", entry.about),
        ("answer", entry.answer),
        ("utc", entry.utc),
    )
    lines = [f"{key} = {toml_string(text)}\n" for key, text in texts]
    if entry.figures:
        figures = ", ".join(f"{k} = {float(v)!r}" for k, v in entry.figures.items())
        lines.append(f"figures = {{ {figures} }}\n")
    return "\n[[acknowledged]]\n" + "".join(lines)
