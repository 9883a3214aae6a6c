"""Which rows of a salvaged table of readings cannot be believed, although each can be read?

SQLite keeps no checksum of a row, so that bytes written over a number leave another number behind. What contradicts
its neighbours or all the rest of its column is told apart here; what a change leaves credible nobody can tell. Only
what is plainly absurd is doubted: a reading that stands in order must not be put aside for being rare. Pure: knows no
connection.

Rules, in this order:

- A clock that is not there, where no clock is lost and fewer than three readings name it.
- A time that no bench has, or that does not fit the readings before and after it by the same clock: numbers are given
  in the order of arrival, and meters on several lines arrive at most a few seconds out of order.
- A trial other than that of the reading before and the one behind, which are of one trial or none, where that trial
  has other readings: a trial's readings follow upon each other.
- A value beyond 1e12, or below 1e-12 and not zero, in any unit: the units are those of a bench, and eight random bytes
  are such a value 24 times in 25.
- A value at least ten times as great as all of the decade that the column's median lies in, of which decade and whose
  neighbours fewer than two others are; or the only one of its sign and as great as the median's decade. Medians
  and decades stay what they are however absurd single values are, and an inrush that is measured at every start, or a
  machine that runs for three polls only, has company. Of the newest two rows of a table this is not asked: the
  machine may just have been switched on.
"""

import math
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from itertools import chain

from daq.runtime.store.salvaging import FoundTable

GREATEST_VALUE, LEAST_VALUE = 1e12, 1e-12
_GREATEST_TIME_S = 1e9
_OUT_OF_ORDER_S = 5.0
_FEWEST_VALUES = 20
_FEWEST_LIKE = 2
_DECADES_ABOVE = 2
_NEWEST_ROWS = 2
_OWN_COLUMNS = 5

CLOCK = "its clock is not there"
TIME = "its time does not fit the readings before and after it"
TRIAL = "its trial is not that of the readings before and after it"
VALUE = "a value is beyond what any meter shows"
UNLIKE = "a value is like no other of its column"


@dataclass(frozen=True, slots=True)
class Doubtful:
    """A row that cannot be believed."""

    table: FoundTable
    number: int
    why: str


@dataclass(frozen=True, slots=True)
class _Placed:
    table: FoundTable
    number: int
    clock: int
    trial: int | None
    at_s: float


def find_doubtful(
    tables: Sequence[FoundTable],
    *,
    clocks: AbstractSet[int] | None,
    is_numbered_together: bool,
) -> list[Doubtful]:
    """Find the rows that cannot be believed, each once, in the order of their tables and numbers.

    Args:
        tables: Of readings: a number, a clock, a trial, a time, flags, then values.
        clocks: Numbers of those there are; None where one may be lost.
        is_numbered_together: Numbers count over all tables in the order of arrival.
    """
    groups = [tables] if is_numbered_together else [[table] for table in tables]
    found: dict[tuple[str, int], Doubtful] = {}
    for each in chain(
        *(_misplaced(_placed(group), clocks) for group in groups),
        *(_absurd_values(table) for table in tables),
    ):
        found.setdefault((each.table.name, each.number), each)
    return sorted(found.values(), key=lambda d: (d.table.name, d.number))


def _misplaced(
    rows: Sequence["_Placed"], clocks: AbstractSet[int] | None
) -> Iterator[Doubtful]:
    """Rows whose clock, time or trial is not that of their place."""
    believed: list[_Placed] = []
    counts = Counter(row.clock for row in rows)
    known = counts.keys() if clocks is None else clocks
    for row in rows:
        if row.clock not in known and counts[row.clock] <= _FEWEST_LIKE:
            yield Doubtful(row.table, row.number, CLOCK)
        elif not _is_credible(row.at_s, _GREATEST_TIME_S):
            yield Doubtful(row.table, row.number, TIME)
        else:
            believed.append(row)
    for row in _out_of_order(believed):
        yield Doubtful(row.table, row.number, TIME)
    for row in _of_another_trial(believed):
        yield Doubtful(row.table, row.number, TRIAL)


def _placed(tables: Sequence[FoundTable]) -> list[_Placed]:
    placed = [
        _Placed(table, number, clock, trial, float(at_s))  # type: ignore[arg-type] # rows fit their table's kinds
        for table in tables
        for number, (_, clock, trial, at_s, *_rest) in table.rows.items()
    ]
    placed.sort(key=lambda row: row.number)
    return placed


def _is_credible(value: float, greatest: float) -> bool:
    return value == 0 or LEAST_VALUE <= abs(value) <= greatest


def _out_of_order(rows: Sequence[_Placed]) -> Iterator[_Placed]:
    """Rows that neither stand in the longest series in order nor near their place in it."""
    if _is_in_order(rows):
        return
    keys = [(row.clock, row.at_s) for row in rows]
    ordered = _longest_in_order(keys)
    for index, row in enumerate(rows):
        place = bisect_right(ordered, index)
        if place and ordered[place - 1] == index:
            continue
        before = rows[ordered[place - 1]] if place else None
        behind = rows[ordered[place]] if place < len(ordered) else None
        if not _fits_between(row, before, behind):
            yield row


def _is_in_order(rows: Sequence[_Placed]) -> bool:
    clock, latest_s = -1, -math.inf
    for row in rows:
        if row.clock == clock:
            if row.at_s < latest_s - _OUT_OF_ORDER_S:
                return False
            latest_s = max(latest_s, row.at_s)
        elif row.clock > clock:
            clock, latest_s = row.clock, row.at_s
        else:
            return False
    return True


def _fits_between(row: _Placed, before: _Placed | None, behind: _Placed | None) -> bool:
    same = [each for each in (before, behind) if each and each.clock == row.clock]
    if not same:
        return False
    earliest_s = before.at_s if before is not None and before in same else -math.inf
    latest_s = behind.at_s if behind is not None and behind in same else math.inf
    return earliest_s - _OUT_OF_ORDER_S <= row.at_s <= latest_s + _OUT_OF_ORDER_S


def _longest_in_order(keys: Sequence[tuple[int, float]]) -> list[int]:
    """Places of the longest series that never falls; of patience sorting, in n log n."""
    ends: list[tuple[int, float]] = []
    places: list[int] = []
    before: list[int] = []
    for index, key in enumerate(keys):
        length = bisect_right(ends, key)
        before.append(places[length - 1] if length else -1)
        ends[length : length + 1] = [key]
        places[length : length + 1] = [index]
    series: list[int] = []
    place = places[-1] if places else -1
    while place >= 0:
        series.append(place)
        place = before[place]
    return series[::-1]


def _of_another_trial(rows: Sequence[_Placed]) -> Iterator[_Placed]:
    counts = Counter(row.trial for row in rows)
    for before, row, behind in zip(rows, rows[1:], rows[2:], strict=False):
        is_alone = before.trial == behind.trial != row.trial
        if is_alone and row.trial is not None and counts[row.trial] > 1:
            yield row


def _absurd_values(table: FoundTable) -> Iterator[Doubtful]:
    numbers = sorted(table.rows)
    newest = set(numbers[-_NEWEST_ROWS:])
    width = max((len(values) for values in table.rows.values()), default=0)
    for column in range(_OWN_COLUMNS, width):
        usual: list[tuple[int, float]] = []
        for number, value in _values(table, numbers, column):
            if _is_credible(value, GREATEST_VALUE):
                usual.append((number, value))
            else:
                yield Doubtful(table, number, VALUE)
        for number in _unlike(usual):
            if number not in newest:
                yield Doubtful(table, number, UNLIKE)


def _values(
    table: FoundTable, numbers: Sequence[int], column: int
) -> Iterator[tuple[int, float]]:
    """What a column holds, zeros and what is missing left out."""
    for number in numbers:
        values = table.rows[number]
        value = values[column] if column < len(values) else None
        if isinstance(value, int | float) and value != 0:
            yield number, float(value)


def _unlike(rows: Sequence[tuple[int, float]]) -> Iterator[int]:
    """Rows of a column, zeros left out, that are like no others."""
    if len(rows) < _FEWEST_VALUES:
        return
    decades = [(math.floor(math.log10(abs(v))), v > 0) for _, v in rows]
    counts = Counter(decades)
    signs = Counter(is_positive for _, is_positive in decades)
    usual = sorted(decade for decade, _ in decades)[len(decades) // 2]
    for (number, _), (decade, is_positive) in zip(rows, decades, strict=True):
        alike = sum(counts[decade + i, is_positive] for i in (-1, 0, 1)) - 1
        is_far_above = decade >= usual + _DECADES_ABOVE and alike < _FEWEST_LIKE
        if is_far_above or (signs[is_positive] == 1 and decade >= usual):
            yield number
