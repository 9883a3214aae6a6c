"""Limits that are watched at every reading."""

from collections.abc import Sequence

import pytest

from daq.trials.limits import Breach, Limit, LimitWatch

CURRENT = Limit("current", above=13.0, below=None, for_s=3.0, reason="rating")
VOLTAGE = Limit("voltage", above=None, below=207.0, for_s=3.0, reason="the motor")


def _told(
    watch: LimitWatch,
    readings: Sequence[tuple[float, float | None]],
    *,
    running: bool = True,
) -> list[Breach]:
    """What is told while the machine is known to be on at every reading, or is off."""
    told = [
        watch.feed(at_s, value, known_on_s=at_s if running else None)
        for at_s, value in readings
    ]
    return [breach for breach in told if breach is not None]


def test_inrush_shorter_than_the_limits_time_is_no_breach() -> None:
    inrush = [(0.0, 40.0), (1.0, 20.0), (2.9, 14.0), (3.0, 13.0), (4.0, 14.0)]
    assert _told(LimitWatch(CURRENT), inrush) == []


def test_a_breach_says_since_when_and_what_made_it_certain() -> None:
    told = _told(LimitWatch(CURRENT), [(10.0, 13.5), (11.5, 13.8), (13.0, 14.1)])
    assert told == [Breach(CURRENT, 14.1, 10.0, 13.0)]


def test_a_breach_is_told_once_until_the_channel_comes_back() -> None:
    watch = LimitWatch(CURRENT)
    long = [(float(t), 14.0) for t in range(20)]
    assert len(_told(watch, long)) == 1
    assert _told(watch, [(20.0, 12.0)]) == []
    assert len(_told(watch, [(21.0, 14.0), (24.0, 14.0)])) == 1


def test_a_new_trial_is_told_of_a_limit_that_is_still_broken() -> None:
    watch = LimitWatch(CURRENT)
    _told(watch, [(0.0, 14.0), (3.0, 14.0)])
    watch.rearm()
    assert watch.breach == Breach(CURRENT, 14.0, 0.0, 3.0)
    # Its time counts anew, so that the inrush of the new trial is let pass.
    assert _told(watch, [(4.0, 14.0), (6.9, 14.0)]) == []
    assert _told(watch, [(7.0, 14.0)]) == [Breach(CURRENT, 14.0, 4.0, 7.0)]


def test_a_breach_of_before_a_trial_stands_until_the_channel_comes_back() -> None:
    watch = LimitWatch(CURRENT)
    _told(watch, [(0.0, 14.0), (3.0, 14.0)])
    watch.rearm()
    assert _told(watch, [(4.0, 15.0), (5.0, None)]) == []
    assert watch.breach == Breach(CURRENT, 15.0, 0.0, 4.0)
    assert len(_told(watch, [(7.0, 16.0), (8.0, 16.0)])) == 1
    # It has been there all the time.
    assert watch.breach == Breach(CURRENT, 16.0, 0.0, 8.0)
    watch.rearm()
    readings = [(9.0, 13.0), (10.0, 14.0), (13.0, 14.0)]
    assert _told(watch, readings) == [Breach(CURRENT, 14.0, 10.0, 13.0)]
    assert watch.breach == Breach(CURRENT, 14.0, 10.0, 13.0)


def test_what_is_no_number_ends_no_breach_and_breaks_none_at_rest() -> None:
    watch, nan = LimitWatch(CURRENT), float("nan")
    _told(watch, [(0.0, 14.0), (3.0, 14.0)])
    assert _told(watch, [(4.0, nan)], running=False) == []
    assert watch.breach == Breach(CURRENT, 14.0, 0.0, 3.0)
    assert _told(LimitWatch(VOLTAGE), [(0.0, nan), (4.0, nan)]) == []
    hidden = LimitWatch(CURRENT, is_electrical=True)
    assert _told(hidden, [(0.0, nan), (3.0, nan)]) == [Breach(CURRENT, None, 0.0, 3.0)]


def test_what_was_read_before_a_machine_is_known_to_run_is_below_nothing() -> None:
    watch = LimitWatch(VOLTAGE)
    # Low since long, known to run from 20 s on: a reading of before that, late, begins nothing.
    for at_s in (10.0, 19.9):
        assert watch.feed(at_s, 0.0, known_on_s=20.0, known_from_s=20.0) is None
    for at_s in (20.1, 23.0):
        assert watch.feed(at_s, 206.0, known_on_s=at_s, known_from_s=20.0) is None
    told = watch.feed(23.1, 206.0, known_on_s=23.1, known_from_s=20.0)
    assert told == Breach(VOLTAGE, 206.0, 20.1, 23.1)


def test_a_standing_breach_is_told_once_but_keeps_its_newest_value_and_time() -> None:
    watch = LimitWatch(CURRENT)
    readings = [(float(t), 14.0 + t / 10.0) for t in range(21)]
    assert len(_told(watch, readings)) == 1
    assert watch.breach == Breach(CURRENT, 16.0, 0.0, 20.0)


@pytest.mark.parametrize(("running", "count"), [(True, 1), (False, 0)])
def test_a_lower_limit_holds_only_while_the_machine_runs(
    running: bool,  # noqa: FBT001 - a parameter of the test, not of an interface
    count: int,
) -> None:
    low = [(0.0, 206.0), (3.0, 206.0)]
    assert len(_told(LimitWatch(VOLTAGE), low, running=running)) == count


def test_an_upper_limit_is_watched_with_the_machine_off_too() -> None:
    told = _told(LimitWatch(CURRENT), [(0.0, 14.0), (3.0, 14.0)], running=False)
    assert len(told) == 1


def test_an_upper_limit_without_a_time_is_broken_by_one_reading() -> None:
    strict = Limit("current", above=13.0, below=1.0, for_s=0.0, reason="test")
    assert len(_told(LimitWatch(strict), [(0.0, 13.1)])) == 1
    assert _told(LimitWatch(strict), [(0.0, 13.0), (1.0, 1.0)]) == []


def test_a_lower_limit_without_a_time_needs_a_machine_seen_running_after_it() -> None:
    strict = Limit("voltage", above=None, below=207.0, for_s=0.0, reason="test")
    watch = LimitWatch(strict)
    assert watch.feed(10.0, 206.0, known_on_s=9.7) is None
    assert watch.feed(11.0, 205.0, known_on_s=9.7) is None
    seen = watch.feed(12.0, 204.0, known_on_s=11.7)
    assert seen == Breach(strict, 204.0, 10.0, 12.0)


def test_only_the_time_in_which_the_machine_is_known_to_run_counts() -> None:
    watch = LimitWatch(VOLTAGE)
    # Last seen running at 12.5 s; whether it was switched off then, nobody knows.
    for at_s in (10.0, 13.0, 14.0, 15.0):
        assert watch.feed(at_s, 206.0, known_on_s=12.5) is None
    assert watch.feed(16.0, 206.0, known_on_s=15.5) is not None


def test_a_breach_ends_with_the_machine() -> None:
    watch = LimitWatch(VOLTAGE)
    assert len(_told(watch, [(0.0, 206.0), (3.0, 206.0)])) == 1
    assert watch.feed(4.0, 0.0, known_on_s=None) is None
    assert watch.breach is None


# ---- a meter over its range


def test_a_meter_that_goes_over_its_range_breaks_an_upper_limit_after_its_time() -> (
    None
):
    told = _told(LimitWatch(CURRENT), [(0.0, 13.5), (1.0, None), (2.0, None), (3.0, None)])  # fmt: skip
    assert told == [Breach(CURRENT, None, 0.0, 3.0)]


LOW = [(0.0, 6.0), *((float(t), None) for t in range(1, 5))]


def test_a_current_over_its_meters_range_is_above_wherever_it_was_before() -> None:
    watch = LimitWatch(CURRENT, is_electrical=True)
    assert _told(watch, LOW) == [Breach(CURRENT, None, 1.0, 4.0)]


@pytest.mark.parametrize(("last", "breaches"), [(6.5, 0), (6.6, 1)])
def test_anything_else_is_above_only_after_the_upper_half_of_what_is_allowed(
    last: float, breaches: int
) -> None:
    readings = [(0.0, last), *LOW[1:]]
    assert len(_told(LimitWatch(CURRENT), readings)) == breaches


def test_nothing_is_above_that_a_machine_at_rest_does_not_show() -> None:
    for is_electrical in (False, True):
        watch = LimitWatch(CURRENT, is_electrical=is_electrical)
        assert _told(watch, [(0.0, 12.0), *LOW[1:]], running=False) == []


def test_what_stands_still_is_below_no_limit_any_more_and_hides_nothing() -> None:
    low, hidden, high = LimitWatch(VOLTAGE), LimitWatch(CURRENT, is_electrical=True), LimitWatch(CURRENT)  # fmt: skip
    _told(low, [(0.0, 200.0), (9.0, 200.0)])
    _told(hidden, LOW)
    _told(high, [(0.0, 14.0), (9.0, 14.0)])
    for watch in (low, hidden, high):
        assert watch.breach is not None
        watch.machine_off()
    assert [watch.breach for watch in (low, hidden)] == [None, None]
    assert high.breach is not None


@pytest.mark.parametrize(("count", "breaches"), [(1, 0), (2, 1)])
def test_a_single_reading_without_a_usable_value_breaks_no_limit(
    count: int, breaches: int
) -> None:
    at_once = Limit("current", above=13.0, below=None, for_s=0.0, reason="rating")
    spoilt = [(float(t), None) for t in range(1, 1 + count)]
    watch = LimitWatch(at_once, is_electrical=True)
    told = _told(watch, [(0.0, 6.0), *spoilt, (9.0, 6.0)])
    assert len(told) == breaches


def test_what_a_lower_limit_cannot_see_neither_breaks_nor_mends_it() -> None:
    watch = LimitWatch(VOLTAGE)
    assert _told(watch, [(0.0, None), (9.0, None)]) == []
    assert len(_told(watch, [(10.0, 200.0), (11.0, None), (13.0, 200.0)])) == 1
    assert _told(watch, [(14.0, None)]) == []
    assert watch.breach is not None
