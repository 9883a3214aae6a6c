"""What is known last of the machine outlasts the program: whoever saw it, and however often the program is killed."""

from pathlib import Path

import pytest

from daq.config.bench import Bench, parse_bench
from daq.config.plan import Plan
from daq.operations import Switched
from daq.runtime.board import Board
from daq.runtime.left_running import Before
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended
from tests.runtime.conftest import BENCH, MAINS, PLAN, VANE, Computer
from tests.runtime.test_left_running import (
    START,
    alarms,
    hear_nothing,
    leave_running,
    run_a_trial,
    run_on,
)

MAY_RUN = "nothing tells whether it runs still"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


async def taken_up_unheard(service: AttendedBench, computer: Computer) -> list[str]:
    """Alarms of a program that was started anew and hears no meter."""
    await service.desk.take_up()
    hear_nothing(service, computer, 5)
    await service.written()
    return alarms(service)


async def see_it_off(service: AttendedBench) -> None:
    service.stand_still()
    service.desk.tick(service.clock.bench_s())
    await service.written()


# ---- it was seen off


async def test_a_machine_left_running_that_its_channel_saw_off_is_off_after_a_restart(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await leave_running(service)
        await see_it_off(service)
    async with attended(folder, bench, computer) as service:
        assert await taken_up_unheard(service, computer) == []
        assert service.told("alarm") == []


async def test_a_session_begun_beside_a_running_machine_and_finished_leaves_none(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await leave_running(service)
        await service.ask(START)
        await service.measure()
        await service.measure()
        assert service.session.stage is Stage.FINISHED
    async with attended(folder, bench, computer) as service:
        assert await taken_up_unheard(service, computer) == []
        hear_nothing(service, computer, 301)
        assert alarms(service) == []


async def test_a_trial_begun_by_the_key_that_the_channel_ended_leaves_no_machine_running(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        service.stand_still()
        await service.ask(Switched())
        service.run_until(Stage.DONE)
        service.stand_still()
        await service.written()
    async with attended(folder, bench, computer) as service:
        assert await taken_up_unheard(service, computer) == []


# ---- it was not


@pytest.mark.parametrize("until", [Stage.SETTLING, Stage.DONE])
async def test_a_machine_that_ran_when_the_program_was_killed_is_known_however_often_it_is(
    folder: Path, bench: Bench, computer: Computer, until: Stage
) -> None:
    async with attended(folder, bench, computer) as service:
        await run_a_trial(service, until)
    for _ in range(3):
        async with attended(folder, bench, computer) as service:
            (alarm,) = await taken_up_unheard(service, computer)
            assert alarm.startswith("meter is not heard while the machine runs")
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        await see_it_off(service)
    async with attended(folder, bench, computer) as service:
        assert await taken_up_unheard(service, computer) == []


async def test_a_machine_of_a_session_that_nobody_asked_to_start_is_known_after_a_kill(
    folder: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.desk.begin(plan, new_session=False, same=None)
        service.stand_still()
        service.run_until(Stage.SETTLING)
        await service.written()
    async with attended(folder, bench, computer) as service:
        (alarm,) = await taken_up_unheard(service, computer)
        assert MAY_RUN in alarm


async def test_a_machine_that_was_seen_running_without_a_session_is_known_after_a_kill(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await leave_running(service)
        await see_it_off(service)
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        run_on(service, 2)
        await service.written()
    async with attended(folder, bench, computer) as service:
        (alarm,) = await taken_up_unheard(service, computer)
        assert MAY_RUN in alarm


# ---- what is told meanwhile


async def test_standby_around_the_lower_threshold_is_told_of_once_at_most(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await leave_running(service)
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        hear_nothing(service, computer, 4)
        for _ in range(20):
            for amperes in (0.55, 0.45):
                service.read(amperes, 8.0)
                service.desk.tick(service.clock.bench_s())
        assert alarms(service) == []
        (told,) = service.told("alarm")
        assert MAY_RUN in told
        run_on(service, 1)
        (alarm,) = alarms(service)
        assert alarm.startswith("The machine runs and no session is in hand")


def test_a_meter_that_is_read_seldom_gets_longer_to_be_heard_after_a_restart(
    plan: Plan, computer: Computer
) -> None:
    text = BENCH.replace('name = "meter"\n', 'name = "meter"\ninterval_s = 15.0\n')
    profiles = {"mains": ("mains.toml", MAINS), "vane": ("vane.toml", VANE)}
    bench = parse_bench(text, file="bench.toml", find_profile=profiles.get)
    board = Board(bench, clock=computer.clock())
    board.left_behind(plan.rules.start, Before.MAYBE)
    for seconds, is_told in ((36.0, False), (3.0, True)):
        computer.pass_s(seconds)
        assert any(MAY_RUN in a.text for a in board.snapshot().alarms) is is_told
