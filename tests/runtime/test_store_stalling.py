"""A write that never ends reports no error: it is told all the same, and an end is not waited for for ever.

The disk hangs here by a text that gives itself away to SQLite only when a gate is opened: to the writer's thread that is
a write that does not come back.
"""

import asyncio
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daq.errors import StoreFailingError
from daq.records import Reading
from daq.runtime.store import Store
from daq.runtime.store.stalling import END_S, STALLED_S, Stalling
from tests.runtime.stored_bench import METER, add_clock, ask


class Gate:
    """Texts that cannot be written until the gate is opened."""

    def __init__(self) -> None:
        self.is_open = threading.Event()

    def text(self) -> str:
        gate = self.is_open

        class Held(str):
            __slots__ = ()

            def __conform__(self, _protocol: object) -> str:
                gate.wait()
                return str(self)

        return Held("held")


@pytest.fixture
def gate() -> Iterator[Gate]:
    gate = Gate()
    yield gate
    gate.is_open.set()


def opened(path: Path, told: list[str | None]) -> Store:
    loop = asyncio.get_running_loop()
    return Store.open(path, instruments=METER, on_trouble=told.append, loop=loop)


def hold(store: Store, gate: Gate, clock: int) -> None:
    store.add_event("test", gate.text(), at_s=0.0, clock_id=clock, session_id=None)


def add(store: Store, clock: int, number: int) -> None:
    reading = Reading("meter", float(number), (229.0, None, 1383.0))
    store.add_reading(reading, clock_id=clock, trial_id=None)


async def wait_until(condition: Callable[[], object], *, within_s: float = 30) -> None:
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110 - a thread that hangs tells nothing
            await asyncio.sleep(0.01)


@pytest.mark.slow
async def test_a_write_that_hangs_is_told_and_mended_when_it_comes_back(
    tmp_path: Path, gate: Gate
) -> None:
    path, told = tmp_path / "bench.db", list[str | None]()
    store = opened(path, told)
    clock = await add_clock(store)
    hold(store, gate, clock)
    begun_s = time.monotonic()
    await wait_until(lambda: told)
    assert time.monotonic() - begun_s >= STALLED_S
    assert "nothing could be written for 5 s" in str(told[0])
    assert store.failing == told[0]
    add(store, clock, 1)
    gate.is_open.set()
    await wait_until(lambda: told[-1] is None)
    await store.close()
    assert len(told) == 2
    assert ask(path, "SELECT count(*) FROM readings_meter") == [(1,)]


@pytest.mark.slow
async def test_an_end_gives_up_on_a_write_that_hangs_and_counts_what_is_not_written(
    tmp_path: Path, gate: Gate
) -> None:
    path, told = tmp_path / "bench.db", list[str | None]()
    store = opened(path, told)
    clock = await add_clock(store)
    hold(store, gate, clock)
    for number in range(3):
        add(store, clock, number)
    asked = asyncio.get_running_loop().create_task(store.flush())
    await asyncio.sleep(0)
    begun_s = time.monotonic()
    with pytest.raises(
        StoreFailingError,
        match=r"does not answer: 4 readings, gaps and events are not written",
    ):
        await store.close()
    assert END_S <= time.monotonic() - begun_s < END_S + 5.0
    # Nobody is left waiting for the thread.
    with pytest.raises(StoreFailingError, match="does not answer"):
        await asked
    with pytest.raises(StoreFailingError, match="does not answer"):
        await store.flush()


def looked_at(stalling: Stalling, times_s: list[float], *, signs: int) -> bool:
    for now_s in times_s:
        stalling.look(now_s, is_waiting=True, signs=signs)
    return stalling.is_stalled


def test_five_seconds_without_a_sign_while_something_waits_are_trouble() -> None:
    seconds = [n / 4 for n in range(1, 20)]
    stalling = Stalling(0.0)
    assert not looked_at(stalling, seconds, signs=0)
    assert looked_at(stalling, [5.0], signs=0)
    assert not looked_at(stalling, [5.25], signs=1)


def test_a_writer_that_has_nothing_to_write_gives_no_sign_and_is_no_trouble() -> None:
    stalling = Stalling(0.0)
    for quarter in range(100):
        stalling.look(quarter / 4, is_waiting=False, signs=0)
    assert not looked_at(stalling, [25.0, 25.25], signs=0)


def test_a_program_that_stood_still_itself_does_not_blame_the_disk() -> None:
    stalling = Stalling(0.0)
    assert not looked_at(stalling, [0.25, 3600.0, 3600.25], signs=0)


@pytest.mark.slow
async def test_a_reading_waits_for_its_commit_for_a_second_at_most(
    tmp_path: Path,
) -> None:
    store = opened(tmp_path / "bench.db", [])
    clock = await add_clock(store)
    waited_s = []
    for number in range(4):
        added_s = time.monotonic()
        add(store, clock, number)
        await wait_until(lambda: not store.buffered)
        assert store.last_commit_real_s is not None
        waited_s.append(store.last_commit_real_s - added_s)
    await store.close()
    # The longest wait that is planned, not what a busy computer makes of it.
    assert min(waited_s) <= 1.0
