"""What is read back from a store: readings, trials and sessions, and what is not there."""

from pathlib import Path

import pytest

from daq.errors import InputError
from daq.records import AFTER_DRAIN, Reading
from daq.runtime.store import (
    read_readings,
    read_sessions,
    read_trial_averages,
    read_trials,
)
from tests.runtime.stored_bench import (
    add_clock,
    begin_session,
    begin_trial,
    opened,
    result,
    run_trial,
)


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
    with pytest.raises(InputError, match=r"bench\.db: no session 7, it holds only 1"):
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
