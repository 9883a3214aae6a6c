"""The store through its public face: what goes in is there for any SQL tool."""

import asyncio
import math
import sqlite3
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager, closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daq.errors import InputError, StoreError, StoreFailingError
from daq.records import (
    AFTER_DRAIN,
    Accuracy,
    Channel,
    Gap,
    GapReason,
    PlannedTrial,
    Reading,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
    unusable_bit,
)
from daq.runtime.store import (
    Store,
    read_readings,
    read_sessions,
    read_trial_averages,
    read_trials,
)

SOFTWARE = "steadybench 0.1.0"
# RFC 3339, section 5.8, first example: 1985-04-12T23:20:50.52Z. As seconds of the epoch:
# 15 years of 365 days and 4 leap days, 101 days, 23 h, 20 min, 50.52 s.
RFC_TEXT = "1985-04-12T23:20:50.520Z"
RFC_US = (((15 * 365 + 4 + 101) * 24 + 23) * 60 + 20) * 60_000_000 + 50_520_000


def channel(
    name: str,
    unit: str,
    index: int = 0,
    *,
    instrument: str = "meter",
    place: str = "duct",
) -> Channel:
    quantity = {"V": "voltage", "W": "power", "Pa": "pressure", "hPa": "pressure"}
    return Channel(
        name=name,
        title=name.title(),
        quantity=quantity[unit],
        unit=unit,
        place=place,
        instrument=instrument,
        field_index=index,
        accuracy=Accuracy(percent_of_reading=0.5),
        interval_s=1.0,
    )


METER = {"meter": (channel("supply", "V", 0), channel("power", "W", 2))}
ORDER = (
    PlannedTrial(1, "long lead", 1, baseline=True),
    PlannedTrial(2, "short lead", 1, baseline=False),
)
FACTS = SessionFacts(
    session_id="5e551011",
    number=0,
    bench="leads",
    plan="leads",
    machine="blower",
    started_utc="2026-01-05T10:00:00.000Z",
    speed=1.0,
    software=SOFTWARE,
)


POWER = TrialAverage(
    channel="power",
    unit="W",
    required=True,
    mean=1383.2,
    plain_mean=1383.3,
    std_uncertainty_type_a=0.5,
    degrees_of_freedom_a=30.0,
    std_uncertainty_type_b=4.0,
    std_uncertainty=4.031,
    degrees_of_freedom=math.inf,
    coverage_factor=1.96,
    expanded_uncertainty=7.9,
    count=60,
    effective_count=31.0,
    window=Window(130.0, 190.0),
)
SUPPLY = replace(POWER, channel="supply", unit="V", mean=229.0)


def result(
    uuid: str = "7a1", *averages: TrialAverage, ended_s: float = 200.0, note: str = ""
) -> TrialResult:
    return TrialResult(
        trial_id=uuid,
        planned=ORDER[0],
        attempt=1,
        state=TrialState.FINISHED if averages else TrialState.UNFINISHED,
        started_s=100.0,
        ended_s=ended_s,
        averages=averages,
        note=note,
    )


def ignore(_: str | None) -> None:
    pass


@asynccontextmanager
async def opened(
    path: Path, instruments: Mapping[str, Sequence[Channel]] = METER
) -> AsyncIterator[Store]:
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=instruments, on_trouble=ignore, loop=loop)
    try:
        yield store
    finally:
        await store.close()


async def add_clock(store: Store) -> int:
    """Bench second 100 is the moment of RFC 3339's example."""
    return await store.add_clock("boot", monotonic_s=100.0, utc_us=RFC_US, speed=1.0)


async def begin_session(store: Store, facts: SessionFacts = FACTS) -> int:
    return await store.begin_session(
        facts,
        plan_digest="d1",
        plan_text="[plan]",
        bench_text="[bench]",
        seed=7,
        order=ORDER,
    )


async def begin_trial(
    store: Store,
    session: int,
    clock: int,
    *,
    uuid: str = "7a1",
    planned: PlannedTrial = ORDER[0],
    at_s: float = 100.0,
) -> int:
    return store.begin_trial(
        session, planned, attempt=1, uuid=uuid, clock_id=clock, started_s=at_s
    )


async def run_trial(store: Store, ended: TrialResult) -> int:
    clock, session = await add_clock(store), await begin_session(store)
    trial = await begin_trial(store, session, clock)
    await store.end_trial(trial, ended, rule_json="{}", outbox=None)
    return trial


def ask(path: Path, statement: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(statement).fetchall()


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


async def test_a_trial_average_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER, SUPPLY))
    power, supply = read_trial_averages(path)
    assert (power.session, power.trial, power.trial_id) == (1, 1, "7a1")
    assert (power.condition, power.baseline, power.state) == (
        "long lead",
        True,
        "finished",
    )
    assert power.started_utc == RFC_TEXT
    assert (power.channel, power.title, power.place) == ("power", "Power", "duct")
    assert (power.mean, power.unit, power.required) == (1383.2, "W", True)
    assert power.degrees_of_freedom == math.inf
    assert power.expanded_uncertainty == 7.9
    assert (power.window_start_s, power.window_end_s) == (30.0, 90.0)
    assert supply.mean == 229.0


async def test_infinite_degrees_of_freedom_are_null_in_the_file(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER))
    assert ask(path, "SELECT degrees_of_freedom, count FROM trial_averages") == [
        (None, 60)
    ]


async def test_numbers_of_numpy_are_stored_as_numbers(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    raw = {"count": np.int64(60), "effective_count": np.float32(30.5)}
    async with opened(path) as store:
        numbers = replace(POWER, mean=np.float64(1.5), **raw)  # type: ignore[arg-type]  # the trap
        await run_trial(store, result("7a1", numbers))
    rows = ask(
        path,
        "SELECT typeof(count), count, typeof(effective_count), effective_count, mean"
        " FROM averages",
    )
    assert rows == [("integer", 60, "real", 30.5, 1.5)]


async def test_an_average_that_is_not_a_number_is_refused(tmp_path: Path) -> None:
    async with opened(tmp_path / "bench.db") as store:
        with pytest.raises(ValueError, match="average of power"):
            await run_trial(store, result("7a1", replace(POWER, mean=math.nan)))
        assert store.failing is None


async def test_averages_keep_the_description_of_their_time(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER))
    moved = {"meter": (channel("power", "W", 2, place="outlet"),)}
    async with opened(path, moved):
        pass
    assert [row.place for row in read_trial_averages(path)] == ["duct"]


async def test_a_trial_its_averages_and_its_message_are_written_together(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        clock, session = await add_clock(store), await begin_session(store)
        trial = await begin_trial(store, session, clock)
        ended = result("7a1", POWER)
        await store.end_trial(trial, ended, rule_json="{}", outbox=("t", "{}"))
        with pytest.raises(StoreError, match=r"trial 7 .* was given up or not begun"):
            await store.end_trial(7, ended, rule_json="{}", outbox=("t", "{}"))
        assert ask(path, "SELECT count(*) FROM outbox") == [(1,)]
        assert ask(path, "SELECT count(*) FROM averages") == [(1,)]
        assert store.failing is None


async def test_the_outbox_gives_messages_in_order_until_they_are_done(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        clock, session = await add_clock(store), await begin_session(store)
        for uuid in ("a", "b"):
            trial = await begin_trial(store, session, clock, uuid=uuid)
            ended = result(uuid)
            await store.end_trial(
                trial, ended, rule_json="{}", outbox=("t", f'"{uuid}"')
            )
    async with opened(path) as store:  # it outlives the program
        assert await store.outbox_next() == (1, "a", "t", '"a"')
        assert await store.outbox_next() == (1, "a", "t", '"a"')
        await store.outbox_done(1)
        assert await store.outbox_next() == (2, "b", "t", '"b"')
        await store.outbox_done(2)
        assert await store.outbox_next() is None


async def test_an_interrupted_session_is_found_with_all_its_trials(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        first = await run_trial(store, result("7a1", POWER))
        second = await begin_trial(
            store, 1, 1, uuid="7a2", planned=ORDER[1], at_s=300.0
        )
        reading = Reading("meter", 312.5, (1.0, 2.0, 3.0), AFTER_DRAIN)
        store.add_reading(reading, clock_id=1, trial_id=second)
    async with opened(path) as store:
        assert await store.open_session("another") is None
        session = await store.open_session("leads")
        assert session is not None
        assert session.facts.number == 1
        assert session.facts.session_id == FACTS.session_id
        assert (session.plan_digest, session.seed) == ("d1", 7)
        assert session.order == ORDER
        assert session.ended == (result("7a1", POWER),)
        (running,) = session.running
        assert (running.number, running.trial_id) == (second, "7a2")
        assert (running.planned, running.started_s) == (ORDER[1], 300.0)
        await store.mark_unfinished(running.number, "the program was ended")
        with pytest.raises(StoreError, match="not running"):
            await store.mark_unfinished(first, "")
        session = await store.open_session("leads")
        assert session is not None
        assert session.running == ()
        assert session.ended[1].state is TrialState.UNFINISHED
        assert session.ended[1].ended_s == 312.5
        assert session.ended[1].note == "the program was ended"


async def test_the_newest_open_session_is_the_one_to_resume(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        for number, uuid in enumerate(("a", "b", "c"), start=1):
            facts = SessionFacts(uuid, 0, "leads", "leads", "m", "t", 1.0, SOFTWARE)
            assert await begin_session(store, facts) == number
        await store.end_session(3, state="finished", ended_utc="2026-01-05T11:00:00Z")
        session = await store.open_session("leads")
        assert session is not None
        assert session.facts.number == 2
        with pytest.raises(StoreError, match="session 3 is not open"):
            await store.end_session(3, state="abandoned", ended_utc="x")
    states = [(s.number, s.state, s.ended_utc) for s in read_sessions(path)]
    assert states == [
        (1, "open", None),
        (2, "open", None),
        (3, "finished", "2026-01-05T11:00:00Z"),
    ]


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


async def test_readings_are_read_back_with_time_since_switch_on(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        clock, session = await add_clock(store), await begin_session(store)
        store.add_reading(
            Reading("meter", 99.0, (1.0, 0.0, 2.0)), clock_id=clock, trial_id=None
        )
        trial = await begin_trial(store, session, clock, at_s=100.1)
        reading = Reading("meter", 112.5, (3.0, 0.0, 4.0), AFTER_DRAIN)
        store.add_reading(reading, clock_id=clock, trial_id=trial)
    ((instrument, header, rows),) = [
        (r.instrument, r.header, list(r.rows)) for r in read_readings(path)
    ]
    assert instrument == "meter"
    assert header == (
        *("utc", "at_s", "trial", "elapsed_s"),
        *("supply_v", "power_w", "flags"),
    )
    assert rows == [
        ("1985-04-12T23:20:49.520Z", 99.0, None, None, 1.0, 2.0, 0),
        ("1985-04-12T23:21:03.020Z", 112.5, 1, 12.4, 3.0, 4.0, 1),
    ]
    chosen = read_readings(path, channels=["power"], session=1, trial=1)
    assert [list(r.rows) for r in chosen] == [
        [("1985-04-12T23:21:03.020Z", 112.5, 1, 12.4, 4.0, 1)]
    ]


async def test_more_readings_than_a_page_are_read_once_and_in_order(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        clock = await add_clock(store)
        for number in range(12_000):
            reading = Reading("meter", float(number), (1.0, 2.0, 3.0))
            store.add_reading(reading, clock_id=clock, trial_id=None)
    (times,) = [[row[1] for row in r.rows] for r in read_readings(path)]
    assert times == list(range(12_000))


async def test_a_session_instrument_or_channel_that_is_not_there_is_named(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        assert read_trial_averages(path) == []
        with pytest.raises(InputError, match=r"no session 7, it holds none"):
            read_trial_averages(path, 7)
        await begin_session(store)
    with pytest.raises(InputError, match=r"bench\.db: no session 7, it holds 1 to 1"):
        read_trials(path, 7)
    with pytest.raises(InputError, match="no channel 'flow', it holds supply, power"):
        list(read_readings(path, channels=["flow"]))
    with pytest.raises(InputError, match="no instrument 'gauge', it holds meter"):
        list(read_readings(path, instruments=["gauge"]))


async def test_a_trial_without_averages_is_listed_with_its_note(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        await run_trial(store, result(note="switched off too soon"))
        assert read_trial_averages(path) == []
        (trial,) = read_trials(path)  # while the store is open for writing
    assert (trial.state, trial.duration_s) == ("unfinished", 100.0)
    assert trial.note == "switched off too soon"
    (session,) = read_sessions(path)
    assert (session.trials, session.finished) == (1, 0)
