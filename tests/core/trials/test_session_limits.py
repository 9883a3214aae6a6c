"""Limits that are broken while a session runs."""

import dataclasses

from daq.records import TrialState
from daq.trials.limits import Limit
from daq.trials.session import Session
from daq.trials.stages import Happening, Stage
from tests.core.trials.session_bench import (
    LONGEST_S,
    OFF_A,
    ON_A,
    RULES,
    TOO_MUCH_A,
    Bench,
    order_of,
)


def test_a_broken_limit_ends_the_trial_and_marks_it() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(30, ON_A)
    (broken,) = bench.run(6, TOO_MUCH_A)
    assert broken.happening is Happening.LIMIT_BROKEN
    assert broken.breach is not None
    assert broken.breach.at_s - broken.breach.since_s == 5.0
    assert bench.stage() is Stage.LIMIT
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    assert ended.result.state is TrialState.LIMIT_BROKEN
    assert ended.result.note == "current broke its limit: rating"


def test_inrush_shorter_than_the_limits_time_breaks_nothing() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(4, TOO_MUCH_A)
    bench.run(30, ON_A)
    assert Happening.LIMIT_BROKEN not in bench.happenings()


def test_a_limit_broken_after_averaging_marks_the_trial_and_keeps_its_averages() -> (
    None
):
    bench = Bench()
    confirmed = bench.settle()[-1].result
    (broken,) = bench.run(6, TOO_MUCH_A)
    assert broken.result is not None
    assert confirmed is not None
    assert broken.result.state is TrialState.LIMIT_BROKEN
    assert broken.result.averages == confirmed.averages != ()
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    assert ended.result.state is TrialState.LIMIT_BROKEN
    assert ended.result.averages == confirmed.averages


def test_a_second_limit_in_the_same_trial_is_told_and_names_the_trial() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(30, ON_A)
    bench.run(6, TOO_MUCH_A)
    (second,) = bench.run(6, TOO_MUCH_A, voltage=190.0)
    assert second.happening is None
    assert second.trial_id == "trial-1"
    assert second.planned is not None
    assert second.breach is not None
    assert second.breach.limit.channel == "voltage"
    assert {b.limit.channel for b in bench.session.breaches()} == {"current", "voltage"}


def test_the_alarm_of_a_standing_breach_grows_while_it_is_told_once() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    assert len(bench.run(30, TOO_MUCH_A, slope=0.0)) >= 2
    (breach,) = bench.session.breaches()
    assert bench.happenings().count(Happening.LIMIT_BROKEN) == 1
    assert (breach.at_s, breach.at_s - breach.since_s) == (bench.now_s, 29.0)


def test_a_limit_that_ended_the_trial_stays_shown_until_it_is_switched_off() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(6, TOO_MUCH_A)
    (standing,) = bench.session.breaches()
    assert not standing.is_over
    bench.run(10, ON_A)
    # It is over, and kept in mind.
    (kept,) = bench.session.breaches()
    assert (kept.since_s, kept.is_over) == (standing.since_s, True)
    bench.run(5, OFF_A)
    assert bench.session.breaches() == ()


def test_a_low_voltage_counts_only_while_a_trial_runs() -> None:
    bench = Bench()
    assert bench.run(20, OFF_A, voltage=190.0) == []
    happened = bench.run(6, ON_A, voltage=190.0)
    assert happened[-1].happening is Happening.LIMIT_BROKEN


def test_a_limit_broken_at_rest_stays_broken_when_the_machine_is_switched_on() -> None:
    hot = Limit("voltage", above=240.0, below=None, for_s=30.0, reason="insulation")
    rules = dataclasses.replace(RULES, limits=(hot,))
    bench = Bench(Session(rules, order_of("a", "b")))
    (told,) = bench.run(40, OFF_A, voltage=250.0)
    assert told.trial_id == ""
    since_s = bench.session.breaches()[0].since_s
    for _ in range(30):
        bench.run(1, ON_A, voltage=251.0)
        (breach,) = bench.session.breaches()
        assert (breach.since_s, breach.at_s, breach.value) == (since_s, bench.now_s, 251.0)  # fmt: skip
        assert bench.stage() is not Stage.LIMIT
    # Its time is up in the trial too.
    (broken,) = bench.run(1, ON_A, voltage=251.0)
    assert broken.happening is Happening.LIMIT_BROKEN
    assert broken.breach is not None
    assert broken.breach.at_s - broken.breach.since_s == 30.0


def test_a_limit_broken_while_no_trial_runs_is_told_without_one() -> None:
    bench = Bench()
    told = bench.run(10, TOO_MUCH_A)
    assert [(o.happening, o.planned, o.trial_id) for o in told] == [(None, None, "")]
    assert bench.stage() is Stage.WAITING


def test_a_current_over_its_meters_range_ends_the_trial() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(30, ON_A)
    happened = bench.run(6, None)
    assert [each.happening for each in happened] == [Happening.LIMIT_BROKEN]
    (breach,) = bench.session.breaches()
    assert (breach.limit.channel, breach.value) == ("current", None)
    bench.run(2, ON_A)
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    assert ended.result.state is TrialState.LIMIT_BROKEN
    assert ended.result.note == (
        "current showed no usable value, which counts as above its limit: rating"
    )


def test_a_hole_in_a_log_is_no_meter_over_its_range() -> None:
    bench = Bench(Session(RULES, order_of("a", "b"), has_meters=False))
    bench.run(5, OFF_A)
    bench.run(30, ON_A)
    assert bench.run(20, None) == []
    assert bench.session.breaches() == ()


def test_a_start_channel_that_is_not_heard_any_more_gainsays_no_operator() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(30, ON_A)
    bench.wait(9.0)
    assert bench.operate(lambda s: s.operator_switched(bench.now_s)) == []
    bench.wait(2.0)
    (ended,) = bench.operate(lambda s: s.operator_switched(bench.now_s))
    assert ended.result is not None
    # Likewise without a trial: the machine was found running, and its meter died with the plug.
    found = Bench()
    found.run(10, ON_A)
    found.wait(11.0)
    (off,) = found.operate(lambda s: s.operator_switched(found.now_s))
    assert (off.happening, off.planned) == (None, None)
    assert found.session.running_since_s is None


def test_a_machine_that_was_found_running_is_watched_as_in_a_trial() -> None:
    bench = Bench()
    (broken,) = bench.run(10, ON_A, voltage=190.0)
    assert bench.must_switch_off_first()
    assert broken.breach is not None
    assert broken.breach.limit.channel == "voltage"
    assert broken.planned is None
    bench.wait(LONGEST_S)
    assert bench.overdue()
    bench.run(5, OFF_A)
    assert not bench.overdue()
    assert bench.session.breaches() == ()
