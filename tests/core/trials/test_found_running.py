"""A machine that runs, or may, when its session is taken in hand: nobody saw it switched off."""

import dataclasses

import pytest

from daq.records import Reading
from daq.trials.session import Session
from daq.trials.stages import Happening
from daq.trials.switching import StartRule, Switch, SwitchDetector, Switched
from tests.core.trials.session_bench import (  # fmt: skip
    LONGEST_S,
    OFF_A,
    ON_A,
    RULES,
    Bench,
    order_of,
)

BY_CHANNEL = RULES.start
BY_KEY = StartRule(None, on_above=0.0, off_below=0.0, least_off_s=2.0)
STARTS = pytest.mark.parametrize("start", [BY_CHANNEL, BY_KEY], ids=["channel", "key"])


def _found(start: StartRule, *, paused: bool = False) -> Bench:
    rules = dataclasses.replace(RULES, start=start)
    return Bench(Session(rules, order_of("a", "b"), found_running=True, paused=paused))


def _since_s(bench: Bench) -> float | None:
    return bench.session.running_since_s


@STARTS
def test_it_runs_from_the_first_moment_and_may_not_run_for_ever(
    start: StartRule,
) -> None:
    bench = _found(start)
    assert _since_s(bench) is None
    begun_s = bench.now_s + 1.0
    bench.wait(1.0)
    assert _since_s(bench) == begun_s
    bench.wait(LONGEST_S - 1.0)
    assert not bench.overdue()
    bench.wait(1.0)
    assert bench.session.overdue_since_s == begun_s + LONGEST_S


@STARTS
def test_it_must_be_switched_off_by_the_operators_word_before_a_trial_begins(
    start: StartRule,
) -> None:
    bench = _found(start)
    bench.wait(1.0)
    assert bench.must_switch_off_first()
    (off,) = bench.operate(lambda s: s.operator_switched(bench.now_s))
    assert (off.happening, off.planned) == (None, None)
    assert not bench.must_switch_off_first()
    assert _since_s(bench) is None
    bench.run(20, OFF_A)
    assert _since_s(bench) is None
    (on,) = bench.operate(lambda s: s.operator_switched(bench.now_s))
    assert on.happening is Happening.SWITCHED_ON


def test_the_operators_word_is_taken_before_anything_was_heard_or_passed() -> None:
    bench = _found(BY_KEY)
    (off,) = bench.operate(lambda s: s.operator_switched(bench.now_s))
    assert (off.happening, off.planned) == (None, None)
    assert not bench.must_switch_off_first()


def test_a_channel_that_is_heard_says_off_after_its_time_and_on_again() -> None:
    bench = _found(BY_CHANNEL)
    bench.run(2, OFF_A)
    assert bench.must_switch_off_first()
    assert _since_s(bench) is not None
    bench.run(1, OFF_A)
    assert not bench.must_switch_off_first()
    assert _since_s(bench) is None
    (on,) = bench.run(1, ON_A)
    assert on.happening is Happening.SWITCHED_ON


def test_a_channel_that_shows_it_running_gainsays_the_operator() -> None:
    bench = _found(BY_CHANNEL)
    bench.run(5, ON_A)
    assert bench.operate(lambda s: s.operator_switched(bench.now_s)) == []
    assert bench.must_switch_off_first()
    bench.run(5, OFF_A)
    assert not bench.must_switch_off_first()


def test_after_a_pause_it_must_be_switched_off_too() -> None:
    bench = _found(BY_KEY, paused=True)
    bench.wait(1.0)
    assert not bench.must_switch_off_first()
    bench.session.go_on()
    assert bench.must_switch_off_first()


@STARTS
def test_a_voltage_that_falls_with_its_plug_breaks_no_lower_limit(
    start: StartRule,
) -> None:
    bench = _found(start)
    bench.run(20, OFF_A, voltage=0.0)
    assert bench.occurrences == []
    assert bench.session.breaches() == ()


@STARTS
def test_a_voltage_that_is_low_while_it_draws_current_breaks_its_limit(
    start: StartRule,
) -> None:
    bench = _found(start)
    (broken,) = bench.run(10, ON_A, voltage=190.0)
    assert broken.breach is not None
    assert broken.breach.limit.channel == "voltage"


# ---- the detector by itself


def test_a_detector_that_was_never_fed_gainsays_nobody() -> None:
    detector = SwitchDetector(BY_CHANNEL)
    detector.found_running(5.0)
    assert not detector.sees_it_running
    assert not detector.gainsays_off(5.0)
    detector.feed(6.0, 3.0)
    assert detector.gainsays_off(6.0)


def test_a_channel_that_showed_nothing_before_gainsays_nobody_either() -> None:
    detector = SwitchDetector(BY_CHANNEL)
    detector.feed(1.0, 0.0)
    detector.found_running(2.0)
    assert not detector.gainsays_off(2.0)
    # It has to stay low as long as ever from then on.
    assert detector.feed(3.0, 0.0) is None
    assert detector.feed(4.9, 0.0) is None
    assert detector.feed(5.0, 0.0) == Switched(Switch.OFF, 3.0)


@pytest.mark.parametrize(("interval_s", "still"), [(1.0, False), (15.0, True)])
def test_a_slow_channel_was_heard_lately_for_three_of_its_readings(
    interval_s: float, *, still: bool
) -> None:
    detector = SwitchDetector(BY_CHANNEL, interval_s=interval_s)
    detector.feed(0.0, 0.0)
    detector.feed(15.0, 6.0)
    assert detector.gainsays_off(25.0)
    assert detector.gainsays_off(26.0) is still
    assert not detector.gainsays_off(15.0 + 3.0 * 15.0 + 0.1)


def test_a_key_hit_by_mistake_between_two_slow_readings_is_not_taken() -> None:
    slow = tuple(dataclasses.replace(c, interval_s=15.0) for c in RULES.channels)
    session = Session(dataclasses.replace(RULES, channels=slow), order_of("a", "b"))
    session.feed(Reading("meter", 0.0, (0.0, 0.0, 230.0)))
    session.feed(Reading("meter", 15.0, (6.0, 1000.0, 230.0)))
    assert session.operator_switched(26.0) == []
    assert session.trial() is not None


def test_a_key_beside_a_machine_that_its_channel_found_running_begins_no_trial() -> (
    None
):
    bench = Bench()
    bench.run(5, ON_A)
    assert bench.operate(lambda s: s.operator_switched(bench.now_s)) == []
    assert bench.must_switch_off_first()
