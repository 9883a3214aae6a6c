"""What operators ask for: done and kept in the store, or refused with a reason and kept nowhere."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.errors import Refusal
from daq.operations import (
    Acknowledge,
    GoOn,
    Note,
    Operation,
    Pause,
    Relabel,
    Repeat,
    Skip,
    Start,
    Stop,
    Switched,
)
from daq.trials.stages import Stage
from tests.runtime.attended_bench import (
    AttendedBench,
    attended,
    journal,
    refused,
    settled,
)
from tests.runtime.conftest import PLAN, Computer

START = Start("leads")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


@pytest.fixture
async def service(
    folder: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    async with attended(folder, bench, computer) as attended_bench:
        yield attended_bench


# ---- without a session


@pytest.mark.parametrize(
    "operation",
    [
        Pause(),
        GoOn(),
        Skip(),
        Repeat(1),
        Stop(),
        Relabel(1, "long lead", "wrong lead"),
        Acknowledge(),
        Switched(),
    ],
)
async def test_without_a_session_there_is_nothing_to_operate(
    service: AttendedBench, operation: Operation
) -> None:
    await refused(service, operation, Refusal.NO_SESSION, "no session is in hand")


async def test_a_note_can_be_made_without_a_session(service: AttendedBench) -> None:
    assert await service.ask(Note("the filter of the room was changed")) == "Noted."
    assert journal(service) == [
        ("note", None, None, "page", {"text": "the filter of the room was changed"})
    ]
    assert service.told("note") == [
        "Note from the page: the filter of the room was changed"
    ]


# ---- start


async def test_a_session_is_started_by_the_name_of_its_plan(
    service: AttendedBench,
) -> None:
    text = await service.ask(START, way="command line")
    assert text.startswith("Session 1 begins: 2 trials.")
    assert service.called_for == "short lead"
    assert service.told("session") == [text]
    ((kind, session, _, way, detail),) = journal(service)
    assert (kind, session, way) == ("start", 1, "command line")
    assert detail == {"plan": "leads", "new": False, "same": None}
    assert service.board.snapshot().instruction == "Fit short lead, then switch on."


async def test_while_a_session_is_in_hand_none_is_started(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    await refused(service, START, Refusal.BUSY, "session 1 is in hand; stop it first")
    assert service.running.facts.number == 1


async def test_an_unknown_plan_is_refused_with_those_there_are(
    service: AttendedBench,
) -> None:
    words = "no plan 'hoses' beside the bench file, expected one of: leads"
    await refused(service, Start("hoses"), Refusal.UNKNOWN_PLAN, words)
    assert service.desk.running is None


async def test_a_plan_with_faults_is_refused_with_its_faults(
    service: AttendedBench, folder: Path
) -> None:
    text = PLAN.replace('required = ["power"]', 'required = ["torque"]')
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    await refused(service, Start("plan.toml"), Refusal.UNKNOWN_PLAN, "torque")


async def test_a_session_that_cannot_go_on_is_refused_and_can_be_begun_anew(
    service: AttendedBench, folder: Path
) -> None:
    await service.ask(START)
    await service.measure()
    await service.ask(Stop())
    text = PLAN.replace("least_s = 30", "least_s = 40")
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    await refused(service, START, Refusal.CHANGED, "the plan, or a channel .* --new")
    assert service.desk.running is None
    answer = await service.ask(Start("leads", new=True))
    assert answer.startswith("Session 1 stays unfinished. Session 2 begins")
    assert service.rows("SELECT state FROM sessions") == [("abandoned",), ("open",)]


async def test_after_a_finished_session_the_next_can_be_started_at_once(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    for _ in range(2):
        await service.measure()
    assert service.board.snapshot().stage.name == "finished"
    assert service.over == 1
    assert (await service.ask(START)).startswith("Session 2 begins")
    assert service.rows("SELECT state FROM sessions") == [("finished",), ("open",)]
    assert service.board.snapshot().stage.name == "waiting"


# ---- stop


async def test_a_session_that_is_stopped_stays_as_it_is_and_can_be_taken_up(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    await service.measure()
    assert await service.ask(Stop()) == (
        "Session 1 is left as it stands. Start its plan again to go on with it."
    )
    assert service.over == 1
    assert service.board.snapshot().stage.name == "idle"
    assert journal(service)[-1] == ("stop", 1, None, "page", {})
    assert await settled(service, "state") == "open"
    text = await service.ask(START)
    assert text.startswith("Session 1 goes on: 1 of 2 trials are done.")
    assert service.called_for == "long lead"


async def test_a_trial_that_runs_when_its_session_is_stopped_is_unfinished(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    service.stand_still()
    service.run_until(Stage.SETTLING)
    answer = await service.ask(Stop())
    # It runs on, and is read without a session.
    assert answer.startswith("Session 1 is left as it stands.")
    assert "It may overheat unseen. Switch off at the plug" in answer
    assert answer.endswith("daq session BENCH switched.")
    for _ in range(3):
        service.read(6.0, 1400.0)
    assert service.rows("SELECT state, note FROM trials") == [
        ("unfinished", "the session was left while it ran")
    ]
    service.stand_still()
    await service.ask(START)
    await service.measure()
    assert service.rows("SELECT condition, attempt, state FROM trials") == [
        ("short lead", 1, "unfinished"),
        ("short lead", 2, "finished"),
    ]


async def test_a_trial_whose_outcome_is_known_stays_when_its_session_is_stopped(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    service.stand_still()
    service.run_until(Stage.DONE)
    await service.ask(Stop())
    assert service.rows("SELECT condition, state FROM trials") == [
        ("short lead", "finished")
    ]
    text = await service.ask(START)
    assert text.startswith("Session 1 goes on: 1 of 2 trials are done.")


async def test_a_finished_session_is_put_away(service: AttendedBench) -> None:
    await service.ask(START)
    for _ in range(2):
        await service.measure()
    assert await service.ask(Stop()) == "Session 1 is put away."
    assert await settled(service, "state") == "finished"
    assert service.board.snapshot().session is None


# ---- pause and go on


async def test_during_a_pause_no_switching_on_begins_a_trial(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    service.stand_still()
    assert await service.ask(Pause()) == (
        "Paused. Switching on begins no trial until you go on."
    )
    assert await settled(service, "paused") == 1
    assert service.board.snapshot().stage.name == "paused"
    for _ in range(10):
        service.read(6.0, 1400.0)
    assert service.session.trial() is None
    text = await service.ask(GoOn())
    assert text == ("The session goes on. The machine is running: switch it off first.")
    assert await settled(service, "paused") == 0
    await service.measure()
    assert service.rows("SELECT state FROM trials") == [("finished",)]
    assert [kind for kind, *_ in journal(service)] == ["start", "pause", "go-on"]


async def test_a_pause_lets_the_trial_in_hand_finish(service: AttendedBench) -> None:
    await service.ask(START)
    service.stand_still()
    service.run_until(Stage.SETTLING)
    answer = await service.ask(Pause())
    assert answer.startswith("short lead is finished first.")
    service.run_until(Stage.DONE)
    service.stand_still()
    assert service.rows("SELECT paused FROM sessions") == [(1,)]
    assert service.board.snapshot().stage.name == "paused"
    assert (await service.ask(GoOn())) == "The session goes on with long lead."


async def test_what_is_so_already_is_refused(service: AttendedBench) -> None:
    await service.ask(START)
    await refused(service, GoOn(), Refusal.ALREADY_SO, "the session is not paused")
    await service.ask(Pause())
    await refused(service, Pause(), Refusal.ALREADY_SO, "the session is paused already")


# ---- skip


async def test_the_line_called_for_is_left_out_with_its_reason(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    text = await service.ask(Skip("it is at the workshop"))
    assert text == (
        "short lead is left out; long lead comes next. It is at the workshop."
    )
    assert service.called_for == "long lead"
    assert await settled(service, "skipped_json") == "[1]"
    assert [line.state for line in service.board.snapshot().slip] == [
        "skipped",
        "to come",
    ]
    assert journal(service)[-1][4] == {"reason": "it is at the workshop"}
    assert service.told("operator") == [f"{text} Asked from the page."]


async def test_leaving_out_the_last_line_finishes_the_session(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    await service.measure()
    text = await service.ask(Skip())
    assert text.endswith("nothing is left to do.")
    assert service.over == 1
    assert await settled(service, "state") == "finished"
    words = "the session is finished, there is nothing to leave out"
    await refused(service, Skip(), Refusal.NOTHING_CALLED_FOR, words)


async def test_no_line_is_left_out_while_its_trial_runs(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    service.stand_still()
    service.run_until(Stage.SETTLING)
    words = 'a trial of "short lead" is running, switch off first'
    await refused(service, Skip(), Refusal.TRIAL_IN_HAND, words)
