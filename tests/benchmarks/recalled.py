"""How long the service takes to give its charts the past when it is started anew, and what that does to polls meanwhile.

A store is filled with an hour at 10 Hz of 12 channels, then the last quarter of an hour is read and thinned as the service
does it, in a thread, while the event loop wakes every 10 ms as a poller would. Printed are the time that it takes, its share
of processor time, and how late the loop woke meanwhile and without it.

    python tests/benchmarks/recalled.py [--hours 1] [--instruments 12] [--channels 1]
"""

import argparse
import asyncio
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.records import Reading
from daq.runtime.board import TRACE_S
from daq.runtime.past import past_traces
from daq.runtime.store import Store
from tests.runtime.stored_bench import channel, ignore

_INTERVAL_S = 0.1
_WAKES_S = 0.01
_ALONE_S = 1.0


def main() -> None:
    """Fill, read, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--hours", type=float, default=1.0, help="of readings [h]")
    parser.add_argument("--instruments", type=int, default=12, help="meters [1]")
    parser.add_argument("--channels", type=int, default=1, help="of each meter [1]")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(_measure(Path(folder) / "bench.db", given))


async def _measure(path: Path, given: argparse.Namespace) -> None:
    bench = {
        f"meter {n}": tuple(
            replace(channel(f"p {n} {c}", "Pa", c), instrument=f"meter {n}")
            for c in range(given.channels)
        )
        for n in range(given.instruments)
    }
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=bench, on_trouble=ignore, loop=loop)
    end_s = given.hours * 3600.0
    clock = await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    generator = np.random.default_rng(1)
    for n, at_s in enumerate(np.arange(0.0, end_s, _INTERVAL_S).tolist()):
        for name in bench:
            values = tuple(generator.normal(100.0, 1.0, given.channels).tolist())
            store.add_reading(
                Reading(name, at_s, values), clock_id=clock, trial_id=None
            )
        if n % 50 == 0:
            await store.open_sessions()
    present = await store.add_clock(
        "boot", monotonic_s=end_s, utc_us=round(end_s * 1e6), speed=1.0
    )
    await store.close()
    for _ in range(5):
        print(await _recalled(path, present))


async def _recalled(path: Path, present: int) -> str:
    late_s: list[float] = []
    cpu_s = 0.0

    def read() -> None:
        nonlocal cpu_s
        began_s = time.thread_time()
        past_traces(path, present, TRACE_S)
        cpu_s = time.thread_time() - began_s

    async def wake() -> None:
        while True:
            due_s = time.perf_counter() + _WAKES_S
            await asyncio.sleep(_WAKES_S)
            late_s.append(time.perf_counter() - due_s)

    async with asyncio.TaskGroup() as tasks:
        waking = tasks.create_task(wake())
        await asyncio.sleep(_ALONE_S)
        alone_s, late_s = late_s, []
        began_s = time.perf_counter()
        await asyncio.to_thread(read)
        took_s = time.perf_counter() - began_s
        waking.cancel()
    return (
        f"took {took_s * 1e3:.0f} ms, {cpu_s * 1e3:.0f} ms of processor time;"
        f" the loop woke late by {_late(late_s)}, without it by {_late(alone_s)}"
    )


def _late(late_s: list[float]) -> str:
    return (
        f"{np.median(late_s) * 1e3:.1f} ms (median), {max(late_s) * 1e3:.1f} ms (most)"
    )


if __name__ == "__main__":
    main()
