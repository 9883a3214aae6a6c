"""Times and values of one meter's log, checked."""

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from daq.delimited.columns import Columns
from daq.delimited.figures import Numbers, Times
from daq.delimited.place import Place
from daq.delimited.rows import EMPTY, Row, part

_JUDGED_ROWS = 20
"""Columns are judged from this many rows."""
_IN_A_ROW = 3
"""So many readings in a row are no spike."""


@dataclass(frozen=True, slots=True)
class MeterLog:
    """What was read.

    Attributes:
        times_s: Never falling, not all equal [s]. As they stand in the file, or since the first reading where the
            file has time stamps.
        values: Finite [unit of the column].
        time_column: Its name, or its number where there is no header.
        value_column: Likewise.
        smallest_step: Smallest step that the digits of the values can show [unit of the column].
        first_timestamp: As it stands in the file; None where times are numbers.
        time_unit: What the times are in the file by the name of their column, where that is not seconds.
        separator: What parts the columns, in words.
        has_decimal_comma: Whether values are written with one.
        other_time_columns: Names of those that look like times too, and were not taken.
    """

    times_s: tuple[float, ...]
    values: tuple[float, ...]
    time_column: str
    value_column: str
    smallest_step: float
    first_timestamp: str | None
    time_unit: str | None
    separator: str
    has_decimal_comma: bool
    other_time_columns: tuple[str, ...] = ()

    def stretch_above(self, least: float) -> tuple[int, int] | None:
        """Where the values stay above something: first position, and the one after the last; None where they do not.

        It begins with the first of three readings in a row that are above, and ends before three that are not; one or
        two may be spikes.
        """
        begin = _first_in_a_row([value > least for value in self.values])
        if begin is None:
            return None
        ends = _first_in_a_row([value <= least for value in self.values[begin:]])
        return begin, len(self.values) if ends is None else begin + ends


def _first_in_a_row(facts: Sequence[bool]) -> int | None:
    """Position of the first of several in a row that are true."""
    length = 0
    for position, is_true in enumerate(facts):
        length = length + 1 if is_true else 0
        if length == _IN_A_ROW:
            return position + 1 - _IN_A_ROW
    return None


def parse_log(
    content: bytes, *, source: str, time: str | None = None, value: str | None = None
) -> MeterLog:
    """Read two columns of a delimited text.

    Args:
        content: Of the file.
        source: What to call it in an error.
        time: Name or number (from 1) of the column of times; if absent, the first that is called so, else the first.
        value: Likewise of the values; if absent, the only other column of numbers.

    Returns:
        At least two readings.

    Raises:
        InputError: With the line, what is wrong with it and what to write instead.
    """
    place = Place(source)
    sheet = part(content, place)
    head = list(itertools.islice(sheet.rows, _JUDGED_ROWS))
    if not head:
        raise place.error(None, EMPTY)
    columns = Columns(head, sheet.separator, place)
    chosen = columns.choose(time=time, value=value)
    picker = _Picker(columns, chosen, sheet.separator, place)
    below = itertools.chain(head[columns.has_header :], sheet.rows)
    readings = picker.readings(below)
    return MeterLog(
        times_s=tuple(readings[0]),
        values=tuple(readings[1]),
        time_column=columns.name(chosen[0]),
        value_column=columns.name(chosen[1]),
        smallest_step=picker.numbers.smallest_step,
        first_timestamp=picker.times.first_timestamp,
        time_unit=picker.times.unit,
        separator=sheet.separator_name,
        has_decimal_comma=picker.numbers.sign == ",",
        other_time_columns=columns.times_beside(chosen[0]),
    )


class _Picker:
    """Picks two fields of each row."""

    def __init__(
        self, columns: Columns, chosen: tuple[int, int], separator: str, place: Place
    ) -> None:
        self.times = Times(columns.name(chosen[0]), separator)
        self.numbers = Numbers(separator)
        self._columns = columns
        self._chosen = chosen
        self._separator = separator
        self._place = place

    def readings(self, rows: Iterable[Row]) -> tuple[list[float], list[float]]:
        """Times and values of all rows."""
        (t, v), width = self._chosen, self._columns.count
        times_s: list[float] = []
        values: list[float] = []
        for row in rows:
            fields = row.fields
            if len(fields) != width:
                self._check_width(row)
            try:
                at_s = self.times.parse(fields[t].strip())
            except ValueError as exc:
                raise self._fault(row, str(exc), t) from exc
            if times_s and at_s < times_s[-1]:
                problem = f"time goes backwards, got {at_s:.15g} s after {times_s[-1]:.15g} s; put the lines in order of time"
                raise self._fault(row, problem, t)
            try:
                values.append(self.numbers.parse(fields[v].strip()))
            except ValueError as exc:
                raise self._fault(row, str(exc), v) from exc
            times_s.append(at_s)
        self._check_count(times_s)
        return times_s, values

    def _fault(self, row: Row, problem: str, index: int) -> Exception:
        return self._place.error(row.line, problem, column=self._columns.name(index))

    def _check_width(self, row: Row) -> None:
        got, width = len(row.fields), self._columns.count
        missing = [i for i in self._chosen if i >= got]
        if missing:
            problem = f"missing, got {got} of {width} columns; leave out the whole line where there is no reading"
            raise self._fault(row, problem, missing[0])
        if any(field.strip() for field in row.fields[width:]):
            problem = f"got {got} columns, expected {width} as in the first row"
            if self._separator == ",":
                problem += "; decimal commas need columns parted by semicolons or tabs"
            raise self._place.error(row.line, problem)

    def _check_count(self, times_s: list[float]) -> None:
        if len(times_s) < 2:
            got = "one reading only" if times_s else "no readings below the header"
            raise self._place.error(None, f"{got}, expected at least two")
        if times_s[0] == times_s[-1]:
            problem = f"all {len(times_s)} readings have the same time, expected times that rise"
            raise self._place.error(None, problem)
