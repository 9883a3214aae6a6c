"""Trials, their averages, messages and sessions in the store."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daq.errors import StoreError
from daq.records import AFTER_DRAIN, Reading, SessionFacts, TrialState
from daq.runtime.store import read_sessions, read_trial_averages
from tests.runtime.stored_bench import (
    FACTS,
    ORDER,
    POWER,
    RFC_TEXT,
    SOFTWARE,
    SUPPLY,
    add_clock,
    ask,
    begin_session,
    begin_trial,
    channel,
    opened,
    result,
    run_trial,
)


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
        with pytest.raises(StoreError, match=r"trial 7 .* was not begun"):
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
    states = [(s.session, s.state, s.ended_utc) for s in read_sessions(path)]
    assert states == [
        (1, "open", None),
        (2, "open", None),
        (3, "finished", "2026-01-05T11:00:00Z"),
    ]
