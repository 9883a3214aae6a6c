"""A day of `daq serve` with twelve channels read ten times a second and a fault every minute, in as little time as the work takes.

    python tests/campaigns/soak.py --hours 24                       # about an hour on a machine of its own
    python tests/campaigns/soak.py --hours 1 --life-speed           # real time, each character of the wire takes its time

The service is the real one: poller, sessions one after the other, store, page, Unix socket, publisher. Its time stands still while it computes and is shortened
while it waits (`soak_time`); the meter and a broker live in the same event loop and go wrong by the seed (`soak_faults`). The store is then held against
what the meter had to show (`soak_machine`, `soak_findings`). Exit code 1 where memory or descriptors grow, a reading is false, an average is, too little was measured to tell, faults were
not made, or `--at-most-min` ended it before memory and bytes could be judged (`soak_verdict`).
"""

import argparse
import asyncio
import json
import math
import os
import resource
import signal
import sqlite3
import sys
import tempfile
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Coroutine
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.config.bench import Bench
from daq.config.plan import Plan, parse_plan
from daq.errors import Refusal
from daq.runtime.clock import Clock
from daq.runtime.daemon import Surroundings, serve_bench
from daq.runtime.places import socket_path
from daq.runtime.snapshot import EventLine, Snapshot
from daq.runtime.web import Page
from tests.benchmarks.measuring import say, show_goal, show_table
from tests.benchmarks.register_bench import unpaced
from tests.campaigns.arguments import a_span, unless_broken_off
from tests.campaigns.soak_faults import (
    SPOILS_ONE,
    Fault,
    Meter,
    Sink,
    look_and_leave,
)
from tests.campaigns.soak_findings import Findings, look_at
from tests.campaigns.soak_machine import PLAN, Machine, soak_bench
from tests.campaigns.soak_time import ShortenedLoop
from tests.campaigns.soak_verdict import (
    MOST_BYTES_A_VALUE,
    MOST_MEMORY,
    MOST_WITH_REASONS,
    SETTLED_AT_LIFE_SPEED_H,
    SETTLED_H,
    Look,
    broken_off,
    due,
    growth,
    unmade,
    wrongs,
)

QUICKER = 100.0
"""Simulated seconds that a second of waiting stands for."""
_BAUD = 115_200
_PACED_BAUD = 19_200
_MINUTE_S = 60.0
_LOCKED_REAL_S = 1.0
"""Longer than the store waits for a lock."""
_UTC_US = 1_800_000_000_000_000


@dataclass
class Run:
    """What came of it.

    Attributes:
        begun_s: Simulated time at which the meter began to count [s].
        asked: Polls that reached the meter [1].
        faults: How often each was made [1].
        looks: One a simulated minute.
        sentences: How often what was said or answered [1].
    """

    folder: Path
    begun_s: float = 0.0
    asked: int = 0
    faults: Counter[Fault] = field(default_factory=Counter)
    looks: list[Look] = field(default_factory=list)
    sentences: Counter[str] = field(default_factory=Counter)
    findings: Findings = field(default_factory=Findings)

    @property
    def store(self) -> Path:
        """The results file."""
        return self.folder / "bench.db"


class _Follower:
    """A screen that keeps the newest snapshot."""

    def __init__(self, run: Run) -> None:
        self.snapshot: Snapshot | None = None
        self.newest: deque[str] = deque(maxlen=10)
        self._run = run

    def attach(self, on_told: Callable[..., None]) -> None:
        """There is no keyboard."""

    def refused(self, code: Refusal, text: str) -> None:
        """Nothing is typed here."""

    def started(self, *, page_url: str, broker: str, words: str) -> None:
        """Nobody is told."""

    def show(self, snapshot: Snapshot) -> None:
        """The newest one."""
        self.snapshot = snapshot

    def event(self, line: EventLine) -> None:
        """Count those of store and broker."""
        self.newest.append(line.text)
        if line.text.startswith("Broker: away"):
            self._run.sentences["broker away"] += 1
        elif "Readings are kept in memory" in line.text:
            self._run.sentences["store in trouble"] += 1


class Soak:
    """One run of the service; to be made in the loop that it runs in."""

    def __init__(
        self,
        run: Run,
        machine: Machine,
        *,
        seed: int,
        baud: int | None,
        fault_every_s: float,
    ) -> None:
        self._run = run
        self._loop = asyncio.get_running_loop()
        self._random = Random(seed)  # noqa: S311 - faults, no secret
        self._meter = Meter(machine, self._random, baud=baud)
        self._sink = Sink()
        self._baud = baud
        self._fault_every_s = fault_every_s
        self._follower = _Follower(run)
        self._page: asyncio.Future[Page] = self._loop.create_future()
        self._under_way: set[asyncio.Task[None]] = set()
        self._order: list[Fault] = []
        self._locking: asyncio.Future[None] | None = None
        self._is_told_to_end = False

    async def last(
        self, for_s: float, *, at_most_real_s: float, is_faulty: bool
    ) -> None:
        """Serve so long; with a fault a minute, or without."""
        run = self._run
        await self._meter.plug()
        await self._sink.listen()
        run.begun_s = self._loop.time()
        async with asyncio.TaskGroup() as tasks:
            serving = tasks.create_task(self._serve())
            beside = [tasks.create_task(self._operate())]
            if is_faulty:
                beside.append(tasks.create_task(self._go_wrong()))
            await self._watch(for_s, time.monotonic() + at_most_real_s)
            for task in (*beside, *self._under_way):
                task.cancel()
            if self._locking is not None:
                # A service that ends while its store is locked may not get its last readings into it, and says so.
                await self._locking
            self._is_told_to_end = True
            os.kill(os.getpid(), signal.SIGTERM)
            await serving
        run.asked = self._meter.asked
        self._meter.unplug()
        self._sink.go_away()

    async def _serve(self) -> None:
        code = await serve_bench(self._surroundings())
        if not self._is_told_to_end:
            said = "\n".join(self._follower.newest)
            raise RuntimeError(f"the service ended by itself with {code}:\n{said}")

    def _surroundings(self) -> Surroundings:
        bench = soak_bench(
            meter_port=self._meter.port,
            broker_port=self._sink.port,
            baud=self._baud or _BAUD,
        )
        if self._baud is None:
            bench = replace(bench, instruments=tuple(map(unpaced, bench.instruments)))
        clock = (
            Clock(
                since_boot_s=self._loop.time,
                utc_us=lambda: _UTC_US + round(self._loop.time() * 1e6),
            )
            if isinstance(self._loop, ShortenedLoop)
            else Clock(since_boot_s=self._loop.time)
        )
        return Surroundings(
            bench=bench,
            store_path=self._run.store,
            base=self._run.folder,
            clock=clock,
            display=self._follower,
            on_page=self._page.set_result,
        )

    # ---- who uses it

    async def _operate(self) -> None:
        """Start a session, and the next once that is finished."""
        await self._page
        while True:
            snapshot = self._follower.snapshot
            session = snapshot.session if snapshot else None
            if session is None or session.state == "finished":
                await self._ask("start", {"plan": "soak", "new": True})
            await asyncio.sleep(1.0)

    async def _ask(self, word: str, body: dict[str, object]) -> None:
        """As `daq session` does."""
        path = socket_path(self._run.store)
        text = json.dumps(body)
        try:
            reader, writer = await asyncio.open_unix_connection(str(path))
        except OSError as exc:
            said = "\n".join(self._follower.newest)
            raise RuntimeError(f"nobody answers at {path}; newest:\n{said}") from exc
        writer.write(
            f"POST /api/session/{word} HTTP/1.1\r\nHost: bench\r\nConnection: close\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(text)}\r\n\r\n{text}".encode()
        )
        answer = await reader.read()
        writer.close()
        self._run.sentences[f"asked to {word}: {answer[9:12].decode()}"] += 1

    async def _watch(self, for_s: float, until_real_s: float) -> None:
        minute, passed_s = 0, 0.0
        while passed_s < for_s and time.monotonic() < until_real_s:
            minute += 1
            passed_s = min(minute * _MINUTE_S, for_s)
            await asyncio.sleep(self._run.begun_s + passed_s - self._loop.time())
            self._run.looks.append(self._look(passed_s / 3600.0))
            if minute % 30 == 0:
                _say_look(self._run.looks[-1])

    def _look(self, hour: float) -> Look:
        with Path("/proc/self/statm").open(encoding="ascii") as file:
            resident_mb = int(file.read().split()[1]) * resource.getpagesize() / 1e6
        descriptors = len(list(Path("/proc/self/fd").iterdir()))
        store = self._run.store
        size = sum(p.stat().st_size for p in store.parent.glob(f"{store.name}*"))
        return Look(hour, resident_mb, descriptors, size / 1e6)

    # ---- what goes wrong

    async def _go_wrong(self) -> None:
        """One fault after the other: each kind once in an order of the seed's, then again in another."""
        every_s, number = self._fault_every_s, 0
        while True:
            number += 1
            due_s = self._run.begun_s + every_s * (
                number - self._random.uniform(0.4, 0.9)
            )
            await asyncio.sleep(due_s - self._loop.time())
            if not self._order:
                self._order = self._random.sample(list(Fault), len(Fault))
            fault = self._order.pop()
            self._run.faults[fault] += 1
            task = self._loop.create_task(self._make(fault))
            self._under_way.add(task)
            task.add_done_callback(self._under_way.discard)

    async def _make(self, fault: Fault) -> None:
        if fault in SPOILS_ONE:
            self._meter.spoil_next(fault)
            return
        await self._makers()[fault]()

    def _makers(self) -> dict[Fault, Callable[[], Coroutine[Any, Any, None]]]:
        random = self._random
        return {
            Fault.SILENT: lambda: self._silent(random.randint(1, 5)),
            Fault.HUNG: lambda: self._silent(random.randint(20, 60)),
            Fault.UNPLUGGED: lambda: self._unplugged(random.uniform(0.5, 8.0)),
            Fault.BROKER_AWAY: lambda: self._broker_away(random.uniform(1.0, 15.0)),
            Fault.BROKER_STUCK: lambda: self._broker_stuck(random.uniform(3.0, 15.0)),
            Fault.DISK_BUSY: self._disk_busy,
            Fault.VIEWER: self._viewer,
        }

    async def _silent(self, polls: int) -> None:
        self._meter.silent_for(polls)

    async def _unplugged(self, for_s: float) -> None:
        self._meter.unplug()
        await asyncio.sleep(for_s)
        await self._meter.plug()

    async def _broker_away(self, for_s: float) -> None:
        self._sink.go_away()
        await asyncio.sleep(for_s)
        await self._sink.listen()

    async def _broker_stuck(self, for_s: float) -> None:
        self._sink.is_stuck = True
        await asyncio.sleep(for_s)
        self._sink.is_stuck = False
        self._sink.hang_up()

    async def _disk_busy(self) -> None:
        """Another program holds the store, for real time: the store's thread knows no other."""
        store = self._run.store
        self._locking = self._loop.run_in_executor(None, _lock_for_a_while, store)
        await asyncio.shield(self._locking)

    async def _viewer(self) -> None:
        page = await self._page
        await look_and_leave(page.url, for_s=10.0)


def _lock_for_a_while(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None, timeout=5.0)) as other:
        other.execute("BEGIN IMMEDIATE")
        threading.Event().wait(_LOCKED_REAL_S)  # in a thread: no loop shortens it
        other.execute("ROLLBACK")


# ---- a run, and what is said of it


def soak(
    folder: Path,
    *,
    hours: float,
    seed: int,
    is_faulty: bool = True,
    fault_every_s: float = _MINUTE_S,
    is_life_speed: bool = False,
    quicker: float = QUICKER,
    at_most_real_s: float = math.inf,
) -> Run:
    """Run the service for so many simulated hours, but not longer than that, and look at what it leaves."""
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    run, machine = Run(folder), Machine(seed)
    baud = _PACED_BAUD if is_life_speed else None

    async def last() -> None:
        whole = Soak(run, machine, seed=seed, baud=baud, fault_every_s=fault_every_s)
        await whole.last(
            hours * 3600.0, at_most_real_s=at_most_real_s, is_faulty=is_faulty
        )

    def loop() -> asyncio.AbstractEventLoop:
        return asyncio.SelectorEventLoop() if is_life_speed else ShortenedLoop(quicker)

    with asyncio.Runner(loop_factory=loop) as runner:
        runner.run(last())
    run.findings = look_at(run.store, soak_plan(), machine, begun_s=run.begun_s)
    return run


def soak_plan() -> Plan:
    """What the sessions are carried out by."""
    bench: Bench = soak_bench(meter_port=1, broker_port=1, baud=_BAUD)
    return parse_plan(PLAN, file="plan.toml", bench=bench)


def _say_look(look: Look) -> None:
    say(
        f"{look.hour:5.1f} h  {look.memory_mb:6.1f} MB  {look.descriptors:3d} descriptors  {look.store_mb:7.2f} MB of store"
    )


def _show(run: Run, *, asked_h: float, settled_h: float, is_faulty: bool) -> bool:
    found, averages = run.findings, run.findings.averages
    show_table("faults", ("fault", "times"), sorted(run.faults.items()))
    rows = [
        ("polls asked of the meter", run.asked),
        ("polls that were due", due(run.looks)),
        ("tenths of a second", found.tenths),
        ("readings", found.readings),
        ("false readings", found.false),
        *((f"gaps: {reason}", n) for reason, n in sorted(found.gaps.items())),
        ("polls without reading or gap", found.unaccounted),
        ("sessions", found.sessions),
        *((f"trials: {state}", n) for state, n in sorted(found.trials.items())),
        ("averages, no reading lost, the same", averages.same),
        ("averages, no reading lost, not the same", averages.differ),
        ("averages, readings lost, within the uncertainty", averages.within),
        ("averages, readings lost, beyond the uncertainty", averages.beyond),
        ("worst of those, in uncertainties", f"{averages.worst:.2f}"),
        ("averages that a run without faults has not", averages.groundless),
        ("trials without averages", averages.refused),
        ("of them, no reading lost", averages.refused_whole),
        *sorted(run.sentences.items()),
        ("bytes a value, table of readings", f"{found.readings_bytes_a_value:.2f}"),
    ]
    show_table("what is left", ("what", "count"), rows)
    _show_growth(run, settled_h=settled_h)
    wrong = [*wrongs(found, run.looks, settled_h=settled_h)]
    if is_faulty:
        faults_due = int(run.looks[-1].hour * 3600.0 / _MINUTE_S) if run.looks else 0
        wrong += unmade(run.faults, found, run.sentences, due=faults_due)
    for each in wrong:
        say(f"WRONG: {each}")
    early = broken_off(run.looks, asked_h=asked_h, settled_h=settled_h)
    if early:
        say(f"NOT MEASURED: {early}")
    return not wrong and not early


def _show_growth(run: Run, *, settled_h: float) -> None:
    memory, descriptors = growth(run.looks, settled_h=settled_h)
    after = f"after the first {settled_h:g} h"
    show_goal(f"descriptors, growth {after}", descriptors, at_most=0)
    if run.looks[-1].hour <= settled_h:
        say(f"NOT JUDGED: memory and bytes are {after}: {memory:.2f} times by now")
        return
    found = run.findings
    show_goal(f"memory, most by {after}", memory, at_most=MOST_MEMORY)
    show_goal(
        "store, by the same without gaps", found.with_reasons, at_most=MOST_WITH_REASONS
    )
    show_goal("store, bytes a value", found.bytes_a_value, at_most=MOST_BYTES_A_VALUE)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=a_span, default=24.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quicker", type=a_span, default=QUICKER)
    parser.add_argument(
        "--at-most-min",
        type=a_span,
        default=math.inf,
        help="end after so long of real time; broken off where that is before memory and bytes can be judged",
    )
    parser.add_argument("--life-speed", action="store_true")
    parser.add_argument("--without-faults", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        run = soak(
            Path(folder),
            hours=options.hours,
            seed=options.seed,
            is_faulty=not options.without_faults,
            is_life_speed=options.life_speed,
            quicker=options.quicker,
            at_most_real_s=60.0 * options.at_most_min,
        )
    settled_h = SETTLED_AT_LIFE_SPEED_H if options.life_speed else SETTLED_H
    is_sound = _show(
        run,
        asked_h=options.hours,
        settled_h=settled_h,
        is_faulty=not options.without_faults,
    )
    return 0 if is_sound else 1


if __name__ == "__main__":
    sys.exit(unless_broken_off(main))
