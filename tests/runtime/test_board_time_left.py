"""What the screens are shown of how much longer a trial takes."""

from random import Random

import pytest

from daq.config.bench import Bench
from daq.config.plan import Plan, parse_plan
from daq.runtime.snapshot import Snapshot
from daq.trials.stages import Stage
from daq.wording import time_left
from tests.runtime.conftest import PLAN, Computer, Rehearsal


@pytest.fixture
def rehearsal(bench: Bench, plan: Plan, computer: Computer) -> Rehearsal:
    rehearsal = Rehearsal(bench, plan, computer)
    rehearsal.stand_still()
    return rehearsal


def trial_of(rehearsal: Rehearsal) -> list[Snapshot]:
    """What is shown second by second, from switch-on until it is done or given up."""
    shown, random = [], Random(2)  # noqa: S311 - noise of a meter, no secret
    rehearsal.run_until(Stage.RUNNING_UP)
    while rehearsal.session.stage not in {Stage.DONE, Stage.NOT_SETTLED}:
        rehearsal.read(6.0, 1400.0 + random.gauss(0.0, 1.0))
        shown.append(rehearsal.board.snapshot())
    return shown


def test_before_a_trial_and_after_it_there_is_nothing_to_count(
    rehearsal: Rehearsal,
) -> None:
    for stage in (Stage.RUNNING_UP, Stage.DONE):
        snapshot = rehearsal.board.snapshot()
        assert (snapshot.stage.seconds_left, snapshot.stage.time_left) == (None, "")
        rehearsal.run_until(stage)
    assert rehearsal.board.snapshot().stage.time_left == ""


def test_while_averaging_the_count_runs_down_to_any_moment_now(
    rehearsal: Rehearsal,
) -> None:
    averaging = [s for s in trial_of(rehearsal) if s.stage.name == "averaging"]
    # The plan's least averaging time is 30 s, and a quiet machine needs no more; before it was known to be quiet, a
    # quarter of the 30 s to the longest was counted too, and that is let go slowly.
    first, *_, last = averaging
    assert first.stage.seconds_left == 40.0
    assert first.instruction == "Keep it running, about 40 s more."
    assert last.stage.seconds_left == 0.0
    assert last.stage.time_left == "any moment now"
    assert last.instruction == "Keep it running, ready any moment now."
    counted = [s.stage.seconds_left or 0.0 for s in averaging]
    assert counted == sorted(counted, reverse=True)
    assert {c % 5.0 for c in counted} == {0.0}


def test_words_and_figure_tell_the_same(rehearsal: Rehearsal) -> None:
    known = 0
    for snapshot in trial_of(rehearsal):
        left_s = snapshot.stage.seconds_left
        if left_s is not None:
            known += 1
            assert snapshot.stage.time_left == time_left(left_s)
            assert snapshot.stage.time_left in snapshot.instruction
    assert known >= 30


def test_the_progress_goes_on_to_the_end_of_averaging(rehearsal: Rehearsal) -> None:
    averaging = [s for s in trial_of(rehearsal) if s.stage.name == "averaging"]
    progress = [s.stage.progress or 0.0 for s in averaging]
    assert progress[0] == 0.0
    assert progress == sorted(progress)
    # The last bin of 2 s of 30 s is never shown as over.
    assert 0.85 < progress[-1] < 1.0


def test_nothing_is_counted_while_a_required_meter_is_silent(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.run_until(Stage.AVERAGING)
    assert rehearsal.board.snapshot().stage.seconds_left is not None
    computer.pass_s(5.0)
    snapshot = rehearsal.board.snapshot()
    # It is the one with the limit, too.
    assert snapshot.urgency == "danger"
    assert (snapshot.stage.seconds_left, snapshot.stage.time_left) == (None, "")


@pytest.mark.parametrize("longest_s", [50, 61, 75])
def test_no_more_is_counted_than_the_plans_longest_time_leaves(
    bench: Bench, computer: Computer, longest_s: int
) -> None:
    text = PLAN.replace("trial_longest_s = 300.0", f"trial_longest_s = {longest_s}")
    plan = parse_plan(text, file="plan.toml", bench=bench)
    rehearsal = Rehearsal(bench, plan, computer)
    rehearsal.stand_still()
    for snapshot in trial_of(rehearsal):
        if snapshot.stage.seconds_left is not None and snapshot.trial is not None:
            elapsed_s = snapshot.clock.now_s - snapshot.trial.started_s
            assert snapshot.stage.seconds_left <= longest_s - elapsed_s
