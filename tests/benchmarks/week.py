"""A week of `daq serve` on a meter read once a second, in some minutes: what memory, descriptors and store do meanwhile.

    python tests/benchmarks/week.py [--days 7] [--speed 1200]

The service is the real one with everything on: store, embedded broker, page, Unix socket. Bench time runs faster than life; the meter, a process of
its own on a pseudo-terminal, answers a line at once, so that no wire is paced. Every slot must be a reading, or be counted as a gap.
"""

import argparse
import asyncio
import multiprocessing
import os
import pty
import re
import resource
import select
import signal
import sqlite3
import sys
import tempfile
import tty
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.config.bench import Bench, parse_bench
from daq.errors import Refusal
from daq.runtime.clock import Clock
from daq.runtime.daemon import Surroundings, serve_bench
from daq.runtime.snapshot import EventLine, Snapshot
from tests.benchmarks.measuring import say, show_goal, show_table

DAY_S = 86_400.0
_PROFILE = """
format = 1
title = "Line meter"
refresh_s = 1.0
[wire]
protocol = "query-lines"
request = "READ?\\r\\n"
parts = 4
reply_timeout_s = 0.5
worst_reply_s = 0.05
[[field]]
name = "voltage"
quantity = "voltage"
unit = "V"
position = 0
resolution = 0.1
[[field]]
name = "current"
quantity = "current"
unit = "A"
position = 1
resolution = 0.001
[[field]]
name = "power"
quantity = "power"
unit = "W"
position = 2
resolution = 0.1
[[field]]
name = "frequency"
quantity = "frequency"
unit = "Hz"
position = 3
resolution = 0.01
"""


def _meter(master: int) -> None:
    """Answer every line at once, until the other end is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    count, asked = 0, b""
    while True:
        select.select([master], [], [])
        try:
            asked += os.read(master, 256)
        except OSError:
            return
        while b"\n" in asked:
            _, _, asked = asked.partition(b"\n")
            count += 1
            wander = count % 17
            line = f"{230 + wander / 10:.1f},0.{100 + wander},{20 + wander / 10:.1f},50.0{wander % 10}\r\n"
            os.write(master, line.encode())


def _bench(port: str) -> Bench:
    text = (
        f'format = 1\nname = "week"\n[page]\nport = 0\n'
        f'[[instrument]]\nname = "meter"\nprofile = "line"\nport = "{port}"\n'
    )
    return parse_bench(
        text, file="bench.toml", find_profile=lambda _: ("line.toml", _PROFILE)
    )


class _Silent:
    """A screen that shows nothing."""

    def attach(self, on_told: Callable[..., None]) -> None:
        """There is no keyboard."""

    def refused(self, code: Refusal, text: str) -> None:
        """Nothing is typed here."""

    def started(self, *, page_url: str, broker: str, words: str) -> None:
        """Nobody is told."""

    def show(self, snapshot: Snapshot) -> None:
        """Nobody looks."""

    def event(self, line: EventLine) -> None:
        """Nobody is told."""


@dataclass
class _Watch:
    """What the service takes of the machine, a row a stretch of bench time."""

    store: Path
    rows: list[tuple[float, float, int, float]] = field(default_factory=list)
    missed: int = 0
    other_gaps: int = 0
    _newest_gap: int = 0

    def look(self, day: float) -> None:
        """Note memory [MB], descriptors [1] and size of the store [MB]."""
        with Path("/proc/self/statm").open(encoding="ascii") as file:
            resident = int(file.read().split()[1]) * resource.getpagesize() / 1e6
        descriptors = len(list(Path("/proc/self/fd").iterdir()))
        size = sum(
            path.stat().st_size
            for path in self.store.parent.glob(f"{self.store.name}*")
        )
        self.rows.append((day, resident, descriptors, size / 1e6))

    def slots_and_readings(self) -> tuple[int, int]:
        """From the first reading to the last, both of which stay; and how many were taken, by their numbers [1]."""
        with closing(sqlite3.connect(f"file:{self.store}?mode=ro", uri=True)) as store:
            passed_s, readings = store.execute(
                "SELECT max(at_s) - min(at_s), max(seq) FROM readings_meter"
            ).fetchone()
        return round(passed_s) + 1, readings

    def count_gaps(self) -> None:
        """Count those that have come since; they are thinned later."""
        with closing(sqlite3.connect(f"file:{self.store}?mode=ro", uri=True)) as store:
            found = store.execute(
                "SELECT id, reason, detail FROM gaps WHERE id > ? ORDER BY id",
                (self._newest_gap,),
            ).fetchall()
        for number, _reason, detail in found:
            self._newest_gap = number
            missed = re.match(r"(\d+) polls? (?:was|were) due", detail)
            if missed:
                self.missed += int(missed[1])
            else:
                self.other_gaps += 1


async def _week(around: Surroundings, watch: _Watch, *, days: float) -> None:
    clock, looks = around.clock, int(days * 4)
    begun_s = clock.bench_s()
    async with asyncio.TaskGroup() as tasks:
        serving = tasks.create_task(serve_bench(around))
        for number in range(1, looks + 1):
            due_s = begun_s + number * days / looks * DAY_S
            while (left_s := clock.real_s(due_s - clock.bench_s())) > 0.0:
                await asyncio.sleep(min(left_s, 1.0))
                await asyncio.to_thread(watch.count_gaps)
            watch.look(number * days / looks)
        os.kill(os.getpid(), signal.SIGTERM)
        await serving
    watch.count_gaps()


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--speed", type=float, default=1200.0)
    options = parser.parse_args()
    master, slave = pty.openpty()
    tty.setraw(slave)
    meter = multiprocessing.get_context("fork").Process(
        target=_meter, args=(master,), daemon=True
    )
    meter.start()
    with tempfile.TemporaryDirectory() as folder:
        watch = _Watch(Path(folder) / "week.db")
        around = Surroundings(
            bench=_bench(os.ttyname(slave)),
            store_path=watch.store,
            base=Path(folder),
            clock=Clock(speed=options.speed),
            display=_Silent(),
        )
        asyncio.run(_week(around, watch, days=options.days))
        slots, readings = watch.slots_and_readings()
    meter.terminate()
    _show(watch, slots, readings)


def _show(watch: _Watch, slots: int, readings: int) -> None:
    show_table(
        "while the week goes by",
        ("day", "memory [MB]", "descriptors", "store [MB]"),
        [(f"{d:.2f}", f"{m:.1f}", str(f), f"{s:.2f}") for d, m, f, s in watch.rows],
    )
    after_first_day = [row for row in watch.rows if row[0] >= 1.0] or watch.rows
    memory = [row[1] for row in after_first_day]
    files = [row[2] for row in after_first_day]
    show_goal(
        "memory, last by after the first day", memory[-1] / memory[0], at_most=1.05
    )
    show_goal("descriptors, most less least", max(files) - min(files), at_most=0)
    accounted = readings + watch.missed + watch.other_gaps
    say(
        f"{slots} slots; {readings} readings, {watch.missed} counted as missed, "
        f"{watch.other_gaps} other gaps: {slots - accounted} not accounted for"
    )


if __name__ == "__main__":
    main()
