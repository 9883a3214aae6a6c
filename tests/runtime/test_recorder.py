"""A session on its way to the file: beginning, trials, averages, messages."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daq.config.bench import Bench
from daq.config.plan import Plan, parse_plan
from daq.records import Gap, GapReason, Reading
from daq.runtime.recorder import Altered
from daq.runtime.store import (
    Store,
    read_readings,
    read_sessions,
    read_trial_averages,
    read_trials,
)
from daq.trials.stages import Stage
from tests.runtime.conftest import PLAN, Computer
from tests.runtime.recorded_session import TOPICS, recording, rows


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


async def messages(store: Store) -> list[tuple[str, dict[str, Any]]]:
    """Takes everything out of the outbox: topics and what they say."""
    taken = []
    while (entry := await store.outbox_next()) is not None:
        number, _, topic, payload = entry
        taken.append((topic, json.loads(payload)))
        await store.outbox_done(number)
    return taken


# ---- beginning


async def test_a_session_begins_with_everything_that_identifies_it(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        start = session.start
    assert start.words == "Session 1 begins: 2 trials."
    assert start.earlier == ()
    assert [line.condition for line in start.order] == ["short lead", "long lead"]
    facts = start.facts
    assert (facts.number, facts.bench, facts.plan) == (1, "leads", "leads")
    assert facts.machine == "Drying blower"
    assert facts.started_utc == "1985-04-12T23:20:50.520Z"
    assert facts.speed == 1.0
    (stored,) = read_sessions(path)
    assert (stored.session_id, stored.state) == (facts.session_id, "open")
    assert stored.software == facts.software
    assert rows(path, "SELECT plan_text, bench_text FROM sessions") == [
        (plan.text, bench.text)
    ]


async def test_a_shuffled_order_is_kept_over_an_interruption(
    path: Path, bench: Bench, computer: Computer
) -> None:
    names = "".join(f'[[condition]]\nname = "filter {n}"\n' for n in range(12))
    text = PLAN.replace("[start]", f'{names}[order]\nkind = "randomised"\n[start]')
    plan = parse_plan(text, file="plan.toml", bench=bench)
    async with recording(path, bench, plan, computer) as (session, _):
        first = session.start.order
    async with recording(path, bench, plan, computer) as (session, _):
        assert session.start.order == first
    async with recording(path, bench, plan, computer, new=True) as (session, _):
        # Another seed is drawn: one chance in 14! of the same order.
        assert session.start.order != first
        assert sorted(p.condition for p in session.start.order) == sorted(
            p.condition for p in first
        )


# ---- what is written


async def test_a_confirmed_trial_is_safe_before_the_machine_is_switched_off(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, store):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
        await session.recorder.wait_written()
        assert len(session.stored_results) == 1
        (trial,) = read_trials(path)
        assert (trial.condition, trial.state) == ("short lead", "finished")
        stored = {a.channel: a for a in read_trial_averages(path)}
        averages = session.rehearsal.running.results[0].averages
        assert stored.keys() == {a.channel for a in averages} == {"current", "power"}
        for average in averages:
            kept = stored[average.channel]
            assert kept.mean == average.mean
            assert kept.expanded_uncertainty == average.expanded_uncertainty
            assert kept.window_start_s == average.window.start_s - 1005.0
        rule = json.loads(stored["power"].rule_json)
        assert rule["parameters"]["least_s"] == 30.0
        assert rule["tolerances"]["power"] == 0.005
        ((topic, told),) = await messages(store)
        assert topic == TOPICS.result
        assert told["id"] == session.rehearsal.running.results[0].trial_id
        assert told["state"] == "finished"
        # Switched on at 1005 s, 5 s after 23:20:50.52.
        assert told["started_utc"] == "1985-04-12T23:20:55.520Z"


async def test_switching_off_adds_when_that_was_and_tells_nobody_twice(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, store):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
        off_s = session.clock.bench_s() + 1.0
        session.rehearsal.stand_still()
        await session.recorder.wait_written()
        assert len(await messages(store)) == 1
        assert len(session.stored_results) == 1
    assert rows(path, "SELECT ended_s, state FROM trials") == [(off_s, "finished")]
    assert len(read_trial_averages(path)) == 2


async def test_a_trial_cut_short_is_told_when_it_is_switched_off(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, store):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.SETTLING)
        await session.recorder.wait_written()
        assert await messages(store) == []
        session.rehearsal.stand_still()
        await session.recorder.wait_written()
        ((_, told),) = await messages(store)
        assert (told["state"], told["averages"]) == ("unfinished", [])
        session.rehearsal.run_until(Stage.DONE)
        await session.recorder.wait_written()
        ((_, told),) = await messages(store)
        assert (told["condition"], told["attempt"]) == ("short lead", 2)
    assert [(t.state, t.attempt) for t in read_trials(path)] == [
        ("unfinished", 1),
        ("finished", 2),
    ]


async def test_a_trial_that_never_settles_is_told_once(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, store):
        session.rehearsal.stand_still()
        for second in range(310):
            # A ramp of 1 % a second: never settled.
            session.rehearsal.read(6.0, 1400.0 * 1.01**second)
        assert session.session.stage is Stage.NOT_SETTLED
        session.rehearsal.stand_still()
        await session.recorder.wait_written()
        told = [message for _, message in await messages(store)]
    assert [(t["state"], t["averages"]) for t in told] == [("not settled", [])]
    assert [t.state for t in read_trials(path)] == ["not settled"]


async def test_a_broken_limit_is_told_with_its_reason(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, store):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.LIMIT, amperes=14.0)
        session.rehearsal.stand_still()
        await session.recorder.wait_written()
        ((_, told),) = await messages(store)
    assert (told["state"], told["revision"]) == ("limit broken", 1)
    assert "current broke its limit: rating of the plug" in told["note"]


async def test_a_result_says_when_it_was_decided_not_when_the_machine_was_switched_off(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, store):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
        decided_s = session.rehearsal.running.results[0].ended_s
        computer.pass_s(60.0)
        session.rehearsal.stand_still()
        await session.recorder.wait_written()
        ((_, told),) = await messages(store)
    # Bench second 1000 is 23:20:50.52; settled within two minutes of switching on at 1005 s.
    minutes, seconds = divmod(50.52 + decided_s - 1000.0, 60.0)
    assert told["decided_utc"] == f"1985-04-12T23:{20 + minutes:.0f}:{seconds:06.3f}Z"
    assert 1005.0 < decided_s < 1125.0


async def test_a_limit_broken_after_confirmation_is_told_again_as_the_second_revision(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, store):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
        session.rehearsal.run_until(Stage.LIMIT, amperes=14.0)
        session.rehearsal.stand_still()
        await session.recorder.wait_written()
        told = [message for _, message in await messages(store)]
        assert [(t["revision"], t["state"]) for t in told] == [
            (1, "finished"),
            (2, "limit broken"),
        ]
        assert told[0]["id"] == told[1]["id"]
        assert told[0]["averages"] == told[1]["averages"] != []
        # The next trial counts anew.
        session.rehearsal.run_until(Stage.DONE)
        await session.recorder.wait_written()
        ((_, after),) = await messages(store)
        assert (after["revision"], after["condition"]) == (1, "long lead")
    assert [t.state for t in read_trials(path)] == ["limit broken", "finished"]


async def test_a_trial_left_unfinished_by_a_silent_meter_is_told_once(
    path: Path, bench: Bench, computer: Computer
) -> None:
    text = PLAN.replace('required = ["power"]', 'required = ["power", "velocity"]')
    plan = parse_plan(text, file="plan.toml", bench=bench)
    async with recording(path, bench, plan, computer) as (session, store):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.NOT_SETTLED)
        session.rehearsal.stand_still()
        await session.recorder.wait_written()
        told = [message for _, message in await messages(store)]
        called_for = session.session.called_for
        assert called_for is not None
        assert called_for.condition == "short lead"
    assert [(t["state"], t["revision"]) for t in told] == [("unfinished", 1)]
    assert "velocity: gaps" in told[0]["note"]
    assert [t.state for t in read_trials(path)] == ["unfinished"]


async def test_readings_and_gaps_bear_the_trial_in_which_they_came(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.SETTLING)
        gap = Gap("anemometer", session.clock.bench_s(), GapReason.NO_REPLY, "silent")
        session.rehearsal.take(gap)
        session.rehearsal.stand_still()
        session.rehearsal.take(Reading("anemometer", session.clock.bench_s(), (3.5,)))
    meter, air = (list(found.rows) for found in read_readings(path))
    trials = [row[2] for row in meter]
    # Four readings before; after switch-off the machine counts as on until the least off time of
    # 2 s has passed: with the reading at 2 s the trial is over.
    assert trials == [None] * 4 + [1] * (len(trials) - 6) + [None] * 2
    assert [row[2] for row in air] == [None]
    assert rows(path, "SELECT trial_id, instrument, reason, detail FROM gaps") == [
        (1, "anemometer", "no reply", "silent")
    ]


async def test_events_are_kept_with_the_session(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        session.recorder.event("line", "meter: its line is back.", 1003.0)
    assert rows(path, "SELECT session_id, at_s, kind, text FROM events") == [
        (1, 1003.0, "line", "meter: its line is back.")
    ]


async def test_the_clock_is_kept_when_it_is_stepped_and_readings_refer_to_it(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        session.rehearsal.read(0.0, 0.0)
        session.recorder.keep_clock()
        computer.utc_us += 3600 * 1_000_000
        session.recorder.keep_clock()
        await session.recorder.wait_written()
        session.rehearsal.read(0.0, 0.0)
    assert len(rows(path, "SELECT id FROM clocks")) == 2
    (found,) = [
        list(stored.rows) for stored in read_readings(path, instruments=["meter"])
    ]
    # One and two seconds after 23:20:50.52, the second one an hour later by the new clock.
    assert [row[0] for row in found] == [
        "1985-04-12T23:20:51.520Z",
        "1985-04-13T00:20:52.520Z",
    ]


def told_utc(path: Path) -> list[str]:
    """UTC of the meter's readings."""
    found = read_readings(path, instruments=["meter"])
    return [str(row[0]) for stored in found for row in stored.rows]


async def test_what_is_read_after_a_step_has_the_new_utc_at_once(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, store):
        session.rehearsal.read(0.0, 0.0)
        computer.utc_us += 3600 * 1_000_000
        # Nobody has looked at the clock since, and nothing is awaited: the store knows of no step yet.
        session.rehearsal.read(0.0, 0.0)
        gap = Gap("anemometer", session.clock.bench_s(), GapReason.NO_REPLY, "silent")
        session.rehearsal.take(gap)
        session.recorder.event("note", "the clock was set", session.clock.bench_s())
        await store.flush()
    assert told_utc(path) == ["1985-04-12T23:20:51.520Z", "1985-04-13T00:20:52.520Z"]
    first, second = (number for (number,) in rows(path, "SELECT id FROM clocks"))
    assert rows(path, "SELECT clock_id FROM gaps") == [(second,)]
    assert rows(path, "SELECT clock_id FROM events") == [(second,)]
    assert rows(path, "SELECT clock_id FROM readings_meter") == [(first,), (second,)]


async def test_a_reading_of_before_a_step_that_comes_late_keeps_the_old_utc(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        session.recorder.keep_clock()
        shown_s = session.clock.bench_s()
        computer.pass_s(2.0)
        computer.utc_us -= 3600 * 1_000_000
        session.recorder.keep_clock()
        session.recorder.take(Reading("meter", shown_s, (0.0, 0.0)))
        session.recorder.take(Reading("meter", session.clock.bench_s(), (0.0, 0.0)))
    assert told_utc(path) == ["1985-04-12T23:20:50.520Z", "1985-04-12T22:20:52.520Z"]


async def test_a_step_while_the_store_is_locked_is_in_its_place_once_it_can_be_written(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            session.rehearsal.read(0.0, 0.0)
            computer.utc_us += 3600 * 1_000_000
            session.rehearsal.read(0.0, 0.0)
    assert told_utc(path) == ["1985-04-12T23:20:51.520Z", "1985-04-13T00:20:52.520Z"]


async def test_a_result_tells_the_same_times_before_and_after_a_step_and_when_it_is_corrected(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, store):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.SETTLING)
        computer.utc_us += 3600 * 1_000_000
        session.rehearsal.run_until(Stage.DONE)
        result = session.rehearsal.running.results[0]
        # Set once more before anything is written: what was decided was decided at the time of then.
        computer.utc_us += 3600 * 1_000_000
        session.rehearsal.stand_still()
        await session.recorder.wait_written()
        (told,) = [message for _, message in await messages(store)]
        session.recorder.alter(Altered(1, result, "mixed up", "page"))
        await session.recorder.wait_written()
        (again,) = [message for _, message in await messages(store)]
    assert told["started_utc"] == "1985-04-12T23:20:55.520Z"
    minutes, seconds = divmod(50.52 + result.ended_s - 1000.0, 60.0)
    assert told["decided_utc"] == f"1985-04-13T00:{20 + minutes:02.0f}:{seconds:06.3f}Z"
    assert again["started_utc"] == told["started_utc"]
    # The machine was switched off later, by a clock that had been set once more.
    assert again["decided_utc"] > "1985-04-13T01:2"


async def test_keeping_the_clock_waits_for_no_store(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            computer.pass_s(61.0)
            session.recorder.keep_clock()
            # Nothing was awaited, so whoever called goes on; the record waits for the file.
            session.rehearsal.read(0.0, 0.0)
            assert len(rows(path, "SELECT id FROM clocks")) == 1
        await session.recorder.wait_written()
        assert len(rows(path, "SELECT id FROM clocks")) == 2
