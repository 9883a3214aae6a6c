"""What somebody else added to a results file and this program has no means for: it keeps the file from nobody."""

import asyncio
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from daq.errors import StoreDamagedError
from daq.runtime.store import Store, read_readings, read_trials
from daq.runtime.store import opening as opening_module
from daq.runtime.store.copying import copy_store
from daq.runtime.store.opening import altering_store, look_through
from tests.runtime.damaged_stores import BENCH, kept_store, pages_of, spoil_page
from tests.runtime.stored_bench import add_clock, ask


def function_index(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE INDEX mine ON trials (soundslike(condition))")


def function_column(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE mine (a TEXT, b TEXT AS (soundslike(a)))")
    connection.execute("INSERT INTO mine VALUES ('x')")


def order_index(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE mine (a TEXT COLLATE as_we_sort PRIMARY KEY)")


def odd_name(connection: sqlite3.Connection) -> None:
    connection.execute('CREATE TABLE "of ""mine""" (a TEXT)')
    function_index(connection)


def module(connection: sqlite3.Connection) -> None:
    connection.execute("PRAGMA writable_schema = on")
    connection.execute(
        "INSERT INTO sqlite_master VALUES"
        " ('table', 'mine', 'mine', 0, 'CREATE VIRTUAL TABLE mine USING nosuchmodule(a)')"
    )


@pytest.fixture(params=[function_index, function_column, order_index, odd_name, module])
def path(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    path = kept_store(tmp_path, 3)
    add: Callable[[sqlite3.Connection], None] = request.param
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.create_function("soundslike", 1, str, deterministic=True)
        connection.create_collation("as_we_sort", lambda a, b: (a > b) - (a < b))
        add(connection)
    return path


async def test_a_file_with_what_this_program_has_no_means_for_is_read_written_and_copied(
    path: Path,
) -> None:
    trials = read_trials(path)
    assert trials
    assert any(list(readings.rows) for readings in read_readings(path))
    with altering_store(path):
        pass
    copy_store(path, path.with_name("copy.db"))
    assert read_trials(path.with_name("copy.db")) == trials
    store = Store.open(
        path,
        instruments=BENCH,
        on_trouble=lambda _: None,
        loop=asyncio.get_running_loop(),
    )
    await add_clock(store)
    assert look_through(path, is_running=True) is None
    await store.close()


@pytest.mark.parametrize("longest", [0, 1 << 40])
def test_damage_beside_it_is_found_all_the_same(
    path: Path, monkeypatch: pytest.MonkeyPatch, longest: int
) -> None:
    monkeypatch.setattr(opening_module, "LOOKED_THROUGH_READING_BYTES", longest)
    spoil_page(path, pages_of(path, "averages")[0])
    with pytest.raises(StoreDamagedError):
        read_trials(path)


def test_a_look_through_all_of_a_file_counts_for_whoever_asks_for_less(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = kept_store(tmp_path, 3)
    looks = []

    def counted(*_: object, at_most_bytes: int) -> None:
        looks.append(at_most_bytes)

    monkeypatch.setattr(opening_module, "find_damage", counted)
    read_trials(path)
    assert [list(readings.rows) for readings in read_readings(path)]
    read_trials(path)
    assert len(looks) == 1
    # A look at what is small does not count for whoever wants all.
    ask(path, "CREATE TABLE mine (a TEXT)")
    monkeypatch.setattr(opening_module, "LOOKED_THROUGH_READING_BYTES", 0)
    read_trials(path)
    assert [list(readings.rows) for readings in read_readings(path)]
    read_trials(path)
    assert len(looks) == 3
