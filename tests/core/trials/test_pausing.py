"""A pause: nothing begins until the session goes on, and what is in hand is not touched."""

from dataclasses import replace

import pytest

from daq.errors import OperationRefusedError, Refusal
from daq.records import TrialState
from daq.trials.session import Session
from daq.trials.stages import RUNNING, Happening, Stage
from tests.core.trials.session_bench import (
    LONGEST_S,
    OFF_A,
    ON_A,
    RULES,
    TOO_MUCH_A,
    Bench,
    order_of,
)


def test_switching_on_begins_no_trial_during_a_pause() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.session.pause()
    assert bench.run(200, ON_A) == []
    assert bench.stage() is Stage.WAITING
    assert bench.is_paused_now()
    assert bench.session.called_for == order_of("a", "b")[0]


def test_the_operators_word_begins_no_trial_during_a_pause_either() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.session.pause()
    assert bench.session.operator_switched(bench.now_s) == []
    bench.session.go_on()
    # Nothing has been taken for a machine that runs: the word is taken now.
    assert not bench.must_switch_off_first()
    (started,) = bench.session.operator_switched(bench.now_s)
    assert started.happening is Happening.SWITCHED_ON


def test_a_pause_lets_the_trial_in_hand_come_to_its_end() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    bench.session.pause()
    assert not bench.is_paused_now()
    bench.run(90, ON_A)
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    assert ended.result.state is TrialState.FINISHED
    assert bench.is_paused_now()
    assert bench.run(30, ON_A) == []


def test_after_the_pause_a_machine_that_stands_still_begins_a_trial_by_switching_on() -> (
    None
):
    bench = Bench()
    bench.session.pause()
    bench.run(5, OFF_A)
    bench.session.go_on()
    assert not bench.is_paused_now()
    (started,) = bench.run(1, ON_A)
    assert started.happening is Happening.SWITCHED_ON
    assert bench.stage() in RUNNING


def test_after_the_pause_a_machine_that_runs_must_be_switched_off_first() -> None:
    bench = Bench()
    bench.session.pause()
    bench.run(5, OFF_A)
    bench.run(20, ON_A)
    assert not bench.must_switch_off_first()
    bench.session.go_on()
    assert bench.must_switch_off_first()
    assert bench.run(200, ON_A) == []
    bench.run(5, OFF_A)
    (started,) = bench.run(1, ON_A)
    assert started.happening is Happening.SWITCHED_ON


def test_a_machine_that_runs_on_during_a_pause_is_overdue_as_in_a_trial() -> None:
    bench = Bench()
    bench.session.pause()
    bench.run(5, OFF_A)
    bench.run(5, ON_A)
    bench.wait(LONGEST_S - 5)
    assert not bench.overdue()
    bench.wait(1)
    assert bench.overdue()
    bench.run(5, OFF_A)
    assert not bench.overdue()


def test_limits_are_watched_during_a_pause() -> None:
    bench = Bench()
    bench.session.pause()
    (broken,) = bench.run(6, TOO_MUCH_A)
    assert broken.breach is not None
    assert broken.planned is None
    assert [breach.limit for breach in bench.session.breaches()] == [RULES.limits[0]]
    assert bench.stage() is Stage.WAITING


def test_what_a_machine_reads_that_runs_during_a_pause_is_no_zero() -> None:
    power = replace(RULES.channels[1], subtract_idle=True)
    channels = (RULES.channels[0], power, RULES.channels[2])
    session = Session(replace(RULES, channels=channels), order_of("a", "b"))
    bench = Bench(session)
    bench.run(5, ON_A)
    session.pause()
    bench.run(60, OFF_A)
    bench.run(60, ON_A)
    off_s = bench.now_s + 1.0
    bench.run(60, OFF_A)
    session.go_on()
    bench.run(150, ON_A)
    ended = bench.run(5, OFF_A)[0].result
    assert ended is not None
    assert ended.idle is not None
    assert ended.idle.start_s > off_s
    zeros = [a.zero_offset for a in ended.averages if a.channel == "power"]
    assert zeros == [0.0]


def test_a_word_during_a_pause_ends_what_is_known_of_a_machine_that_was_off() -> None:
    power = replace(RULES.channels[1], subtract_idle=True)
    channels = (RULES.channels[0], power, RULES.channels[2])
    bench = Bench(Session(replace(RULES, channels=channels), order_of("a")))
    bench.run(5, ON_A)
    bench.run(60, OFF_A)
    bench.session.pause()
    bench.session.operator_switched(bench.now_s)
    bench.session.go_on()
    bench.run(30, OFF_A)
    bench.run(150, ON_A)
    ended = bench.run(5, OFF_A)[0].result
    assert ended is not None
    assert ended.idle is None


def test_a_session_is_taken_up_paused_as_it_was_left() -> None:
    bench = Bench(Session(RULES, order_of("a", "b"), paused=True))
    assert bench.is_paused_now()
    assert bench.session.paused
    bench.run(5, OFF_A)
    assert bench.run(20, ON_A) == []


def test_a_pause_outlasts_the_end_and_holds_when_a_line_is_added() -> None:
    bench = Bench(names=("a",))
    bench.run(5, OFF_A)
    bench.run(150, ON_A)
    bench.session.pause()
    bench.run(5, OFF_A)
    assert bench.stage() is Stage.FINISHED
    assert not bench.is_paused_now()
    bench.operate(lambda session: session.repeat(1))
    assert bench.is_paused_now()


@pytest.mark.parametrize("paused", [False, True])
def test_a_pause_is_begun_and_ended_once(
    paused: bool,  # noqa: FBT001 - a parameter of the test, not of an interface
) -> None:
    session = Session(RULES, order_of("a"), paused=paused)
    ask = session.pause if paused else session.go_on
    with pytest.raises(OperationRefusedError, match="the session is") as refused:
        ask()
    assert refused.value.code is Refusal.ALREADY_SO
    assert session.paused is paused


def test_a_finished_session_has_nothing_to_pause() -> None:
    bench = Bench(names=("a",))
    bench.operate(lambda session: session.skip())
    with pytest.raises(OperationRefusedError, match="nothing to pause") as refused:
        bench.session.pause()
    assert refused.value.code is Refusal.NOTHING_CALLED_FOR
