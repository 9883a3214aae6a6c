"""What is said once `daq run` and `daq serve` have ended, and how numbers of things are worded."""

import signal
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest

from daq.cli.closing import closing_of_run, closing_of_serve
from daq.cli.counted import counted
from daq.cli.said import fitted
from daq.records import PlannedTrial, TrialResult, TrialState
from daq.runtime.display import Outcome

FIRST, SECOND = PlannedTrial(1, "a", 1, baseline=True), PlannedTrial(2, "b", 1, baseline=False)  # fmt: skip
DONE = TrialResult(
    trial_id="1",
    planned=FIRST,
    attempt=1,
    state=TrialState.FINISHED,
    started_s=0.0,
    ended_s=90.0,
    averages=(),
    note="",
    idle=None,
)
STOPPED = Outcome(3, (FIRST, SECOND), (DONE,), signal.SIGINT, in_hand=SECOND)


def closed(outcome: Outcome, *, stated_store: str | None = None) -> list[str]:
    text = closing_of_run(
        outcome,
        bench="my bench.toml",
        plan="plan.toml",
        store=Path("/bench/bench.db"),
        stated_store=stated_store,
    )
    return fitted(text, StringIO()).splitlines()


def test_a_session_that_was_stopped_says_how_it_goes_on_and_that_the_machine_is_not_watched() -> (
    None
):
    watched, on, results = closed(STOPPED)
    assert watched.startswith("Nothing watches the machine any more")
    assert on == "Session 3 can go on, 1 trial to come: daq run 'my bench.toml' plan.toml"  # fmt: skip
    assert results.startswith(
        "Results are in /bench/bench.db; daq compare /bench/bench.db"
    )


def test_a_stated_results_file_is_stated_again() -> None:
    _, on, _ = closed(STOPPED, stated_store="other.db")
    assert on.endswith("daq run 'my bench.toml' plan.toml --store other.db")


@pytest.mark.parametrize("skipped", [True, False])
def test_a_session_in_which_nothing_is_left_to_do_says_where_its_results_are(
    *, skipped: bool
) -> None:
    second = replace(DONE, trial_id="2", planned=SECOND, state=TrialState.NOT_SETTLED)
    ended = replace(STOPPED, stopped_by=None, in_hand=None, results=(DONE, second))
    if skipped:
        ended = replace(ended, results=(DONE,), skipped=frozenset({2}))
    (results,) = closed(ended)
    assert results.startswith("Results are in")


def test_an_unfinished_trial_is_still_to_come() -> None:
    second = replace(DONE, trial_id="2", planned=SECOND, state=TrialState.UNFINISHED)
    left = replace(STOPPED, stopped_by=None, in_hand=None, results=(DONE, second))
    assert "1 trial to come" in closed(left)[0]


def test_a_service_says_how_it_is_started_again() -> None:
    text = closing_of_serve(bench="bench.toml", stated_store=None)
    assert "daq serve bench.toml; it takes up by itself the session" in text


def test_one_thing_is_no_plural() -> None:
    assert [counted(n, "gap") for n in (0, 1, 2)] == ["0 gaps", "1 gap", "2 gaps"]
