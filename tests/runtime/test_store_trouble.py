"""Trouble with the disk and the process: nothing is lost and nothing is silent.

Disk full is brought about by a limit on the size of files (setrlimit), which works for
every user; it holds for a whole process, hence the children.
"""

import asyncio
import json
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from daq.errors import StoreFailingError
from daq.records import Accuracy, Channel, Reading
from daq.runtime.store import BUFFER_ROWS, Store
from daq.runtime.store.buffer import Row, RowBuffer
from tests.runtime.stored_bench import begin_session, begin_trial

POWER = Channel("power", "Power", "power", "W", "duct", "meter", 0, Accuracy(), 1.0)
PRELUDE = """
import asyncio, json, resource, sys, time
from pathlib import Path
from daq.records import Accuracy, Channel, Reading
from daq.runtime.store import Store
POWER = Channel("power", "Power", "power", "W", "duct", "meter", 0, Accuracy(), 1.0)
PATH = Path(sys.argv[-1])
def add(store, number):
    store.add_reading(Reading("meter", float(number), (1.5,)), clock_id=1, trial_id=None)
"""
DISK_FULL = """
async def main():
    told = []
    loop = asyncio.get_running_loop()
    store = Store.open(
        PATH, instruments={"meter": (POWER,)}, on_trouble=told.append, loop=loop
    )
    await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    wal = PATH.with_name(PATH.name + "-wal").stat().st_size
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (wal + 50_000, hard))
    for number in range(10_000):
        add(store, number)
    waiting = loop.create_task(
        store.add_clock("boot", monotonic_s=1.0, utc_us=1, speed=1.0)
    )
    async with asyncio.timeout(20):
        while not told:
            await asyncio.sleep(0.01)
    failing = store.failing
    for number in range(10_000, 10_100):
        add(store, number)
    full = {"told": told[0], "failing": failing, "waiting": not waiting.done()}
    full["buffered"] = store.buffered
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    async with asyncio.timeout(20):
        await waiting
        while store.buffered or told[-1] is not None:
            await asyncio.sleep(0.01)
    await store.close()
    print(json.dumps({**full, "told_last": told[-1], "failing_last": store.failing}))
asyncio.run(main())
"""
WRITE_FOR_EVER = """
async def main():
    loop = asyncio.get_running_loop()
    store = Store.open(
        PATH, instruments={"meter": (POWER,)}, on_trouble=print, loop=loop
    )
    await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    number = 0
    while True:
        add(store, number)
        print(number, time.monotonic(), flush=True)
        number += 1
        await asyncio.sleep(0.005)
asyncio.run(main())
"""
READ_ONLY = """
import os, tempfile
from daq.errors import StoreError
from daq.runtime.store import read_readings, read_sessions
def opened(told):
    loop = asyncio.get_running_loop()
    return Store.open(
        PATH, instruments={"meter": (POWER,)}, on_trouble=told.append, loop=loop
    )
async def main():
    seen = {}
    store = opened([])
    await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    await store.close()
    if os.geteuid() == 0:  # nothing is read-only to the superuser
        for place in (PATH, PATH.parent):
            os.chown(place, 65534, 65534)
        os.setuid(65534)
    PATH.chmod(0o444)
    try:
        await opened([]).close()
    except StoreError as exc:
        seen["opening"] = str(exc)
    seen["sessions"] = read_sessions(PATH)
    seen["files"] = [file.name for file in PATH.parent.iterdir()]
    PATH.chmod(0o644)
    told = []
    store = opened(told)
    try:
        await store.end_session(1, state="finished", ended_utc="")
    except StoreError:
        pass  # and the connection is made anew with the next row
    PATH.chmod(0o444)
    add(store, 1)
    async with asyncio.timeout(20):
        while not told:
            await asyncio.sleep(0.01)
        seen["told"] = told[0]
        PATH.chmod(0o644)
        while told[-1] is not None:
            await asyncio.sleep(0.01)
    await store.close()
    (stored,) = [list(readings.rows) for readings in read_readings(PATH)]
    seen["stored"] = [row[1] for row in stored]
    print(json.dumps(seen))
with tempfile.TemporaryDirectory() as directory:
    PATH = Path(directory) / "bench.db"
    asyncio.run(main())
"""


def child(script: str, *arguments: Path) -> list[str]:
    return [sys.executable, "-c", PRELUDE + script, *map(str, arguments)]


def ask(path: Path, statement: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(statement).fetchall()


def times(path: Path) -> list[object]:
    return [
        at_s for (at_s,) in ask(path, "SELECT at_s FROM readings_meter ORDER BY seq")
    ]


def add(store: Store, number: int, *, clock_id: int = 1) -> None:
    reading = Reading("meter", float(number), (1.5,))
    store.add_reading(reading, clock_id=clock_id, trial_id=None)


async def opened(path: Path, told: list[str | None]) -> Store:
    loop = asyncio.get_running_loop()
    store = Store.open(
        path, instruments={"meter": (POWER,)}, on_trouble=told.append, loop=loop
    )
    await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    return store


async def wait_until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(20):
        while not condition():  # noqa: ASYNC110 - some are told by the file alone
            await asyncio.sleep(0.01)


@pytest.mark.slow
def test_a_full_disk_is_told_and_loses_nothing(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    ended = subprocess.run(
        child(DISK_FULL, path), capture_output=True, text=True, timeout=60, check=False
    )
    assert ended.stderr == ""
    seen = json.loads(ended.stdout)
    assert seen["told"] == seen["failing"]
    assert seen["told"].startswith(f"{path}: the disk ")
    assert seen["waiting"]
    assert seen["buffered"] > 100
    assert seen["told_last"] is None
    assert seen["failing_last"] is None
    assert times(path) == list(range(10_100))
    assert ask(path, "SELECT count(*) FROM clocks") == [(2,)]


@pytest.mark.slow
def test_a_read_only_file_is_refused_and_one_made_read_only_is_waited_out() -> None:
    ended = subprocess.run(
        child(READ_ONLY), capture_output=True, text=True, timeout=60, check=False
    )
    assert ended.stderr == ""
    seen = json.loads(ended.stdout)
    assert seen["opening"].endswith("bench.db: it is read-only: name another file")
    assert seen["sessions"] == []
    assert seen["files"] == ["bench.db"]
    assert seen["told"].endswith("bench.db: it is read-only")
    assert seen["stored"] == [1.0]


@pytest.mark.slow
def test_a_killed_program_leaves_a_sound_file_with_all_but_the_last_second(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    with subprocess.Popen(
        child(WRITE_FOR_EVER, path), stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline()]
        begun = float(lines[0].split()[1])
        while float(lines[-1].split()[1]) < begun + 2.5:
            lines.append(process.stdout.readline())
        killed = time.monotonic()
        process.send_signal(signal.SIGKILL)
    added = [line.split() for line in lines]
    old = [int(number) for number, at in added if float(at) < killed - 1.2]
    assert len(old) > 50
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]
    stored = times(path)
    assert stored[: len(old)] == old
    assert stored == list(range(len(stored)))


@pytest.mark.slow
async def test_a_lock_held_by_another_program_is_told_and_waited_out(
    tmp_path: Path,
) -> None:
    path, told = tmp_path / "bench.db", list[str | None]()
    store = await opened(path, told)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        for number in range(10):
            add(store, number)
        await wait_until(lambda: told)
        other.execute("COMMIT")
    assert told == [
        f"{path}: another program has locked it (database is locked)",
    ]
    await wait_until(lambda: told[-1] is None)
    assert store.failing is None
    await store.close()
    assert times(path) == list(range(10))


@pytest.mark.slow
async def test_beyond_its_limit_the_buffer_drops_the_oldest_and_counts_them(
    tmp_path: Path,
) -> None:
    path, told = tmp_path / "bench.db", list[str | None]()
    store = await opened(path, told)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        add(store, 0)
        await wait_until(lambda: store.failing)
        for number in range(1, BUFFER_ROWS + 50):
            add(store, number)
        await wait_until(lambda: store.dropped == 50)
        await wait_until(lambda: "are being lost" in str(told[-1]))
        assert store.buffered == BUFFER_ROWS
        other.execute("COMMIT")
    await wait_until(lambda: store.buffered == 0)
    with pytest.raises(
        StoreFailingError, match="50 readings, gaps and events are lost"
    ):
        await store.close()
    assert times(path) == list(range(50, BUFFER_ROWS + 50))


@pytest.mark.slow
async def test_rows_that_others_refer_to_are_never_dropped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.runtime.store.store.BUFFER_ROWS", 100)
    path, told = tmp_path / "bench.db", list[str | None]()
    store = await opened(path, told)
    session = await begin_session(store)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        clock = store.begin_clock("boot", monotonic_s=9.0, utc_us=9, speed=1.0)
        trial = await begin_trial(store, session, clock)
        store.add_operation(
            "note",
            at_s=0.0,
            clock_id=clock,
            session_id=session,
            way="terminal",
            detail={},
        )
        for number in range(1000):
            reading = Reading("meter", float(number), (1.5,))
            store.add_reading(reading, clock_id=clock, trial_id=trial)
        await wait_until(lambda: store.failing)
        # A row that comes back from a write that failed must be spared as well.
        for number in range(1000, 1100):
            reading = Reading("meter", float(number), (1.5,))
            store.add_reading(reading, clock_id=clock, trial_id=trial)
        other.execute("COMMIT")
    await wait_until(lambda: store.buffered == 0)
    assert store.dropped == 1003
    with pytest.raises(StoreFailingError, match="1003 readings, gaps and events are"):
        await store.close()
    assert times(path) == list(range(1003, 1100))
    assert ask(path, "SELECT id FROM clocks") == [(1,), (clock,)]
    assert ask(path, "SELECT id FROM trials") == [(trial,)]
    assert ask(path, "SELECT kind FROM operations") == [("note",)]


def test_a_buffer_drops_the_oldest_row_that_may_be_dropped() -> None:
    buffer = RowBuffer(3, kept=frozenset({"kept"}))
    rows: list[Row] = [("kept", (0,)), ("row", (1,)), ("kept", (2,)), ("row", (3,))]
    for row in rows:
        buffer.add(row)
    assert (buffer.dropped, len(buffer)) == (1, 3)
    taken = buffer.take(2)
    assert taken == [rows[0], rows[2]]
    buffer.add(("row", (4,)))
    buffer.add(("row", (5,)))
    buffer.put_back(taken)
    assert (buffer.dropped, len(buffer)) == (3, 3)
    assert buffer.take(9) == [rows[0], rows[2], ("row", (5,))]


@pytest.mark.slow
async def test_a_file_that_is_moved_away_is_told(tmp_path: Path) -> None:
    path, told = tmp_path / "bench.db", list[str | None]()
    store = await opened(path, told)
    path.rename(tmp_path / "elsewhere.db")
    add(store, 1)
    await wait_until(lambda: told)
    assert told == [f"{path}: no such file or directory"]
    assert not path.exists()
    (tmp_path / "elsewhere.db").rename(path)
    await store.close()
    assert times(path) == [1.0]


@pytest.mark.slow
async def test_a_file_that_is_replaced_is_told_and_not_written(tmp_path: Path) -> None:
    path, told = tmp_path / "bench.db", list[str | None]()
    store = await opened(path, told)
    path.rename(tmp_path / "elsewhere.db")
    path.write_text("mine")
    add(store, 1)
    await wait_until(lambda: told)
    assert told == [f"{path}: moved or replaced while in use"]
    with pytest.raises(StoreFailingError, match="replaced while in use: 1 readings"):
        await store.close()
    assert path.read_text() == "mine"


@pytest.mark.slow
async def test_closing_while_the_file_cannot_be_written_tells_how_much_is_lost(
    tmp_path: Path,
) -> None:
    path, told = tmp_path / "bench.db", list[str | None]()
    store = await opened(path, told)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        for number in range(3):
            add(store, number)
        asked = asyncio.get_running_loop().create_task(store.outbox_done(1))
        await asyncio.sleep(0)
        with pytest.raises(StoreFailingError, match=r"locked.*: 3 readings, gaps and"):
            await store.close()
        with pytest.raises(StoreFailingError, match="locked"):
            await asked


@pytest.mark.slow
def test_a_loop_that_is_gone_does_not_hold_the_thread(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"

    async def leave_open() -> Store:
        store = await opened(path, [])
        add(store, 1)
        return store

    store = asyncio.run(leave_open())
    deadline = time.monotonic() + 20
    pause = threading.Event()
    while store.buffered and time.monotonic() < deadline:
        pause.wait(0.01)
    assert times(path) == [1.0]
