"""Spoils results files in every way and troubles a running store, and counts what that cost.

    python tests/campaigns/store_faults.py [--rounds 40 --seconds 6 --seed 1]

First files at rest: random bytes, zeros, whole pages, a file cut short, its log. Each is given to the service's start,
which must refuse it or find nothing wrong, and to salvage; every row that comes over is held against the sound file. A
row with another value than before is counted as "changed": bytes within one value leave no trace in a SQLite file. Then
a store that is written while its file is locked, slow (100 ms a write), too long for its disk, moved away and back,
removed or spoilt: every reading must be in the file or counted as lost, and the operator told. Exit code 1 where a row
was lost in silence, a row came out that was not there, or a damaged file was touched.
"""

import argparse
import asyncio
import resource
import shutil
import sqlite3
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.errors import StoreDamagedError, StoreError
from daq.records import Reading
from daq.runtime.store import Store
from daq.runtime.store.salvaged import salvage_store
from tests.benchmarks.measuring import say, show_table
from tests.runtime.damaged_stores import BENCH, PAGE_BYTES, Rows, all_rows, write_store
from tests.runtime.stored_bench import add_clock, ask

_LENGTHS = (1, 8, 64, 512, 4096, 20_000)
_REMADE = {"clocks": "lost", "sessions": "lost", "analyses": "averaged live"}
"""Rows that stand for lost ones, by what they say."""


# ---- files at rest


def random_bytes(data: bytearray, rng: Random) -> None:
    """One stretch of random bytes."""
    length = rng.choice(_LENGTHS)
    at = rng.randrange(len(data))
    length = min(length, len(data) - at)
    data[at : at + length] = rng.randbytes(length)


def several_stretches(data: bytearray, rng: Random) -> None:
    """Two to five stretches of random bytes."""
    for _ in range(rng.randint(2, 5)):
        random_bytes(data, rng)


def one_page_of_zeros(data: bytearray, rng: Random) -> None:
    """A page that was never written."""
    at = rng.randrange(len(data) // PAGE_BYTES) * PAGE_BYTES
    data[at : at + PAGE_BYTES] = bytes(PAGE_BYTES)


def one_bit(data: bytearray, rng: Random) -> None:
    """A single bit."""
    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def spoilt_head(data: bytearray, rng: Random) -> None:
    """What the file begins with."""
    length = rng.choice((16, 100, 512, 4096))
    data[:length] = rng.randbytes(length)


def cut_short(data: bytearray, rng: Random) -> None:
    """The end is missing."""
    del data[rng.randrange(PAGE_BYTES, len(data)) :]


AT_REST: tuple[Callable[[bytearray, Random], None], ...] = (
    one_bit,
    random_bytes,
    several_stretches,
    one_page_of_zeros,
    spoilt_head,
    cut_short,
)


@dataclass
class AtRest:
    """What came of files of one kind of damage."""

    counts: Counter[str]

    def row(self, name: str) -> tuple[object, ...]:
        """A line of the table."""
        keys = (
            "files",
            "refused",
            "whole",
            "nothing",
            "rows",
            "kept",
            "changed",
            "silent",
            "false",
            "touched",
        )
        return (name, *(self.counts[key] for key in keys))


def spoil_at_rest(sound: Path, truth: Rows, rounds: int, rng: Random) -> list[AtRest]:
    """Spoil copies of a file, start on them and salvage them."""
    found = []
    for spoil in AT_REST:
        counts: Counter[str] = Counter()
        for _ in range(rounds):
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "bench.db"
                data = bytearray(sound.read_bytes())
                spoil(data, rng)
                path.write_bytes(data)
                _start_on(path, counts)
                path.write_bytes(data)
                _salvage(path, truth, counts)
        found.append(AtRest(counts))
    return found


def _start_on(path: Path, counts: Counter[str]) -> None:
    before = path.read_bytes()
    counts["files"] += 1
    try:
        asyncio.run(_open(path))
    except StoreError:
        counts["refused"] += 1
        counts["touched"] += path.read_bytes() != before
    for other in path.parent.glob("bench.db-*"):
        other.unlink()


async def _open(path: Path) -> None:
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=BENCH, on_trouble=lambda _: None, loop=loop)
    await store.close()


def _salvage(path: Path, truth: Rows, counts: Counter[str]) -> None:
    new = path.with_name("new.db")
    before = path.read_bytes()
    total = sum(len(rows) for rows in truth.values())
    counts["rows"] += total
    try:
        report = salvage_store(path, new)
    except StoreError:
        counts["nothing"] += 1
        return
    counts["whole"] += report.is_whole
    counts["touched"] += path.read_bytes() != before
    found = all_rows(new)
    missing = 0
    for table, rows in truth.items():
        there = found.get(table, {})
        missing += len(rows.keys() - there.keys())
        counts["kept"] += sum(there.get(n) == row for n, row in rows.items())
        counts["changed"] += _changed(table, rows, there)
        counts["false"] += len(there.keys() - rows.keys())
    counts["silent"] += missing if report.is_whole else 0


def _changed(
    table: str,
    rows: dict[int, tuple[object, ...]],
    there: dict[int, tuple[object, ...]],
) -> int:
    """Rows that have another value than before, but for what salvage says it has made, marked or left without a trial."""
    word = _REMADE.get(table)
    return sum(
        any(a != b and a is not None for a, b in zip(row, rows[number], strict=True))
        and not (word and word in map(str, row))
        for number, row in there.items()
        if number in rows and table != "trials"
    )


# ---- a store that is written


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Another program has begun to write and does not come to an end."""
    with closing(sqlite3.connect(path, isolation_level=None, timeout=10)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield


@contextmanager
def slow(path: Path) -> Iterator[None]:
    """Every write waits for 100 ms."""
    is_over = threading.Event()

    def hold() -> None:
        with closing(sqlite3.connect(path, isolation_level=None, timeout=10)) as other:
            while not is_over.is_set():
                other.execute("BEGIN IMMEDIATE")
                is_over.wait(0.1)
                other.execute("COMMIT")
                is_over.wait(0.001)

    holding = threading.Thread(target=hold)
    holding.start()
    yield
    is_over.set()
    holding.join()


@contextmanager
def full(path: Path) -> Iterator[None]:
    """No file may grow any more."""
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    log = path.with_name(f"{path.name}-wal")
    resource.setrlimit(resource.RLIMIT_FSIZE, (log.stat().st_size, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))


@contextmanager
def moved(path: Path) -> Iterator[None]:
    """Moved away and back."""
    away = path.with_name("away.db")
    path.rename(away)
    yield
    away.rename(path)


@contextmanager
def removed(path: Path) -> Iterator[None]:
    """Gone for good."""
    shutil.copyfile(path, path.with_name("copy.db"))
    path.unlink()
    yield


@contextmanager
def spoilt(path: Path) -> Iterator[None]:
    """Random bytes over all but the first page."""
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(PAGE_BYTES)
        file.write(Random(1).randbytes(size - PAGE_BYTES))  # noqa: S311 - no secret
    yield


RUNNING = (locked, slow, full, moved, removed, spoilt)
ENDS_BADLY = {removed, spoilt}
"""What no waiting mends: the end must say so."""


async def trouble(
    path: Path, fault: Callable[[Path], object], seconds: float
) -> tuple[object, ...]:
    """Write while a fault lasts, then until it is over; returns a line of the table."""
    told: list[str | None] = []
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=BENCH, on_trouble=told.append, loop=loop)
    clock = await add_clock(store)
    added = await _write(store, clock, 0, seconds / 3)
    await store.flush()
    with fault(path):  # type: ignore[attr-defined] # a context manager
        added = await _write(store, clock, added, seconds / 3)
        longest = store.buffered
    if fault not in ENDS_BADLY:
        added = await _write(store, clock, added, seconds / 3)
        await store.flush()
    ended = "0"
    counted = 0
    try:
        await store.close()
    except StoreDamagedError:
        ended = "4, damaged"
    except StoreError:
        ended = "4, lost"
        counted = store.buffered + store.dropped
    kept = _kept(path)
    return (
        fault.__name__,
        added,
        kept,
        longest,
        counted,
        added - kept - counted,
        len([t for t in told if t]),
        ended,
    )


async def _write(store: Store, clock: int, number: int, seconds: float) -> int:
    loop = asyncio.get_running_loop()
    end = loop.time() + seconds
    while loop.time() < end:
        reading = Reading("meter", float(number), (229.0, 1383.0))
        store.add_reading(reading, clock_id=clock, trial_id=None)
        number += 1
        await asyncio.sleep(0.005)
    return number


def _kept(path: Path) -> int:
    """Readings in the file, or in what salvage makes of it."""
    question = "SELECT count(*) FROM readings_meter"
    if not path.exists():
        return 0
    try:
        return int(str(ask(path, question)[0][0]))
    except sqlite3.DatabaseError:
        # Its table may have no name any more: then nothing of it is kept.
        tables = salvage_store(path, path.with_name("new.db")).tables
        return sum(each.rows for each in tables if each.name == "readings_meter")


def main() -> int:
    """Run all and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--rounds", type=int, default=40, help="files of each kind of damage"
    )
    parser.add_argument(
        "--seconds",
        type=float,
        default=6.0,
        help="length of each trouble with a running store",
    )
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = Random(options.seed)  # noqa: S311 - no secret
    with tempfile.TemporaryDirectory() as folder:
        sound = Path(folder) / "bench.db"
        asyncio.run(write_store(sound, trials=10, polls=200))
        at_rest = spoil_at_rest(sound, all_rows(sound), options.rounds, rng)
    show_table(
        "Files at rest",
        (
            "damage",
            "files",
            "refused",
            "whole",
            "nothing",
            "rows",
            "kept",
            "changed",
            "lost in silence",
            "false",
            "touched",
        ),
        [
            each.row(spoil.__name__)
            for spoil, each in zip(AT_REST, at_rest, strict=True)
        ],
    )
    running = []
    for fault in RUNNING:
        with tempfile.TemporaryDirectory() as folder:
            running.append(
                asyncio.run(trouble(Path(folder) / "bench.db", fault, options.seconds))
            )
    show_table(
        "A store that is written",
        (
            "fault",
            "added",
            "kept",
            "waiting",
            "counted as lost",
            "gone with the file",
            "told",
            "end",
        ),
        running,
    )
    wrong = sum(
        e.counts["silent"] + e.counts["false"] + e.counts["touched"] for e in at_rest
    )
    silent = sum(
        int(str(row[5]))
        for row, fault in zip(running, RUNNING, strict=True)
        if fault not in ENDS_BADLY
    )
    untold = sum(
        row[6] == 0
        for row, fault in zip(running, RUNNING, strict=True)
        if fault is not slow
    )
    say(f"\n{wrong + silent + untold} violations")
    return 1 if wrong + silent + untold else 0


if __name__ == "__main__":
    sys.exit(main())
