"""A store that its own process also reads, and that other programs open and close: nothing that was written goes away."""

import asyncio
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from daq.runtime.past import sessions_json
from daq.runtime.store import read_sessions, read_trials
from tests.runtime.stored_bench import FACTS, add_clock, begin_session, opened

# What "any SQL tool" does; the last one out takes the log away.
PASSING_BY = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1])
connection.execute("SELECT count(*) FROM sessions").fetchone()
connection.close()
"""


@pytest.mark.slow
@pytest.mark.parametrize("read", [read_sessions, read_trials, sessions_json])
async def test_another_program_that_passes_by_takes_nothing_away(
    path: Path, read: Callable[[Path], object]
) -> None:
    async with opened(path) as store:
        await add_clock(store)
        await begin_session(store)
        log = path.with_name(f"{path.name}-wal")
        before = log.stat().st_ino
        read(path)
        passing = await asyncio.create_subprocess_exec(
            sys.executable, "-c", PASSING_BY, str(path)
        )
        assert await passing.wait() == 0
        assert log.stat().st_ino == before
        await store.touch_session(1, "2026-01-06T08:00:00.000Z")
        # As it is on the disk, were the program killed now: another one reads it.
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as other:
            found = other.execute("SELECT uuid, worked_on_utc FROM sessions")
            assert found.fetchall() == [(FACTS.session_id, "2026-01-06T08:00:00.000Z")]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"
