"""The session's state machine, moved by readings and time alone."""

import pytest

from daq.records import PlannedTrial, Reading, TrialState
from daq.settling.verdicts import HeldBackBy
from daq.trials.stages import RUNNING, Happening, Stage
from tests.core.trials.session_bench import LONGEST_S, OFF_A, ON_A, POWER_W, Bench

# ---- a session that goes well


def test_switching_on_starts_the_trial_that_is_called_for() -> None:
    bench = Bench()
    assert bench.run(10, OFF_A) == []
    assert bench.session.called_for == PlannedTrial(1, "a", 1, baseline=True)
    (started,) = bench.run(1, ON_A)
    assert started.happening is Happening.SWITCHED_ON
    assert started.stage is bench.stage() is Stage.RUNNING_UP
    assert (started.trial_id, started.attempt) == ("trial-1", 1)
    assert started.at_s == bench.now_s == bench.session.stage_since_s


def test_a_whole_trial_ends_with_averages_and_the_next_condition_is_called_for() -> (
    None
):
    bench = Bench()
    *before, confirmed = bench.settle()
    assert [o.happening for o in before] == [
        Happening.SWITCHED_ON,
        Happening.RUN_UP_OVER,
        Happening.DECLARED,
    ]
    assert confirmed.happening is Happening.CONFIRMED
    assert bench.stage() is Stage.DONE

    (ended,) = bench.run(5, OFF_A)
    assert ended.happening is Happening.OFF_MORE_TO_COME
    assert ended.result is not None
    assert ended.result.state is TrialState.FINISHED
    assert bench.stage() is Stage.WAITING
    called_for = bench.session.called_for
    assert called_for is not None
    assert called_for.condition == "b"
    assert bench.session.done_count == 1


def test_the_averages_are_of_every_channel_over_one_window() -> None:
    bench = Bench()
    result = bench.settle()[-1].result
    assert result is not None
    averages = {average.channel: average for average in result.averages}
    assert set(averages) == {"current", "power", "voltage"}
    assert averages["voltage"].mean == 230.0
    assert averages["power"].mean == pytest.approx(POWER_W, abs=1.0)
    assert len({average.window for average in result.averages}) == 1
    assert [a.channel for a in result.averages if a.required] == ["power"]


def test_a_trial_lasts_from_switch_on_to_switch_off() -> None:
    bench = Bench()
    started_s = bench.settle()[0].at_s
    off_s = bench.now_s + 1.0
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    # Certain only two seconds later, but dated to when it began.
    assert (ended.result.started_s, ended.result.ended_s) == (started_s, off_s)


def test_after_the_last_condition_the_session_is_finished() -> None:
    bench = Bench()
    bench.settle()
    bench.settle()
    (ended,) = bench.run(5, OFF_A)
    assert ended.happening is Happening.OFF_LAST
    assert bench.stage() is Stage.FINISHED
    assert bench.session.called_for is None
    assert bench.session.done_count == 2


def test_a_finished_session_starts_no_more_trials() -> None:
    bench = Bench(names=("a",))
    bench.settle()
    bench.run(5, OFF_A)
    assert bench.run(200, ON_A) == []
    assert bench.stage() is Stage.FINISHED
    assert bench.session.trial() is None


def test_other_instruments_and_unusable_values_move_nothing() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.session.feed(Reading("stranger", bench.now_s, (ON_A, 1.0, 1.0)))
    assert bench.run(5, None) == []
    assert bench.stage() is Stage.WAITING


# ---- switching off


def test_a_dip_shorter_than_the_least_off_time_does_not_end_the_trial() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(20, ON_A)
    assert bench.run(2, OFF_A) == []
    bench.run(20, ON_A)
    assert bench.stage() in RUNNING


def test_switched_off_too_soon_the_condition_is_asked_for_again() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    (ended,) = bench.run(5, OFF_A)
    assert ended.happening is Happening.OFF_MORE_TO_COME
    assert ended.result is not None
    assert ended.result.state is TrialState.UNFINISHED
    assert ended.result.averages == ()
    assert bench.session.called_for == PlannedTrial(1, "a", 1, baseline=True)
    assert bench.session.done_count == 0
    (again,) = bench.run(1, ON_A)
    assert again.attempt == 2
    assert again.trial_id == "trial-2"


def test_the_last_condition_switched_off_too_soon_does_not_finish_the_session() -> None:
    bench = Bench(names=("a",))
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    bench.run(5, OFF_A)
    assert bench.stage() is Stage.WAITING


def test_a_machine_found_running_must_be_switched_off_first() -> None:
    bench = Bench()
    assert bench.run(200, ON_A) == []
    assert bench.must_switch_off_first()
    assert bench.session.trial() is None
    assert bench.run(5, OFF_A) == []
    assert not bench.must_switch_off_first()
    (started,) = bench.run(1, ON_A)
    assert started.happening is Happening.SWITCHED_ON


# ---- not settled, withdrawn, overdue


def test_a_trial_that_takes_too_long_is_given_up() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(LONGEST_S, ON_A, slope=1e-3)
    (up,) = bench.run(1, ON_A)
    assert up.happening is Happening.TIME_UP
    assert bench.stage() is Stage.NOT_SETTLED
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    assert ended.result.state is TrialState.NOT_SETTLED
    assert ended.result.averages == ()


def test_a_trial_that_did_not_settle_is_not_asked_for_again() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(LONGEST_S + 1, ON_A, slope=1e-3)
    bench.run(5, OFF_A)
    called_for = bench.session.called_for
    assert called_for is not None
    assert called_for.condition == "b"


def test_time_alone_gives_a_trial_up_when_the_meters_are_silent() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(20, ON_A)
    (up,) = bench.wait(LONGEST_S)
    assert up.happening is Happening.TIME_UP
    assert bench.wait(1000.0) == []


def test_a_machine_left_running_after_its_longest_time_is_overdue() -> None:
    bench = Bench()
    assert not bench.overdue()
    bench.settle()
    assert not bench.overdue()
    bench.wait(LONGEST_S)
    assert bench.overdue()
    assert bench.stage() is Stage.DONE
    bench.run(5, OFF_A)
    assert not bench.overdue()


def test_a_step_while_averaging_withdraws_and_a_later_window_is_confirmed() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    assert bench.stage() is Stage.AVERAGING
    happened = bench.run(200, ON_A, power=POWER_W * 1.015)
    assert happened[0].happening is Happening.WITHDRAWN
    assert happened[0].reason is HeldBackBy.STEP
    assert happened[-1].happening is Happening.CONFIRMED


# ---- what a screen asks


def test_the_trial_in_hand_can_be_looked_at() -> None:
    bench = Bench()
    assert bench.session.trial() is None
    assert bench.session.channel_progress("power") is None
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    view = bench.session.trial()
    assert view is not None
    assert view.planned.condition == "a"
    assert view.run_up_end_s is not None
    assert view.started_s < view.run_up_end_s < bench.now_s
    assert view.window is not None
    assert not view.confirmed
    assert view.averaging_s > 0.0
    progress = bench.session.channel_progress("power")
    assert progress is not None
    assert progress.held_back_by is None
