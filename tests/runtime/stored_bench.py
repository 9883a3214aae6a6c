"""A small bench, a session and a trial of it, as the store is given them."""

import asyncio
import math
import sqlite3
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager, closing
from dataclasses import replace
from pathlib import Path

from daq.records import (
    Accuracy,
    Channel,
    PlannedTrial,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
)
from daq.runtime.store import Store

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
