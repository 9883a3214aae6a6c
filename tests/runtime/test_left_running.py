"""A machine that runs, or may, without a session: what is told of it, what ends that, and what a session begins with."""

import sqlite3
from collections.abc import AsyncIterator
from contextlib import closing
from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.errors import OperationRefusedError, Refusal
from daq.operations import Pause, Start, Stop, Switched
from daq.records import Gap, GapReason
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended, journal
from tests.runtime.conftest import PLAN, Computer, Rehearsal

START = Start("leads")
BY_KEY = PLAN[: PLAN.index("[start]")] + PLAN[PLAN.index("[settling]") :]
OFF = "The machine was switched off."
GAINSAID = (
    "the start channel says that the machine runs: that is believed rather than the key"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


@pytest.fixture
def by_key(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(BY_KEY, encoding="utf-8")
    return tmp_path


@pytest.fixture
async def service(
    folder: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    async with attended(folder, bench, computer) as attended_bench:
        yield attended_bench


async def run_a_trial(
    service: AttendedBench, until: Stage = Stage.SETTLING, *, key: bool = False
) -> None:
    """A session whose trial runs."""
    await service.ask(START)
    service.stand_still()
    if key:
        await service.ask(Switched())
    service.run_until(until)


async def leave_running(service: AttendedBench, *, key: bool = False) -> None:
    """It is stopped while its trial runs."""
    await run_a_trial(service, key=key)
    await service.ask(Stop())


def run_on(service: AttendedBench, seconds: int) -> None:
    """The machine draws 6 A."""
    for _ in range(seconds):
        service.read(6.0, 1400.0)


def hear_nothing(service: AttendedBench, computer: Computer, seconds: int) -> None:
    """The mains meter does not answer."""
    for _ in range(seconds):
        computer.pass_s(1.0)
        at_s = service.clock.bench_s()
        service.take(Gap("meter", at_s, GapReason.NO_REPLY, "no reply within 0.50 s"))
        service.desk.tick(at_s)


def alarms(service: AttendedBench) -> list[str]:
    return [alarm.text for alarm in service.board.snapshot().alarms]


def change(folder: Path, statement: str) -> None:
    """Change the file between two runs of the program."""
    with closing(sqlite3.connect(folder / "bench.db")) as connection, connection:
        assert connection.execute(statement).rowcount > 0


# ---- until it is off


def test_a_dip_of_the_start_channel_is_no_switching_off_of_a_machine_left_running(
    bench: Bench, plan: Plan, computer: Computer
) -> None:
    rehearsal = Rehearsal(bench, plan, computer)
    rehearsal.stand_still()
    rehearsal.run_until(Stage.DONE)
    rehearsal.board.close()
    # The plan wants it below for two seconds.
    for amperes in (6.0, 0.3, 0.3, 6.0, 0.3, 6.0):
        rehearsal.read(amperes, 1400.0)
        shown = rehearsal.board.snapshot()
        assert [shown.urgency, len(shown.alarms)] == ["danger", 1]
    for _ in range(3):
        rehearsal.read(0.0, 0.0)
    assert rehearsal.board.snapshot().alarms == ()


async def test_the_operators_word_is_not_taken_while_the_start_channel_says_that_it_runs(
    service: AttendedBench,
) -> None:
    await leave_running(service)
    run_on(service, 3)
    with pytest.raises(OperationRefusedError, match=GAINSAID) as caught:
        await service.ask(Switched(), way="terminal")
    assert caught.value.code is Refusal.NOT_TAKEN
    assert service.told("operator")[-1] == (
        f"{GAINSAID[:1].upper()}{GAINSAID[1:]}. Asked from the terminal."
    )
    assert len(alarms(service)) == 1


async def test_the_operators_word_is_taken_where_the_start_channel_is_silent_and_ends_once_it_shows_otherwise(
    service: AttendedBench, computer: Computer
) -> None:
    await leave_running(service)
    hear_nothing(service, computer, 11)
    assert await service.ask(Switched()) == OFF
    assert alarms(service) == []
    run_on(service, 1)
    (alarm,) = alarms(service)
    assert alarm.startswith("The machine runs and no session is in hand")


# ---- a session begins


@pytest.mark.parametrize("is_lost", [False, True])
async def test_a_session_that_begins_beside_a_running_machine_has_it_switched_off_first(
    service: AttendedBench, computer: Computer, *, is_lost: bool
) -> None:
    await leave_running(service)
    if is_lost:
        hear_nothing(service, computer, 11)
    await service.ask(START)
    shown = service.board.snapshot()
    assert shown.instruction == "The machine is already running. Switch it off."
    assert len(shown.alarms) == is_lost
    service.stand_still()
    assert service.board.snapshot().instruction.endswith("then switch on.")
    service.run_until(Stage.RUNNING_UP)


async def test_by_key_a_session_that_begins_beside_a_running_machine_waits_for_the_operators_word(
    by_key: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(by_key, bench, computer) as service:
        await leave_running(service, key=True)
        await service.ask(START)
        run_on(service, 301)
        assert "longer than the plan's 300 s" in alarms(service)[0]
        assert await service.ask(Switched()) == OFF
        shown = service.board.snapshot()
        assert shown.alarms == ()
        assert shown.instruction.endswith("then switch on and press Enter.")


async def test_a_paused_session_that_is_taken_up_beside_a_running_machine_says_so(
    by_key: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(by_key, bench, computer) as service:
        await run_a_trial(service, key=True)
        await service.ask(Pause())
        await service.ask(Stop())
        await service.ask(START)
        shown = service.board.snapshot()
        assert shown.stage.name == "paused"
        assert shown.instruction == (
            "The machine may be running. Switch it off, then press Enter."
        )
        await service.ask(Switched())
        assert service.board.snapshot().instruction.startswith("Paused.")


async def test_in_a_pause_it_is_switched_off_first_whatever_is_missing(
    service: AttendedBench, computer: Computer
) -> None:
    await run_a_trial(service)
    await service.ask(Pause())
    await service.ask(Stop())
    hear_nothing(service, computer, 11)
    await service.ask(START)
    shown = service.board.snapshot()
    assert shown.stage.name == "paused"
    assert shown.instruction == "The machine is already running. Switch it off."
    service.stand_still()
    assert service.board.snapshot().instruction.startswith("Paused.")


# ---- the program is started again


async def test_a_machine_that_was_left_running_is_told_of_after_a_restart_too(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await leave_running(service)
    async with attended(folder, bench, computer) as service:
        assert await service.desk.take_up() == "The bench is idle."
        run_on(service, 2)
        service.desk.tick(service.clock.bench_s())
        shown = service.board.snapshot()
        assert (shown.stage.name, shown.urgency) == ("idle", "danger")
        (alarm,) = alarms(service)
        assert alarm.startswith("The machine runs and no session is in hand")
        assert service.told("alarm") == [alarm]
        service.stand_still()
        assert alarms(service) == []


@pytest.mark.parametrize("amperes", [0.0, 0.7])
async def test_after_a_restart_beside_a_machine_at_rest_nothing_is_said(
    folder: Path, bench: Bench, computer: Computer, amperes: float
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        await service.measure()
        await service.ask(Stop())
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        for _ in range(10):
            service.read(amperes, 0.0)
            assert alarms(service) == []


async def test_a_machine_that_was_switched_on_between_two_runs_of_the_program_is_told_of(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        await service.measure()
        await service.ask(Stop())
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        run_on(service, 1)
        assert len(alarms(service)) == 1
        await service.ask(START)
        shown = service.board.snapshot()
        assert shown.instruction == "The machine is already running. Switch it off."


async def test_by_key_nobody_knows_after_a_restart_until_the_operator_says_so(
    by_key: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(by_key, bench, computer) as service:
        await leave_running(service, key=True)
    for _ in range(2):
        async with attended(by_key, bench, computer) as service:
            await service.desk.take_up()
            (alarm,) = alarms(service)
            assert "nothing tells whether it runs still" in alarm
            service.desk.tick(service.clock.bench_s())
            assert service.told("alarm") == [alarm]
    async with attended(by_key, bench, computer) as service:
        await service.desk.take_up()
        assert await service.ask(Switched()) == OFF
        assert alarms(service) == []
    async with attended(by_key, bench, computer) as service:
        await service.desk.take_up()
        assert alarms(service) == []
        assert service.told("alarm") == []


@pytest.mark.parametrize("until", [Stage.SETTLING, Stage.DONE])
async def test_by_key_a_session_that_was_cut_off_goes_on_with_a_machine_that_may_run(
    by_key: Path, bench: Bench, computer: Computer, until: Stage
) -> None:
    async with attended(by_key, bench, computer) as service:
        await run_a_trial(service, until, key=True)
    async with attended(by_key, bench, computer) as service:
        words = await service.desk.take_up()
        assert words.startswith("Session 1 goes on")
        shown = service.board.snapshot()
        assert shown.instruction == (
            "The machine may be running. Switch it off, then press Enter."
        )
        run_on(service, 5)
        hear_nothing(service, computer, 5)
        (alarm,) = alarms(service)
        assert alarm.startswith("meter is not heard while the machine runs")
        assert await service.ask(Switched()) == OFF
        service.stand_still()
        shown = service.board.snapshot()
        assert shown.instruction.endswith("then switch on and press Enter.")
        await service.ask(Switched())
        assert service.session.stage is Stage.RUNNING_UP


async def test_by_key_a_machine_that_was_switched_off_before_the_program_ended_is_off(
    by_key: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(by_key, bench, computer) as service:
        await run_a_trial(service, Stage.DONE, key=True)
        await service.ask(Switched())
    async with attended(by_key, bench, computer) as service:
        await service.desk.take_up()
        shown = service.board.snapshot()
        assert shown.instruction.endswith("then switch on and press Enter.")


async def test_a_second_kill_before_the_operators_word_changes_nothing(
    by_key: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(by_key, bench, computer) as service:
        await run_a_trial(service, key=True)
    for _ in range(2):
        async with attended(by_key, bench, computer) as service:
            await service.desk.take_up()
            shown = service.board.snapshot()
            assert shown.instruction.startswith("The machine may be running.")


async def killed_with_its_plan_changed(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    """A trial runs when the program ends; the session cannot go on as what it was."""
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        await service.measure()
        service.run_until(Stage.SETTLING)
        await service.written()
    edited = PLAN.replace("least_s = 30", "least_s = 40")
    (folder / "plan.toml").write_text(edited, encoding="utf-8")


async def test_a_session_that_cannot_go_on_after_a_kill_leaves_its_running_machine_told_of(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    await killed_with_its_plan_changed(folder, bench, computer)
    async with attended(folder, bench, computer) as service:
        words = await service.desk.take_up()
        assert words.startswith("Session 1 cannot go on by itself")
        service.read(6.46, 1400.0)
        (alarm,) = alarms(service)
        assert alarm.startswith("The machine runs and no session is in hand")


async def test_after_a_kill_nobody_knows_while_the_start_channel_is_not_heard(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    await killed_with_its_plan_changed(folder, bench, computer)
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        # Meters get a moment to be heard for the first time.
        assert alarms(service) == []
        hear_nothing(service, computer, 4)
        (alarm,) = alarms(service)
        assert "nothing tells whether it runs still" in alarm
        # What is heard at last is believed, once it has lasted.
        service.stand_still()
        assert alarms(service) == []


async def test_a_session_that_was_cut_off_says_so_where_its_start_channel_is_lost(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await run_a_trial(service)
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        hear_nothing(service, computer, 4)
        shown = service.board.snapshot()
        assert shown.instruction == "The machine is already running. Switch it off."
        assert "not heard while the machine runs" in shown.alarms[0].text
        assert await service.ask(Switched()) == OFF
        assert alarms(service) == []
        # Its channel is heard again, and tells by itself from now on.
        service.stand_still()
        service.run_until(Stage.RUNNING_UP)


# ---- records that tell nothing


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE sessions SET plan_text = 'spoilt ['",
        "UPDATE sessions SET plan_text = replace(plan_text, 'current', 'torque')",
    ],
)
async def test_a_plan_that_this_bench_cannot_read_tells_nothing_of_the_machine(
    folder: Path, bench: Bench, computer: Computer, statement: str
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        await service.measure()
        await service.ask(Stop())
    change(folder, statement)
    async with attended(folder, bench, computer) as service:
        assert await service.desk.take_up() == "The bench is idle."
        run_on(service, 5)
        assert alarms(service) == []


@pytest.mark.parametrize("detail", ["spoilt {", "[]", '{"machine_on": 1}'])
async def test_a_journal_that_tells_nothing_of_the_machine_is_no_hindrance(
    by_key: Path, bench: Bench, computer: Computer, detail: str
) -> None:
    async with attended(by_key, bench, computer) as service:
        await leave_running(service, key=True)
    change(by_key, f"UPDATE operations SET detail_json = '{detail}'")  # noqa: S608 - the tests' own
    async with attended(by_key, bench, computer) as service:
        assert await service.desk.take_up() == "The bench is idle."
        assert alarms(service) == []


async def test_the_journal_says_after_what_the_machine_ran_on(
    by_key: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(by_key, bench, computer) as service:
        await run_a_trial(service, key=True)
        await service.ask(Switched())
        await service.ask(Switched())
        await service.ask(Stop())
        told = [(kind, detail) for kind, *_, detail in journal(service)][1:]
        on = {"machine_on": True}
        assert told == [
            *(("switched", on), ("switched", {}), ("switched", on), ("stop", on))
        ]
