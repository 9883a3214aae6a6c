"""Several columns of one log, with its times in order and with what could not be read."""

import itertools
import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from daq.delimited.columns import Columns
from daq.delimited.figures import Numbers
from daq.delimited.place import Place, quoted
from daq.delimited.rows import EMPTY, Row, Sheet, part
from daq.errors import InputError
from daq.logs.header import SEARCHED, header_position
from daq.logs.stamps import (
    DateOrder,
    HourJump,
    Stamps,
    Written,
    hour_steps,
    parse_stamps,
    without_hour_steps,
)

_JUDGED_ROWS = 20
_MOST_BAD = 0.1
"""With a larger share of lines that cannot be read it is the reading that is wrong [1]."""
_MOST_SHOWN = 60
"""Of a column's name, with each of its lines that could not be read [characters]."""
_DATE_AND_TIME = "+"
"""Joins the names of two columns, date and time, into one of times."""
_ENCODING_OPTION = "--encoding"


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line, or one of its fields, that could not be read.

    Attributes:
        line: Its number in the file.
        at_s: When it was, where that can be told [s of the log].
        problem: What is wrong with it.
    """

    line: int
    at_s: float | None
    problem: str


@dataclass(frozen=True, slots=True)
class LogTable:
    """A log that was read.

    Attributes:
        times_s: Never falling [s of the log].
        values: One for every time, by column [unit of the column]; None where a field could not be read.
        steps: The smallest step that a column's numbers show, by column.
        stamps: How the times are written.
        time_column: What it is called.
        names: What the header calls a column that was named, perhaps by its number.
        first_line: Number of the line of the header, or of the first reading where there is none.
        above: The lines above it, stripped, without blank ones.
        interval_s: Usual spacing of the readings [s].
        bad: What could not be read, in the order of the file.
        doubled: Lines left out because time and values were those of the line before [1].
        same_times: Lines with the time of the line before and other values; they were kept [1].
        backwards: Lines left out because their time had been passed already [1].
        notes: What had to be decided, in words.
    """

    times_s: tuple[float, ...]
    values: Mapping[str, tuple[float | None, ...]]
    steps: Mapping[str, float]
    stamps: Stamps
    time_column: str
    names: Mapping[str, str]
    first_line: int
    above: tuple[str, ...]
    interval_s: float
    bad: tuple[BadLine, ...]
    doubled: int
    same_times: int
    backwards: int
    notes: tuple[str, ...]

    def present(self, column: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Times [s] and values of one column, without what could not be read."""
        there = [
            (at_s, value)
            for at_s, value in zip(self.times_s, self.values[column], strict=True)
            if value is not None
        ]
        return tuple(at_s for at_s, _ in there), tuple(value for _, value in there)


@dataclass(frozen=True, slots=True)
class HowToRead:
    """What decides how a log is read.

    Attributes:
        time: Name or number of the column of times, or of two joined by +; found by name if None.
        dates: Order of day and month.
        hour_jump: What a step of just an hour means.
        skip_bad_lines: A line that cannot be read is a gap instead of an error.
        header: Number of the line of the header; found by names and shape if None.
        encoding: Of the text, where no mark at its beginning tells; UTF-8 if None.
    """

    time: str | None = None
    dates: DateOrder | None = None
    hour_jump: HourJump | None = None
    skip_bad_lines: bool = False
    header: int | None = None
    encoding: str | None = None

    def part(self, content: bytes, place: Place) -> Sheet:
        """Part a log into rows.

        Raises:
            InputError: It cannot be parted, with what to do.
        """
        return part(
            content,
            place,
            encoding=self.encoding,
            encoding_option=_ENCODING_OPTION,
            begin=self.header,
        )

    def header_position(
        self, rows: Sequence[Row], columns: Sequence[str], separator: str
    ) -> int:
        """Position of the header among the rows, at least one [1]."""
        if self.header is not None:
            return 0
        names = [columns]
        if self.time is not None:
            # A name may hold a + of its own.
            parts = self.time.split(_DATE_AND_TIME)
            names = [[*columns, *parts], [*columns, self.time], columns]
        return header_position(rows, names, separator)


def has_column(content: bytes, *, source: str, column: str, how: HowToRead) -> bool:
    """Whether a log has a column of this name or number."""
    sheet = how.part(content, Place(source))
    rows = list(itertools.islice(sheet.rows, SEARCHED + _JUDGED_ROWS))
    if not rows:
        return False
    head = rows[how.header_position(rows, [column], sheet.separator) :][:_JUDGED_ROWS]
    try:
        columns = Columns(head, sheet.separator, Place(source))
        columns.choose(time="1", value=column)
    except InputError:
        return head[0].fields[0].strip().casefold() == column.strip().casefold()
    return True


def parse_table(
    content: bytes, *, source: str, columns: Sequence[str], how: HowToRead
) -> LogTable:
    """Read several columns of a log.

    Args:
        content: Of the file.
        source: What to call it in an error.
        columns: Names or numbers of those wanted, at least one.
        how: To read it.

    Raises:
        InputError: With the line, what is wrong with it and what to write instead.
    """
    place = Place(source)
    sheet = how.part(content, place)
    every = list(sheet.rows)
    if not every:
        raise place.error(None, EMPTY)
    rows = every[how.header_position(every, columns, sheet.separator) :]
    there = Columns(rows[:_JUDGED_ROWS], sheet.separator, place)
    try:
        times, values = _choose(there, how.time, columns, rows[0])
    except InputError as exc:
        if how.header is not None:
            raise
        msg = f"{exc}; if the header is in another line, --header LINE"
        raise InputError(msg) from exc
    above = sheet.lines_above(rows[0].line)
    line = rows[0].line
    reader = _Reader(place, sheet.separator, there, times, values, how, above, line)
    return reader.read(rows[there.has_header :])


def _choose(
    there: Columns, time: str | None, wanted: Sequence[str], head: Row
) -> tuple[list[int], dict[str, int]]:
    """Positions of the columns of times, one or two, and of the values."""
    names = time.split(_DATE_AND_TIME) if time else _date_and_time(head)
    if time is not None and time in [text.strip() for text in head.fields]:
        names = [time]
    asked: Sequence[str | None] = [name.strip() for name in names] or [None]
    values = {
        name: there.choose(time=asked[0], value=name)[1]
        for name in dict.fromkeys(wanted)
    }
    any_value = next(iter(values))
    times = [there.choose(time=name, value=any_value)[0] for name in asked]
    return times, values


def _date_and_time(head: Row) -> list[str]:
    """Columns called date and time beside each other are one time in two parts."""
    names = {text.strip().casefold(): text.strip() for text in head.fields}
    return [names["date"], names["time"]] if {"date", "time"} <= names.keys() else []


@dataclass(slots=True)
class _Reader:
    """Reads the rows of one log."""

    place: Place
    separator: str
    columns: Columns
    times: list[int]
    values: Mapping[str, int]
    how: HowToRead
    above: tuple[str, ...]
    first_line: int
    bad: list[BadLine] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def read(self, rows: Sequence[Row]) -> LogTable:
        if not rows:
            raise self.place.error(
                None, "no readings below the header, expected at least two"
            )
        self._note_above()
        stamps = self._stamps(rows)
        timed = [
            (row, at_s)
            for row, at_s in zip(rows, stamps.seconds, strict=True)
            if at_s is not None
        ]
        times_s = self._even(
            [row for row, _ in timed], stamps, [at_s for _, at_s in timed]
        )
        numbers = {name: Numbers(self.separator) for name in self.values}
        cells = [
            self._cells(row, at_s, numbers)
            for (row, _), at_s in zip(timed, times_s, strict=True)
        ]
        self._expect_mostly_good(len(rows))
        return self._in_order(times_s, cells, stamps, numbers)

    def _note_above(self) -> None:
        if not self.above:
            return
        what = "header" if self.columns.has_header else "first reading"
        more = len(self.above) - 1
        rest = f" and {more} more" if more else ""
        self.notes.append(
            f"{what} in line {self.first_line}; above it {quoted(self.above[0])}{rest}"
        )

    @property
    def _time_column(self) -> str:
        return " and ".join(self.columns.name(i) for i in self.times)

    @property
    def _other_times(self) -> str:
        """How to name other times, for whoever did not name any."""
        if self.how.time is not None:
            return ""
        return "; --time COLUMN names another column, --time DATE+TIME two that are one time together"

    def _other_header(self, row: Row) -> str:
        """How to name the header, where a row below the one that was taken has the names of the values too."""
        wanted = {self.columns.name(i).casefold() for i in self.values.values()}
        there = {text.strip().casefold() for text in row.fields}
        if self.how.header is not None or not wanted <= there:
            return ""
        return f"; if this line is the header, --header {row.line}"

    def _stamps(self, rows: Sequence[Row]) -> Stamps:
        texts = [self._time_text(row) for row in rows]
        name = self.columns.name(self.times[-1])
        try:
            stamps = parse_stamps(
                texts, name=name, separator=self.separator, dates=self.how.dates
            )
        except ValueError as exc:
            problem = f"{exc}{self._other_times}{self._other_header(rows[0])}"
            raise self.place.error(rows[0].line, problem, column=name) from exc
        for position, problem in stamps.problems.items():
            self._refuse_or_skip(rows[position], None, problem, name)
        self.notes += stamps.notes
        return stamps

    def _time_text(self, row: Row) -> str:
        parts = [row.fields[i].strip() for i in self.times if i < len(row.fields)]
        return " ".join(parts)

    def _even(
        self, rows: Sequence[Row], stamps: Stamps, seconds: list[float]
    ) -> list[float]:
        """The times without changes of the clock for summer time."""
        is_local = stamps.written in {Written.DATE, Written.TIME_OF_DAY}
        steps = hour_steps(seconds) if is_local and not stamps.has_zone else []
        if not steps:
            return seconds
        lines = ", ".join(str(rows[position].line) for position, _ in steps)
        if self.how.hour_jump is None:
            problem = (
                "the clock goes on by just an hour, expected --hour-jump changed where it was set for summer time,"
                " or --hour-jump paused where the log stood still"
                if steps[0][1] > 0
                else "the clock goes back by just an hour, expected --hour-jump changed where summer time ended,"
                " else lines in order of time"
            )
            raise self.place.error(rows[steps[0][0]].line, problem)
        if self.how.hour_jump is HourJump.PAUSED:
            return seconds
        self.notes.append(
            f"the clock was changed by an hour at line {lines}, which was taken out"
        )
        return without_hour_steps(seconds)

    def _cells(
        self, row: Row, at_s: float, numbers: Mapping[str, Numbers]
    ) -> list[float | None]:
        cells: list[float | None] = []
        for name, index in self.values.items():
            text = row.fields[index].strip() if index < len(row.fields) else ""
            try:
                cells.append(numbers[name].parse(text))
            except ValueError as exc:
                self._refuse_or_skip(row, at_s, str(exc), self.columns.name(index))
                cells.append(None)
        return cells

    def _refuse_or_skip(
        self, row: Row, at_s: float | None, problem: str, column: str
    ) -> None:
        if not self.how.skip_bad_lines:
            hint = f"{problem}{self._other_header(row)}; --skip-bad-lines counts such lines as gaps"
            raise self.place.error(row.line, hint, column=column)
        self.bad.append(BadLine(row.line, at_s, f"{column[:_MOST_SHOWN]}: {problem}"))

    def _expect_mostly_good(self, count: int) -> None:
        bad_lines = {each.line for each in self.bad}
        if len(bad_lines) > max(_MOST_BAD * count, 1):
            first = self.bad[0]
            problem = f"{len(bad_lines)} of {count} lines cannot be read, the first: {first.problem}"
            raise self.place.error(first.line, problem)

    def _in_order(
        self,
        times_s: Sequence[float],
        cells: Sequence[Sequence[float | None]],
        stamps: Stamps,
        numbers: Mapping[str, Numbers],
    ) -> LogTable:
        kept, doubled, same_times, backwards = _kept(times_s, cells)
        if backwards > _MOST_BAD * len(times_s):
            problem = (
                f"{backwards} of {len(times_s)} lines have a time that had been passed already,"
                " put the lines in order of time"
            )
            raise self.place.error(None, problem)
        if len({times_s[i] for i in kept}) < 2:
            problem = f"fewer than two different times in column {self._time_column}, expected times that rise"
            raise self.place.error(None, f"{problem}{self._other_times}")
        at_s = tuple(times_s[i] for i in kept)
        return LogTable(
            times_s=at_s,
            values={
                name: tuple(cells[i][number] for i in kept)
                for number, name in enumerate(self.values)
            },
            steps={name: each.smallest_step for name, each in numbers.items()},
            stamps=stamps,
            time_column=self._time_column,
            names={name: self.columns.name(i) for name, i in self.values.items()},
            first_line=self.first_line,
            above=self.above,
            interval_s=statistics.median(_rises(at_s)),
            bad=tuple(self.bad),
            doubled=doubled,
            same_times=same_times,
            backwards=backwards,
            notes=tuple(self.notes),
        )


def _rises(times_s: Sequence[float]) -> Iterator[float]:
    """Spacings of readings [s]; several with one time share the step to the next."""
    count = 1
    for earlier, later in pairwise(times_s):
        if later > earlier:
            yield from [(later - earlier) / count] * count
            count = 1
        else:
            count += 1


def _kept(
    times_s: Sequence[float], cells: Sequence[Sequence[float | None]]
) -> tuple[list[int], int, int, int]:
    """Positions of the lines that are kept, and how many were doubled, had the same time, or went backwards."""
    kept: list[int] = []
    doubled = same_times = backwards = 0
    for position, at_s in enumerate(times_s):
        last = kept[-1] if kept else None
        if last is not None and at_s < times_s[last]:
            backwards += 1
            continue
        if last is not None and at_s == times_s[last]:
            if cells[position] == cells[last]:
                doubled += 1
                continue
            same_times += 1
        kept.append(position)
    return kept, doubled, same_times, backwards
