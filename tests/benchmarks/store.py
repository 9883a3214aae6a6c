"""The store: what keeping a poll of 12 channels costs, how long a commit takes and how large the file grows.

    python tests/benchmarks/store.py

The program's Store beside a bare sqlite3 connection that inserts the same wide rows (one column a channel) into a bare table, with the
same journal (WAL) and the same safety (synchronous FULL), on the same disk, in turns. A commit holds five polls: half a second at ten
a second, which is the store's own interval.

The store commits by itself, so to see a commit it is asked a question, which is answered behind the rows added before. The
commit's time has that question in it: two changes of thread, a transaction without rows. Of its CPU time, that of as many questions
without rows is taken off, since nobody asks twice a second; both figures are printed.
"""

import asyncio
import sqlite3
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.records import Accuracy, Channel, Reading
from daq.runtime.store import Store
from tests.benchmarks.measuring import (
    cpu_s,
    median,
    percentile,
    say,
    show_goal,
    show_table,
)

CHANNELS = 12
POLLS_A_COMMIT = 5
_ROUNDS = 5
_COMMITS = 800
_INTERVAL_S = 0.1


@dataclass
class Kept:
    """What one round came to."""

    cpu_a_poll_s: float
    cpu_with_questions_s: float
    commits_s: list[float]
    bytes_a_sample: float


def readings() -> Iterator[list[Reading]]:
    """What is kept, commit by commit: 12 channels that wander a little, as a display of 0.1 shows them."""
    number = 0
    for _ in range(_COMMITS):
        batch = []
        for _ in range(POLLS_A_COMMIT):
            values = tuple(
                round(230.0 + 0.1 * ((number * (7 + c)) % 11), 1)
                for c in range(CHANNELS)
            )
            batch.append(Reading("meter", 1000.0 + number * _INTERVAL_S, values))
            number += 1
        yield batch


def keep_in_store(path: Path) -> Kept:
    """One round with the program's store."""
    commits_s: list[float] = []
    cpu, asking = asyncio.run(_keep(path, commits_s))
    return _kept(cpu - asking, cpu, commits_s, path)


async def _keep(path: Path, commits_s: list[float]) -> tuple[float, float]:
    """Keep everything; returns the CPU time of it, and that of the questions alone."""
    store = Store.open(
        path,
        instruments={"meter": tuple(_channel(number) for number in range(CHANNELS))},
        on_trouble=_trouble,
        loop=asyncio.get_running_loop(),
    )
    clock_id = await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    batches = list(readings())
    asking = -cpu_s()
    for _ in batches:
        await store.outbox_next()
    asking += cpu_s()
    cpu = -cpu_s()
    for batch in batches:
        begin_s = time.perf_counter()
        for reading in batch:
            store.add_reading(reading, clock_id=clock_id, trial_id=None)
        await store.outbox_next()
        commits_s.append(time.perf_counter() - begin_s)
    cpu += cpu_s()
    await store.close()
    return cpu, asking


def keep_in_bare_table(path: Path) -> Kept:
    """One round with sqlite3 alone."""
    columns = ", ".join(f"c{number} REAL" for number in range(CHANNELS))
    marks = ", ".join("?" * (CHANNELS + 4))
    insert = f"INSERT INTO r VALUES (NULL, {marks})"  # noqa: S608  # question marks only
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = wal")
        connection.execute("PRAGMA synchronous = full")
        connection.execute(
            f"CREATE TABLE r (seq INTEGER PRIMARY KEY, clock INTEGER, trial INTEGER, at_s REAL, flags INTEGER, {columns})"
        )
        batches, commits_s = list(readings()), []
        cpu = -cpu_s()
        for batch in batches:
            begin_s = time.perf_counter()
            rows = [(1, None, r.at_s, r.flags, *r.values) for r in batch]
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(insert, rows)
            connection.execute("COMMIT")
            commits_s.append(time.perf_counter() - begin_s)
        cpu += cpu_s()
    return _kept(cpu, cpu, commits_s, path)


def _kept(
    cpu: float, with_questions: float, commits_s: list[float], path: Path
) -> Kept:
    polls = _COMMITS * POLLS_A_COMMIT
    # The schema's pages are in it too, some 60 kB.
    size = path.stat().st_size / (polls * CHANNELS)
    return Kept(cpu / polls, with_questions / polls, commits_s, size)


def _channel(number: int) -> Channel:
    return Channel(
        name=f"c{number}",
        title=f"Channel {number}",
        quantity="voltage",
        unit="V",
        place="supply end",
        instrument="meter",
        field_index=number,
        accuracy=Accuracy(),
        interval_s=_INTERVAL_S,
    )


def _trouble(text: str | None) -> None:
    if text is not None:
        raise RuntimeError(text)


def main() -> None:
    """Measure in turns and print."""
    rounds: dict[str, list[Kept]] = {"bare wide row": [], "Store": []}
    with tempfile.TemporaryDirectory() as folder:
        for number in range(_ROUNDS):
            bare = keep_in_bare_table(Path(folder) / f"bare-{number}.db")
            rounds["bare wide row"].append(bare)
            kept = keep_in_store(Path(folder) / f"store-{number}.db")
            rounds["Store"].append(kept)
    cpu = {name: median([k.cpu_a_poll_s for k in r]) for name, r in rounds.items()}
    rows = []
    for name, kepts in rounds.items():
        commits_s = [t for kept in kepts for t in kept.commits_s]
        rows.append(
            (
                name,
                f"{cpu[name] * 1e6:.1f}",
                f"{median([k.cpu_with_questions_s for k in kepts]) * 1e6:.1f}",
                f"{median(commits_s) * 1e3:.2f}",
                f"{percentile(commits_s, 99.0) * 1e3:.2f}",
                f"{max(commits_s) * 1e3:.1f}",
                f"{median([kept.bytes_a_sample for kept in kepts]):.1f}",
            )
        )
    times = ("commit p50 ms", "p99 ms", "longest ms")
    show_table(
        f"Keeping polls of {CHANNELS} channels, {POLLS_A_COMMIT} a commit, {_ROUNDS} rounds of {_COMMITS} commits",
        ("where", "CPU us/poll", "with questions", *times, "B/sample"),
        rows,
    )
    ratio = cpu["Store"] / cpu["bare wide row"]
    show_goal("CPU a poll, Store over bare", ratio, at_most=2.0)
    size = median([kept.bytes_a_sample for kept in rounds["Store"]])
    show_goal("bytes a sample", size, at_most=12.0)
    say("")


if __name__ == "__main__":
    main()
