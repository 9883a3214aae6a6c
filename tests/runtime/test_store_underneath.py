"""What happens to the files of a store that is open: told at once, never made worse, nothing lost that could be kept."""

import asyncio
import shutil
import sqlite3
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing, suppress
from pathlib import Path

import pytest

from daq.errors import StoreDamagedError, StoreError, StoreFailingError
from daq.records import Reading
from daq.runtime.store import Store, read_readings
from daq.runtime.store.copying import copy_store
from daq.runtime.store.opening import altering_store
from daq.runtime.store.salvaged import salvage_store
from tests.runtime.damaged_stores import (
    BENCH,
    PAGE_BYTES,
    kept_store,
    overwrite,
    pages_of,
    spoil_page,
)
from tests.runtime.stored_bench import add_clock, ask, opened


def log_of(path: Path) -> Path:
    return path.with_name(f"{path.name}-wal")


def content_of(path: Path) -> bytes:
    return path.read_bytes()


class Told:
    """What the operator is told of a store."""

    def __init__(self) -> None:
        self.texts: list[str | None] = []

    def tell(self, text: str | None) -> None:
        self.texts.append(text)

    async def wait_for(self, condition: Callable[[], object]) -> None:
        async with asyncio.timeout(20):
            while not condition():  # noqa: ASYNC110 - files do not tell
                await asyncio.sleep(0.01)


@asynccontextmanager
async def written(path: Path, told: Told) -> AsyncIterator[tuple[Store, int]]:
    """A store with ten readings on the disk, in the log; closed in any case."""
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=BENCH, on_trouble=told.tell, loop=loop)
    clock = await add_clock(store)
    for number in range(10):
        add(store, clock, number)
    await store.flush()
    try:
        yield store, clock
    finally:
        with suppress(StoreError):
            await store.close()


def add(store: Store, clock: int, number: int) -> None:
    reading = Reading("meter", 10_000.0 + number, (229.0, 1383.0))
    store.add_reading(reading, clock_id=clock, trial_id=None)


def stored(path: Path) -> list[object]:
    question = "SELECT at_s FROM readings_meter WHERE at_s >= 10000 ORDER BY seq"
    return [at_s for (at_s,) in ask(path, question)]


def emptied(path: Path) -> None:
    with path.open("r+b") as file:
        file.truncate(0)


def cut_short(path: Path) -> None:
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 2)


def written_over(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(b"PK\x03\x04 my spreadsheet " * 20_000)
        file.truncate()


def of_another_program(path: Path) -> None:
    overwrite(path, 68, b"\0\0\0\0")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (emptied, "it was emptied while in use"),
        (cut_short, "it was cut short while in use"),
        (written_over, "its head was written over while in use"),
        (of_another_program, "its head was written over while in use"),
    ],
)
async def test_a_file_that_is_cut_or_written_over_is_told_though_nothing_is_to_be_written(
    path: Path, spoil: Callable[[Path], None], words: str
) -> None:
    told = Told()
    async with written(path, told) as (store, clock):
        spoil(path)
        content = content_of(path)
        log = content_of(log_of(path))
        await told.wait_for(lambda: told.texts)
        assert words in str(told.texts[-1])
        assert "daq salvage" in str(told.texts[-1])
        for number in range(10, 15):
            add(store, clock, number)
        with pytest.raises(StoreFailingError, match="5 readings, gaps and events are"):
            await store.close()
    assert told.texts[1:] == []
    assert content_of(path) == content
    assert content_of(log_of(path)) == log


@pytest.mark.slow
async def test_an_emptied_store_that_left_its_log_is_refused_by_everyone_and_keeps_it(
    path: Path, tmp_path: Path
) -> None:
    async with written(path, Told()):
        log = content_of(log_of(path))
    assert len(log) > PAGE_BYTES
    killed = tmp_path / "killed"
    killed.mkdir()
    path = killed / "bench.db"
    path.touch()
    log_of(path).write_bytes(log)
    with pytest.raises(
        StoreDamagedError, match=r"it is empty, and its log is not.*daq salvage"
    ):
        async with opened(path, BENCH):
            pass
    with pytest.raises(StoreDamagedError), altering_store(path):
        pass
    with pytest.raises(StoreDamagedError):
        _ = [list(readings.rows) for readings in read_readings(path)]
    with pytest.raises(StoreDamagedError):
        copy_store(path, killed / "copy.db")
    assert path.stat().st_size == 0
    assert content_of(log_of(path)) == log


async def test_an_empty_file_without_a_log_is_made_a_store(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    path.touch()
    async with opened(path, BENCH) as store:
        await add_clock(store)
    assert ask(path, "SELECT count(*) FROM clocks") == [(1,)]


def removed(path: Path) -> None:
    log_of(path).unlink()


def removed_with_its_index(path: Path) -> None:
    log_of(path).unlink()
    path.with_name(f"{path.name}-shm").unlink()


def replaced_by_an_older_one(path: Path) -> None:
    log = log_of(path)
    content = log.read_bytes()
    log.unlink()
    log.write_bytes(content[: len(content) // 2])


LOSE_LOG = [removed, removed_with_its_index, replaced_by_an_older_one]


@pytest.mark.slow
@pytest.mark.parametrize("lose", LOSE_LOG)
async def test_a_log_that_is_removed_is_told_and_all_that_was_in_it_is_kept(
    path: Path, lose: Callable[[Path], None]
) -> None:
    told = Told()
    async with written(path, told) as (store, clock):
        lose(path)
        await told.wait_for(lambda: told.texts)
        assert "its log was removed or replaced while in use" in str(told.texts[0])
        # Whoever reads or copies the file now, or finds it after a kill, has all of it.
        shutil.copyfile(path, path.with_name("killed.db"))
        assert stored(path.with_name("killed.db")) == [10_000.0 + n for n in range(10)]
        for number in range(10, 15):
            add(store, clock, number)
        await told.wait_for(lambda: told.texts[-1] is None)
        await store.flush()
        await store.close()
    assert stored(path) == [10_000.0 + n for n in range(15)]
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]


@pytest.mark.slow
@pytest.mark.parametrize("lose", LOSE_LOG)
async def test_a_log_that_is_removed_just_before_the_end_costs_nothing(
    path: Path, lose: Callable[[Path], None]
) -> None:
    async with written(path, Told()) as (store, clock):
        lose(path)
        for number in range(10, 15):
            add(store, clock, number)
        await store.close()
    assert stored(path) == [10_000.0 + n for n in range(15)]
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]


@pytest.mark.slow
async def test_an_older_log_that_lies_there_is_put_aside_while_another_program_has_the_file_open(
    path: Path,
) -> None:
    told = Told()
    async with written(path, told) as (store, clock):
        older = content_of(log_of(path))
        with closing(sqlite3.connect(path, isolation_level=None)) as reader:
            reader.execute("SELECT count(*) FROM readings_meter").fetchone()
            for number in range(10, 15):
                add(store, clock, number)
                await store.flush()
            removed_with_its_index(path)
            log_of(path).write_bytes(older)  # as from a copy: SQLite would take it
            await told.wait_for(lambda: told.texts)
            await told.wait_for(lambda: told.texts[-1] is None)
            for number in range(15, 20):
                add(store, clock, number)
            await store.flush()
        await store.close()
    assert stored(path) == [10_000.0 + n for n in range(20)]
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]
    aside = log_of(path).with_name("bench.db-wal.replaced")
    assert content_of(aside) == older


@pytest.mark.slow
async def test_while_a_reader_keeps_a_removed_log_from_being_taken_in_nothing_is_written_and_nothing_lost(
    path: Path,
) -> None:
    told = Told()
    async with written(path, told) as (store, clock):
        with closing(sqlite3.connect(path, isolation_level=None)) as reader:
            reader.execute("BEGIN")
            reader.execute("SELECT count(*) FROM readings_meter").fetchone()
            add(store, clock, 10)  # what the reader sees is no longer the newest
            await store.flush()
            removed(path)
            await told.wait_for(lambda: told.texts)
            assert "another program that reads the file is in the way" in str(
                told.texts[-1]
            )
            add(store, clock, 11)
            assert store.buffered == 1
        await told.wait_for(lambda: told.texts[-1] is None)
        await store.close()
    assert stored(path) == [10_000.0 + n for n in range(12)]


@pytest.mark.slow
async def test_damage_that_no_write_meets_is_told_within_seconds(path: Path) -> None:
    told = Told()
    async with written(path, told) as (store, _):
        spoil_page(path, pages_of(path, "readings_meter")[0])
        await told.wait_for(lambda: told.texts)
        assert "it is damaged" in str(told.texts[0])
        assert store.is_damaged


@pytest.mark.slow
async def test_of_a_long_file_the_newest_rows_are_looked_at(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.runtime.store.damage.LOOKED_THROUGH_RUNNING_BYTES", 0)
    told = Told()
    async with written(path, told):
        spoil_page(path, pages_of(path, "readings_gauge")[-1])
        await told.wait_for(lambda: told.texts)
        assert "it is damaged" in str(told.texts[0])


async def test_damage_that_the_end_finds_leaves_file_and_log_as_they_are(
    path: Path,
) -> None:
    async with written(path, Told()) as (store, clock):
        page = pages_of(path, "readings_meter")[0]
        spoil_page(path, page)
        for number in range(10, 40):
            add(store, clock, number)
        await store.flush()
        content, log = content_of(path), content_of(log_of(path))
        with pytest.raises(StoreDamagedError):
            await store.close()
    assert content_of(path) == content
    assert content_of(log_of(path)) == log
    salvage_store(path, path.with_name("new.db"))
    assert stored(path.with_name("new.db")) == [10_000.0 + n for n in range(40)]


NO_TEXT = b"\xb5'\xc9\x92\xcd'\x16\xbc'"
"""As long as the word that it is written over, and no UTF-8."""


@pytest.fixture
def no_text(tmp_path: Path) -> Path:
    """A store in whose list of tables bytes stand that are no text: SQLite's complaint quotes them."""
    path = kept_store(tmp_path, 3)
    at = path.read_bytes().find(b"unixepoch")
    overwrite(path, at, NO_TEXT)
    return path


async def test_a_list_of_tables_that_is_no_text_is_damage_to_everyone(
    no_text: Path,
) -> None:
    before = content_of(no_text)
    with pytest.raises(StoreDamagedError, match=r"no text any more.*daq salvage"):
        async with opened(no_text, BENCH):
            pass
    with pytest.raises(StoreDamagedError), altering_store(no_text):
        pass
    with pytest.raises(StoreDamagedError):
        _ = [list(readings.rows) for readings in read_readings(no_text)]
    with pytest.raises(StoreDamagedError):
        copy_store(no_text, no_text.with_name("copy.db"))
    assert content_of(no_text) == before
    assert not salvage_store(no_text, no_text.with_name("new.db")).is_whole


@pytest.mark.slow
async def test_a_list_of_tables_that_becomes_no_text_is_damage_to_the_writer(
    path: Path,
) -> None:
    told = Told()
    async with written(path, told) as (store, clock):
        at = content_of(path).find(b"unixepoch")
        overwrite(path, at, NO_TEXT)
        add(store, clock, 10)
        await told.wait_for(lambda: told.texts)
        assert "it is damaged" in str(told.texts[0])
        with pytest.raises(StoreError, match="daq salvage"):
            await store.close()
