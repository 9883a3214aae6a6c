"""A results file with two sessions, and ways to spoil it from outside."""

import gzip
import random
import shutil
import sqlite3
import struct
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from daq.records import Gap, GapReason, Reading
from tests.runtime.stored_bench import (
    FACTS,
    ORDER,
    POWER,
    SUPPLY,
    add_clock,
    begin_trial,
    channel,
    opened,
    result,
)

PAGE_BYTES = 4096
BENCH = {
    "meter": (channel("supply", "V", 0), channel("power", "W", 1)),
    "gauge": (channel("lift", "Pa", 0, instrument="gauge"),),
}
LONG_TEXT = "# what the plan said\n" * 400
"""Longer than a page, so that it goes on on pages of its own."""

Rows = dict[str, dict[int, tuple[object, ...]]]


async def write_store(path: Path, *, trials: int = 6, polls: int = 150) -> None:
    """Two sessions; every trial with readings of both meters, a gap, an event and averages."""
    rng = random.Random(4)  # noqa: S311 - noise of a meter, no secret
    async with opened(path, BENCH) as store:
        clock = await add_clock(store)
        for trial in range(trials):
            session = 1 + (trial >= trials // 2)
            if trial % (trials // 2) == 0:
                await store.begin_session(
                    replace(FACTS, session_id=f"s{session}"),
                    plan_digest="d1",
                    plan_text=LONG_TEXT,
                    bench_text=LONG_TEXT,
                    seed=7,
                    order=ORDER,
                )
                await store.begin_span(session, store.next_numbers)
            number = await begin_trial(
                store, session, clock, uuid=f"t{trial}", at_s=100.0 + 100.0 * trial
            )
            at_s = 0.0
            for poll in range(polls):
                at_s = 100.0 + 100.0 * trial + poll / 2
                for reading in (
                    Reading("meter", at_s, (229 + rng.random(), 1383 + rng.random())),
                    Reading("gauge", at_s + 0.1, (20_000 + rng.random(),)),
                ):
                    store.add_reading(reading, clock_id=clock, trial_id=number)
            gap = Gap("gauge", at_s + 1, GapReason.NO_REPLY, "silent for 1 s")
            store.add_gap(gap, clock_id=clock, trial_id=number)
            store.add_event(
                "trial", "over", at_s=at_s, clock_id=clock, session_id=session
            )
            ended = result(f"t{trial}", POWER, SUPPLY, ended_s=at_s)
            await store.end_trial(number, ended, rule_json="{}", outbox=("t", "{}"))


KEPT = Path(__file__).parents[1] / "vectors" / "stores"


def kept_store(folder: Path, store_format: int) -> Path:
    """A file as a released version of that format wrote it: a session of four filters on simulated meters."""
    path = folder / "bench.db"
    packed = (KEPT / f"format_{store_format}.db.gz").read_bytes()
    path.write_bytes(gzip.decompress(packed))
    return path


def all_rows(path: Path) -> Rows:
    """Every row of every table by its number, but for what the steps of the schema make."""
    with closing(sqlite3.connect(path)) as connection:
        tables = connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE '%sqlite%'"
        ).fetchall()
        return {
            name: {
                row[0]: row[1:]
                for row in connection.execute(f'SELECT rowid, * FROM "{name}"')  # noqa: S608 - names of the file
            }
            for (name,) in tables
        }


def root_page_of(path: Path, table: str) -> int:
    """Number of the page that a table begins at."""
    with closing(sqlite3.connect(path)) as connection:
        (number,) = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)
        ).fetchone()
    return int(number)


def pages_of(path: Path, table: str) -> list[int]:
    """Numbers of the pages that hold rows of a table, in the order of the rows."""
    return _leaves(path.read_bytes(), root_page_of(path, table))


def list_pages_of(path: Path) -> list[int]:
    """Numbers of the pages that hold the list of tables."""
    return _leaves(path.read_bytes(), 1)


def _leaves(data: bytes, number: int) -> list[int]:
    # SQLite file format, section 1.6: 13 is a leaf of a table, 5 a page above such leaves.
    page = data[(number - 1) * PAGE_BYTES : number * PAGE_BYTES]
    start = 100 if number == 1 else 0
    if page[start] == 13:
        return [number]
    (count,) = struct.unpack_from(">H", page, start + 3)
    (rightmost,) = struct.unpack_from(">I", page, start + 8)
    cells = struct.unpack_from(f">{count}H", page, start + 12)
    children = [struct.unpack_from(">I", page, at)[0] for at in cells]
    return [leaf for child in (*children, rightmost) for leaf in _leaves(data, child)]


def overwrite(path: Path, at_byte: int, content: bytes) -> None:
    """Write over a part of a file."""
    with path.open("r+b") as file:
        file.seek(at_byte)
        file.write(content)


def spoil_page(path: Path, number: int, *, seed: int = 1) -> None:
    """Write random bytes over a page."""
    noise = random.Random(seed).randbytes(PAGE_BYTES)  # noqa: S311 - no secret
    overwrite(path, (number - 1) * PAGE_BYTES, noise)


def copy_of(path: Path, folder: Path) -> Path:
    """A copy to spoil."""
    return Path(shutil.copyfile(path, folder / "bench.db"))
