"""What operators ask for of trials: repeated, set aside, relabelled, with notes; and all of it after the program was killed."""

import json
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.errors import OperationRefusedError, Refusal
from daq.operations import (
    Acknowledge,
    GoOn,
    Note,
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
    order,
    refused,
    settled,
)
from tests.runtime.conftest import PLAN, Computer

START = Start("leads")
WRONG_LEAD = Relabel(1, "long lead", "the long lead was fitted")


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


# ---- repeat


async def test_a_repeat_adds_a_line_and_all_trials_count(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    await service.measure()
    text = await service.ask(Repeat(1))
    assert text.endswith("called for next; all trials of this condition count.")
    assert order(service) == [(1, "short lead"), (3, "short lead"), (2, "long lead")]
    await service.measure()
    assert service.rows("SELECT position, repeat, state FROM trials") == [
        (1, 1, "finished"),
        (3, 2, "finished"),
    ]
    assert service.called_for == "long lead"


async def test_a_repeat_instead_sets_the_lines_newest_trial_aside(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    await service.measure()
    text = await service.ask(Repeat(1, "the window was open"))
    assert "is set aside and counts no more" in text
    assert text.endswith("The window was open.")
    assert service.called_for == "short lead"
    assert order(service) == [(1, "short lead"), (2, "long lead")]
    ((state, note),) = service.rows("SELECT state, note FROM trials")
    assert state == "set aside"
    assert str(note).endswith("set aside: the window was open")
    first = service.board.snapshot().slip[0]
    assert (first.state, first.trial) == ("set aside", 1)
    await service.measure()
    assert service.rows("SELECT position, attempt, state FROM trials") == [
        (1, 1, "set aside"),
        (1, 2, "finished"),
    ]


async def test_a_finished_session_is_open_again_once_something_is_asked_for(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    for _ in range(2):
        await service.measure()
    assert await settled(service, "state") == "finished"
    await service.ask(Repeat(2))
    assert await settled(service, "state") == "open"
    assert service.called_for == "long lead"
    await service.measure()
    assert await settled(service, "state") == "finished"
    await service.ask(Repeat(1, "the window was open"))
    assert await settled(service, "state") == "open"
    await service.measure()
    assert await settled(service, "state") == "finished"
    assert service.over == 3


async def test_what_cannot_be_repeated_is_refused(service: AttendedBench) -> None:
    await service.ask(START)
    words = "line 9 is not in the order"
    await refused(service, Repeat(9), Refusal.UNKNOWN_LINE, words)
    words = "line 1 has no trial that has ended"
    await refused(service, Repeat(1, "draught"), Refusal.UNKNOWN_TRIAL, words)
    await service.measure()
    await service.ask(Repeat(1, "draught"))
    words = "the trial is set aside already"
    await refused(service, Repeat(1, "draught"), Refusal.ALREADY_SO, words)
    service.stand_still()
    service.run_until(Stage.SETTLING)
    words = '"short lead" is being measured now, switch off first'
    await refused(service, Repeat(1, "draught"), Refusal.TRIAL_IN_HAND, words)


# ---- relabel


async def test_a_relabelled_trial_counts_for_the_other_line_and_its_own_is_called_for(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    await service.measure()
    text = await service.ask(WRONG_LEAD, way="command line")
    assert text == (
        "The trial counts as long lead. short lead is called for again."
        " The long lead was fitted."
    )
    assert service.called_for == "short lead"
    ((position, condition, state, note),) = service.rows(
        "SELECT position, condition, state, note FROM trials"
    )
    assert (position, condition, state) == (2, "long lead", "finished")
    assert str(note).endswith(
        'relabelled from "short lead" to "long lead": the long lead was fitted'
    )
    assert service.rows(
        "SELECT from_position, from_condition, reason, way FROM relabellings"
    ) == [(1, "short lead", "the long lead was fitted", "command line")]
    assert journal(service)[-1][:4] == ("relabel", 1, 1, "command line")
    await service.measure()
    assert service.board.snapshot().stage.name == "finished"
    assert [(s.state, s.trial) for s in service.board.snapshot().slip] == [
        ("done", 2),
        ("done", 1),
    ]


async def test_a_relabelled_result_is_told_once_more_with_its_id(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    await service.measure()
    await service.ask(WRONG_LEAD)
    told = [
        json.loads(str(payload))
        for (payload,) in service.rows("SELECT payload FROM outbox ORDER BY id")
    ]
    assert [t["condition"] for t in told] == ["short lead", "long lead"]
    assert told[0]["id"] == told[1]["id"]
    assert told[0]["revision"] < told[1]["revision"]


async def test_the_last_trial_relabelled_opens_a_finished_session(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    for _ in range(2):
        await service.measure()
    text = await service.ask(Relabel(2, "short lead", "nobody changed the lead"))
    assert text.startswith("The trial counts as short lead, repeat 2.")
    assert await settled(service, "state") == "open"
    assert service.called_for == "long lead"
    assert order(service)[-1] == (2, "long lead")


async def test_what_cannot_be_relabelled_is_refused(service: AttendedBench) -> None:
    await service.ask(START)
    words = "no trial 1 of this session has ended, expected one of none yet"
    await refused(service, WRONG_LEAD, Refusal.UNKNOWN_TRIAL, words)
    service.stand_still()
    service.run_until(Stage.DONE)
    await refused(service, WRONG_LEAD, Refusal.UNKNOWN_TRIAL, "no trial 1")
    service.stand_still()
    other = Relabel(1, "third lead", "wrong lead")
    words = 'choose one of "short lead", "long lead"'
    await refused(service, other, Refusal.UNKNOWN_CONDITION, words)
    same = Relabel(1, "short lead", "wrong lead")
    words = 'the trial is one of "short lead" already'
    await refused(service, same, Refusal.ALREADY_SO, words)
    await service.ask(Repeat(1, "draught"))
    await refused(service, WRONG_LEAD, Refusal.ALREADY_SO, "set aside already")


# ---- note, acknowledge, switched


async def test_a_note_stands_among_the_events_and_with_the_trial_in_hand(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    service.stand_still()
    service.run_until(Stage.SETTLING)
    assert await service.ask(Note("the door stood open"), way="broker") == "Noted."
    service.run_until(Stage.DONE)
    service.stand_still()
    await service.written()
    ((note,),) = service.rows("SELECT note FROM trials")
    assert "note: the door stood open" in str(note)
    assert service.rows("SELECT session_id, text FROM events WHERE kind = 'note'") == [
        (1, "Note from the broker: the door stood open")
    ]
    assert journal(service)[-1][:4] == ("note", 1, None, "broker")


def overdue(service: AttendedBench) -> list[str]:
    """Alarms of a machine that runs for too long; that the meters fall silent meanwhile is another one."""
    alarms = service.board.snapshot().alarms
    return [alarm.text for alarm in alarms if "longer than the plan" in alarm.text]


async def test_an_acknowledged_machine_runs_on_without_an_alarm(
    service: AttendedBench, computer: Computer
) -> None:
    await service.ask(START)
    service.stand_still()
    service.run_until(Stage.DONE)
    computer.pass_s(300.0)
    service.desk.tick(service.clock.bench_s())
    assert len(overdue(service)) == 1
    assert len(service.told("alarm")) == 1
    assert await service.ask(Acknowledge(), way="terminal") == (
        "The machine may run on for as long again. Do not leave it alone."
    )
    assert overdue(service) == []
    assert service.told("operator") == ["Acknowledged from the terminal."]


async def test_the_operators_word_begins_and_ends_a_trial_where_no_channel_tells(
    service: AttendedBench, folder: Path
) -> None:
    start, settling = PLAN.index("[start]"), PLAN.index("[settling]")
    text = PLAN[:start] + PLAN[settling:]
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    await service.ask(START)
    service.stand_still()
    answer = await service.ask(Switched())
    assert answer == "Taken: switched on, the trial begins."
    assert service.session.stage is Stage.RUNNING_UP
    service.run_until(Stage.DONE)
    assert await service.ask(Switched()) == ("Taken: switched off, the trial is over.")
    assert service.rows("SELECT condition, state FROM trials") == [
        ("short lead", "finished")
    ]


async def test_the_operators_word_is_not_taken_against_the_start_channel(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    service.stand_still()
    service.run_until(Stage.SETTLING)
    words = "he start channel says that the machine runs"
    await refused(service, Switched(), Refusal.NOT_TAKEN, words)
    (told,) = service.told("operator")
    assert words in told
    assert told.endswith("Asked from the page.")
    assert service.session.stage is Stage.SETTLING


async def test_the_operators_word_begins_nothing_in_a_pause_or_after_the_end(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    await service.ask(Pause())
    words = "the session is paused, go on first, then switch on"
    await refused(service, Switched(), Refusal.NOT_TAKEN, words)
    await service.ask(GoOn())
    for _ in range(2):
        await service.ask(Skip())
    words = "nothing is called for, so nothing begins"
    await refused(service, Switched(), Refusal.NOT_TAKEN, words)


# ---- all that, after the program was killed


async def test_what_was_asked_for_outlasts_the_program(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        await service.measure()
        await service.ask(WRONG_LEAD)
        await service.measure()
        await service.ask(Repeat(1, "the window was open"))
        await service.ask(Repeat(2))
        await service.ask(Skip("no time"))
        await service.ask(Pause())
        before = service.board.snapshot()
    async with attended(folder, bench, computer) as service:
        words = await service.desk.take_up()
        assert words.startswith("Session 1 goes on: 1 of 3 trials are done.")
        after = service.board.snapshot()
        assert after.slip == before.slip
        assert after.session == before.session
        assert [(s.position, s.state, s.trial) for s in after.slip] == [
            (3, "skipped", None),
            (1, "set aside", 2),
            (2, "done", 1),
        ]
        assert after.stage.name == "paused"
        await service.ask(GoOn())
        assert service.called_for == "short lead"
        # Its trials are still known by their numbers.
        await service.ask(Repeat(2, "it was the short lead after all"))
        assert service.rows("SELECT state FROM trials") == [("set aside",)] * 2


async def test_a_key_that_lets_a_machine_run_on_too_early_is_told_among_the_events(
    service: AttendedBench,
) -> None:
    await service.ask(START)
    service.stand_still()
    service.run_until(Stage.DONE)
    with pytest.raises(OperationRefusedError, match="nothing to acknowledge"):
        await service.ask(Acknowledge(), way="terminal")
    (told,) = service.told("operator")
    assert told.startswith("Nothing to acknowledge")
    assert told.endswith("Asked from the terminal.")


@pytest.mark.parametrize("is_by_key", [False, True])
async def test_a_machine_left_running_is_off_by_the_operators_word(
    service: AttendedBench, folder: Path, *, is_by_key: bool
) -> None:
    if is_by_key:
        start, settling = PLAN.index("[start]"), PLAN.index("[settling]")
        text = PLAN[:start] + PLAN[settling:]
        (folder / "plan.toml").write_text(text, encoding="utf-8")
    await service.ask(START)
    service.stand_still()
    if is_by_key:
        await service.ask(Switched())
    service.run_until(Stage.SETTLING)
    await service.ask(Stop())
    assert len(service.board.snapshot().alarms) == 1
    assert await service.ask(Switched()) == "The machine was switched off."
    assert service.board.snapshot().alarms == ()
    with pytest.raises(OperationRefusedError, match="no session is in hand"):
        await service.ask(Switched())
