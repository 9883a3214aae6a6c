"""The store through its public face: what goes in is there for any SQL tool."""

import asyncio
from pathlib import Path

import pytest

from daq.errors import StoreFailingError
from daq.records import Gap, GapReason, Reading, unusable_bit
from daq.runtime.store import read_readings
from tests.runtime.stored_bench import (
    METER,
    RFC_TEXT,
    RFC_US,
    add_clock,
    ask,
    begin_session,
    channel,
    opened,
)


async def test_a_reading_is_one_row_with_a_column_a_channel(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        clock = await add_clock(store)
        reading = Reading("meter", 101.25, (230.5, 50.0, None), unusable_bit(2))
        store.add_reading(reading, clock_id=clock, trial_id=None)
    rows = ask(path, "SELECT at_s, flags, supply_v, power_w FROM readings_meter")
    assert rows == [(101.25, unusable_bit(2), 230.5, None)]


async def test_the_view_of_readings_begins_with_utc(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        clock = await add_clock(store)
        for at_s in (100.0, 109.48):
            store.add_reading(
                Reading("meter", at_s, (1.0, 2.0, 3.0)), clock_id=clock, trial_id=None
            )
    rows = ask(path, "SELECT * FROM readings_meter_utc")
    assert [row[0] for row in rows] == [RFC_TEXT, "1985-04-12T23:21:00.000Z"]


async def test_bench_time_that_runs_faster_maps_to_real_utc(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        clock = await store.add_clock(
            "boot", monotonic_s=0.0, utc_us=RFC_US, speed=12.0
        )
        reading = Reading("meter", 12.0, (1.0, 2.0, 3.0))  # 12 bench seconds are 1 s
        store.add_reading(reading, clock_id=clock, trial_id=None)
    assert ask(path, "SELECT utc FROM readings_meter_utc") == [
        ("1985-04-12T23:20:51.520Z",)
    ]


async def test_every_table_of_ours_is_strict(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path):
        pass
    strict = {
        str(name): bool(is_strict)
        for name, is_strict in ask(
            path, "SELECT name, strict FROM pragma_table_list WHERE type = 'table'"
        )
        if not str(name).startswith(("sqlite_", "_sqlite_"))  # bookkeeping, not ours
    }
    assert {"readings_meter", "clocks", "averages", "outbox"} <= set(strict)
    assert all(strict.values()), strict


async def test_gaps_and_events_are_kept_with_their_reasons(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        clock = await add_clock(store)
        gap = Gap("meter", 101.0, GapReason.GARBLED, "checksum")
        store.add_gap(gap, clock_id=clock, trial_id=None)
        store.add_event("note", "begun", at_s=102.0, clock_id=clock, session_id=None)
    assert ask(path, "SELECT at_s, instrument, reason, detail FROM gaps") == [
        (101.0, "meter", "reply garbled", "checksum")
    ]
    assert ask(path, "SELECT at_s, kind, text FROM events") == [
        (102.0, "note", "begun")
    ]


async def test_what_was_added_before_a_job_is_written_when_the_job_returns(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        clock = await add_clock(store)
        for number in range(5_000):
            reading = Reading("meter", float(number), (1.0, 2.0, 3.0))
            store.add_reading(reading, clock_id=clock, trial_id=None)
        await begin_session(store)
        assert store.buffered == 0
        assert store.last_commit_real_s is not None
        rows = ask(path, "SELECT at_s FROM readings_meter ORDER BY seq")
        assert [at_s for (at_s,) in rows] == list(range(5_000))


@pytest.mark.slow
async def test_a_lone_reading_is_written_without_being_asked(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        clock = await add_clock(store)
        reading = Reading("meter", 1.0, (1.0, 2.0, 3.0))
        store.add_reading(reading, clock_id=clock, trial_id=None)
        async with asyncio.timeout(20):
            while not ask(path, "SELECT 1 FROM readings_meter"):  # noqa: ASYNC110 - a file tells nobody
                await asyncio.sleep(0.02)


async def test_a_channel_with_its_unit_in_its_name_gets_no_second_suffix(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    twins = (channel("duct_pa", "Pa", 0), channel("duct", "Pa", 1))
    async with opened(path, {"gauge": twins}) as store:
        clock = await add_clock(store)
        store.add_reading(
            Reading("gauge", 1.0, (10.0, 20.0)), clock_id=clock, trial_id=None
        )
    rows = ask(path, "SELECT duct_pa, duct_2_pa FROM readings_gauge")
    assert rows == [(10.0, 20.0)]


async def test_instruments_whose_names_differ_by_a_sign_keep_apart(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    names = ("mains-a", "mains_a", "MAINS.A", "mains", "mains_utc")
    bench = {
        name: (channel(f"u{i}", "V", instrument=name),) for i, name in enumerate(names)
    }
    for _ in range(2):  # the second time the tables are found again
        async with opened(path, bench) as store:
            clock = await add_clock(store)
            for i, name in enumerate(names):
                reading = Reading(name, 0.0, (float(i),))
                store.add_reading(reading, clock_id=clock, trial_id=None)
    stored = {
        readings.instrument: [row[4] for row in readings.rows]
        for readings in read_readings(path)
    }
    assert stored == {name: [float(i)] * 2 for i, name in enumerate(names)}


async def test_a_changed_bench_adds_columns_and_keeps_the_old_ones(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path, {"meter": (channel("duct", "Pa", 0),)}) as store:
        clock = await add_clock(store)
        store.add_reading(Reading("meter", 1.0, (50.0,)), clock_id=clock, trial_id=None)
    changed = (channel("supply", "V", 1), channel("duct", "hPa", 0))
    async with opened(path, {"meter": changed}) as store:
        reading = Reading("meter", 2.0, (0.6, 230.0))
        store.add_reading(reading, clock_id=clock, trial_id=None)
    rows = ask(path, "SELECT duct_pa, supply_v, duct_hpa FROM readings_meter_utc")
    assert rows == [(50.0, None, None), (None, 230.0, 0.6)]


async def test_a_channel_described_anew_keeps_its_column_and_its_past(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    for place in ("duct", "duct", "outlet"):
        bench = {"meter": (channel("power", "W", place=place),)}
        async with opened(path, bench):
            pass
    rows = ask(path, "SELECT place, column_name FROM channels ORDER BY id")
    assert rows == [("duct", "power_w"), ("outlet", "power_w")]


async def test_an_instrument_without_channels_leaves_no_readings(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path, {**METER, "spare": ()}) as store:
        clock = await add_clock(store)
        store.add_reading(Reading("spare", 1.0, (1.0,)), clock_id=clock, trial_id=None)
        assert store.buffered == 0
    assert not ask(path, "SELECT 1 FROM sqlite_master WHERE name LIKE '%spare%'")


async def test_a_job_nobody_waits_for_any_more_is_done_all_the_same(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        asking = asyncio.get_running_loop().create_task(add_clock(store))
        await asyncio.sleep(0)
        asking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asking
    assert ask(path, "SELECT count(*) FROM clocks") == [(1,)]


async def test_a_closed_store_refuses_jobs_and_can_be_closed_again(
    tmp_path: Path,
) -> None:
    async with opened(tmp_path / "bench.db") as store:
        await store.close()
        with pytest.raises(StoreFailingError, match="the store is closed"):
            await add_clock(store)
