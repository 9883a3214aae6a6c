"""Times of logs: dates, seconds since 1970, elapsed time, times of day, and what could be read in two ways."""

from datetime import UTC, datetime

import pytest

from daq.logs.stamps import (
    DateOrder,
    Stamps,
    Written,
    hour_steps,
    parse_stamps,
    without_hour_steps,
)

NOON_S = datetime(2026, 4, 3, 12, 0, 0, tzinfo=UTC).timestamp()


def parsed(
    *texts: str,
    name: str = "time",
    dates: DateOrder | None = None,
    separator: str = ";",
) -> Stamps:
    return parse_stamps(texts, name=name, separator=separator, dates=dates)


@pytest.mark.parametrize(
    "text",
    [
        "2026-04-03 12:00:00",
        "2026-04-03T12:00:00Z",
        "2026-04-03T14:00:00+02:00",
        "2026/04/03 12:00:00",
        "03.04.2026 12:00:00",
        "3.4.26 12:00:00",
        "03.04.2026 12:00",
        "03.04.2026, 12:00:00",
        "03.04.2026 12:00:00 PM",
    ],
)
def test_a_date_is_understood_however_it_is_written(text: str) -> None:
    stamps = parsed(text)
    assert stamps.written is Written.DATE
    assert stamps.is_absolute
    assert stamps.seconds == (NOON_S,)


def test_only_times_that_name_their_zone_are_known_to_be_utc() -> None:
    assert parsed("2026-04-03T14:00:00+02:00").has_zone
    assert not parsed("2026-04-03T14:00:00").has_zone


def test_the_order_of_day_and_month_is_asked_for_where_it_cannot_be_told() -> None:
    with pytest.raises(ValueError, match="--dates day-first or --dates month-first"):
        parsed("03/04/2026 12:00:00", "03/04/2026 12:00:01")


@pytest.mark.parametrize(
    ("order", "texts"),
    [
        (DateOrder.DAY_FIRST, ("03/04/2026 12:00:00", "13/04/2026 12:00:00")),
        (DateOrder.MONTH_FIRST, ("04/03/2026 12:00:00", "04/13/2026 12:00:00")),
    ],
)
def test_a_number_above_twelve_tells_day_from_month(
    order: DateOrder, texts: tuple[str, str]
) -> None:
    stamps = parsed(*texts)
    assert stamps.seconds == (NOON_S, NOON_S + 10 * 86_400.0)
    assert str(order) in stamps.notes[0]


def test_the_order_that_was_stated_holds() -> None:
    stamps = parsed("04/03/2026 12:00:00", dates=DateOrder.MONTH_FIRST)
    assert stamps.seconds == (NOON_S,)


def test_dates_of_both_orders_are_asked_about() -> None:
    with pytest.raises(ValueError, match="not guessed at"):
        parsed("13/04/2026 12:00:00", "04/13/2026 12:00:00")


def test_seconds_since_1970_tell_the_date() -> None:
    stamps = parsed(f"{NOON_S:.1f}", f"{NOON_S + 1:.1f}", separator=",")
    assert (stamps.written, stamps.is_absolute) == (Written.EPOCH, True)
    assert stamps.seconds == (NOON_S, NOON_S + 1.0)


def test_milliseconds_since_1970_are_taken_as_such_and_that_is_said() -> None:
    stamps = parsed(f"{NOON_S * 1000:.0f}", f"{NOON_S * 1000 + 500:.0f}")
    assert stamps.seconds == (NOON_S, NOON_S + 0.5)
    assert "milliseconds" in stamps.notes[0]


def test_elapsed_time_is_in_the_unit_of_its_columns_name() -> None:
    stamps = parsed("0", "1500", name="elapsed_ms")
    assert (stamps.written, stamps.is_absolute) == (Written.ELAPSED, False)
    assert stamps.seconds == (0.0, 1.5)


def test_times_of_day_go_on_over_midnight() -> None:
    stamps = parsed("23:59:58", "23:59:59,5", "00:00:01", "00:00:02")
    assert stamps.written is Written.TIME_OF_DAY
    assert stamps.seconds == (86_398.0, 86_399.5, 86_401.0, 86_402.0)
    assert "midnight" in stamps.notes[0]


def test_a_clock_of_twelve_hours_is_understood() -> None:
    assert parsed("12:00:01 AM", "1:00:00 pm").seconds == (1.0, 13 * 3600.0)


@pytest.mark.parametrize(
    ("text", "step_s"),
    [("12:00", 60.0), ("12:00:00", 1.0), ("12:00:00.25", 0.01), ("17.125", 0.001)],
)
def test_the_smallest_step_is_what_the_digits_can_show(
    text: str, step_s: float
) -> None:
    assert parsed(text).step_s == pytest.approx(step_s)


def test_a_time_that_cannot_be_is_told_with_its_place() -> None:
    stamps = parsed("12:00:00", "12:61:00", "12:00:02")
    assert stamps.seconds == (43_200.0, None, 43_202.0)
    assert "'12:61:00'" in stamps.problems[1]


def test_what_is_no_time_is_refused_with_what_would_be_one() -> None:
    with pytest.raises(ValueError, match="expected a date like"):
        parsed("yesterday")


def test_some_times_with_a_zone_and_some_without_are_refused() -> None:
    with pytest.raises(ValueError, match="all or none"):
        parsed("2026-04-03T12:00:00Z", "2026-04-03T12:00:01")


def test_a_step_of_just_an_hour_is_found_and_can_be_taken_out() -> None:
    even = [float(t) for t in range(20)]
    changed = [*even[:8], *(t + 3600.0 for t in even[8:14]), *even[14:]]
    assert hour_steps(changed) == [(8, 3600.0), (14, -3600.0)]
    assert without_hour_steps(changed) == even


def test_a_pause_of_some_other_length_is_no_step_of_an_hour() -> None:
    assert hour_steps([0.0, 1.0, 2.0, 3500.0, 3501.0]) == []
