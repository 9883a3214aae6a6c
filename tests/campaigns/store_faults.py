"""Spoils results files in every way and troubles a running store, and counts what that cost.

    python tests/campaigns/store_faults.py [--rounds 40 --seconds 6 --seed 1]

First files at rest: random bytes, zeros, whole pages, a file cut short; the file of a store that was closed, then the log
of one that was killed, then both. Each is given to the service's start, which must refuse it or lose nothing that was
promised, and to salvage; every row that comes over is held against the sound file. A row with another value than before
is counted as "changed": bytes within one value leave no trace in a SQLite file. Where it is plain from the rows around
(store_faults_at_rest.py) and was handed over as a reading all the same, it is "absurd" and a violation.

Then a store that is written while its file is locked, slow (each write and sync of file and log takes 100 ms), hangs (none
comes back), is too long for its disk, moved away and back, removed, emptied or spoilt, or while its log is removed or
spoilt: every reading must be in the file or counted as lost, and the operator told. Slow and hanging disks are made by a
library that is loaded before the C library (store_faults_disk.py), so these run as a process of their own, and are left
out, which is said, where there is no C compiler: not all was measured then. Exit code 1 where a row was lost in silence, a row
or an absurd value came out that was not there, nobody was told, an end did not say what is lost, a damaged file was touched, or
a trouble was not made (store_faults_verdict.py).
"""

import argparse
import asyncio
import json
import os
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import astuple
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.errors import StoreDamagedError, StoreError
from daq.records import Reading
from daq.runtime.store import Store
from daq.runtime.store.salvaged import salvage_store
from tests.benchmarks.measuring import say, show_table
from tests.campaigns.arguments import a_count, a_span, unless_broken_off
from tests.campaigns.store_faults_at_rest import (
    COLUMNS,
    spoil_at_rest,
    with_log,
    without_log,
)
from tests.campaigns.store_faults_disk import HANGS, SlowDisk, set_wait
from tests.campaigns.store_faults_verdict import (
    ENDS_BADLY,
    HEAD,
    Troubled,
    wrongs,
    wrongs_at_rest,
)
from tests.runtime.damaged_stores import BENCH, PAGE_BYTES
from tests.runtime.stored_bench import add_clock, ask

_HANGS_AT_LEAST_S = 7.0
"""Longer than it takes to be told."""


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Another program has begun to write and does not come to an end."""
    with closing(sqlite3.connect(path, isolation_level=None, timeout=10)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield


@contextmanager
def slow(_path: Path) -> Iterator[None]:
    """Every write and sync takes 100 ms."""
    set_wait(100)
    yield
    set_wait(0)


@contextmanager
def hanging(_path: Path) -> Iterator[None]:
    """No write comes back until it is over."""
    set_wait(HANGS)
    yield
    set_wait(0)


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


@contextmanager
def emptied(path: Path) -> Iterator[None]:
    """Nothing is left in it."""
    os.truncate(path, 0)
    yield


@contextmanager
def log_removed(path: Path) -> Iterator[None]:
    """The log is gone, the file is not."""
    path.with_name(f"{path.name}-wal").unlink()
    yield


@contextmanager
def log_spoilt(path: Path) -> Iterator[None]:
    """Random bytes over the pages in the log."""
    log = path.with_name(f"{path.name}-wal")
    with log.open("r+b") as file:
        file.seek(32)
        file.write(Random(1).randbytes(log.stat().st_size - 32))  # noqa: S311 - no secret
    yield


IN_PROCESS = (
    locked,
    full,
    moved,
    removed,
    emptied,
    spoilt,
    log_removed,
    log_spoilt,
)
BY_DISK = (slow, hanging)


async def trouble(
    path: Path, fault: Callable[[Path], object], seconds: float
) -> Troubled:
    """Write while a fault lasts, then until it is over."""
    told: list[str | None] = []
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=BENCH, on_trouble=told.append, loop=loop)
    clock = await add_clock(store)
    added = await _write(store, clock, 0, seconds / 3)
    await store.flush()
    with fault(path):  # type: ignore[attr-defined] # a context manager
        least_s = _HANGS_AT_LEAST_S if fault is hanging else 0.0
        before = added
        added = await _write(store, clock, before, max(seconds / 3, least_s))
        meanwhile = added - before
        waiting = store.buffered
        written_in_s = await _written_in(store) if fault is slow else 0.0
    if fault.__name__ not in ENDS_BADLY:
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
    return Troubled(
        fault=fault.__name__,
        added=added,
        meanwhile=meanwhile,
        kept=_kept(path),
        waiting=waiting,
        counted=counted,
        told=len([t for t in told if t]),
        written_in_s=written_in_s,
        ended=ended,
    )


async def _written_in(store: Store) -> float:
    """How long it takes until all that waits is written [s]."""
    began_s = asyncio.get_running_loop().time()
    await store.flush()
    return asyncio.get_running_loop().time() - began_s


def _on_slow_disk(seconds: float) -> list[Troubled]:
    """The faults of a disk, each in a process of its own that has such a disk."""
    found: list[Troubled] = []
    for fault in BY_DISK:
        with tempfile.TemporaryDirectory() as folder:
            try:
                disk = SlowDisk(Path(folder))
            except LookupError as exc:
                say(f"\n{fault.__name__} is left out: {exc}")
                continue
            ended = subprocess.run(
                [
                    sys.executable,
                    __file__,
                    "--only",
                    fault.__name__,
                    f"--seconds={seconds}",
                ],
                env=disk.environment,
                check=True,
                stdout=subprocess.PIPE,
                text=True,
            )
            found.append(Troubled(*json.loads(ended.stdout)))
    return found


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
        # SQLite would remove the log of an empty file, and salvage may read it.
        return int(str(ask(path, question)[0][0])) if path.stat().st_size else 0
    except (sqlite3.DatabaseError, UnicodeDecodeError):
        # Its table may have no name any more: then nothing of it is kept.
        return _salvaged(path)


def _salvaged(path: Path) -> int:
    try:
        tables = salvage_store(path, path.with_name("new.db")).tables
    except StoreError:
        return 0
    return sum(each.rows for each in tables if each.name == "readings_meter")


def main() -> int:
    """Run all and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--rounds", type=a_count, default=40, help="files of each kind of damage"
    )
    parser.add_argument(
        "--seconds",
        type=a_span,
        default=6.0,
        help="length of each trouble with a running store",
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.only:
        sys.stdout.write(json.dumps(astuple(one(options.only, options.seconds))))
        return 0
    rng = Random(options.seed)  # noqa: S311 - no secret
    wrong = [*_all_at_rest(options.rounds, rng), *_all_running(options.seconds)]
    for each in wrong:
        say(f"WRONG: {each}")
    say(f"\n{len(wrong)} violations")
    return 1 if wrong else 0


def one(name: str, seconds: float) -> Troubled:
    """One trouble, in a folder of its own."""
    (fault,) = [f for f in (*IN_PROCESS, *BY_DISK) if f.__name__ == name]
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(trouble(Path(folder) / "bench.db", fault, seconds))


def _all_at_rest(rounds: int, rng: Random) -> Iterator[str]:
    for title, make, which in (
        ("A file at rest", without_log, ("",)),
        ("The log of a killed program", with_log, ("-wal",)),
        ("File and log of a killed program", with_log, ("", "-wal")),
    ):
        with tempfile.TemporaryDirectory() as folder:
            found = spoil_at_rest(make(Path(folder)), which, rounds, rng)
        show_table(title, ("damage", *COLUMNS), [each.row for each in found])
        for each in found:
            for key, count in each.violations:
                yield f"{title}, {each.name}: {count} {key}"
        lacking = wrongs_at_rest({e.name: e.counts for e in found}, asked=rounds)
        yield from (f"{title}, {words}" for words in lacking)


def _all_running(seconds: float) -> Iterator[str]:
    found = [one(fault.__name__, seconds) for fault in IN_PROCESS]
    found += _on_slow_disk(seconds)
    show_table("A store that is written", HEAD, [each.cells for each in found])
    asked = [fault.__name__ for fault in (*IN_PROCESS, *BY_DISK)]
    yield from wrongs(found, asked=asked)


if __name__ == "__main__":
    sys.exit(unless_broken_off(main))
