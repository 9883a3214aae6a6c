"""A rehearsed session that is recorded in a file, begun and gone on with as by the daemon."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.errors import DaqError
from daq.messages import Topics
from daq.operations import SameAsBefore
from daq.runtime.beginning import Beginning, begin_or_resume
from daq.runtime.clock import Clock
from daq.runtime.recorder import Recorder
from daq.runtime.store import Store
from daq.trials.session import Session
from tests.runtime.conftest import Computer, Rehearsal

TOPICS = Topics(bench="leads")


@dataclass
class Recording:
    """A session that is recorded."""

    start: Beginning
    recorder: Recorder
    rehearsal: Rehearsal
    stored_results: list[None]

    @property
    def session(self) -> Session:
        return self.rehearsal.session

    @property
    def clock(self) -> Clock:
        return self.rehearsal.clock


@asynccontextmanager
async def recording(
    path: Path,
    bench: Bench,
    plan: Plan,
    computer: Computer,
    *,
    new: bool = False,
    speed: float = 1.0,
    same: SameAsBefore | None = None,
) -> AsyncIterator[tuple[Recording, Store]]:
    """Begin or go on, as the daemon does; at the end the program is gone, without a word."""
    troubles: list[str | None] = []
    store = Store.open(
        path,
        instruments=bench.channels_by_instrument(),
        on_trouble=troubles.append,
        loop=asyncio.get_running_loop(),
    )
    clock = computer.clock(speed=speed)
    offset = clock.offset
    clock_id = await store.add_clock(
        offset.boot_id,
        monotonic_s=offset.monotonic_s,
        utc_us=offset.utc_us,
        speed=offset.speed,
    )
    try:
        start = await begin_or_resume(
            store, bench, plan, clock, new_session=new, same=same
        )
    except DaqError:
        await store.close()
        raise
    stored_results: list[None] = []
    recorder = Recorder(
        store,
        clock=clock,
        clock_id=clock_id,
        topics=TOPICS,
        on_result_stored=lambda: stored_results.append(None),
    )
    recorder.open(start.facts, plan.rules)
    rehearsal = Rehearsal(
        bench, plan, computer, clock=clock, recorder=recorder, start=start
    )
    session = Recording(start, recorder, rehearsal, stored_results)
    async with asyncio.TaskGroup() as tasks:
        writing = tasks.create_task(recorder.run())
        try:
            yield session, store
            await recorder.wait_written()
        finally:
            writing.cancel()
    await store.close()
    assert troubles == []


def rows(path: Path, statement: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(statement).fetchall()
