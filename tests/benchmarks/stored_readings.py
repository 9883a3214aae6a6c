"""10 million stored readings judged again by the object that judges them live, beside reading them back alone.

47 trials of half an hour, twelve required channels, ten polls a second, written by the store's own writer. No trial settles, so
the rule is fed every one of its readings. Reading back is what re-analysis itself does (`Replay.blocks`); the same rows fetched by bare SQL
stand beside it.
"""

import asyncio
import sqlite3
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np

from daq.records import (
    PlannedTrial,
    Reading,
    SessionFacts,
    TrialResult,
    TrialState,
)
from daq.runtime.store import Store
from daq.runtime.store.replay import BLOCK, RecordedTrial, Replay, replaying
from daq.trials.judging import reading_order, render_rule
from daq.trials.reanalysis import judge_again
from tests.benchmarks.measuring import say, show_goal, show_table
from tests.benchmarks.twelve_channels import (
    CHANNELS,
    INSTRUMENT,
    NAMES,
    NEVER_SETTLED,
    POLLS_A_SECOND,
    RULES,
    polls_of,
)

_TRIAL_S = 1800
_POLLS = _TRIAL_S * POLLS_A_SECOND
_POLLS_A_QUESTION = 5000
_PAUSE_S = 60.0


def write_store(path: Path, trials: int) -> None:
    """A session of so many trials."""
    asyncio.run(_write(path, trials))


async def _write(path: Path, trials: int) -> None:
    store = Store.open(
        path,
        instruments={INSTRUMENT: RULES.channels},
        on_trouble=_trouble,
        loop=asyncio.get_running_loop(),
    )
    clock = await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    order = tuple(
        PlannedTrial(n + 1, NEVER_SETTLED[n % len(NEVER_SETTLED)], 1, baseline=n == 0)
        for n in range(trials)
    )
    session = await store.begin_session(
        _FACTS, plan_digest="", plan_text="", bench_text="", seed=0, order=order
    )
    for planned in order:
        await _write_trial(store, session, clock, planned)
    await store.close()


async def _write_trial(
    store: Store, session: int, clock: int, planned: PlannedTrial
) -> None:
    started_s = planned.position * (_TRIAL_S + _PAUSE_S)
    rule_json, uuid = render_rule(RULES), f"trial-{planned.position}"
    number = store.begin_trial(
        session,
        planned,
        attempt=1,
        uuid=uuid,
        clock_id=clock,
        started_s=started_s,
        rule_json=rule_json,
    )
    rows = polls_of(planned.condition, planned.position, _POLLS).tolist()
    for count, values in enumerate(rows):
        at_s = started_s + count / POLLS_A_SECOND
        reading = Reading(INSTRUMENT, at_s, tuple(values))
        store.add_reading(reading, clock_id=clock, trial_id=number)
        if count % _POLLS_A_QUESTION == 0:
            await store.outbox_next()  # answered behind the rows: none may be dropped
    ended = TrialResult(
        trial_id=uuid,
        planned=planned,
        attempt=1,
        state=TrialState.NOT_SETTLED,
        started_s=started_s,
        ended_s=started_s + _TRIAL_S,
    )
    await store.end_trial(number, ended, rule_json=rule_json, outbox=None)


_FACTS = SessionFacts(
    session_id="benchmark",
    number=0,
    bench="benchmark",
    plan="benchmark",
    machine="No machine",
    started_utc="2026-01-05T10:00:00.000Z",
    speed=1.0,
    software="benchmark",
)


def _trouble(text: str | None) -> None:
    if text is not None:
        raise RuntimeError(text)


# ---- what is measured


def fetch_bare(path: Path, trial: RecordedTrial) -> int:
    """Fetch a trial's rows by SQL alone, in blocks of the same size; returns how many readings they hold."""
    columns = ", ".join(f"{name}_w" for name in NAMES)
    statement = (
        f"SELECT seq, at_s, {columns} FROM readings_{INSTRUMENT}"  # noqa: S608 - names of ours
        " WHERE trial_id = ? AND seq >= ? ORDER BY seq LIMIT ?"
    )
    found, first = 0, trial.first_reading or 0
    with closing(sqlite3.connect(path)) as connection:
        while rows := connection.execute(
            statement, (trial.number, first, BLOCK)
        ).fetchall():
            found += len(rows) * CHANNELS
            first = rows[-1][0] + 1
    return found


def read_back(replay: Replay, trial: RecordedTrial) -> int:
    """Read a trial back as re-analysis does; returns how many readings there are."""
    order = reading_order(RULES)
    return sum(len(block.values) for block in replay.blocks(trial, order))


def judge(replay: Replay, trial: RecordedTrial) -> int:
    """Judge a trial again; returns whether it settled, as 0 or 1."""
    order = reading_order(RULES)
    result = judge_again(
        trial.result,
        RULES,
        lambda: replay.blocks(trial, order),
        idle={},
        even_so=False,
    )
    return int(result.state is TrialState.FINISHED)


def compare_reanalysis(trials: int) -> None:
    """Write, measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.db"
        begin_s = time.perf_counter()
        write_store(path, trials)
        write_s = time.perf_counter() - begin_s
        with replaying(path, keeping=False) as replay:
            recorded = replay.session().trials
            bare_s, readings = _each(recorded, lambda t: fetch_bare(path, t))
            read_s, same = _each(recorded, lambda t: read_back(replay, t))
            judge_s, settled = _each(recorded, lambda t: judge(replay, t))
        size_mb = path.stat().st_size / 1e6
    if readings != same:
        msg = f"read back {same} readings, expected {readings}"
        raise RuntimeError(msg)
    say(f"\nwritten in {write_s:.0f} s, {size_mb:.0f} MB; {settled} trials settled")
    summed_s = _sum_up(readings)
    rows = [
        _row("one np.cumsum over as many", summed_s, readings, read_s),
        _row("rows fetched by bare SQL", bare_s, readings, read_s),
        _row("read back", read_s, readings, read_s),
        _row("judged again, reading included", judge_s, readings, read_s),
    ]
    show_table(
        f"{readings / 1e6:.1f} million readings of {trials} trials",
        ("what", "s", "million a second", "x read back"),
        rows,
    )
    show_goal("10 million judged again, s", judge_s * 1e7 / readings, at_most=30.0)
    show_goal("judged again over read back", judge_s / read_s, at_most=10.0)


def _each(
    recorded: tuple[RecordedTrial, ...], work: Callable[[RecordedTrial], int]
) -> tuple[float, int]:
    """How long it takes for all trials [s], and the sum of what comes back."""
    begin_s = time.perf_counter()
    total = sum(work(trial) for trial in recorded)
    return time.perf_counter() - begin_s, total


def _sum_up(readings: int) -> float:
    values = np.ones((CHANNELS, readings // CHANNELS))
    begin_s = time.perf_counter()
    np.cumsum(values, axis=1)
    return time.perf_counter() - begin_s


def _row(what: str, took_s: float, readings: int, read_s: float) -> tuple[str, ...]:
    speed = readings / took_s / 1e6
    return what, f"{took_s:.2f}", f"{speed:.2f}", f"{took_s / read_s:.2f}"
