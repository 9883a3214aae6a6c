"""Trials that are changed after they have ended: what counts now, what it was before, and who asked for it."""

import asyncio
import json
import sqlite3
from collections.abc import Awaitable, Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daq.conditions import counting_averages
from daq.errors import StoreError, StoreFailingError
from daq.records import PlannedTrial, Reading, TrialState
from daq.runtime.store import (
    Store,
    read_budgets,
    read_sessions,
    read_trial_averages,
    read_trials,
)
from daq.runtime.store.analyses import insert_analysed_trial, insert_analysis
from daq.runtime.store.compared import read_session_figures
from daq.runtime.store.edges import read_session_edges
from daq.runtime.store.opening import altering_store
from daq.runtime.store.replay import replaying
from daq.runtime.store.traces import read_traces
from daq.trials.session import Occurrence
from daq.trials.stages import Happening, Stage
from daq.wording import occurrence_text
from tests.runtime.compared_sessions import REPEATED, store_session
from tests.runtime.stored_bench import (
    ORDER,
    POWER,
    SUPPLY,
    add_clock,
    ask,
    begin_session,
    begin_trial,
    opened,
    result,
    run_trial,
)

SHORT = ORDER[1]
ADDED = PlannedTrial(3, "short lead", 2, baseline=False)
NOTE = 'relabelled from "long lead" to "short lead": wrong lead fitted'
BOTH_NOTES = f"{NOTE}; set aside: door open"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


async def relabel(
    store: Store,
    trial: int = 1,
    planned: PlannedTrial = SHORT,
    *,
    outbox: tuple[str, str] | None = None,
) -> None:
    await store.relabel_trial(
        trial,
        planned=planned,
        reason="wrong lead fitted",
        way="page",
        at_utc="2026-01-05T10:00:00.000Z",
        outbox=outbox,
    )


async def set_aside(
    store: Store, trial: int = 1, *, outbox: tuple[str, str] | None = None
) -> None:
    await store.set_aside_trial(
        trial,
        reason="door open",
        way="command line",
        at_utc="2026-01-05T10:00:00.000Z",
        outbox=outbox,
    )


# ---- relabelled


async def test_a_relabelled_trial_counts_for_its_new_line_and_says_so(
    path: Path,
) -> None:
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER, note="drifting"))
        await relabel(store, outbox=("results", "{}"))
        found = await store.open_session("leads")
        assert await store.outbox_next() == (1, "7a1", "results", "{}")
    assert found is not None
    noted = replace(result("7a1", POWER), planned=SHORT, note=f"drifting; {NOTE}")
    assert found.ended == (noted,)
    (average,) = read_trial_averages(path)
    assert (average.condition, average.position, average.baseline) == (
        "short lead",
        2,
        False,
    )


async def test_what_a_relabelled_trial_was_called_for_is_kept(path: Path) -> None:
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER))
        await relabel(store)
        await relabel(store, planned=ORDER[0])
        assert (await store.told_of(1)).corrections == 2
    rows = ask(
        path,
        "SELECT trial_id, from_position, from_condition, from_repeat, from_baseline,"
        " to_position, to_condition, to_repeat, to_baseline FROM relabellings ORDER BY id",
    )
    there = (1, "long lead", 1, 1, 2, "short lead", 1, 0)
    assert rows == [(1, *there), (1, *there[4:], *there[:4])]
    told = ask(path, "SELECT DISTINCT reason, way, at_utc FROM relabellings")
    assert told == [("wrong lead fitted", "page", "2026-01-05T10:00:00.000Z")]
    back = 'relabelled from "short lead" to "long lead": wrong lead fitted'
    assert read_trials(path)[0].note == f"{NOTE}; {back}"


async def test_a_line_that_the_order_lacks_is_added_with_the_trial(
    path: Path,
) -> None:
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER))
        await relabel(store)
        await relabel(store, planned=ADDED)
        found = await store.open_session("leads")
    assert found is not None
    assert found.order == (*ORDER, ADDED)


async def test_a_trial_that_runs_or_is_not_there_cannot_be_changed(path: Path) -> None:
    async with opened(path) as store:
        clock, session = await add_clock(store), await begin_session(store)
        await begin_trial(store, session, clock)
        for change in (relabel, set_aside):
            with pytest.raises(StoreError, match="trial 1 has not ended"):
                await change(store)
            with pytest.raises(StoreError, match="there is no trial 7"):
                await change(store, 7)
        assert await store.outbox_next() is None
        with pytest.raises(StoreError, match="trial 1 has not ended"):
            await store.told_of(1)
    assert [(t.state, t.condition, t.note) for t in read_trials(path)] == [
        ("running", "long lead", "")
    ]


@pytest.mark.parametrize("change", [relabel, set_aside])
async def test_a_change_that_is_broken_off_leaves_nothing_behind(
    path: Path, change: Callable[..., Awaitable[None]]
) -> None:
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER))
    before = [*read_trials(path), *read_trial_averages(path)]
    with closing(sqlite3.connect(path)) as connection:
        # The message is written last.
        connection.execute(
            "CREATE TRIGGER pulled BEFORE INSERT ON outbox"
            " BEGIN SELECT raise(ABORT, 'the plug is pulled'); END"
        )
    async with opened(path) as store:
        with pytest.raises(StoreFailingError, match="the plug is pulled"):
            await change(store, outbox=("results", "{}"))
    assert [*read_trials(path), *read_trial_averages(path)] == before
    for table in ("relabellings", "settings_aside", "outbox"):
        assert ask(path, f"SELECT count(*) FROM {table}") == [(0,)]  # noqa: S608 - names above


# ---- set aside


async def test_a_trial_set_aside_keeps_its_averages_and_how_it_had_ended(
    path: Path,
) -> None:
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER, SUPPLY))
        await set_aside(store, outbox=("results", "{}"))
        with pytest.raises(StoreError, match="trial 1 is set aside already"):
            await set_aside(store)
        found = await store.open_session("leads")
        assert await store.outbox_next() == (1, "7a1", "results", "{}")
        assert (await store.told_of(1)).corrections == 1
    assert found is not None
    assert found.ended[0].state is TrialState.SET_ASIDE
    assert found.ended[0].note == "set aside: door open"
    assert ask(path, "SELECT state_before FROM trials") == [("finished",)]
    assert ask(path, "SELECT trial_id, reason, way, at_utc FROM settings_aside") == [
        (1, "door open", "command line", "2026-01-05T10:00:00.000Z")
    ]
    averages = read_trial_averages(path)
    assert [(a.channel, a.mean, a.state) for a in averages] == [
        ("power", 1383.2, "set aside"),
        ("supply", 229.0, "set aside"),
    ]
    assert counting_averages(averages) == []
    assert (read_sessions(path)[0].trials, read_sessions(path)[0].finished) == (1, 0)


@pytest.mark.parametrize(
    "note",
    # Whoever writes it may know what was changed, or not.
    ["drifting", f"drifting; {BOTH_NOTES}"],
)
async def test_what_was_changed_before_the_machine_was_off_outlasts_the_switching_off(
    path: Path, note: str
) -> None:
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER, note="drifting"))
        await relabel(store)
        await set_aside(store)
        last = result("7a1", POWER, ended_s=250.0, note=note)
        await store.end_trial(1, last, rule_json="{}", outbox=None)
    (trial,) = read_trials(path)
    assert (trial.state, trial.condition, trial.duration_s) == (
        "set aside",
        "short lead",
        150.0,
    )
    assert trial.note == f"drifting; {BOTH_NOTES}"
    assert ask(path, "SELECT state_before FROM trials") == [("finished",)]


# ---- what is made of them


async def test_a_comparison_takes_a_trial_for_what_it_was_and_leaves_out_what_was_set_aside(
    path: Path,
) -> None:
    await asyncio.to_thread(store_session, path, REPEATED)
    async with opened(path, {}) as store:
        await relabel(store, 2, PlannedTrial(7, "thin lead", 3, baseline=False))
        await set_aside(store, 6)
    found = read_session_figures(path)
    assert [(o.trial, o.condition) for o in found.observations["power"]] == [
        (1, "short lead"),
        (2, "thin lead"),
        (3, "thin lead"),
        (4, "short lead"),
        (5, "long lead"),
    ]
    (left_out,) = found.left_out
    assert (left_out.trial, left_out.state, left_out.note) == (
        6,
        "set aside",
        "set aside: door open",
    )


async def test_a_lead_is_that_of_the_new_condition_and_none_of_what_was_set_aside(
    path: Path,
) -> None:
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER))
        await relabel(store)
        assert [e.condition for e in read_session_edges(path)] == ["short lead"]
        await set_aside(store)
        assert read_session_edges(path) == ()


async def test_an_analysis_made_before_tells_of_the_change_too(path: Path) -> None:
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER))
        second = await begin_trial(store, 1, 1, uuid="7a2")
        ended = result("7a2", POWER)
        await store.end_trial(second, ended, rule_json="{}", outbox=None)
    with altering_store(path) as connection:
        number = insert_analysis(
            connection, session=1, software="steadybench 9", rule_json="{}"
        )
        for trial, note in ((1, "drifting"), (2, "")):
            judged = result(f"7a{trial}", POWER, note=note)
            insert_analysed_trial(connection, number, trial, judged)
    async with opened(path) as store:
        await set_aside(store, 1)
        await relabel(store, 2)
    trials = read_trials(path, analysis=number)
    assert [(t.state, t.condition, t.note) for t in trials] == [
        ("set aside", "long lead", "drifting; set aside: door open"),
        ("finished", "short lead", NOTE),
    ]
    averages = read_trial_averages(path, analysis=number)
    assert [(a.state, a.condition) for a in averages] == [
        ("set aside", "long lead"),
        ("finished", "short lead"),
    ]
    assert [a.trial for a in counting_averages(averages)] == [2]


async def test_a_trial_set_aside_is_judged_again_as_it_had_ended(path: Path) -> None:
    async with opened(path) as store:
        broken = replace(result("7a1"), state=TrialState.LIMIT_BROKEN)
        await run_trial(store, broken)
        await set_aside(store)
    with replaying(path, keeping=False) as replay:
        (trial,) = replay.session().trials
    assert trial.result.state is TrialState.LIMIT_BROKEN


async def test_the_end_of_a_relabelled_trials_run_up_is_known_from_the_log(
    path: Path,
) -> None:
    over = Occurrence(Stage.SETTLING, Happening.RUN_UP_OVER, 104.0, ORDER[0])
    async with opened(path) as store:
        trial = await run_trial(store, result("7a1", POWER))
        reading = Reading("meter", 101.0, (230.0, 50.0, 1383.0))
        store.add_reading(reading, clock_id=1, trial_id=trial)
        text = occurrence_text(over)
        store.add_event("settling", text, at_s=104.0, clock_id=1, session_id=1)
        await relabel(store)
    (trace,) = read_traces(path, read_budgets(path))
    assert (trace.condition, trace.run_up_s) == ("short lead", 4.0)


# ---- the journal


async def test_what_operators_ask_for_is_kept_in_order(path: Path) -> None:
    async with opened(path) as store:
        clock, session = await add_clock(store), await begin_session(store)
        store.add_operation(
            "start",
            at_s=100.0,
            clock_id=clock,
            session_id=None,
            way="command line",
            detail={"plan": "leads", "new": False},
        )
        # The trial is on its way to the disk itself.
        trial = await begin_trial(store, session, clock)
        store.add_operation(
            "note",
            at_s=101.0,
            clock_id=clock,
            session_id=session,
            way="page",
            trial_id=trial,
            detail={"text": "lead is 25 °C"},
        )
    rows = ask(
        path,
        "SELECT at_s, clock_id, session_id, way, kind, trial_id, detail_json"
        " FROM operations ORDER BY id",
    )
    first, second = rows
    assert first[:6] == (100.0, 1, None, "command line", "start", None)
    assert json.loads(str(first[6])) == {"plan": "leads", "new": False}
    assert second == (101.0, 1, 1, "page", "note", 1, '{"text": "lead is 25 °C"}')
