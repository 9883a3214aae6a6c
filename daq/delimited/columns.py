"""Which column is the time and which the value: by the user's word, else by names and contents."""

from collections.abc import Callable, Sequence

from daq.delimited.figures import is_number, is_time_name, is_timestamp
from daq.delimited.place import Place
from daq.delimited.rows import Row

_MOST_LISTED = 40
"""Columns in one message [1]."""
_BENCH_TIME = "at_s"
"""The monotonic clock in this program's own exports. Beside it stands `utc`, which may have been set meanwhile and
runs slower where a session with simulators was run faster than life."""


def holds_names(fields: Sequence[str], separator: str) -> bool:
    """Whether a row may be a header: none of its fields is a number or a time stamp."""
    return not any(
        is_number(field, separator) or is_timestamp(field) for field in fields
    )


class Columns:
    """The columns of a sheet, with the names that a header gives them.

    Attributes:
        count: [1] columns.
        has_header: Whether the first row holds names.
    """

    def __init__(self, head: Sequence[Row], separator: str, place: Place) -> None:
        """Look at the first rows, at least one."""
        first = head[0].fields
        self.count = len(first)
        self.has_header = holds_names(first, separator)
        self._names = [field.strip() if self.has_header else "" for field in first]
        self._head = head[1:] if self.has_header else head
        self._line = head[0].line
        self._separator = separator
        self._place = place

    def name(self, index: int) -> str:
        """As the header says, without what a terminal would obey; or its number."""
        shown = "".join(c if c.isprintable() else " " for c in self._names[index])
        return shown.strip() or f"column {index + 1}"

    def choose(self, *, time: str | None, value: str | None) -> tuple[int, int]:
        """Positions of the times and of the values.

        Raises:
            InputError: With the columns that there are.
        """
        times = self._find(time) if time is not None else self._likely_time()
        values = self._find(value) if value is not None else self._only_other(times)
        if times == values:
            problem = f"{self.name(times)} is to be time and value, expected two of {self._list()}"
            raise self._place.error(self._line, problem)
        return times, values

    def _find(self, wanted: str) -> int:
        spellings: tuple[Callable[[str], str], ...] = (str.strip, str.casefold)
        for spell in spellings:
            found = [i for i, n in enumerate(self._names) if spell(n) == spell(wanted)]
            if len(found) == 1:
                return found[0]
            if found:
                numbers = " and ".join(str(i + 1) for i in found)
                problem = (
                    f"columns {numbers} are called {wanted!r}, name one by its number"
                )
                raise self._place.error(self._line, problem)
        if wanted.isdecimal() and 1 <= int(wanted) <= self.count:
            return int(wanted) - 1
        problem = f"no column {wanted!r}, expected one of {self._list()}"
        raise self._place.error(self._line, problem)

    def times_beside(self, chosen: int) -> tuple[str, ...]:
        """Other columns that look like times."""
        return tuple(
            name
            for i, name in enumerate(self._names)
            if i != chosen and is_time_name(name)
        )

    def _likely_time(self) -> int:
        if _BENCH_TIME in self._names:
            return self._names.index(_BENCH_TIME)
        return next((i for i, n in enumerate(self._names) if is_time_name(n)), 0)

    def _only_other(self, times: int) -> int:
        beside = [i for i in range(self.count) if i != times]
        others = beside
        if len(beside) > 1:
            others = [i for i in beside if self._may_be_value(i)]
        if len(others) == 1:
            return others[0]
        many = "several columns" if others else "no column"
        got = f"{many} of numbers beside {self.name(times)}"
        problem = f"{got}, name one with --value: {self._list(others or beside)}"
        raise self._place.error(self._line, problem)

    def _may_be_value(self, index: int) -> bool:
        if is_time_name(self._names[index]):
            return False
        fields = [row.fields[index] for row in self._head if index < len(row.fields)]
        filled = [field for field in fields if field.strip()]
        numbers = sum(is_number(field, self._separator) for field in filled)
        return 2 * numbers > len(filled)

    def _list(self, columns: Sequence[int] | None = None) -> str:
        """Numbers and names of columns, all if absent; so many that a person can look through them."""
        listed = range(self.count) if columns is None else columns
        named = [f"{i + 1} {self._names[i]}".strip() for i in listed]
        more = len(named) - _MOST_LISTED
        rest = [f"and {more} more"] if more > 0 else []
        return ", ".join(named[:_MOST_LISTED] + rest)
