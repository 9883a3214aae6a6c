"""A copy of a results file that is being written: of one moment, whole, and no burden to the writer."""

import asyncio
from pathlib import Path

import pytest

from daq.errors import InputError, StoreDamagedError, StoreError
from daq.records import Reading
from daq.runtime.store import Store
from daq.runtime.store.copying import copy_store
from tests.runtime.damaged_stores import (
    BENCH,
    all_rows,
    pages_of,
    spoil_page,
    write_store,
)
from tests.runtime.stored_bench import add_clock, ask, opened

RFC_TEXT = "1985-04-12T23:20:50.520Z"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def add(store: Store, number: int, clock: int) -> None:
    store.add_reading(
        Reading("meter", 100.0 + number, (229.0, 1383.0)), clock_id=clock, trial_id=None
    )


async def test_a_copy_says_what_it_holds_and_when_the_last_reading_came(
    path: Path,
) -> None:
    copy = path.with_name("copy.db")
    async with opened(path, BENCH) as store:
        clock = await add_clock(store)
        empty = await asyncio.to_thread(copy_store, path, path.with_name("empty.db"))
        add(store, 0, clock)
        await store.flush()
        copied = await asyncio.to_thread(copy_store, path, copy)
    assert empty.newest_reading_utc is None
    assert (copied.sessions, copied.readings) == (0, 1)
    # Bench second 100 is the moment of RFC 3339's example.
    assert copied.newest_reading_utc == RFC_TEXT
    assert copied.size_bytes == copy.stat().st_size


async def test_a_copy_made_while_rows_are_written_is_of_one_moment(path: Path) -> None:
    copies = [path.with_name(f"copy{number}.db") for number in range(3)]
    async with opened(path, BENCH) as store:
        clock = await add_clock(store)
        number = 0
        for copy in copies:
            async with asyncio.TaskGroup() as tasks:
                copying = tasks.create_task(asyncio.to_thread(copy_store, path, copy))
                while not copying.done():
                    add(store, number, clock)
                    number += 1
                    await store.flush()
        assert store.failing is None
    for copy in copies:
        times = [
            at for (at,) in ask(copy, "SELECT at_s FROM readings_meter ORDER BY seq")
        ]
        assert times == [100.0 + n for n in range(len(times))]
        assert ask(copy, "PRAGMA integrity_check") == [("ok",)]
    assert len(ask(path, "SELECT 1 FROM readings_meter")) == number


async def test_a_copy_holds_every_row(path: Path) -> None:
    await write_store(path, trials=2, polls=20)
    copy_store(path, path.with_name("copy.db"))
    assert all_rows(path.with_name("copy.db")) == all_rows(path)
    assert {f.name for f in path.parent.iterdir()} == {"bench.db", "copy.db"}


async def test_a_file_that_is_there_is_not_written_over(path: Path) -> None:
    await write_store(path, trials=2, polls=1)
    copy = path.with_name("copy.db")
    copy.write_text("mine")
    with pytest.raises(
        InputError, match=r"copy\.db: it is there already, name another"
    ):
        copy_store(path, copy)
    assert copy.read_text() == "mine"


async def test_a_damaged_file_is_not_passed_off_as_a_copy(path: Path) -> None:
    await write_store(path, trials=2, polls=300)
    spoil_page(path, pages_of(path, "readings_meter")[1])
    with pytest.raises(StoreDamagedError, match=r"bench\.db.*daq salvage"):
        copy_store(path, path.with_name("copy.db"))
    assert not list(path.parent.glob("*copy*"))


@pytest.mark.parametrize("table", ["events", "averages", "sessions"])
async def test_damage_that_copying_itself_does_not_meet_is_found_in_the_copy(
    path: Path, table: str
) -> None:
    await write_store(path, trials=2, polls=20)
    for page in pages_of(path, table):
        spoil_page(path, page)
    with pytest.raises(StoreError, match=r"bench\.db"):
        copy_store(path, path.with_name("copy.db"))
    assert not list(path.parent.glob("*copy*"))


async def test_a_folder_that_is_not_there_is_named(path: Path) -> None:
    await write_store(path, trials=2, polls=1)
    with pytest.raises(InputError, match=r"absent/copy\.db: cannot be written"):
        copy_store(path, path.parent / "absent" / "copy.db")


def test_there_is_no_copy_of_nothing(path: Path) -> None:
    with pytest.raises(StoreError, match="no results file there"):
        copy_store(path, path.with_name("copy.db"))
