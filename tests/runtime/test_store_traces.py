"""Trials as they went, read back from a store to be drawn."""

import asyncio
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from daq.runtime.store import read_budgets
from daq.runtime.store.traces import read_channels, read_session_files, read_traces
from tests.runtime.stored_bench import METER, POWER, SUPPLY, opened, result, run_trial
from tests.system.recorded_bench import record_session, settled_then_too_short


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return record_session(tmp_path / "bench.db", settled_then_too_short)


def test_a_trial_has_the_readings_of_what_it_waited_for(store: Path) -> None:
    settled, _ = read_traces(store, read_budgets(store))
    (power,) = settled.channels
    assert (power.name, power.unit) == ("power", "W")
    # The rehearsal reads 1400 W all the time, give or take.
    assert power.mean == pytest.approx(1400.0, abs=0.2)
    assert power.level == power.mean
    assert np.all(np.diff(power.elapsed_s) > 0.0)
    assert power.elapsed_s[0] >= 0.0
    assert settled.window_s is not None
    start, end = settled.window_s
    assert 0.0 < start < end <= power.elapsed_s[-1]
    inside = (power.elapsed_s > start) & (power.elapsed_s < end)
    assert power.values[inside].mean() == pytest.approx(1400.0, abs=0.2)


def test_the_end_of_the_run_up_is_known_from_the_log(store: Path) -> None:
    with closing(sqlite3.connect(store)) as connection:
        # As the daemon logs it, 6 s after each switch-on.
        connection.execute(
            "INSERT INTO events (clock_id, session_id, at_s, kind, text)"
            " SELECT clock_id, session_id, started_s + 6, 'trial', condition || ': run-up is over.'"
            " FROM trials"
        )
        connection.commit()
    found = read_traces(store, read_budgets(store))
    assert [trace.run_up_s for trace in found] == [pytest.approx(6.0)] * 2


def test_without_a_log_the_run_up_is_not_known(store: Path) -> None:
    assert [t.run_up_s for t in read_traces(store, read_budgets(store))] == [None] * 2


def test_a_trial_that_was_not_averaged_has_readings_and_no_mean(store: Path) -> None:
    _, unfinished = read_traces(store, read_budgets(store))
    assert unfinished.state == "unfinished"
    assert unfinished.window_s is None
    (power,) = unfinished.channels
    assert (power.mean, power.level) == (None, None)
    assert len(power.values) >= 20


def test_plan_and_bench_are_those_of_the_session(store: Path) -> None:
    plan, bench = read_session_files(store, 1)
    assert 'title = "Drying blower"' in plan
    assert 'name = "anemometer"' in bench


def test_channels_are_described_as_they_were_last(store: Path) -> None:
    channels = {channel.name: channel for channel in read_channels(store)}
    assert channels["velocity"].title == "Outlet velocity"
    assert channels["power"].accuracy.percent_of_reading == 0.5


def test_a_trial_without_readings_has_no_channels(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"

    async def write() -> None:
        async with opened(path, METER) as store:
            await run_trial(store, result("7a1", SUPPLY, POWER))

    asyncio.run(write())
    (trace,) = read_traces(path, read_budgets(path))
    assert trace.channels == ()
    assert trace.window_s == (30.0, 90.0)
