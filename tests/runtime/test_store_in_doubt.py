"""A disk that fails after it was given a transaction: what is in the file is not written again, and is not called lost."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing
from pathlib import Path
from typing import Any

import pytest

from daq.errors import StoreFailingError
from daq.records import Gap, GapReason, Reading
from daq.runtime.store import Store
from tests.runtime.stored_bench import METER, add_clock, ask, begin_session

FAILURES = 3


class Disk:
    """Whether COMMITs fail, before or after what they do, and how often they did."""

    def __init__(self) -> None:
        self.failures_left = 0
        self.failed = 0
        self.keeps = True
        self.code: int | None = sqlite3.SQLITE_IOERR_FSYNC

    def connected(self, path: Path) -> sqlite3.Connection:
        connection = sqlite3.connect(path, factory=Failing, isolation_level=None)
        connection.execute("PRAGMA journal_mode = wal")
        connection.execute("PRAGMA foreign_keys = on")
        assert isinstance(connection, Failing)
        connection.disk = self
        return connection


class Failing(sqlite3.Connection):
    disk: Disk

    def execute(self, sql: str, values: Any = (), /) -> sqlite3.Cursor:
        disk = self.disk if sql == "COMMIT" else None
        if disk is None or not disk.failures_left or not self.changed():
            return super().execute(sql, values)
        disk.failures_left -= 1
        disk.failed += 1
        super().execute("COMMIT" if disk.keeps else "ROLLBACK")
        failure = sqlite3.OperationalError("disk I/O error")
        if disk.code is not None:
            failure.sqlite_errorcode = disk.code
        raise failure

    def changed(self) -> bool:
        """A COMMIT of nothing asks nothing of the disk."""
        return self.total_changes > 0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    disk = Disk()
    monkeypatch.setattr("daq.runtime.store.writer.connect_writer", disk.connected)
    monkeypatch.setattr("daq.runtime.store.writer.RETRY_S", 0.02)
    return disk


@asynccontextmanager
async def trouble(
    path: Path, disk: Disk, *, keeps: bool
) -> AsyncIterator[tuple[Store, int]]:
    """A store whose next COMMITs fail; at the end the trouble was told, and is over, and nothing is lost."""
    told: list[str | None] = []
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=METER, on_trouble=told.append, loop=loop)
    clock = await add_clock(store)
    disk.keeps, disk.failures_left = keeps, FAILURES
    yield store, clock
    await wait_until(lambda: not store.buffered and told and told[-1] is None)
    assert disk.failed
    assert "disk I/O error" in str(told[0])
    assert [text for text in told if "rows are lost" in str(text)] == []
    assert store.dropped == 0
    await store.close()


async def wait_until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(20):
        while not condition():  # noqa: ASYNC110 - some are told by the file alone
            await asyncio.sleep(0.01)


def add(store: Store, clock: int, number: int, *, flags: int = 0) -> None:
    reading = Reading("meter", float(number), (229.0, 0.0, 1383.0), flags)
    store.add_reading(reading, clock_id=clock, trial_id=None)


@pytest.mark.parametrize("keeps", [True, False])
async def test_each_row_is_written_once_whether_the_disk_kept_it_or_not(
    path: Path, disk: Disk, *, keeps: bool
) -> None:
    async with trouble(path, disk, keeps=keeps) as (store, clock):
        for number in range(20):
            add(store, clock, number)
            store.add_event(
                "note", str(number), at_s=0.0, clock_id=clock, session_id=None
            )
        gap = Gap("meter", 3.0, GapReason.NO_REPLY)
        store.add_gap(gap, clock_id=clock, trial_id=None)
        await wait_until(lambda: disk.failed)
        add(store, clock, 20)
    numbers = [(float(number),) for number in range(21)]
    assert ask(path, "SELECT at_s FROM readings_meter ORDER BY seq") == numbers
    texts = [(str(number),) for number in range(20)]
    assert ask(path, "SELECT text FROM events ORDER BY id") == texts
    assert ask(path, "SELECT count(*) FROM gaps") == [(1,)]


@pytest.mark.parametrize("keeps", [True, False])
async def test_events_and_operations_alone_are_written_once_also_where_they_are_alike(
    path: Path, disk: Disk, *, keeps: bool
) -> None:
    async with trouble(path, disk, keeps=keeps) as (store, clock):
        for _ in range(2):
            store.add_event("note", "alike", at_s=0.0, clock_id=clock, session_id=None)
            store.add_operation(
                "note", at_s=0.0, clock_id=clock, session_id=None, way="page", detail={}
            )
        await wait_until(lambda: disk.failed)
        store.add_event("note", "alike", at_s=0.0, clock_id=clock, session_id=None)
    assert ask(path, "SELECT count(*) FROM events") == [(3,)]
    assert ask(path, "SELECT count(*) FROM operations") == [(2,)]


@pytest.mark.parametrize("keeps", [True, False])
@pytest.mark.parametrize("code", [sqlite3.SQLITE_IOERR_FSYNC, None])
async def test_what_was_asked_for_is_done_once_and_answered(
    path: Path, disk: Disk, code: int | None, *, keeps: bool
) -> None:
    disk.code = code
    async with trouble(path, disk, keeps=keeps) as (store, clock):
        assert await add_clock(store) == clock + 1
        disk.failures_left = FAILURES
        session = await begin_session(store)
        disk.failures_left = FAILURES
        await store.end_session(session, state="finished", ended_utc="2026-01-05")
        disk.failures_left = FAILURES
        # Of a finished session only: to do it a second time would be refused.
        await store.reopen_session(session)
    assert ask(path, "SELECT count(*) FROM clocks") == [(2,)]
    assert ask(path, "SELECT id, state FROM sessions") == [(session, "open")]


@pytest.mark.parametrize("keeps", [True, False])
async def test_a_row_that_is_not_taken_is_counted_once_and_the_others_are_not(
    path: Path, disk: Disk, *, keeps: bool
) -> None:
    told: list[str | None] = []
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=METER, on_trouble=told.append, loop=loop)
    clock = await add_clock(store)
    disk.keeps, disk.failures_left = keeps, FAILURES
    for number in range(5):
        add(store, clock, number, flags=1 << 63 if number == 2 else 0)
    await store.flush()
    assert disk.failed
    assert store.dropped == 1
    with pytest.raises(StoreFailingError, match="1 readings, gaps and events are lost"):
        await store.close()
    stored = [(0.0,), (1.0,), (3.0,), (4.0,)]
    assert ask(path, "SELECT at_s FROM readings_meter ORDER BY seq") == stored


async def test_where_the_end_comes_first_it_is_told_that_the_file_may_hold_some(
    path: Path, disk: Disk
) -> None:
    loop = asyncio.get_running_loop()
    told: list[str | None] = []
    store = Store.open(path, instruments=METER, on_trouble=told.append, loop=loop)
    clock = await add_clock(store)
    disk.failures_left = 1
    add(store, clock, 1)
    await wait_until(lambda: disk.failed)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(
            StoreFailingError, match=r"1 readings.* are lost, except for those that"
        ):
            await store.close()
    assert ask(path, "SELECT at_s FROM readings_meter") == [(1.0,)]
