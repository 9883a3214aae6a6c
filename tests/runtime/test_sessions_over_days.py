"""A session left in hand: eight hours after it was last worked on it is put away, and what has to be asked is asked."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.errors import Refusal
from daq.operations import GoOn, Note, Operation, Pause, SameAsBefore, Start, Stop
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended, refused
from tests.runtime.conftest import PLAN, Computer

START = Start("leads")
START_THE_SAME = Start("leads", same=SameAsBefore(machine=True, meters=True, room=True))
HOUR_S = 3600.0
LONGEST_S = 8 * HOUR_S
PUT_AWAY = (
    "Session 1 is put away: nobody has worked on it for 8 hours."
    " Start it again once machine, meters and room are as they were."
)
THIN = '[[condition]]\nname = "thin lead"\n[[condition]]\nname = "long lead"'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Of its three conditions the baseline is called for first."""
    text = PLAN.replace('[[condition]]\nname = "long lead"', THIN)
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    return tmp_path


@pytest.fixture
async def service(
    folder: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    """A session is in hand, and its baseline was measured just now."""
    async with attended(folder, bench, computer) as attended_bench:
        await attended_bench.ask(START)
        await attended_bench.measure()
        yield attended_bench


@pytest.fixture
def last_s(service: AttendedBench) -> float:
    """When the machine was switched off, which is the last work on the session [s of the clock]."""
    (trial,) = service.running.ended.values()
    return trial.ended_s


def is_in_hand(
    service: AttendedBench, computer: Computer, *, at_s: float, since_s: float
) -> bool:
    """Let time pass until so long after a moment; whether the session is in hand then."""
    computer.pass_s(since_s + at_s - service.clock.bench_s())
    service.desk.tick(service.clock.bench_s())
    return service.desk.running is not None


async def test_a_session_nobody_works_on_for_eight_hours_is_put_away_with_a_word(
    service: AttendedBench, computer: Computer, last_s: float
) -> None:
    # The switch-off is told a few seconds after it happened; from then on it counts.
    assert is_in_hand(service, computer, at_s=LONGEST_S - 1.0, since_s=last_s)
    assert service.over == 0
    assert not is_in_hand(service, computer, at_s=LONGEST_S + 60.0, since_s=last_s)
    assert service.told("session")[-1] == PUT_AWAY
    assert service.over == 1
    assert service.board.snapshot().stage.name == "idle"
    # It is told once, and belongs to the session that it is about.
    service.desk.tick(service.clock.bench_s())
    await service.written()
    assert service.rows(
        "SELECT session_id, text FROM events WHERE text LIKE '%put away%'"
    ) == [(1, PUT_AWAY)]
    assert service.rows("SELECT state FROM sessions") == [("open",)]


async def test_what_was_put_away_is_started_again_only_with_an_answer_and_from_a_baseline(
    service: AttendedBench, computer: Computer, last_s: float
) -> None:
    assert service.called_for == "thin lead"
    assert not is_in_hand(service, computer, at_s=LONGEST_S + 60.0, since_s=last_s)
    await refused(service, START, Refusal.ANOTHER_DAY, "last worked on another day")
    assert service.desk.running is None
    answer = await service.ask(START_THE_SAME)
    assert answer.startswith("Session 1 goes on: 1 of 3 trials are done.")
    assert service.called_for == "short lead"
    await service.measure()
    assert service.called_for == "thin lead"


async def test_an_operation_after_eight_hours_finds_the_session_put_away(
    service: AttendedBench, computer: Computer, last_s: float
) -> None:
    computer.pass_s(last_s + LONGEST_S + 60.0 - service.clock.bench_s())
    words = "no session is in hand; start one first"
    await refused(service, Pause(), Refusal.NO_SESSION, words)
    assert service.told("session")[-1] == PUT_AWAY


async def test_the_answer_makes_it_a_session_of_that_day(
    service: AttendedBench, computer: Computer, last_s: float
) -> None:
    assert not is_in_hand(service, computer, at_s=LONGEST_S + 60.0, since_s=last_s)
    await service.ask(START_THE_SAME)
    asked_s = service.clock.bench_s()
    assert is_in_hand(service, computer, at_s=LONGEST_S - 60.0, since_s=asked_s)
    assert not is_in_hand(service, computer, at_s=LONGEST_S, since_s=asked_s)


@pytest.mark.parametrize(
    "operations", [(Pause(),), (Pause(), GoOn()), (Note("still there"),)]
)
async def test_what_is_only_said_is_no_work_on_the_session(
    service: AttendedBench,
    computer: Computer,
    last_s: float,
    operations: tuple[Operation, ...],
) -> None:
    assert is_in_hand(service, computer, at_s=LONGEST_S - 600.0, since_s=last_s)
    for operation in operations:
        await service.ask(operation)
    assert not is_in_hand(service, computer, at_s=LONGEST_S + 60.0, since_s=last_s)
    await refused(service, START, Refusal.ANOTHER_DAY, "last worked on another day")


async def test_to_stop_it_is_no_work_on_the_session_either(
    service: AttendedBench, computer: Computer, last_s: float
) -> None:
    assert is_in_hand(service, computer, at_s=LONGEST_S - 600.0, since_s=last_s)
    await service.ask(Stop())
    computer.pass_s(660.0)
    await refused(service, START, Refusal.ANOTHER_DAY, "last worked on another day")


async def test_a_trial_is_work_on_the_session(
    service: AttendedBench, computer: Computer, last_s: float
) -> None:
    assert is_in_hand(service, computer, at_s=LONGEST_S - 600.0, since_s=last_s)
    await service.measure()
    newest_s = max(trial.ended_s for trial in service.running.ended.values())
    assert newest_s > last_s
    assert is_in_hand(service, computer, at_s=LONGEST_S - 1.0, since_s=newest_s)
    assert not is_in_hand(service, computer, at_s=LONGEST_S + 60.0, since_s=newest_s)


async def test_a_trial_that_runs_is_never_put_away(
    service: AttendedBench, computer: Computer
) -> None:
    service.run_until(Stage.SETTLING)
    computer.pass_s(400.0)
    service.read(6.0, 1400.0)
    assert service.session.stage is Stage.NOT_SETTLED
    for _ in range(3):
        since_s = service.clock.bench_s()
        assert is_in_hand(service, computer, at_s=LONGEST_S, since_s=since_s)
    # Switched off at last, it was worked on until then.
    service.stand_still()
    switched_off_s = service.clock.bench_s()
    at_s = LONGEST_S - 60.0
    assert is_in_hand(service, computer, at_s=at_s, since_s=switched_off_s)
    assert not is_in_hand(service, computer, at_s=LONGEST_S, since_s=switched_off_s)


async def test_a_session_without_a_trial_that_ended_stays_in_hand(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        since_s = service.clock.bench_s()
        assert is_in_hand(service, computer, at_s=3 * LONGEST_S, since_s=since_s)
        await service.measure()
        assert service.called_for == "thin lead"


async def test_a_killed_program_does_not_begin_the_eight_hours_anew(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(START)
        await service.measure()
        (trial,) = service.running.ended.values()
        last_s = trial.ended_s
    computer.pass_s(LONGEST_S - HOUR_S)
    async with attended(folder, bench, computer) as service:
        await service.desk.take_up()
        assert is_in_hand(service, computer, at_s=LONGEST_S - 60.0, since_s=last_s)
        assert not is_in_hand(service, computer, at_s=LONGEST_S, since_s=last_s)
        assert service.told("session")[-1] == PUT_AWAY


async def test_the_hours_are_those_of_life_also_where_the_bench_goes_faster(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer, speed=2.0) as service:
        await service.ask(START)
        since_s = service.clock.bench_s()
        # At twice the speed of life a reading a second comes every two seconds of the bench.
        await service.measure()
        worked_s = service.clock.bench_s() - since_s
        computer.pass_s(LONGEST_S - worked_s)
        service.desk.tick(service.clock.bench_s())
        assert service.desk.running is not None
        computer.pass_s(worked_s)
        service.desk.tick(service.clock.bench_s())
        assert service.desk.running is None
