"""Rows that the results file does not take, and faults of our own: told as what they are, and all else is written."""

import asyncio
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from daq.errors import StoreFailingError
from daq.records import MOST_VALUES, Reading, unusable_bit
from daq.runtime.store import Store
from daq.runtime.store.opening import connect_writer
from daq.runtime.store.unwritable import TOLD_S, Unwritable
from tests.runtime.stored_bench import METER, add_clock, ask

TOO_GREAT = 1 << 63
"""SQLite's whole numbers end one below (Datatypes In SQLite, section 2: signed, up to 8 bytes)."""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def opened(path: Path, told: list[str | None]) -> Store:
    loop = asyncio.get_running_loop()
    return Store.open(path, instruments=METER, on_trouble=told.append, loop=loop)


def add(store: Store, clock: int, number: int, *, flags: int = 0) -> None:
    reading = Reading("meter", float(number), (229.0, 0.0, 1383.0), flags)
    store.add_reading(reading, clock_id=clock, trial_id=None)


def times(path: Path) -> list[object]:
    rows = ask(path, "SELECT at_s FROM readings_meter ORDER BY rowid")
    return [at_s for (at_s,) in rows]


async def wait_until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(20):
        while not condition():  # noqa: ASYNC110 - some are told by the file alone
            await asyncio.sleep(0.01)


async def test_a_reading_that_cannot_be_written_is_given_up_and_told_and_all_others_are_written(
    path: Path,
) -> None:
    told: list[str | None] = []
    store = opened(path, told)
    clock = await add_clock(store)
    for number in range(9):
        add(store, clock, number, flags=TOO_GREAT if number in {3, 5} else 0)
    await store.flush()
    assert times(path) == [0.0, 1.0, 2.0, 4.0, 6.0, 7.0, 8.0]
    await wait_until(lambda: told)
    assert "2 rows are lost" in str(told[-1])
    assert "2 for readings_meter: OverflowError" in str(told[-1])
    # It is no trouble of the disk, and nothing waits.
    alarm = store.alarm(str(told[-1]))
    assert "Make room" not in alarm
    assert "all else is written" in alarm
    assert store.dropped == 2
    assert store.failing is None
    assert store.buffered == 0
    add(store, clock, 9)
    await store.flush()
    with pytest.raises(
        StoreFailingError,
        match=r"OverflowError.*: 2 readings, gaps and events are lost",
    ):
        await store.close()
    assert times(path)[-1] == 9.0
    assert len(told) == 1


@pytest.mark.parametrize(
    "spoil",
    [
        lambda store, clock: store.add_event(
            "note", "\ud800", at_s=0.0, clock_id=clock, session_id=None
        ),
        lambda store, clock: store.add_event(
            "note", object(), at_s=0.0, clock_id=clock, session_id=None
        ),
        lambda store, clock: store.add_event(
            "note", "of no clock", at_s=0.0, clock_id=clock + 98, session_id=None
        ),
        lambda store, clock: store.add_event(
            None, "of no kind", at_s=0.0, clock_id=clock, session_id=None
        ),
    ],
    ids=["no text", "nothing that is stored", "no clock", "no kind"],
)
async def test_whatever_a_row_is_refused_for_the_rest_is_written(
    path: Path, spoil: Callable[[Store, int], None]
) -> None:
    told: list[str | None] = []
    store = opened(path, told)
    clock = await add_clock(store)
    add(store, clock, 0)
    spoil(store, clock)
    add(store, clock, 1)
    await store.flush()
    assert times(path) == [0.0, 1.0]
    assert ask(path, "SELECT count(*) FROM events") == [(0,)]
    with pytest.raises(StoreFailingError, match="1 readings, gaps and events are lost"):
        await store.close()
    assert "1 row is lost" in str(told[0])
    assert "1 for events" in str(told[0])


async def test_a_table_that_is_gone_costs_its_own_rows_only(path: Path) -> None:
    told: list[str | None] = []
    store = opened(path, told)
    clock = await add_clock(store)
    store.add_event("note", "lost", at_s=0.0, clock_id=clock, session_id=None)
    ask(path, "DROP TABLE events")
    add(store, clock, 1)
    await store.flush()
    assert times(path) == [1.0]
    with pytest.raises(StoreFailingError, match="1 readings, gaps and events are lost"):
        await store.close()
    assert "no such table: events" in str(told[0])


async def test_a_fault_of_what_was_asked_for_goes_to_whoever_asked_and_nobody_else(
    path: Path,
) -> None:
    told: list[str | None] = []
    store = opened(path, told)
    clock = await add_clock(store)
    add(store, clock, 1)
    with pytest.raises(StoreFailingError, match="OverflowError") as caught:
        await store.outbox_done(TOO_GREAT)
    assert isinstance(caught.value.__cause__, OverflowError)
    add(store, clock, 2)
    await store.flush()
    await store.close()
    assert times(path) == [1.0, 2.0]
    assert told == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (RuntimeError("never thought of"), "RuntimeError: never thought of"),
        (MemoryError(), "no memory left"),
        (sqlite3.OperationalError("query aborted"), "OperationalError: query aborted"),
    ],
)
async def test_a_fault_that_nobody_foresaw_is_told_as_what_it_is_and_tried_again(
    path: Path, monkeypatch: pytest.MonkeyPatch, fault: Exception, words: str
) -> None:
    told: list[str | None] = []
    store = opened(path, told)
    is_faulty = True

    def connect(path: Path) -> sqlite3.Connection:
        if is_faulty:
            raise fault
        return connect_writer(path)

    monkeypatch.setattr("daq.runtime.store.writer.connect_writer", connect)
    clock = store.begin_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    for number in range(3):
        add(store, clock, number)
    await wait_until(lambda: told)
    assert words in str(told[0])
    assert store.failing == told[0]
    is_of_the_computer = isinstance(fault, MemoryError)
    assert ("Make room" in store.alarm(str(told[0]))) == is_of_the_computer
    assert store.buffered == 4
    is_faulty = False
    await wait_until(lambda: store.buffered == 0)
    await store.close()
    assert times(path) == [0.0, 1.0, 2.0]
    assert told[1:] == [None]


async def test_as_many_values_as_a_bench_may_name_can_all_be_unusable_at_once(
    path: Path,
) -> None:
    store = opened(path, [])
    clock = await add_clock(store)
    flags = 1 + sum(unusable_bit(index) for index in range(MOST_VALUES))
    add(store, clock, 1, flags=flags)
    await store.flush()
    await store.close()
    assert ask(path, "SELECT flags FROM readings_meter") == [(flags,)]


def test_what_was_given_up_stands_for_a_minute_and_is_not_told_anew_at_every_poll() -> (
    None
):
    row = ("INSERT INTO events (text) VALUES (?)", (None,))
    unwritable = Unwritable(Path("bench.db"))
    assert unwritable.text(0.0) is None
    unwritable.add([(row, OverflowError("too great"))], 1.0)
    first = unwritable.text(1.0)
    assert "1 row is lost" in str(first)
    unwritable.add([(row, OverflowError("too great"))], 2.0)
    assert unwritable.text(2.0) == first
    assert unwritable.text(1.0 + TOLD_S) != first
    assert "2 rows are lost" in str(unwritable.text(1.0 + TOLD_S))
    assert unwritable.text(2.0 + TOLD_S) is None
    assert unwritable.count == 2


def test_the_count_and_the_causes_that_are_told_grow_while_rows_are_given_up() -> None:
    row = ("INSERT INTO events (text) VALUES (?)", (None,))
    unwritable = Unwritable(Path("bench.db"))
    unwritable.add([(row, OverflowError("too great"))], 0.0)
    first = str(unwritable.text(0.0))
    assert "by hand" not in first  # no reading is lost
    reading = ('INSERT INTO "readings_meter" ("seq") VALUES (?)', (1,))
    unwritable.add([(reading, ValueError("no number"))] * 2, 1.0)
    # The last of them are told before it is over.
    last = str(unwritable.text(TOLD_S))
    assert "3 rows are lost" in last
    assert "1 for events: OverflowError: too great" in last
    assert "2 for readings_meter: ValueError: no number" in last
    assert "write down by hand what such a meter shows" in last


def test_after_another_trouble_what_was_given_up_is_told_as_it_is_then() -> None:
    row = ("INSERT INTO events (text) VALUES (?)", (None,))
    unwritable = Unwritable(Path("bench.db"))
    unwritable.add([(row, OverflowError("too great"))], 0.0)
    assert "1 row is lost" in str(unwritable.text(0.0))
    unwritable.add([(row, OverflowError("too great"))], 1.0)
    unwritable.word_anew()
    assert "2 rows are lost" in str(unwritable.text(1.0))
