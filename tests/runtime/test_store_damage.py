"""A results file that is damaged: refused at the start and left as it is, and waited out with all readings while running."""

import asyncio
import shutil
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path

import pytest

from daq.errors import StoreDamagedError, StoreFailingError
from daq.records import Reading
from daq.runtime.store import Store, opening, read_readings, read_sessions, read_trials
from daq.runtime.store.opening import altering_store
from tests.runtime.damaged_stores import (
    BENCH,
    PAGE_BYTES,
    overwrite,
    pages_of,
    spoil_page,
)
from tests.runtime.stored_bench import add_clock, opened


def content(path: Path) -> dict[str, bytes]:
    """What lies in the folder."""
    return {file.name: file.read_bytes() for file in path.parent.iterdir()}


def spoil_readings(path: Path) -> None:
    spoil_page(path, pages_of(path, "readings_meter")[1])


def spoil_head(path: Path) -> None:
    overwrite(path, 0, b"\x5a" * 16)


def spoil_list_of_tables(path: Path) -> None:
    overwrite(path, 100, b"\x5a" * 40)


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: -3 * PAGE_BYTES])


@pytest.mark.parametrize(
    "spoil", [spoil_readings, spoil_head, spoil_list_of_tables, cut_short]
)
async def test_a_damaged_file_is_refused_with_the_remedy_and_not_touched(
    path: Path, spoil: Callable[[Path], None]
) -> None:
    spoil(path)
    before = content(path)
    with pytest.raises(
        StoreDamagedError, match=r"`daq salvage .*bench\.db` writes what can"
    ):
        async with opened(path, BENCH):
            pass
    assert content(path) == before


def test_reading_a_damaged_file_names_the_remedy(path: Path) -> None:
    spoil_readings(path)
    with pytest.raises(StoreDamagedError, match="daq salvage"):
        _ = [list(readings.rows) for readings in read_readings(path)]


def test_a_damaged_file_is_not_read_even_where_the_damage_is_not_met(
    path: Path,
) -> None:
    assert read_trials(path)
    spoil_readings(path)
    with pytest.raises(StoreDamagedError, match="daq salvage"):
        read_trials(path)


@pytest.mark.parametrize(
    ("spoilt", "is_read"), [("readings_meter", True), ("averages", False)]
)
def test_of_a_long_file_only_what_is_small_is_looked_through_before_it_is_read(
    path: Path, monkeypatch: pytest.MonkeyPatch, spoilt: str, *, is_read: bool
) -> None:
    monkeypatch.setattr(opening, "LOOKED_THROUGH_READING_BYTES", 0)
    spoil_page(path, pages_of(path, spoilt)[0])
    reading = nullcontext() if is_read else pytest.raises(StoreDamagedError)
    with reading:
        assert read_sessions(path)


async def test_the_program_that_writes_a_file_reads_on_where_it_is_damaged(
    path: Path,
) -> None:
    store = Store.open(
        path,
        instruments=BENCH,
        on_trouble=lambda _: None,
        loop=asyncio.get_running_loop(),
    )
    spoil_readings(path)
    assert read_trials(path)
    await store.close()
    with pytest.raises(StoreDamagedError):
        read_trials(path)


async def test_a_log_that_has_lost_what_was_committed_is_refused(path: Path) -> None:
    log = path.with_name("bench.db-wal")
    async with opened(path, BENCH) as store:
        for number in range(4):
            await store.touch_session(1, f"2026-01-06T08:00:0{number}.000Z")
        shutil.copyfile(log, log.with_suffix(".kept"))
    log.with_suffix(".kept").rename(log)
    overwrite(log, 32 + 24 + 100, b"spoilt")
    before = log.read_bytes()
    with pytest.raises(StoreDamagedError, match="its log has lost what was committed"):
        async with opened(path, BENCH):
            pass
    assert log.read_bytes() == before


@pytest.mark.parametrize("spoil", [spoil_head, spoil_readings])
def test_a_damaged_file_is_not_altered_by_commands_either(
    path: Path, spoil: Callable[[Path], None]
) -> None:
    spoil(path)
    before = content(path)
    with pytest.raises(StoreDamagedError, match="daq salvage"), altering_store(path):
        pass
    assert content(path) == before


def add(store: Store, number: int) -> None:
    reading = Reading("meter", 10_000.0 + number, (229.0, 1383.0))
    store.add_reading(reading, clock_id=1, trial_id=None)


@pytest.mark.slow
async def test_damage_while_running_is_told_once_keeps_all_readings_and_touches_nothing_more(
    path: Path,
) -> None:
    told: list[str | None] = []
    is_told = asyncio.Event()

    def tell(text: str | None) -> None:
        told.append(text)
        is_told.set()

    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=BENCH, on_trouble=tell, loop=loop)
    clock = await add_clock(store)
    for page in (*pages_of(path, "readings_meter"), *pages_of(path, "readings_gauge")):
        spoil_page(path, page)
    overwrite(path, 100, b"\x5a" * 400)
    for number in range(10):
        add(store, number)
    async with asyncio.timeout(20):
        await is_told.wait()
    before = content(path)
    asked = loop.create_task(store.touch_session(clock, "2026-01-06T08:00:00.000Z"))
    for number in range(10, 15):
        add(store, number)
    with pytest.raises(
        StoreFailingError, match=r"damaged.*: 15 readings, gaps and events"
    ):
        await store.close()
    with pytest.raises(StoreFailingError, match="damaged"):
        await asked
    assert len(told) == 1
    assert "it is damaged" in str(told[0])
    assert "daq salvage" in str(told[0])
    after = content(path)
    for name in ("bench.db", "bench.db-wal"):
        assert after[name] == before[name]


async def test_damage_that_was_not_met_while_running_is_told_at_the_end(
    path: Path,
) -> None:
    store = Store.open(
        path,
        instruments=BENCH,
        on_trouble=lambda _: None,
        loop=asyncio.get_running_loop(),
    )
    clock = await add_clock(store)
    spoil_page(path, pages_of(path, "readings_meter")[0])
    store.add_reading(
        Reading("meter", 1.0, (229.0, 1383.0)), clock_id=clock, trial_id=None
    )
    await store.flush()
    assert store.failing is None
    with pytest.raises(StoreDamagedError, match="daq salvage"):
        await store.close()
    assert store.buffered == 0
