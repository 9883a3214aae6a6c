"""What is said once `daq run` and `daq serve` have ended, and how numbers of things are worded."""

import signal
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest

from daq.cli.closing import (
    UNWATCHED,
    closing_of_run,
    closing_of_serve,
    telling_of_the_machine,
)
from daq.cli.counted import counted
from daq.cli.said import fitted
from daq.cli.screens import PlainDisplay
from daq.errors import NetworkError, StoreError, StoreFailingError
from daq.records import PlannedTrial, TrialResult, TrialState
from daq.runtime.display import Outcome
from daq.runtime.snapshot import Snapshot, TrialLine
from daq.trials.stages import Stage
from daq.wording import instruction
from tests.system.test_cli_time_left import snapshot

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


def closed(
    outcome: Outcome, *, stated_store: str | None = None, speed: float = 1.0
) -> list[str]:
    text = closing_of_run(
        outcome,
        bench="my bench.toml",
        plan="plan.toml",
        store=Path("/bench/bench.db"),
        stated_store=stated_store,
        speed=speed,
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


BROKEN = replace(DONE, state=TrialState.LIMIT_BROKEN)


def test_a_condition_that_a_limit_left_without_an_average_is_named_with_the_way_back() -> (
    None
):
    _, broken, on, _ = closed(replace(STOPPED, results=(BROKEN,)))
    assert broken == (
        "a, the baseline, has no average, for a limit broke its trial. It is not asked for again by itself:"
        " once the session goes on, daq session 'my bench.toml' repeat 1 asks for it."
    )
    assert "1 trial to come" in on


def test_at_the_end_of_all_trials_it_is_named_without_a_way_that_is_none() -> None:
    other = replace(DONE, trial_id="2", planned=SECOND)
    done = Outcome(3, (FIRST, SECOND), (BROKEN, other), None)
    broken, results = closed(done)
    assert broken.endswith("It is not asked for again by itself.")
    assert results.startswith("Results are in")


def test_a_condition_that_is_still_to_come_or_has_another_average_is_not_named() -> (
    None
):
    again = PlannedTrial(3, "a", 2, baseline=True)
    to_come = replace(STOPPED, order=(FIRST, SECOND, again), results=(BROKEN,))
    assert not any("no average" in line for line in closed(to_come))
    other = replace(DONE, trial_id="3", planned=again)
    averaged = replace(to_come, results=(BROKEN, other))
    assert not any("no average" in line for line in closed(averaged))


def test_a_stated_results_file_is_stated_again() -> None:
    _, on, _ = closed(STOPPED, stated_store="other.db")
    assert on.endswith("daq run 'my bench.toml' plan.toml --store other.db")


def test_the_speed_that_a_session_was_begun_with_is_stated_again() -> None:
    _, on, _ = closed(STOPPED, speed=12.0)
    assert on.endswith("plan.toml --speed 12")
    text = closing_of_serve(bench="bench.toml", stated_store=None, speed=0.5)
    assert "daq serve bench.toml --speed 0.5; it takes up" in text


def test_a_machine_that_was_found_running_is_told_of_at_the_end_too() -> None:
    found = replace(STOPPED, in_hand=None, is_machine_on=True)
    assert closed(found)[0] == UNWATCHED
    assert closed(replace(found, is_machine_on=False))[0].startswith("Session 3 can go")


def test_whoever_ends_with_readings_unwritten_says_that_nothing_watches_the_machine(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(StoreFailingError), telling_of_the_machine():
        raise StoreFailingError("bench.db: the disk is full: 7 readings are lost")
    assert capsys.readouterr().err == f"{UNWATCHED}\n"
    with pytest.raises(StoreError), telling_of_the_machine():
        raise StoreError("bench.db: no results file of ours")
    assert capsys.readouterr().err == ""


WAITING = snapshot("waiting", None, "Fit the fine filter, then switch on.")
RUNNING = replace(
    snapshot("settling", 40.0, "Keep it running, about 40 s more."),
    trial=TrialLine(1, 1.0, None, None, confirmed=False),
)
FOUND_RUNNING = replace(
    WAITING,
    instruction=instruction(
        Stage.WAITING,
        "Fit the fine filter",
        by_key=False,
        switch_off_first=True,
        seconds_left=None,
        hindrance=None,
    )[0],
)
OURS = ExceptionGroup("tasks", [KeyError("boom")])
CUT_OFF = NetworkError("127.0.0.1:8765: the port is taken")


def end_by(error: BaseException, display: PlainDisplay) -> None:
    """A service that shows the machine here ends by this."""
    with telling_of_the_machine() as sight:
        sight.of(display)
        raise error


def said_after(
    error: BaseException,
    capsys: pytest.CaptureFixture[str],
    *,
    last: Snapshot | None = None,
) -> str:
    display = PlainDisplay(StringIO(), bench="bench.toml")
    if last is not None:
        display.show(last)
    with pytest.raises(type(error)):
        end_by(error, display)
    return capsys.readouterr().err


@pytest.mark.parametrize("error", [KeyError("boom"), OURS, MemoryError()], ids=repr)
@pytest.mark.parametrize("last", [RUNNING, WAITING], ids=["running", "waiting"])
def test_a_fault_of_our_own_says_that_nothing_watches_the_machine_whatever_was_shown(
    capsys: pytest.CaptureFixture[str], error: Exception, last: Snapshot
) -> None:
    assert said_after(error, capsys, last=last) == f"{UNWATCHED}\n"


@pytest.mark.parametrize("error", [CUT_OFF, ExceptionGroup("tasks", [CUT_OFF])])
@pytest.mark.parametrize(
    "last",
    [
        RUNNING,
        FOUND_RUNNING,
        replace(WAITING, overdue=True),
        replace(WAITING, session=None, urgency="danger"),
        snapshot("paused", None, "Paused."),
    ],
    ids=["running", "found running", "overdue", "left running", "paused"],
)
def test_an_error_under_a_machine_that_may_run_says_that_nothing_watches_it(
    capsys: pytest.CaptureFixture[str], error: Exception, last: Snapshot
) -> None:
    assert said_after(error, capsys, last=last) == f"{UNWATCHED}\n"


def test_an_error_with_the_machine_at_rest_or_before_anything_was_watched_says_nothing_of_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert said_after(CUT_OFF, capsys, last=WAITING) == ""
    assert said_after(CUT_OFF, capsys) == ""
    assert said_after(KeyError("boom"), capsys) == ""


def test_readings_that_could_not_be_written_are_told_of_out_of_a_group_too(
    capsys: pytest.CaptureFixture[str],
) -> None:
    failing = StoreFailingError("bench.db: the disk is full: 7 readings are lost")
    assert said_after(ExceptionGroup("tasks", [failing]), capsys) == f"{UNWATCHED}\n"


def test_a_key_that_ends_it_is_no_error(capsys: pytest.CaptureFixture[str]) -> None:
    assert said_after(KeyboardInterrupt(), capsys, last=RUNNING) == ""


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
    text = closing_of_serve(bench="bench.toml", stated_store=None, speed=1.0)
    assert "daq serve bench.toml; it takes up by itself the session" in text


def test_one_thing_is_no_plural() -> None:
    assert [counted(n, "gap") for n in (0, 1, 2)] == ["0 gaps", "1 gap", "2 gaps"]
