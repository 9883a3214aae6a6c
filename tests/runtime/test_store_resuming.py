"""Sessions that go on: what is to be done, how far they are, when they were worked on, and their spans of readings."""

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from daq.errors import StoreBusyError, StoreError
from daq.records import Gap, GapReason, PlannedTrial, Reading, TrialState
from daq.runtime.store import OpenSession, Store
from tests.runtime.stored_bench import (
    FACTS,
    METER,
    ORDER,
    POWER,
    add_clock,
    ask,
    begin_session,
    begin_trial,
    opened,
    result,
)

EXTRA = PlannedTrial(3, "long lead", 2, baseline=True)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


async def run(
    store: Store,
    uuid: str,
    planned: PlannedTrial,
    state: TrialState = TrialState.FINISHED,
) -> int:
    trial = await begin_trial(store, 1, 1, uuid=uuid, planned=planned)
    averages = (POWER,) if state is TrialState.FINISHED else ()
    ended = replace(result(uuid, *averages), planned=planned, state=state)
    await store.end_trial(trial, ended, rule_json="{}", outbox=None)
    return trial


def read(store: Store, at_s: float) -> None:
    reading = Reading("meter", at_s, (230.0, 50.0, 1383.0))
    store.add_reading(reading, clock_id=1, trial_id=None)


def spans(path: Path) -> list[tuple[object, ...]]:
    return ask(
        path,
        "SELECT session_id, first_seq, last_seq, first_gap, last_gap FROM spans ORDER BY id",
    )


# ---- what is to be done


async def test_order_lines_left_out_and_pause_outlast_the_program(path: Path) -> None:
    order = (EXTRA, *ORDER)
    async with opened(path) as store:
        session = await begin_session(store)
        await store.update_session(session, order=order, skipped={2, 1}, paused=True)
    async with opened(path) as store:
        found = await store.open_session("leads")
        assert found is not None
        assert (found.order, found.skipped, found.paused) == (
            order,
            frozenset({1, 2}),
            True,
        )
        await store.update_session(session, order=ORDER, skipped=(), paused=False)
        found = await store.open_session("leads")
        assert found is not None
        assert (found.order, found.skipped, found.paused) == (ORDER, frozenset(), False)


async def test_a_session_that_is_not_there_is_not_changed(path: Path) -> None:
    async with opened(path) as store:
        with pytest.raises(StoreError, match="there is no session 9"):
            await store.update_session(9, order=ORDER, skipped=(), paused=False)
        with pytest.raises(StoreError, match="there is no session 9"):
            await store.touch_session(9, "2026-01-05T10:00:00.000Z")
        with pytest.raises(StoreError, match="session 9 is not finished"):
            await store.reopen_session(9)


async def test_a_finished_session_is_open_again_when_a_line_is_added(
    path: Path,
) -> None:
    async with opened(path) as store:
        session = await begin_session(store)
        await store.end_session(session, state="finished", ended_utc="2026-01-05T11Z")
        await store.reopen_session(session)
        found = await store.open_session("leads")
        assert found is not None
        assert found.facts.number == session
        with pytest.raises(StoreError, match="session 1 is not finished"):
            await store.reopen_session(session)
    assert ask(path, "SELECT ended_utc FROM sessions") == [(None,)]


async def test_trials_are_known_by_their_numbers(path: Path) -> None:
    async with opened(path) as store:
        await add_clock(store)
        await begin_session(store)
        await run(store, "7a1", ORDER[0])
        await begin_trial(store, 1, 1, uuid="7a2", planned=ORDER[1])
        found = await store.open_session("leads")
    assert found is not None
    assert found.numbers == {"7a1": 1, "7a2": 2}


# ---- how far


async def test_lines_count_as_done_by_trials_that_count(path: Path) -> None:
    other = replace(FACTS, session_id="5e551012", plan="hoses")
    async with opened(path) as store:
        await add_clock(store)
        await begin_session(store)
        await begin_session(store, other)
        await store.update_session(1, order=(*ORDER, EXTRA), skipped={2}, paused=False)
        await run(store, "7a1", ORDER[0], TrialState.UNFINISHED)
        await run(store, "7a2", ORDER[1], TrialState.NOT_SETTLED)
        aside = await run(store, "7a3", EXTRA)
        await store.set_aside_trial(
            aside, reason="door open", way="page", at_utc="t", outbox=None
        )
        first, second = await store.open_sessions()
        assert (first.number, first.plan, first.done, first.total) == (1, "leads", 1, 3)
        assert second == OpenSession(2, "hoses", 0, 2, other.started_utc)
        await run(store, "7a4", EXTRA)
        await run(store, "7a5", EXTRA)
        assert (await store.open_sessions())[0].done == 2
        await store.end_session(1, state="abandoned", ended_utc="t")
        assert [each.number for each in await store.open_sessions()] == [2]


async def test_a_session_was_worked_on_when_it_began_and_when_a_trial_ended(
    path: Path,
) -> None:
    async def worked_on() -> str:
        (found,) = await store.open_sessions()
        return found.worked_on_utc

    async with opened(path) as store:
        await add_clock(store)
        session = await begin_session(store)
        assert await worked_on() == FACTS.started_utc
        await run(store, "7a1", ORDER[0])
        # 100 s after the moment of RFC 3339's example, 23:20:50.52, at which the trial began.
        assert await worked_on() == "1985-04-12T23:22:30.520Z"
        await store.touch_session(session, "2026-01-06T08:00:00.000Z")
        assert await worked_on() == "2026-01-06T08:00:00.000Z"
        found = await store.open_session("leads")
        assert found is not None
        assert found.worked_on_utc == "2026-01-06T08:00:00.000Z"
        await store.end_session(session, state="finished", ended_utc="2026-01-06T09Z")
    # That it is over was noted later than anything was done.
    assert ask(path, "SELECT worked_on_utc FROM sessions") == [
        ("2026-01-06T08:00:00.000Z",)
    ]


# ---- spans


async def test_a_span_holds_what_came_while_the_session_was_carried_out(
    path: Path,
) -> None:
    async with opened(path) as store:
        clock = await add_clock(store)
        session = await begin_session(store)
        read(store, 101.0)
        for _ in range(2):  # the second time nothing changes
            await store.begin_span(session, store.next_numbers)
            read(store, 102.0)
            gap = Gap("meter", 103.0, GapReason.CUT)
            store.add_gap(gap, clock_id=clock, trial_id=None)
        assert spans(path) == [(1, 2, None, 1, None)]
        for _ in range(2):
            await store.end_span(session, store.next_numbers)
            read(store, 104.0)
        await store.begin_span(session, store.next_numbers)
        await store.end_span(session, store.next_numbers)
    # The last holds nothing.
    assert spans(path) == [(1, 2, 3, 1, 2), (1, 6, 5, 3, 2)]


async def test_a_span_left_open_by_a_killed_program_ends_with_the_last_reading(
    path: Path,
) -> None:
    async with opened(path) as store:
        await add_clock(store)
        await begin_session(store)
        await store.begin_span(1, store.next_numbers)
        for at_s in (101.0, 102.0):
            read(store, at_s)
    async with opened(path) as store:
        assert spans(path) == [(1, 1, 2, 1, 0)]
        read(store, 200.0)
        await store.begin_span(1, store.next_numbers)
        await store.open_sessions()
        assert spans(path) == [(1, 1, 2, 1, 0), (1, 4, None, 1, None)]


async def test_a_program_that_is_refused_does_not_end_the_span_of_the_one_that_writes(
    path: Path,
) -> None:
    async with opened(path) as store:
        await begin_session(store)
        await store.begin_span(1, store.next_numbers)
        with pytest.raises(StoreBusyError):
            Store.open(
                path,
                instruments=METER,
                on_trouble=lambda _: None,
                loop=asyncio.get_running_loop(),
            )
        assert spans(path) == [(1, 1, None, 1, None)]


async def test_a_session_that_is_not_there_gets_no_span(path: Path) -> None:
    async with opened(path) as store:
        with pytest.raises(StoreError, match="there is no session 9"):
            await store.begin_span(9, store.next_numbers)
        assert store.failing is None
    assert spans(path) == []
