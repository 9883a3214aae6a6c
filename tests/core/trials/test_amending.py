"""Lines left out, asked for again and added, trials set aside and relabelled, while a session goes on."""

import pytest

from daq.errors import OperationRefusedError, Refusal
from daq.records import PlannedTrial, TrialResult, TrialState
from daq.trials.session import Session
from daq.trials.stages import Happening, Stage
from tests.core.trials.session_bench import (
    LONGEST_S,
    OFF_A,
    ON_A,
    RULES,
    Bench,
    order_of,
)

A, B = order_of("a", "b")


def _measure(bench: Bench) -> TrialResult:
    """The next trial, from switch-on to switch-off."""
    bench.run(3, OFF_A)
    while bench.stage() is not Stage.DONE:
        bench.run(10, ON_A)
    (ended,) = bench.run(3, OFF_A)
    assert ended.result is not None
    assert ended.result.state is TrialState.FINISHED
    return ended.result


def _unfinished(bench: Bench) -> TrialResult:
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    assert ended.result.state is TrialState.UNFINISHED
    return ended.result


def _called(bench: Bench) -> str | None:
    line = bench.session.called_for
    return f"{line.condition}{line.repeat}" if line else None


# ---- leaving out


def test_a_line_left_out_is_followed_by_the_next_and_does_not_count_as_done() -> None:
    bench = Bench()
    assert bench.operate(lambda session: session.skip()) == []
    assert _called(bench) == "b1"
    assert bench.session.skipped == frozenset({1})
    assert bench.session.done_count == 0
    _measure(bench)
    assert bench.stage() is Stage.FINISHED
    assert bench.session.done_count == 1


def test_leaving_out_the_last_line_finishes_the_session() -> None:
    bench = Bench()
    _measure(bench)
    (finished,) = bench.operate(lambda session: session.skip())
    assert finished.happening is Happening.SKIPPED_LAST
    assert (finished.planned, finished.at_s) == (B, bench.now_s)
    assert bench.stage() is Stage.FINISHED
    assert bench.session.stage_since_s == bench.now_s
    assert bench.run(20, ON_A) == []


def test_no_line_is_left_out_while_a_trial_runs() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(10, ON_A)
    with pytest.raises(OperationRefusedError, match=r'"a" is running') as refused:
        bench.session.skip()
    assert refused.value.code is Refusal.TRIAL_IN_HAND
    assert bench.session.skipped == frozenset()


def test_a_finished_session_has_nothing_to_leave_out() -> None:
    session = Session(RULES, [A], skipped=[1])
    assert session.stage is Stage.FINISHED
    with pytest.raises(OperationRefusedError, match="nothing to leave out") as refused:
        session.skip()
    assert refused.value.code is Refusal.NOTHING_CALLED_FOR


# ---- once more


def test_a_condition_asked_for_once_more_is_called_for_next_in_a_line_of_its_own() -> (
    None
):
    bench = Bench()
    _measure(bench)
    assert bench.operate(lambda session: session.repeat(1)) == []
    added = PlannedTrial(3, "a", 2, baseline=True)
    assert bench.session.order == (A, added, B)
    assert bench.session.called_for == added
    assert _measure(bench).planned == added
    assert _called(bench) == "b1"
    # Both count.
    assert bench.session.done_count == 2


def test_a_line_added_during_a_trial_is_called_for_after_it() -> None:
    bench = Bench()
    bench.settle()
    assert bench.operate(lambda session: session.repeat(1)) == []
    assert _called(bench) == "a1"
    bench.run(5, OFF_A)
    assert _called(bench) == "a2"
    assert bench.session.called_for == PlannedTrial(3, "a", 2, baseline=True)


def test_a_line_added_during_the_last_trial_keeps_the_session_from_finishing() -> None:
    bench = Bench(names=("a",))
    bench.settle()
    bench.operate(lambda session: session.repeat(1))
    (ended,) = bench.run(5, OFF_A)
    assert ended.happening is Happening.OFF_MORE_TO_COME


def test_a_line_added_to_a_finished_session_opens_it_again() -> None:
    bench = Bench(names=("a",))
    _measure(bench)
    assert bench.stage() is Stage.FINISHED
    (again,) = bench.operate(lambda session: session.repeat(1))
    assert again.happening is Happening.ASKED_AGAIN
    assert again.planned == PlannedTrial(2, "a", 2, baseline=True)
    assert (again.attempt, again.at_s, again.result) == (1, bench.now_s, None)
    assert bench.stage() is Stage.WAITING
    _measure(bench)
    assert bench.session.done_count == 2


def test_a_line_that_is_not_in_the_order_cannot_be_repeated() -> None:
    session = Session(RULES, [A, B])
    with pytest.raises(OperationRefusedError, match="line 7 is not in") as refused:
        session.repeat(7)
    assert refused.value.code is Refusal.UNKNOWN_LINE
    assert session.order == (A, B)


# ---- set aside


def test_a_trial_set_aside_keeps_what_was_measured_and_its_line_is_called_for_next() -> (
    None
):
    bench = Bench()
    before = _measure(bench)
    after, happened = bench.session.repeat_instead(before, "the door was open")
    assert happened == []
    assert after.state is TrialState.SET_ASIDE
    assert after.note == "set aside: the door was open"
    assert (after.averages, after.planned) == (before.averages, A)
    assert (_called(bench), bench.session.done_count) == ("a1", 0)
    (started,) = bench.run(1, ON_A)
    assert (started.planned, started.attempt) == (A, 2)


def test_what_was_noted_of_a_trial_before_stays_in_its_note() -> None:
    bench = Bench()
    before = _unfinished(bench)
    after, _ = bench.session.repeat_instead(before, "hose off")
    assert before.note
    assert after.note == f"{before.note}; set aside: hose off"


def test_the_last_trial_set_aside_opens_a_finished_session_again() -> None:
    bench = Bench(names=("a",))
    before = _measure(bench)
    _, (again,) = bench.session.repeat_instead(before, "wrong nozzle")
    assert (again.happening, again.planned) == (Happening.ASKED_AGAIN, A)
    assert again.attempt == 2
    assert bench.stage() is Stage.WAITING


def test_a_trial_is_not_set_aside_while_its_line_is_being_measured() -> None:
    bench = Bench()
    before = _unfinished(bench)
    bench.run(10, ON_A)
    with pytest.raises(OperationRefusedError, match="measured now") as refused:
        bench.session.repeat_instead(before, "hose off")
    assert refused.value.code is Refusal.TRIAL_IN_HAND


def test_a_trial_that_was_set_aside_can_neither_be_set_aside_nor_relabelled() -> None:
    bench = Bench()
    after, _ = bench.session.repeat_instead(_measure(bench), "hose off")
    for ask in (
        lambda: bench.session.repeat_instead(after, "once more"),
        lambda: bench.session.relabel(after, "b", "wrong lead"),
    ):
        with pytest.raises(OperationRefusedError, match="set aside already") as refused:
            ask()
        assert refused.value.code is Refusal.ALREADY_SO


def test_a_session_taken_up_asks_again_for_what_was_set_aside() -> None:
    bench = Bench()
    after, _ = bench.session.repeat_instead(_measure(bench), "hose off")
    resumed = Bench(Session(RULES, bench.session.order, earlier=[after]))
    assert (_called(resumed), resumed.session.done_count) == ("a1", 0)
    resumed.run(5, OFF_A)
    (started,) = resumed.run(1, ON_A)
    assert started.attempt == 2


# ---- relabelled


def test_a_relabelled_trial_takes_the_line_to_come_and_its_own_is_called_for_again() -> (
    None
):
    bench = Bench()
    before = _measure(bench)
    after, happened = bench.session.relabel(before, "b", "wrong lead fitted")
    assert happened == []
    assert after.planned == B
    assert after.note == 'relabelled from "a" to "b": wrong lead fitted'
    assert (after.state, after.averages) == (before.state, before.averages)
    assert (after.trial_id, after.attempt) == (before.trial_id, before.attempt)
    assert (_called(bench), bench.session.done_count) == ("a1", 1)
    _measure(bench)
    assert bench.stage() is Stage.FINISHED


def test_a_trial_relabelled_to_what_is_done_already_gets_a_line_added() -> None:
    bench = Bench()
    _measure(bench)
    after, (again,) = bench.session.relabel(_measure(bench), "a", "wrong lead fitted")
    assert after.planned == PlannedTrial(3, "a", 2, baseline=True)
    assert (again.happening, again.planned) == (Happening.ASKED_AGAIN, B)
    assert (_called(bench), bench.session.done_count) == ("b1", 2)


def test_a_trial_can_be_relabelled_while_another_runs() -> None:
    bench = Bench(names=("a", "b", "c"))
    before = _measure(bench)
    bench.run(10, ON_A)
    # Line b is in hand, so there is none to come.
    after, _ = bench.session.relabel(before, "b", "wrong lead fitted")
    assert after.planned == PlannedTrial(4, "b", 2, baseline=False)
    bench.run(150, ON_A)
    bench.run(5, OFF_A)
    assert (_called(bench), bench.session.done_count) == ("a1", 2)


def test_a_trial_is_not_relabelled_before_it_has_ended() -> None:
    bench = Bench()
    confirmed = bench.settle()[-1].result
    assert confirmed is not None
    with pytest.raises(OperationRefusedError, match="still running") as refused:
        bench.session.relabel(confirmed, "b", "wrong lead fitted")
    assert refused.value.code is Refusal.TRIAL_IN_HAND


@pytest.mark.parametrize(
    ("condition", "code", "says"),
    [
        ("a", Refusal.ALREADY_SO, 'one of "a" already'),
        ("velvet", Refusal.UNKNOWN_CONDITION, 'choose one of "a", "b"'),
    ],
)
def test_a_trial_is_relabelled_to_another_condition_of_the_plan_only(
    condition: str, code: Refusal, says: str
) -> None:
    bench = Bench()
    before = _measure(bench)
    with pytest.raises(OperationRefusedError, match=says) as refused:
        bench.session.relabel(before, condition, "wrong lead fitted")
    assert refused.value.code is code
    assert bench.session.done_count == 1


@pytest.mark.slow
def test_a_trial_that_did_not_settle_can_be_relabelled_and_counts_there() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(LONGEST_S + 1, ON_A, slope=1e-3)
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    after, _ = bench.session.relabel(ended.result, "b", "wrong lead fitted")
    assert after.state is TrialState.NOT_SETTLED
    assert after.note.startswith(f"{ended.result.note}; relabelled")
    assert (_called(bench), bench.session.done_count) == ("a1", 1)


# ---- another day


def test_on_another_day_the_baseline_is_called_for_first() -> None:
    first = Bench(names=("a", "b", "c"))
    result = _measure(first)
    session = Session(RULES, first.session.order, earlier=[result])
    session.call_for_baseline()
    assert session.called_for == PlannedTrial(4, "a", 2, baseline=True)
    # Asked twice it is called for once.
    session.call_for_baseline()
    assert len(session.order) == 4


def test_a_baseline_that_is_called_for_anyway_is_not_added() -> None:
    session = Session(RULES, [A, B])
    session.call_for_baseline()
    assert session.order == (A, B)


def test_a_finished_session_needs_no_baseline() -> None:
    session = Session(RULES, [A, B], skipped=[1, 2])
    session.call_for_baseline()
    assert session.order == (A, B)
    assert session.stage is Stage.FINISHED
