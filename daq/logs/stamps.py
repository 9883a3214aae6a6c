"""Texts of a log's time column into seconds, whatever way its clock was written.

Dates that begin with the year, the day or the month; seconds since 1970; elapsed time; the time of day, over midnight
too. What could be read in two ways is refused with the option that decides it: the order of day and month, and a step
of just an hour, which may be a clock that was changed for summer time or a log that paused.
"""

import re
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from itertools import pairwise

from daq.delimited.figures import Times, is_number

DAY_S, HOUR_S = 86_400.0, 3_600.0
_EPOCH_S = (5e8, 5e9)
"""Numbers in between are seconds since 1970, of the years 1985 to 2128; a thousand times as much, milliseconds."""
_FARTHEST_S = 6e10
"""Of the years 69 to 3871, so that every time of a log can be told as a date, also some days off."""
_JUDGED = 20
"""The first texts that tell how times are written [1]."""
_CLOCK = r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?\s*([AaPp]\.?[Mm]\.?)?"
_TIME_OF_DAY = re.compile(_CLOCK)
_YEAR_FIRST = re.compile(r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}.*")
_YEAR_LAST = re.compile(
    rf"(\d{{1,2}})([./-])\s?(\d{{1,2}})\2\s?(\d{{4}}|\d{{2}})(?:[ ,T]+{_CLOCK})?"
)
_FRACTION = re.compile(r":\d{2}[.,](\d+)")
_SECONDS = re.compile(r":\d{2}:\d{2}")


class Written(StrEnum):
    """How the times of a log are written."""

    DATE = "dates"
    EPOCH = "seconds since 1970"
    ELAPSED = "elapsed time"
    TIME_OF_DAY = "times of day"


class DateOrder(StrEnum):
    """Which number of a date that ends in the year comes first."""

    DAY_FIRST = "day-first"
    MONTH_FIRST = "month-first"


class HourJump(StrEnum):
    """What a step of just an hour means: the clock was changed, or the log paused."""

    CHANGED = "changed"
    PAUSED = "paused"


@dataclass(frozen=True, slots=True)
class Stamps:
    """Times of a log as they were understood.

    Attributes:
        seconds: Since 1970 where `is_absolute`, else since a beginning of the log's own [s]; None where a text is no
            such time.
        problems: What is wrong with those that are None, by position.
        written: How they are written.
        is_absolute: They tell the date.
        has_zone: They tell how far from UTC they are; without, they were taken as UTC.
        step_s: The smallest step that they can show [s].
        notes: What had to be decided, in words.
    """

    seconds: tuple[float | None, ...]
    problems: dict[int, str]
    written: Written
    is_absolute: bool
    has_zone: bool
    step_s: float
    notes: tuple[str, ...] = ()


def parse_stamps(
    texts: Sequence[str], *, name: str, separator: str, dates: DateOrder | None = None
) -> Stamps:
    """Understand a column of times.

    Args:
        texts: Of its fields, stripped, in the order of the file; at least one.
        name: Of the column, which may end in a unit.
        separator: That parts the columns.
        dates: The order of day and month, where somebody said so.

    Raises:
        ValueError: If the order of day and month cannot be told, or they are no times.
    """
    head = [text for text in texts if text][:_JUDGED]
    if _mostly(head, lambda text: is_number(text, separator)):
        return _of_numbers(texts, name, separator)
    if _mostly(head, lambda text: bool(_TIME_OF_DAY.fullmatch(text))):
        return _of_clocks(texts)
    if _mostly(head, lambda text: bool(_YEAR_LAST.fullmatch(text))):
        return _of_year_last(texts, dates)
    if _mostly(head, lambda text: bool(_YEAR_FIRST.fullmatch(text))):
        return _of_year_first(texts)
    got = repr(head[0][:40]) if head else "nothing"
    msg = (
        f"got {got}, expected a date like 2026-03-01 12:00:00 or 01.03.2026 12:00:00, seconds as a number,"
        " or a time of day like 12:00:00"
    )
    raise ValueError(msg)


def _mostly(texts: Sequence[str], is_so: Callable[[str], bool]) -> bool:
    return 2 * sum(map(is_so, texts)) > len(texts)


def _each(
    texts: Sequence[str], parse: Callable[[str], float], expected: str
) -> tuple[tuple[float | None, ...], dict[int, str]]:
    seconds: list[float | None] = []
    problems: dict[int, str] = {}
    for position, text in enumerate(texts):
        try:
            seconds.append(parse(text))
        except (ValueError, TypeError, OverflowError):
            problems[position] = f"got {text[:40]!r}, expected {expected}"
            seconds.append(None)
    return tuple(seconds), problems


# ---- numbers


def _of_numbers(texts: Sequence[str], name: str, separator: str) -> Stamps:
    times, notes = Times(name, separator), tuple[str, ...]()
    first = next((_plain(t) for t in texts if is_number(t, separator)), 0.0)
    is_epoch = times.unit is None and _EPOCH_S[0] < first < _EPOCH_S[1]
    if times.unit is None and 1e3 * _EPOCH_S[0] < first < 1e3 * _EPOCH_S[1]:
        is_epoch, times = True, Times("milliseconds", separator)
        notes = ("times are so large that they were taken as milliseconds since 1970",)

    def parse(text: str) -> float:
        if not is_number(text, separator):
            raise ValueError(text)
        at_s = times.parse(text)
        return _near(at_s) if is_epoch else at_s

    expected = "a number of seconds as in the lines above"
    seconds, problems = _each(texts, parse, expected)
    return Stamps(
        seconds,
        problems,
        Written.EPOCH if is_epoch else Written.ELAPSED,
        is_absolute=is_epoch,
        has_zone=is_epoch,
        step_s=_step_of_numbers(texts) * _UNITS_S[times.unit],
        notes=notes,
    )


def _plain(text: str) -> float:
    return float(text.replace(",", "."))


def _step_of_numbers(texts: Sequence[str]) -> float:
    digits = max(len(text.replace(",", ".").partition(".")[2]) for text in texts)
    return float(f"1e-{min(digits, 9)}")


_UNITS_S = {None: 1.0, "milliseconds": 1e-3, "minutes": 60.0, "hours": HOUR_S}
"""What one of a column's unit is worth [s]."""


# ---- clocks and dates


def _of_clocks(texts: Sequence[str]) -> Stamps:
    raw, problems = _each(
        texts, _clock_s, "a time of day like 23:59:58 as in the lines above"
    )
    seconds: list[float | None] = []
    day_s, last = 0.0, None
    for at_s in raw:
        if at_s is not None:
            if last is not None and at_s < last - DAY_S / 2.0:
                day_s += DAY_S
            last = at_s
        seconds.append(None if at_s is None else at_s + day_s)
    nights = round(day_s / DAY_S)
    notes = (
        (f"over midnight {nights} time{'s' if nights > 1 else ''}",) if nights else ()
    )
    return Stamps(
        tuple(seconds),
        problems,
        Written.TIME_OF_DAY,
        is_absolute=False,
        has_zone=False,
        step_s=_step_of_clocks(texts),
        notes=notes,
    )


def _clock_s(text: str) -> float:
    found = _TIME_OF_DAY.fullmatch(text)
    if found is None:
        raise ValueError(text)
    return _seconds_of(found.groups())


def _seconds_of(parts: Sequence[str | None]) -> float:
    """Seconds since midnight from hour, minute, second, fraction and half of the day."""
    hour, minute, second, fraction, half = parts
    hours, minutes, seconds = int(hour or 0), int(minute or 0), int(second or 0)
    if half:
        if not 1 <= hours <= 12:
            raise ValueError(hour)
        hours = hours % 12 + (12 if half[0] in "Pp" else 0)
    if hours > 23 or minutes > 59 or seconds > 59:
        raise ValueError(hour)
    return 3600.0 * hours + 60.0 * minutes + seconds + float(f"0.{fraction or 0}")


def _of_year_last(texts: Sequence[str], dates: DateOrder | None) -> Stamps:
    found = [_YEAR_LAST.fullmatch(text) for text in texts]
    order, note = _date_order([m for m in found if m is not None], dates)

    def parse(text: str) -> float:
        match = _YEAR_LAST.fullmatch(text)
        if match is None:
            raise ValueError(text)
        first, _, second, year, *clock = match.groups()
        day, month = (
            (first, second) if order is DateOrder.DAY_FIRST else (second, first)
        )
        full_year = int(year) + (2000 if len(year) == 2 else 0)
        date = datetime(full_year, int(month), int(day), tzinfo=UTC)
        at_s = date.timestamp() + (_seconds_of(clock) if clock[0] else 0.0)
        return _near(at_s)

    seconds, problems = _each(texts, parse, f"a date as in the lines above, {order}")
    return Stamps(
        seconds,
        problems,
        Written.DATE,
        is_absolute=True,
        has_zone=False,
        step_s=_step_of_clocks(texts),
        notes=(note,),
    )


def _date_order(
    found: Sequence[re.Match[str]], dates: DateOrder | None
) -> tuple[DateOrder, str]:
    if dates is not None:
        return dates, f"dates were read {dates}, as stated"
    if all(match[2] == "." for match in found):
        return DateOrder.DAY_FIRST, "dates with points were read day-first"
    is_day_first = any(int(match[1]) > 12 for match in found)
    is_month_first = any(int(match[3]) > 12 for match in found)
    if is_day_first == is_month_first:
        msg = (
            f"got {found[0][0]!r}, which of its numbers is the day and which the month is not guessed at,"
            " expected --dates day-first or --dates month-first"
        )
        raise ValueError(msg)
    order = DateOrder.DAY_FIRST if is_day_first else DateOrder.MONTH_FIRST
    return order, f"dates were read {order}: a number above 12 can be no month"


def _of_year_first(texts: Sequence[str]) -> Stamps:
    def parse(text: str) -> float:
        head, tail = text[:10].replace("/", "-").replace(".", "-"), text[10:]
        at = datetime.fromisoformat(head + tail.replace(",", "."))
        zones.add(at.tzinfo is not None)
        return _near((at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp())

    zones: set[bool] = set()
    expected = "a date and time like 2026-03-01 12:00:00 as in the lines above"
    seconds, problems = _each(texts, parse, expected)
    if len(zones) > 1:
        msg = "some times say how far from UTC they are and some do not, expected all or none"
        raise ValueError(msg)
    return Stamps(
        seconds,
        problems,
        Written.DATE,
        is_absolute=True,
        has_zone=zones == {True},
        step_s=_step_of_clocks(texts),
    )


def _near(at_s: float) -> float:
    """A time since 1970, if it is of a year that a meter's clock could show [s]."""
    if abs(at_s) > _FARTHEST_S:
        raise ValueError(at_s)
    return at_s


def _step_of_clocks(texts: Sequence[str]) -> float:
    digits = max(
        (len(match[1]) for text in texts if (match := _FRACTION.search(text))),
        default=0,
    )
    if digits:
        return float(f"1e-{digits}")
    return 1.0 if any(map(_SECONDS.search, texts)) else 60.0


# ---- steps of just an hour


def hour_steps(seconds: Sequence[float]) -> list[tuple[int, float]]:
    """Where a clock without zone went on or back by just an hour: positions of the first time after it, and the jump [s]."""
    steps = [later - earlier for earlier, later in pairwise(seconds)]
    usual_s = statistics.median([step for step in steps if step > 0.0] or [0.0])
    slack_s = max(2.0 * usual_s, 2.0)
    return [
        (position, jump_s)
        for position, step in enumerate(steps, 1)
        for jump_s in (HOUR_S, -HOUR_S)
        if abs(step - usual_s - jump_s) <= slack_s
    ]


def without_hour_steps(seconds: Sequence[float]) -> list[float]:
    """The same times as a clock would have shown them that was not changed [s]."""
    even = list(seconds)
    for position, jump_s in hour_steps(seconds):
        even[position:] = [at_s - jump_s for at_s in even[position:]]
    return even
