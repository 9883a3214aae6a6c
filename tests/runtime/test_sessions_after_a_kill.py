"""Sessions that a killed program left at an awkward moment, and what happens after their last trial."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.config.plan import parse_plan
from daq.errors import StoreError
from daq.operations import Repeat, Start
from daq.runtime.beginning import begin_or_resume
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended, order, settled
from tests.runtime.conftest import PLAN, Computer

START = Start("leads")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


async def finish_session(service: AttendedBench) -> None:
    """Both lines are measured."""
    await service.ask(START)
    for _ in range(2):
        await service.measure()
    assert service.session.stage is Stage.FINISHED


def change(folder: Path, statement: str, *values: object) -> None:
    """Change the file as a program would have left it that was killed between two writings."""
    with closing(sqlite3.connect(folder / "bench.db")) as connection, connection:
        assert connection.execute(statement, values).rowcount == 1


# ---- after the last trial


async def break_limit(service: AttendedBench) -> None:
    """The machine takes more than the plug is rated for, which the plan allows for three seconds."""
    before = len(service.told("trial"))
    for _ in range(8):
        service.read(14.0, 3200.0)
    (told,) = service.told("trial")[before:]
    assert "rating of the plug" in told
    await service.written()


async def test_a_limit_that_breaks_after_the_last_trial_is_told_and_ends_nothing(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await finish_session(service)
        ended = await settled(service, "ended_utc")
        await break_limit(service)
        assert service.over == 1
        assert service.board.snapshot().stage.name == "finished"
        assert (
            await settled(service, "state || ' ' || ended_utc") == f"finished {ended}"
        )
        # What is asked for next is carried out still.
        service.stand_still()
        await service.ask(Repeat(1))
        await service.measure()
        assert service.over == 2


async def test_a_limit_that_breaks_in_a_finished_session_that_was_taken_up_ends_nothing(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await finish_session(service)
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        await break_limit(service)
        assert service.over == 0
        assert service.board.snapshot().stage.name == "finished"
        assert await settled(service, "state") == "finished"


# ---- killed between two writings


async def test_a_session_that_was_given_up_for_a_new_one_is_not_taken_up(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    plan = parse_plan(PLAN, file="plan.toml", bench=bench)
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        await service.measure()
        # The program is killed before it is in the journal that the second was started.
        await begin_or_resume(
            service.store, bench, plan, service.clock, new_session=True
        )
    async with attended(folder, bench, computer) as service:
        assert await service.desk.take_up() == "The bench is idle."
        assert service.desk.running is None
        assert service.rows("SELECT state FROM sessions") == [("abandoned",), ("open",)]


async def test_a_session_can_be_told_twice_that_it_is_finished_and_not_otherwise(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        for ended_utc in ("2026-01-05T10:00:00.000Z", "2026-01-05T11:00:00.000Z"):
            await service.store.end_session(1, state="finished", ended_utc=ended_utc)
        with pytest.raises(StoreError, match="session 1 is not open"):
            await service.store.end_session(1, state="abandoned", ended_utc="t")
        assert service.rows("SELECT state, ended_utc FROM sessions") == [
            ("finished", "2026-01-05T10:00:00.000Z")
        ]


async def test_a_session_killed_before_it_was_open_again_goes_on_to_its_end(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await finish_session(service)
        # One writing sets the trial aside, the next would have opened the session.
        await service.store.set_aside_trial(
            1, reason="the window was open", way="page", at_utc="t", outbox=None
        )
    async with attended(folder, bench, computer) as service:
        words = await service.desk.take_up()
        assert words.startswith("Session 1 goes on: 1 of 2 trials are done.")
        assert service.called_for == "short lead"
        assert await settled(service, "state") == "open"
        await service.measure()
        assert await settled(service, "state") == "finished"
        assert service.over == 1
        assert service.rows("SELECT condition, attempt, state FROM trials") == [
            ("short lead", 1, "set aside"),
            ("long lead", 1, "finished"),
            ("short lead", 2, "finished"),
        ]


async def test_a_session_killed_before_it_was_finished_is_finished_when_taken_up(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await finish_session(service)
    statement = "UPDATE sessions SET state = 'open', ended_utc = NULL"
    change(folder, statement)
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        assert service.board.snapshot().stage.name == "finished"
        assert await settled(service, "state") == "finished"


async def killed_before_the_order(
    folder: Path, bench: Bench, computer: Computer, *, until: Stage
) -> None:
    """A line is added and its trial begun, or made, but of the two only the trial is in the file."""
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        await service.measure()
        before = await settled(service, "order_json")
        await service.ask(Repeat(1))
        service.run_until(until)
        if until is Stage.DONE:
            service.stand_still()
    change(folder, "UPDATE sessions SET order_json = ?", before)


@pytest.mark.parametrize(
    ("until", "states"),
    [
        (Stage.DONE, ["done", "to come", "done"]),
        (Stage.SETTLING, ["done", "to come", "unfinished"]),
    ],
)
async def test_a_line_whose_trial_was_written_before_it_is_put_back(
    folder: Path,
    bench: Bench,
    computer: Computer,
    until: Stage,
    states: list[str],
) -> None:
    await killed_before_the_order(folder, bench, computer, until=until)
    async with attended(folder, bench, computer) as service:
        words = await service.desk.take_up()
        done = states.count("done")
        assert words.startswith(f"Session 1 goes on: {done} of 3 trials are done.")
        slip = service.board.snapshot().slip
        assert [(line.position, line.condition) for line in slip] == [
            *((1, "short lead"), (2, "long lead"), (3, "short lead"))
        ]
        assert [line.state for line in slip] == states
        service.stand_still()
        while service.session.stage is not Stage.FINISHED:
            await service.measure()
        assert service.rows(
            "SELECT position FROM trials WHERE state = 'finished' ORDER BY position"
        ) == [(1,), (2,), (3,)]


async def test_no_position_is_given_twice_after_a_line_was_put_back(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    await killed_before_the_order(folder, bench, computer, until=Stage.DONE)
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        await service.ask(Repeat(1))
        assert order(service) == [
            *((1, "short lead"), (4, "short lead"), (2, "long lead")),
            (3, "short lead"),
        ]
        await service.measure()
        assert service.rows("SELECT position, condition, repeat FROM trials") == [
            *((1, "short lead", 1), (3, "short lead", 2), (4, "short lead", 3))
        ]
