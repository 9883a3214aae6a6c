"""A session as a spreadsheet: averages, comparison, readings, notes; numbers are numbers, units stand in the headings.

Takes records and rows, writes to what it is handed. Its rules:

- No text ever becomes a formula or a link, whatever it begins with.
- What is not finite, and what is not there, is an empty cell.
- A sheet that is full goes on in the next one.

The library that knows the format is an optional extra and is loaded only when a workbook is written.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from typing import IO, TYPE_CHECKING

from daq.comparison.session import SessionComparison
from daq.comparison_tables import ComparedRow, compared_rows
from daq.errors import InputError
from daq.export import Cell, StoredAverage, StoredTrial
from daq.printable import printable
from daq.wording import unit_symbol

if TYPE_CHECKING:
    from xlsxwriter.format import Format  # type: ignore[import-untyped]  # it states no types
    from xlsxwriter.workbook import Workbook  # type: ignore[import-untyped]  # it states no types
    from xlsxwriter.worksheet import Worksheet  # type: ignore[import-untyped]  # it states no types

MOST_ROWS = 1_048_576
"""Rows that a sheet can hold (ECMA-376 leaves it open; it is what spreadsheet programs take)."""
_LONGEST_NAME, _LONGEST_TEXT = 31, 32_767
_EPOCH_DAYS = 25_569.0
"""Days from the spreadsheets' first day to 1970-01-01."""
_NOT_IN_NAMES = str.maketrans(dict.fromkeys("[]:*?/\\'", "_"))
_EVENT_HEADING = ("when (UTC)", "bench clock [s]", "kind", "what happened")
_TRIAL_HEADING = (
    "session",
    "trial",
    "condition",
    "repeat",
    "attempt",
    "is baseline",
    "state",
    "switched on (UTC)",
    "duration [s]",
    "note",
)


@dataclass(frozen=True, slots=True)
class InstrumentReadings:
    """Readings of one instrument: names of the columns with their units, and rows. To be used up in order."""

    instrument: str
    header: Sequence[str]
    rows: Iterable[Sequence[Cell]]


@dataclass(frozen=True, slots=True)
class Book:
    """What a workbook holds.

    Attributes:
        trials: Of one session.
        averages: Of these.
        comparison: None where nothing can be compared; then `notes` say why.
        readings: By instrument, one after the other.
        notes: What a thing is called, and what it is.
        events: What happened: UTC, time on the bench's clock [s], kind, words.
    """

    trials: Sequence[StoredTrial]
    averages: Sequence[StoredAverage]
    comparison: SessionComparison | None
    readings: Iterable[InstrumentReadings]
    notes: Sequence[tuple[str, str]]
    events: Sequence[Sequence[Cell]] = ()


def write_workbook(file: IO[bytes], book: Book, *, most_rows: int = MOST_ROWS) -> None:
    """Write a workbook.

    Args:
        file: To write to; must be seekable.
        book: What it holds.
        most_rows: That a sheet takes, the heading among them [1].

    Raises:
        InputError: If the library that knows the format is not installed.
    """
    try:
        import xlsxwriter  # type: ignore[import-untyped]  # it states no types; not everybody has it
    except ImportError as exc:
        msg = "--format xlsx needs a library that is not installed, expected: pip install xlsxwriter"
        raise InputError(msg) from exc
    options = {
        # Row by row through a file of its own: a day of readings needs no memory.
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    with xlsxwriter.Workbook(file, options) as workbook:
        started = [each.started_utc for each in book.trials]
        if started:
            # Not when it was written: the same session gives the same file.
            workbook.set_properties({"created": datetime.fromisoformat(min(started))})
        sheets = _Sheets(workbook, most_rows)
        sheets.add("averages", *_averages(book))
        if book.comparison is not None:
            sheets.add("comparison", *_comparison(book.comparison))
        for each in book.readings:
            sheets.add(f"readings {each.instrument}", each.header, each.rows)
        if book.events:
            sheets.add("events", _EVENT_HEADING, book.events)
        sheets.add("notes", ("what", "is"), book.notes)


class _Sheets:
    """Adds sheets to a workbook."""

    def __init__(self, workbook: "Workbook", most_rows: int) -> None:
        self._workbook = workbook
        self._most_rows = most_rows
        self._names: set[str] = set()
        self._heading = workbook.add_format({"bold": True, "bottom": 1})
        self._time = workbook.add_format({"num_format": "yyyy-mm-dd hh:mm:ss.000"})

    def add(
        self, name: str, heading: Sequence[str], rows: Iterable[Sequence[Cell]]
    ) -> None:
        """Add rows below a heading, on as many sheets as it takes."""
        rest = iter(rows)
        while True:
            sheet = self._workbook.add_worksheet(self._free_name(name))
            _lay_out(sheet, heading, self._heading)
            times = [
                place for place, each in enumerate(heading) if each.endswith("utc")
            ]
            times += [i for i, each in enumerate(heading) if each.endswith("(UTC)")]
            count = 0
            for count, row in enumerate(islice(rest, self._most_rows - 1), 1):
                _write_row(sheet, count, row, times, self._time)
            following = next(rest, None)
            if following is None:
                return
            rest = _with_first(following, rest)

    def _free_name(self, name: str) -> str:
        """A name as the format takes it, each once; it does not tell cases apart."""
        clean = printable(name).translate(_NOT_IN_NAMES).strip() or "sheet"
        free, number = clean[:_LONGEST_NAME], 1
        while free.lower() in self._names:
            number += 1
            ending = f" ({number})"
            free = clean[: _LONGEST_NAME - len(ending)] + ending
        self._names.add(free.lower())
        return free


def _with_first(
    first: Sequence[Cell], others: Iterator[Sequence[Cell]]
) -> Iterator[Sequence[Cell]]:
    yield first
    yield from others


def _lay_out(sheet: "Worksheet", heading: Sequence[str], bold: "Format") -> None:
    sheet.freeze_panes(1, 0)
    for place, text in enumerate(heading):
        sheet.set_column(place, place, min(max(len(text), 9) + 1, 60))
        sheet.write_string(0, place, printable(text), bold)


def _write_row(
    sheet: "Worksheet",
    number: int,
    row: Sequence[Cell],
    times: Sequence[int],
    time_format: "Format",
) -> None:
    for place, value in enumerate(row):
        if isinstance(value, str):
            if place in times and value:
                sheet.write_number(number, place, _days(value), time_format)
            else:
                sheet.write_string(number, place, printable(value)[:_LONGEST_TEXT])
        elif value is not None and math.isfinite(value):
            sheet.write_number(number, place, value)


def _days(utc: str) -> float:
    """A time stamp as spreadsheets count time: days with their fraction."""
    moment = datetime.fromisoformat(utc)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return moment.timestamp() / 86_400.0 + _EPOCH_DAYS


# ---- averages: a row a trial


_Table = tuple[Sequence[str], Iterator[Sequence[Cell]]]


def _averages(book: Book) -> _Table:
    by_trial: dict[int, dict[tuple[str, str], StoredAverage]] = {}
    for each in book.averages:
        by_trial.setdefault(each.trial, {})[each.channel, each.unit] = each
    channels = list(dict.fromkeys((a.channel, a.unit) for a in book.averages))
    heading = [*_TRIAL_HEADING, "window from [s]", "window to [s]"]
    for channel, unit in channels:
        heading += _figure_names(channel, unit)
    return heading, (
        _trial_row(trial, by_trial.get(trial.trial, {}), channels)
        for trial in book.trials
    )


def _figure_names(channel: str, unit: str) -> list[str]:
    symbol = unit_symbol(unit) or "1"
    return [
        f"{channel} mean [{symbol}]",
        f"{channel} U 95 % [{symbol}]",
        f"{channel} k [1]",
        f"{channel} u [{symbol}]",
        f"{channel} degrees of freedom [1]",
        f"{channel} readings [1]",
    ]


def _trial_row(
    trial: StoredTrial,
    averages: dict[tuple[str, str], StoredAverage],
    channels: Sequence[tuple[str, str]],
) -> list[Cell]:
    window = next(iter(averages.values()), None)
    cells: list[Cell] = [
        trial.session,
        trial.trial,
        trial.condition,
        trial.repeat,
        trial.attempt,
        "yes" if trial.baseline else "no",
        trial.state,
        trial.started_utc,
        trial.duration_s,
        trial.note,
        window.window_start_s if window else None,
        window.window_end_s if window else None,
    ]
    for key in channels:
        cells += _figures(averages.get(key))
    return cells


def _figures(average: StoredAverage | None) -> list[Cell]:
    if average is None:
        return [None] * len(_figure_names("", "1"))
    return [
        average.mean,
        average.expanded_uncertainty,
        average.coverage_factor,
        average.std_uncertainty,
        average.degrees_of_freedom,
        average.count,
    ]


# ---- comparison: a row a condition


def _comparison(comparison: SessionComparison) -> _Table:
    rows = compared_rows(comparison)
    quantities = list(dict.fromkeys((row.quantity, row.unit) for row in rows))
    conditions = list(dict.fromkeys(row.condition for row in rows))
    by_place = {(row.condition, row.quantity): row for row in rows}
    heading = ["condition", "is baseline"]
    for name, unit in quantities:
        heading += _compared_names(name, unit)
    baseline = comparison.figures.baseline
    return heading, (
        [
            condition,
            "yes" if condition == baseline else "no",
            *(
                cell
                for name, _ in quantities
                for cell in _compared(by_place.get((condition, name)))
            ),
        ]
        for condition in conditions
    )


def _compared_names(name: str, unit: str) -> list[str]:
    symbol = unit_symbol(unit) or "1"
    return [
        f"{name} mean [{symbol}]",
        f"{name} U 95 % [{symbol}]",
        f"{name} difference [{symbol}]",
        f"{name} U of difference [{symbol}]",
        f"{name} difference [%]",
        f"{name} U of difference [%]",
        f"{name} real from [{symbol}]",
        f"{name} verdict",
        f"{name} trials",
    ]


def _compared(row: ComparedRow | None) -> list[Cell]:
    if row is None:
        return [None] * len(_compared_names("", "1"))
    ratio, ratio_u = row.ratio, row.ratio_expanded_uncertainty
    return [
        row.mean,
        row.expanded_uncertainty,
        row.difference,
        row.difference_expanded_uncertainty,
        None if ratio is None else 100.0 * (ratio - 1.0),
        None if ratio_u is None else 100.0 * ratio_u,
        row.least_real,
        "baseline" if row.is_baseline else row.verdict,
        row.trials,
    ]
