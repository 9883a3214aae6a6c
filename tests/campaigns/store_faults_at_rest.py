"""Spoils results files at rest in every way, and holds what a start and salvage make of them against the sound file.

A reading with another value than before that salvage hands over is told apart by whether anyone could have known:
"changed" stands for all, "absurd" for those whose change is plain from the rows around: a time off by more than ten
seconds, or a value a thousand times as great, of the other sign or beyond what any meter shows. A log may end with
commits that were not finished when the power failed, which SQLite is right to leave out: what was committed is known to
have been promised by two whole commits behind it only. Of a log that is cut short nobody can tell that it was longer.
"""

import asyncio
import shutil
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable, Collection, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from daq.errors import StoreError
from daq.records import Reading
from daq.runtime.store import Store
from daq.runtime.store.salvaged import salvage_store
from tests.runtime.damaged_stores import BENCH, PAGE_BYTES, Rows, all_rows, write_store
from tests.runtime.stored_bench import add_clock, opened

_LENGTHS = (1, 8, 64, 512, 4096, 20_000)
_REMADE = {"clocks": "lost", "sessions": "lost", "analyses": "averaged live"}
"""Rows that stand for lost ones, by what they say."""

_AT_S, _VALUES = 3, 5


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


COLUMNS = (
    "files",
    "refused",
    "whole",
    "nothing",
    "rows",
    "kept",
    "doubtful",
    "changed",
    "absurd",
    "silent",
    "false",
    "touched",
)
VIOLATIONS = ("absurd", "silent", "false", "touched")
_COMMITS, _ROWS_OF_A_COMMIT = 25, 20
_PROVING_COMMITS = 2
_LOG_HEAD_BYTES, _FRAME_BYTES = 32, 24
"""SQLite, "Database File Format", section 4.1."""


@dataclass(frozen=True)
class Sound:
    """A file that nothing is wrong with, and its log if it has one.

    Attributes:
        files: Content by what their names have behind the store's.
        rows: What it holds.
        promised: Of these, what must not go unsaid.
    """

    files: dict[str, bytes]
    rows: Rows
    promised: Rows

    def lay(self, folder: Path) -> Path:
        """Put it into a folder that has nothing else."""
        for suffix, content in self.files.items():
            (folder / f"bench.db{suffix}").write_bytes(content)
        return folder / "bench.db"


def without_log(folder: Path) -> Sound:
    """A store that was closed."""
    path = folder / "bench.db"
    asyncio.run(write_store(path, trials=10, polls=200))
    rows = all_rows(path)
    return Sound({"": path.read_bytes()}, rows, rows)


def with_log(folder: Path) -> Sound:
    """A store whose program was killed: many commits are in its log only."""
    path = folder / "bench.db"
    asyncio.run(write_store(path, trials=6, polls=150))
    files = asyncio.run(_killed(path))
    again = folder / "again"
    again.mkdir()
    rows = all_rows(Sound(files, {}, {}).lay(again))
    return Sound(files, rows, rows)


def _but_newest(rows: Rows, commits: int) -> Rows:
    """Without the readings of so many commits."""
    newest = max(rows["readings_meter"]) - commits * _ROWS_OF_A_COMMIT
    return {
        table: {
            n: row
            for n, row in found.items()
            if table != "readings_meter" or n <= newest
        }
        for table, found in rows.items()
    }


def _torn_commits(log: bytes, spoilt: bytes) -> int:
    """How many of the newest commits of a spoilt log nobody can know to have been finished."""
    step = _FRAME_BYTES + PAGE_BYTES
    frames = [log[at : at + step] for at in range(_LOG_HEAD_BYTES, len(log), step)]
    found = [spoilt[at : at + step] for at in range(_LOG_HEAD_BYTES, len(log), step)]
    is_commit = [any(frame[4:8]) for frame in frames]
    is_whole = [a == b for a, b in zip(frames, found, strict=True)]
    first = is_whole.index(False) if False in is_whole else len(frames)
    behind = list(zip(is_commit[first:], is_whole[first:], strict=True))
    if sum(all(both) for both in behind) >= _PROVING_COMMITS:
        return _PROVING_COMMITS
    return sum(is_commit[first:])


async def _killed(path: Path) -> dict[str, bytes]:
    async with opened(path, BENCH) as store:
        clock = await add_clock(store)
        for number in range(_COMMITS * _ROWS_OF_A_COMMIT):
            reading = Reading("meter", 2000.0 + number, (229.0 + number / 1e4, 1383.0))
            store.add_reading(reading, clock_id=clock, trial_id=None)
            if (number + 1) % _ROWS_OF_A_COMMIT == 0:
                await store.flush()
        return {
            suffix: path.with_name(f"bench.db{suffix}").read_bytes()
            for suffix in ("", "-wal")
        }


@dataclass
class AtRest:
    """What came of files of one kind of damage."""

    name: str
    counts: Counter[str] = field(default_factory=Counter)

    @property
    def row(self) -> tuple[object, ...]:
        """A line of the table."""
        return (self.name, *(self.counts[key] for key in COLUMNS))

    @property
    def violations(self) -> list[tuple[str, int]]:
        """What must not be, and how often it was."""
        return [(key, self.counts[key]) for key in VIOLATIONS if self.counts[key]]


def spoil_at_rest(
    sound: Sound, which: tuple[str, ...], rounds: int, rng: Random
) -> list[AtRest]:
    """Spoil copies of a file, start on them and salvage them.

    Args:
        sound: The file.
        which: What of it is spoilt: "" for the file itself, "-wal" for its log.
        rounds: Files of each kind of damage.
        rng: Where and with what.
    """
    found = []
    for spoil in AT_REST:
        each = AtRest(spoil.__name__)
        for _ in range(rounds):
            files = {suffix: bytearray(c) for suffix, c in sound.files.items()}
            for suffix in which:
                spoil(files[suffix], rng)
            spoilt = Sound(
                {suffix: bytes(c) for suffix, c in files.items()},
                sound.rows,
                _promised(sound, files),
            )
            each.counts["spoilt"] += spoilt.files != sound.files
            for judge in (_start_on, _salvage):
                folder = Path(tempfile.mkdtemp())
                judge(spoilt, spoilt.lay(folder), each.counts)
                shutil.rmtree(folder)
        found.append(each)
    return found


def _promised(sound: Sound, files: Mapping[str, bytearray]) -> Rows:
    log = sound.files.get("-wal")
    if log is None:
        return sound.rows
    return _but_newest(sound.rows, _torn_commits(log, bytes(files["-wal"])))


def _start_on(spoilt: Sound, path: Path, counts: Counter[str]) -> None:
    counts["files"] += 1
    try:
        asyncio.run(_open(path))
    except StoreError:
        counts["refused"] += 1
        counts["touched"] += not _lies_as(spoilt, path)
    else:
        # Into a file that looks sound is written; but nothing that was promised may be gone.
        counts["silent"] += len(_missing(spoilt.promised, _numbers(path)))


async def _open(path: Path) -> None:
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=BENCH, on_trouble=lambda _: None, loop=loop)
    await store.close()


def _lies_as(spoilt: Sound, path: Path) -> bool:
    return all(
        path.with_name(f"bench.db{suffix}").read_bytes() == content
        for suffix, content in spoilt.files.items()
    )


def _numbers(path: Path) -> dict[str, set[int]]:
    """Of every row; a text in it may be none any more, which the start does not look at."""
    with closing(sqlite3.connect(path)) as connection:
        tables = connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE '%sqlite%'"
        ).fetchall()
        return {
            name: {
                number
                for (number,) in connection.execute(f'SELECT rowid FROM "{name}"')  # noqa: S608 - names of the file
            }
            for (name,) in tables
        }


def _missing(
    truth: Rows, found: Mapping[str, Collection[int]]
) -> list[tuple[str, int]]:
    return [
        (table, number)
        for table, rows in truth.items()
        for number in rows.keys() - set(found.get(table, ()))
    ]


def _salvage(spoilt: Sound, path: Path, counts: Counter[str]) -> None:
    new = path.with_name("new.db")
    truth = spoilt.rows
    counts["rows"] += sum(len(rows) for rows in truth.values())
    try:
        report = salvage_store(path, new)
    except StoreError:
        counts["nothing"] += 1
        return
    finally:
        counts["touched"] += not _lies_as(spoilt, path)
    counts["whole"] += report.is_whole
    counts["doubtful"] += sum(table.doubtful for table in report.tables)
    found = all_rows(new)
    for table, rows in truth.items():
        there = found.get(table, {})
        counts["kept"] += sum(there.get(n) == row for n, row in rows.items())
        counts["changed"] += _changed(table, rows, there)
        counts["false"] += len(there.keys() - rows.keys())
        if table.startswith("readings_"):
            counts["absurd"] += _absurd(rows, there)
    counts["silent"] += len(_missing(spoilt.promised, found)) if report.is_whole else 0


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


def _absurd(
    rows: dict[int, tuple[object, ...]], there: dict[int, tuple[object, ...]]
) -> int:
    """Readings whose change is plain, but for the newest two: nothing stands behind them to compare with."""
    newest = set(sorted(there)[-2:])
    return sum(
        any(
            _is_plain(i, a, b)
            for i, (a, b) in enumerate(zip(row, rows[n], strict=True))
        )
        for n, row in there.items()
        if n in rows and n not in newest
    )


def _is_plain(column: int, found: object, true: object) -> bool:
    if not isinstance(found, int | float) or not isinstance(true, int | float):
        return False
    if column == _AT_S:
        return abs(found - true) > 10.0
    if column < _VALUES or found == true:
        return False
    is_beyond = found != 0 and not 1e-12 <= abs(found) <= 1e12
    return is_beyond or found * true < 0 or abs(found) >= 1000 * abs(true)
