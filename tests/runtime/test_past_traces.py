"""A stored trial's readings as the page draws them: every peak, every break, and no more points than are needed."""

import asyncio
import json
import sqlite3
from collections.abc import Awaitable, Callable, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daq.records import Channel, Gap, GapReason, Reading
from daq.runtime.past import trial_trace_json
from daq.runtime.store import Store
from tests.runtime.stored_bench import (
    FACTS,
    METER,
    POWER,
    SUPPLY,
    add_clock,
    begin_session,
    begin_trial,
    channel,
    opened,
    result,
)

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
MOST = 1200


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def written(
    path: Path,
    write: Callable[[Store, int, int], Awaitable[object]],
    *,
    channels: Sequence[Channel] = METER["meter"],
    session_id: str = "5e551011",
) -> None:
    """One more session with one trial, in which something is written."""

    async def run() -> None:
        async with opened(path, {"meter": tuple(channels)}) as store:
            clock = await add_clock(store)
            facts = replace(FACTS, session_id=session_id)
            session = await begin_session(store, facts)
            trial = await begin_trial(store, session, clock, uuid=session_id)
            await write(store, clock, trial)

    asyncio.run(run())


def read(
    store: Store, clock: int, trial: int | None, at_s: float, watts: float | None
) -> None:
    reading = Reading("meter", at_s, (229.0, None, watts))
    store.add_reading(reading, clock_id=clock, trial_id=trial)


def miss(store: Store, clock: int, trial: int, at_s: float) -> None:
    gap = Gap("meter", at_s, GapReason.NO_REPLY)
    store.add_gap(gap, clock_id=clock, trial_id=trial)


def traced(path: Path, session: int = 1, trial: int = 1) -> Any:
    text = trial_trace_json(path, session, trial)
    assert text is not None
    return json.loads(text)


def test_a_trial_comes_with_all_its_channels_in_bench_seconds(path: Path) -> None:
    async def write(store: Store, clock: int, trial: int) -> None:
        read(store, clock, None, 99.0, 0.0)
        read(store, clock, trial, 101.0, 1383.0)
        read(store, clock, trial, 102.0, 1384.5)
        ended = replace(result("7a1", SUPPLY, POWER), trial_id="5e551011")
        await store.end_trial(trial, ended, rule_json="{}", outbox=None)

    written(path, write)
    assert traced(path) == {
        "format": 1,
        "trial": 1,
        "started_s": 100.0,
        "window_s": [130.0, 190.0],
        "channels": {
            "supply": {"t": [101.0, 102.0], "v": [229.0, 229.0]},
            "power": {"t": [101.0, 102.0], "v": [1383.0, 1384.5]},
        },
    }


def test_what_is_missing_breaks_the_curve(path: Path) -> None:
    async def write(store: Store, clock: int, trial: int) -> None:
        for at_s, watts in ((101.0, 1383.0), (102.0, None), (103.0, 1384.0)):
            read(store, clock, trial, at_s, watts)
        miss(store, clock, trial, 104.0)
        miss(store, clock, trial, 105.0)
        read(store, clock, trial, 106.0, 1385.0)

    written(path, write)
    channels = traced(path)["channels"]
    # An overrange concerns one channel, a reading that does not come all of its meter; two in a row are one break.
    assert channels["power"] == {
        "t": [101.0, 102.0, 103.0, 104.0, 106.0],
        "v": [1383.0, None, 1384.0, None, 1385.0],
    }
    assert channels["supply"] == {
        "t": [101.0, 102.0, 103.0, 104.0, 106.0],
        "v": [229.0, 229.0, 229.0, None, 229.0],
    }


def test_a_meter_that_was_silent_throughout_has_a_break_only(path: Path) -> None:
    async def write(store: Store, clock: int, trial: int) -> None:
        for second in range(5):
            miss(store, clock, trial, 101.0 + second)

    written(path, write)
    assert traced(path)["channels"]["power"] == {"t": [101.0], "v": [None]}


@pytest.mark.slow
def test_a_long_trial_is_thinned_to_its_peaks_and_breaks(path: Path) -> None:
    count = 12_000

    async def write(store: Store, clock: int, trial: int) -> None:
        for number in range(count):
            watts = 1400.0 + (number % 7)
            watts = {3001: 2900.0, 7777: 12.0}.get(number, watts)
            read(store, clock, trial, 100.0 + 0.1 * number, watts)
            if number == 5000:
                miss(store, clock, trial, 600.05)

    written(path, write)
    power = traced(path)["channels"]["power"]
    times, values = power["t"], power["v"]
    assert len(times) == len(values) <= MOST
    assert times == sorted(times)
    assert (times[values.index(2900.0)], times[values.index(12.0)]) == (400.1, 877.7)
    # Only one reading did not come.
    assert [t for t, v in zip(times, values, strict=True) if v is None] == [600.05]
    assert times[0] < 103.0
    assert times[-1] > 1297.0


@pytest.mark.slow
def test_a_curve_full_of_breaks_is_thinned_too(path: Path) -> None:
    async def write(store: Store, clock: int, trial: int) -> None:
        for number in range(3000):
            read(store, clock, trial, 101.0 + number, float(number % 5))
            miss(store, clock, trial, 101.5 + number)

    written(path, write)
    values = traced(path)["channels"]["power"]["v"]
    assert len(values) <= MOST
    assert {*values} == {0.0, 4.0, None}
    assert [None, None] not in [values[n : n + 2] for n in range(len(values))]


def test_a_trial_in_progress_shows_what_was_read_so_far(path: Path) -> None:
    async def write(store: Store, clock: int, trial: int) -> None:
        read(store, clock, trial, 101.0, 1383.0)

    written(path, write)
    found = traced(path)
    assert found["window_s"] is None
    assert found["channels"]["power"]["v"] == [1383.0]


def test_a_trial_without_readings_has_no_channels(path: Path) -> None:
    async def write(_store: Store, _clock: int, _trial: int) -> None:
        pass

    written(path, write)
    assert traced(path)["channels"] == {}


def test_a_trial_is_found_in_its_own_session_only(path: Path) -> None:
    async def write(store: Store, clock: int, trial: int) -> None:
        read(store, clock, trial, 101.0, 1383.0)

    written(path, write)
    written(path, write, session_id="5e551012")
    assert trial_trace_json(path, 1, 2) is None
    assert trial_trace_json(path, 2, 1) is None
    assert traced(path, 2, 2)["trial"] == 2


def test_a_channel_whose_unit_was_changed_since_is_read_as_it_was(path: Path) -> None:
    async def write(store: Store, clock: int, trial: int) -> None:
        read(store, clock, trial, 101.0, 1383.0)

    pascals, hectopascals = channel("suction", "Pa", 2), channel("suction", "hPa", 2)
    written(path, write, channels=[pascals])
    written(path, write, channels=[hectopascals], session_id="5e551012")
    assert traced(path, 1, 1)["channels"]["suction"]["v"] == [1383.0]
    assert traced(path, 2, 2)["channels"]["suction"]["v"] == [1383.0]


def test_a_trial_of_format_1_is_drawn_too(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    found = traced(path)
    assert found["channels"]["power"] == {
        "t": [101.0, 102.0, 103.0],
        "v": [1383.0, 1384.0, 1385.0],
    }
