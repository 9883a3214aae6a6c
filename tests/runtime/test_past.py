"""Stored sessions as the page gets them: the list, and one session with nothing that is live."""

import asyncio
import json
import sqlite3
from collections.abc import Awaitable, Callable
from contextlib import closing
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest

from daq.records import Gap, GapReason, PlannedTrial, Reading, TrialState
from daq.runtime.compared_lines import compared_so_far
from daq.runtime.past import session_json, sessions_json, trial_trace_json
from daq.runtime.past_snapshot import snapshot_of
from daq.runtime.snapshot import Snapshot
from daq.runtime.store import Store
from daq.runtime.store.past import PastSession, read_past_session
from tests.runtime.compared_sessions import ONCE, Carried, store_session
from tests.runtime.stored_bench import (
    FACTS,
    METER,
    ORDER,
    POWER,
    SUPPLY,
    add_clock,
    begin_session,
    begin_trial,
    opened,
    result,
    run_trial,
)

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
FACTS_2 = replace(FACTS, session_id="5e551012")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def written(path: Path, write: Callable[[Store], Awaitable[object]]) -> Path:
    async def run() -> None:
        async with opened(path) as store:
            await write(store)

    asyncio.run(run())
    return path


def alter(path: Path, statement: str, *values: object) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement, values)


def past(path: Path, number: int = 1) -> PastSession:
    found = read_past_session(path, number)
    assert found is not None
    return found


def shown(path: Path, number: int = 1) -> Snapshot:
    return snapshot_of(past(path, number), comparison=None)


def content(text: str | None) -> Any:
    assert text is not None
    return json.loads(text)


async def settled(store: Store) -> None:
    await run_trial(store, result("7a1", SUPPLY, POWER))


async def never_ended(store: Store) -> None:
    clock, session = await add_clock(store), await begin_session(store)
    await begin_trial(store, session, clock)


# ---- the list


def test_sessions_are_listed_newest_first(path: Path) -> None:
    store_session(path, ONCE)
    failed = Carried("short lead", state=TrialState.NOT_SETTLED, note="it swings")
    store_session(path, [failed])
    alter(
        path, "UPDATE sessions SET state = 'finished', ended_utc = 'then' WHERE id = 1"
    )
    found = content(sessions_json(path))
    same = {
        "plan": "leads",
        "machine": "Drying blower",
        "started_utc": "1985-04-12T23:20:50.520Z",
    }
    assert found == {
        "format": 1,
        "sessions": [
            {**same, "session": 2, "ended_utc": None, "state": "open"}
            | {"trials": 1, "finished": 0},
            {**same, "session": 1, "ended_utc": "then", "state": "finished"}
            | {"trials": 3, "finished": 3},
        ],
    }


# ---- one session


@pytest.mark.slow
def test_a_session_is_answered_with_its_snapshot_trials_and_comparison(
    path: Path,
) -> None:
    store_session(path)
    found = content(session_json(path, 1, compared_so_far(path, 1)))
    snapshot = found["snapshot"]
    assert (found["format"], snapshot["format"]) == (1, 2)
    assert set(snapshot) == {field.name for field in fields(Snapshot)}
    # A trial every 300 s, ended after 200 s, averaged from 120 to 180 s.
    assert found["trials"][1] == {
        "trial": 2,
        "position": 2,
        "condition": "long lead",
        "repeat": 1,
        "attempt": 1,
        "state": "finished",
        "started_s": 300.0,
        "ended_s": 500.0,
        "started_utc": "1985-04-12T23:25:50.520Z",
        "run_up_end_s": None,
        "window_s": [420.0, 480.0],
        "note": "",
    }
    comparison = snapshot["comparison"]
    assert comparison["after_trials"] == 6
    assert {d["verdict"] for d in comparison["differences"]} == {"real"}


@pytest.mark.parametrize("number", [-1, 0, 2, 10**30])
def test_a_session_that_is_not_there_is_no_answer(path: Path, number: int) -> None:
    written(path, settled)
    assert session_json(path, number, None) is None
    assert trial_trace_json(path, 1, number) is None
    assert trial_trace_json(path, number, 1) is None


def test_nothing_of_a_stored_session_is_live(path: Path) -> None:
    snapshot = shown(store_session(path, ONCE))
    assert snapshot.stage.name == "stored"
    assert (snapshot.condition, snapshot.trial, snapshot.alarms) == (None, None, ())
    assert {channel.value for channel in snapshot.channels} == {None}
    assert [c.name for c in snapshot.channels if c.required] == ["power"]
    assert [i.name for i in snapshot.instruments] == ["meter", "anemometer"]


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("open", "Session 1 of 1985-04-12, not finished: 2 of 3 trials."),
        ("finished", "Session 1 of 1985-04-12, finished: 2 of 3 trials."),
        ("abandoned", "Session 1 of 1985-04-12, left unfinished: 2 of 3 trials."),
    ],
)
def test_how_far_a_session_came_is_said_in_a_sentence(
    path: Path, state: str, words: str
) -> None:
    too_short = replace(ONCE[2], state=TrialState.UNFINISHED)
    store_session(path, [*ONCE[:2], too_short])
    alter(path, "UPDATE sessions SET state = ?", state)
    snapshot = shown(path)
    assert snapshot.instruction == words
    assert snapshot.session is not None
    assert (snapshot.session.done, snapshot.session.total) == (2, 3)


def test_lines_left_out_and_added_stand_in_the_order_of_calling(path: Path) -> None:
    async def operated(store: Store) -> None:
        await settled(store)
        added = PlannedTrial(3, "long lead", 2, baseline=True)
        order = (ORDER[0], added, ORDER[1])
        await store.update_session(1, order=order, skipped=[2], paused=False)

    snapshot = shown(written(path, operated))
    assert snapshot.instruction.endswith("1 of 3 trials, 1 left out.")
    assert [(line.position, line.state) for line in snapshot.slip] == [
        (1, "done"),
        (3, "to come"),
        (2, "skipped"),
    ]


def test_the_slip_has_averages_notes_and_numbers_of_trials(path: Path) -> None:
    failed = Carried("long lead", state=TrialState.NOT_SETTLED, note="it swings")
    store_session(path, [ONCE[0], failed])
    done, swinging = shown(path).slip
    assert (done.state, done.trial, done.note) == ("done", 1, None)
    assert done.averages["power"].mean == pytest.approx(1400.0)
    assert (swinging.state, swinging.trial) == ("not settled", 2)
    assert (swinging.note, swinging.averages) == ("it swings", {})


def test_a_line_without_a_trial_is_to_come(path: Path) -> None:
    _, line = shown(written(path, settled)).slip
    assert (line.state, line.trial, line.averages) == ("to come", None, {})


def test_a_trial_set_aside_does_not_make_its_line_done(path: Path) -> None:
    written(path, settled)
    alter(path, "UPDATE trials SET state = 'set aside', note = 'door open'")
    snapshot = shown(path)
    assert snapshot.slip[0].state == "set aside"
    assert snapshot.slip[0].note == "door open"
    assert snapshot.session is not None
    assert snapshot.session.done == 0


def test_the_newest_trial_of_a_line_that_has_ended_is_shown(path: Path) -> None:
    async def again(store: Store) -> None:
        clock, session = await add_clock(store), await begin_session(store)
        first = await begin_trial(store, session, clock)
        short = result("7a1", note="switched off too soon")
        await store.end_trial(first, short, rule_json="{}", outbox=None)
        await begin_trial(store, session, clock, uuid="7a2", at_s=300.0)

    line, _ = shown(written(path, again)).slip
    assert (line.state, line.trial) == ("running", 1)
    assert line.note == "switched off too soon"


def test_a_trial_of_a_session_in_progress_runs(path: Path) -> None:
    (trial,) = past(written(path, never_ended)).trials
    assert (trial.state, trial.ended_s, trial.window) == ("running", None, None)


def test_a_trial_that_a_killed_program_left_runs_no_more(path: Path) -> None:
    written(path, never_ended)
    alter(path, "UPDATE sessions SET state = 'abandoned'")
    assert past(path).trials[0].state == "unfinished"
    assert shown(path).slip[0].state == "unfinished"


def test_a_session_without_a_trial_has_its_order_only(path: Path) -> None:
    snapshot = shown(written(path, begin_session))
    assert [line.state for line in snapshot.slip] == ["to come", "to come"]
    assert (snapshot.events, snapshot.session and snapshot.session.done) == ((), 0)


def test_the_clock_stands_at_the_end_of_the_session(path: Path) -> None:
    async def finished(store: Store) -> None:
        await settled(store)
        # Bench second 100 is 23:20:50.520.
        ended = "1985-04-12T23:30:50.520Z"
        await store.end_session(1, state="finished", ended_utc=ended)

    clock = shown(written(path, finished)).clock
    assert (clock.now_s, clock.utc) == (700.0, "1985-04-12T23:30:50.520Z")


def test_the_clock_of_an_open_session_stands_at_what_happened_last(path: Path) -> None:
    # The trial began at 100 s and ended at 200 s.
    clock = shown(written(path, settled)).clock
    assert (clock.now_s, clock.utc) == (200.0, "1985-04-12T23:22:30.520Z")


def test_the_newest_two_hundred_events_are_shown_newest_first(path: Path) -> None:
    async def eventful(store: Store) -> None:
        clock, session = await add_clock(store), await begin_session(store)
        for number in range(250):
            text = f"event {number}"
            at_s = 100.0 + number
            store.add_event("note", text, at_s=at_s, clock_id=clock, session_id=session)
        store.add_event("note", "idle", at_s=900.0, clock_id=clock, session_id=None)

    events = shown(written(path, eventful)).events
    assert [event.text for event in events] == [
        f"event {n}" for n in range(249, 49, -1)
    ]
    assert (events[0].at_s, events[0].utc) == (349.0, "1985-04-12T23:24:59.520Z")


def test_the_end_of_the_run_up_is_found_whatever_the_condition_was_called(
    path: Path,
) -> None:
    async def told(store: Store) -> None:
        await settled(store)
        words = "another lead: run-up is over."
        for at_s in (90.0, 106.0, 250.0):
            store.add_event("trial", words, at_s=at_s, clock_id=1, session_id=1)

    assert past(written(path, told)).trials[0].run_up_end_s == 106.0


def test_readings_and_gaps_of_the_trials_are_counted(path: Path) -> None:
    async def read(store: Store) -> None:
        clock, session = await add_clock(store), await begin_session(store)
        trial = await begin_trial(store, session, clock)
        for trial_id in (trial, None):
            for second in range(3):
                reading = Reading("meter", 101.0 + second, (229.0, None, 1383.0))
                store.add_reading(reading, clock_id=clock, trial_id=trial_id)
            gap = Gap("meter", 104.0, GapReason.NO_REPLY)
            store.add_gap(gap, clock_id=clock, trial_id=trial_id)

    (meter,) = shown(written(path, read)).instruments
    assert (meter.name, meter.readings, meter.gaps) == ("meter", 3, 1)


def test_channels_are_shown_as_they_were_described_then(path: Path) -> None:
    written(path, settled)
    supply, power = METER["meter"]
    described = {"meter": (replace(supply, title="Socket"), power)}

    async def later() -> None:
        async with opened(path, described) as store:
            session = await begin_session(store, FACTS_2)
            await begin_trial(store, session, await add_clock(store), uuid="7a2")

    asyncio.run(later())
    assert [channel.title for channel in shown(path, 1).channels] == ["Supply", "Power"]
    assert [channel.title for channel in shown(path, 2).channels] == ["Power", "Socket"]


def test_channels_of_an_earlier_bench_are_not_shown(path: Path) -> None:
    written(path, settled)
    store_session(path, ONCE)
    names = {channel.name for channel in shown(path, 2).channels}
    assert names == {"machine_voltage", "current", "power", "velocity"}
    assert "supply" in {channel.name for channel in past(path, 2).channels}


# ---- an earlier format


@pytest.mark.slow
def test_a_store_of_format_1_is_looked_at_as_it_lies(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    before = path.read_bytes()
    assert content(sessions_json(path))["sessions"][0]["trials"] == 2
    found = content(session_json(path, 1, compared_so_far(path, 1)))
    assert path.read_bytes() == before
    slip = found["snapshot"]["slip"]
    assert [line["condition"] for line in slip] == [line.condition for line in ORDER]
    assert [line["state"] for line in slip] == ["done", "unfinished"]
    assert slip[0]["averages"]["power"]["mean"] == 1383.2
    channels = found["snapshot"]["channels"]
    assert [(c["name"], c["required"]) for c in channels] == [
        ("supply", True),
        ("power", True),
    ]
    # Its plan is none that any version could read.
    (answer,) = found["snapshot"]["comparison"]["answer"]
    assert answer.startswith("The comparison cannot be made yet: plan of session 1:")
