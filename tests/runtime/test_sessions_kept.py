"""What a session leaves in the store, and what it leaves on the desk: its span of readings, and itself when another is refused."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, closing, contextmanager
from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.errors import OperationRefusedError, Refusal
from daq.operations import Note, Repeat, Start, Stop
from daq.runtime.store import Store
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended, journal, refused
from tests.runtime.conftest import PLAN, Computer
from tests.runtime.waiting import until

START = Start("leads")
START_HOSES = Start("hoses")
HOSES = PLAN.replace('name = "leads"', 'name = "hoses"')


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


@asynccontextmanager
async def troubled(
    folder: Path, bench: Bench, computer: Computer
) -> AsyncIterator[tuple[AttendedBench, list[str | None]]]:
    """Attend to a bench, with what was told of the store."""
    troubles: list[str | None] = []
    store = Store.open(
        folder / "bench.db",
        instruments=bench.channels_by_instrument(),
        on_trouble=troubles.append,
        loop=asyncio.get_running_loop(),
    )
    clock = computer.clock()
    offset = clock.offset
    clock_id = await store.add_clock(
        offset.boot_id,
        monotonic_s=offset.monotonic_s,
        utc_us=offset.utc_us,
        speed=offset.speed,
    )
    service = AttendedBench(
        folder, bench, computer, store, clock=clock, clock_id=clock_id
    )
    async with asyncio.TaskGroup() as tasks:
        writing = tasks.create_task(service.recorder.run())
        try:
            yield service, troubles
        finally:
            writing.cancel()
            await store.close()


# ---- the span of a session

OF_A_SESSION = "EXISTS (SELECT 1 FROM spans WHERE seq BETWEEN first_seq AND coalesce(last_seq, seq))"


def marked(service: AttendedBench, *, is_of_session: bool) -> list[object]:
    """Readings below 100 W, with which the tests mark moments, oldest first [W]."""
    found = service.rows(
        f"SELECT power_w, {OF_A_SESSION} FROM readings_meter"  # noqa: S608 - constant
        " WHERE power_w BETWEEN 1 AND 100 ORDER BY seq"
    )
    return [watts for watts, inside in found if bool(inside) is is_of_session]


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Another program has locked the file: the writer waits, and on a busy computer may call that trouble."""
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("COMMIT")


async def turns() -> None:
    """Let every task take up what it can."""
    for _ in range(20):
        await asyncio.sleep(0)


async def test_what_is_read_before_the_beginning_is_written_belongs_to_the_session(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with troubled(folder, bench, computer) as (service, _):
        service.read(0.0, 1.0)
        await service.operating.operate(START, way="page")
        with held(service.path):
            service.read(0.0, 2.0)
            await turns()
            service.read(0.0, 3.0)
        await service.written()
        assert marked(service, is_of_session=True) == [2.0, 3.0]
        assert marked(service, is_of_session=False) == [1.0]


async def test_what_is_read_before_the_end_is_written_belongs_to_no_session(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with troubled(folder, bench, computer) as (service, _):
        await service.ask(START)
        service.read(0.0, 2.0)
        with held(service.path):
            await service.operating.operate(Stop(), way="page")
            service.read(0.0, 3.0)
            await turns()
            service.read(0.0, 4.0)
        await service.written()
        assert marked(service, is_of_session=True) == [2.0]
        assert marked(service, is_of_session=False) == [3.0, 4.0]


async def finish_session(service: AttendedBench) -> None:
    """Both lines are measured; the last reading of all told that the machine is off."""
    await service.ask(START)
    await service.measure()
    service.run_until(Stage.DONE)
    while service.session.stage is not Stage.FINISHED:
        service.read(0.0, 0.0)


async def test_a_span_ends_when_its_session_is_finished_and_opens_when_it_is_asked_for_more(
    service: AttendedBench,
) -> None:
    await finish_session(service)
    service.read(0.0, 2.0)
    service.stand_still()
    await service.ask(Repeat(1))
    service.read(0.0, 3.0)
    await service.measure()
    assert service.session.stage is Stage.FINISHED
    service.read(0.0, 4.0)
    await service.written()
    assert marked(service, is_of_session=True) == [3.0]
    assert marked(service, is_of_session=False) == [2.0, 4.0]
    assert service.rows("SELECT session_id, last_seq IS NULL FROM spans") == [
        *((1, 0), (1, 0))
    ]


async def test_after_a_finished_session_readings_are_thinned_and_before_its_end_not(
    service: AttendedBench, computer: Computer
) -> None:
    await service.ask(START)
    for number in range(60):
        service.read(0.0, 1.0 + number / 100.0)
    await service.ask(Stop())
    await finish_session(service)
    for number in range(60):
        service.read(0.0, 2.0 + number / 100.0)
    # What is thinned has to be older than the newest reading.
    computer.pass_s(3600.0)
    service.read(0.0, 99.0)
    await service.written()
    before = len(service.rows("SELECT seq FROM readings_meter"))
    gone = await service.store.thin(older_than_s=600.0, every_s=20.0)
    left = marked(service, is_of_session=False)
    # Of the sixty seconds one reading of each stretch of twenty is left, and a stretch may be cut at either end.
    assert 3 <= len(left) - 1 <= 4
    # The reading that told of the last switch-off came after the end too, and may be the first of its stretch.
    assert gone - (60 - (len(left) - 1)) in {0, 1}
    assert len(service.rows("SELECT seq FROM readings_meter")) == before - gone
    assert marked(service, is_of_session=True) == [
        pytest.approx(1.0 + number / 100.0) for number in range(60)
    ]


# ---- a store that fails


@pytest.mark.slow
async def test_a_start_while_the_store_fails_is_refused_and_nothing_begins_later(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with troubled(folder, bench, computer) as (service, troubles):
        (folder / "bench.db").rename(folder / "elsewhere.db")
        service.read(0.0, 1.0)
        await until(lambda: bool(troubles))
        words = "cannot be written, so nothing can be begun: .*no such file"
        for _ in range(2):
            with pytest.raises(OperationRefusedError, match=words) as caught:
                await service.operating.operate(START, way="page")
            assert caught.value.code is Refusal.STORE_FAILING
        # What needs no store is answered meanwhile, and kept once it can be.
        note = Note("the results file was moved")
        assert await service.operating.operate(note, way="page") == "Noted."
        (folder / "elsewhere.db").rename(folder / "bench.db")
        await until(lambda: troubles[-1] is None)
        await service.written()
        assert service.desk.running is None
        assert service.rows("SELECT * FROM sessions") == []
        assert [kind for kind, *_ in journal(service)] == ["note"]
        assert (await service.ask(START)).startswith("Session 1 begins")


@pytest.mark.slow
async def test_a_session_in_hand_is_operated_while_the_store_fails(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with troubled(folder, bench, computer) as (service, troubles):
        await service.ask(START)
        (folder / "bench.db").rename(folder / "elsewhere.db")
        service.read(0.0, 1.0)
        await until(lambda: bool(troubles))
        answer = await service.operating.operate(Repeat(1), way="page")
        assert answer.endswith("all trials of this condition count.")
        assert service.board.snapshot().slip[0].position == 3
        await service.operating.operate(Stop(), way="page")
        with pytest.raises(OperationRefusedError) as caught:
            await service.operating.operate(START, way="page")
        assert caught.value.code is Refusal.STORE_FAILING
        (folder / "elsewhere.db").rename(folder / "bench.db")
        await until(lambda: troubles[-1] is None)
        await service.written()
        assert [kind for kind, *_ in journal(service)] == ["start", "repeat", "stop"]
        answer = await service.ask(START)
        assert answer.startswith("Session 1 goes on: 0 of 3 trials are done.")


# ---- a start that is refused


@pytest.fixture
async def finished(service: AttendedBench, folder: Path) -> AttendedBench:
    """Session 1 of another plan was stopped after a trial; session 2 is finished and in hand still."""
    (folder / "hoses.toml").write_text(HOSES, encoding="utf-8")
    await service.ask(START_HOSES)
    await service.measure()
    await service.ask(Stop())
    await finish_session(service)
    service.stand_still()
    await service.written()
    return service


async def stays_in_hand(service: AttendedBench) -> None:
    """The finished session is as it was: shown, noted in, and open to more."""
    assert service.running.facts.number == 2
    snapshot = service.board.snapshot()
    assert snapshot.stage.name == "finished"
    assert [line.state for line in snapshot.slip] == ["done", "done"]
    await service.ask(Note("all as it was"))
    assert service.rows("SELECT session_id FROM events WHERE kind = 'note'") == [(2,)]
    await service.ask(Repeat(2))
    await service.measure()
    assert service.rows(
        "SELECT count(*) FROM trials WHERE session_id = 2 AND state = 'finished'"
    ) == [(3,)]


async def test_a_start_refused_because_its_plan_has_changed_leaves_the_finished_session(
    finished: AttendedBench, folder: Path
) -> None:
    text = HOSES.replace("least_s = 30", "least_s = 40")
    (folder / "hoses.toml").write_text(text, encoding="utf-8")
    await refused(finished, START_HOSES, Refusal.CHANGED, "the plan, or a channel")
    await stays_in_hand(finished)


async def test_a_start_refused_on_another_day_leaves_the_finished_session(
    finished: AttendedBench, computer: Computer
) -> None:
    computer.pass_s(9 * 3600.0)
    await refused(finished, START_HOSES, Refusal.ANOTHER_DAY, "another day")
    await stays_in_hand(finished)


async def test_a_start_of_an_unknown_plan_leaves_the_finished_session(
    finished: AttendedBench,
) -> None:
    words = "no plan 'pipes' beside the bench file"
    await refused(finished, Start("pipes"), Refusal.UNKNOWN_PLAN, words)
    await stays_in_hand(finished)
