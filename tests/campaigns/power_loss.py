"""Cuts the power at every fsync of whole sessions, and counts what is missing afterwards.

    python tests/campaigns/power_loss.py [--lines 12 --torn 8 --seed 1]

Every write and fsync of the store is recorded while sessions are begun, measured, repeated, left and taken up, and while older stores are brought up to
date (power_loss_recording.py). At each fsync disks are made as a power failure may leave them (power_loss_disk.py): nothing of what was not synced yet,
all of it, and random sectors of it. Each must open, be whole, hold all that was said to be kept before, and of everything else a beginning without half
rows. Exit code 1 where one does not, or where too little was recorded to tell.
"""

import argparse
import asyncio
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.errors import DaqError
from daq.operations import Note, Repeat, Start
from daq.runtime.store import Store
from daq.trials.stages import Stage
from tests.benchmarks.measuring import say, show_table
from tests.campaigns.arguments import a_count, unless_broken_off
from tests.campaigns.power_loss_disk import Disk, Image
from tests.campaigns.power_loss_recording import Asked, Kind, recording
from tests.runtime.attended_bench import AttendedBench, attended
from tests.runtime.conftest import PLAN, Computer
from tests.system.recorded_bench import small_bench

STORE = "bench.db"
VECTORS = Path(__file__).resolve().parent.parent / "vectors"
_GROWING = {
    "readings_meter": "seq",
    "readings_anemometer": "seq",
    "gaps": "id",
    "events": "id",
    "clocks": "id",
    "operations": "id",
    "outbox": "id",
    "averages": "trial_id, channel",
    "contributions": "trial_id, channel, position",
}
"""Tables that are only added to, with what orders them by age."""

_ANNOUNCED = ("readings_meter", "events", "operations", "outbox", "averages")
"""Of these so many rows were there when it was said that all is written."""

Rows = dict[str, list[tuple[object, ...]]]


@dataclass(frozen=True, slots=True)
class Promise:
    """So many rows were said to be on the disk when so much had been asked of it."""

    after: int
    rows: dict[str, int]


@dataclass
class Story:
    """What was asked of the disk, what was promised meanwhile, and what stood in the store in the end."""

    name: str
    before: Image
    log: list[Asked]
    promises: list[Promise]
    last: Rows


@dataclass
class Outcome:
    """How the images of a story fared."""

    syncs: int = 0
    images: int = 0
    asked: Counter[Kind] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


# ---- what is recorded


def rows_of(path: Path) -> Rows:
    """The rows of the tables that only grow, oldest first."""
    with closing(sqlite3.connect(path)) as connection:
        there = {
            name for (name,) in connection.execute("SELECT name FROM sqlite_master")
        }
        return {
            name: connection.execute(
                f"SELECT * FROM {name} ORDER BY {order}"  # noqa: S608 - ours
            ).fetchall()
            for name, order in _GROWING.items()
            if name in there
        }


class _Witness:
    """Notes what was promised while a bench is attended to."""

    def __init__(self, path: Path, log: list[Asked]) -> None:
        self.promises: list[Promise] = []
        self._path = path
        self._log = log

    async def keep(self, service: AttendedBench) -> None:
        """Wait until it is said that all is written: that is a promise."""
        await service.written()
        rows = rows_of(self._path)
        counts = {name: len(rows[name]) for name in _ANNOUNCED}
        self.promises.append(Promise(len(self._log), counts))


async def _measure(service: AttendedBench, witness: _Witness, random: Random) -> None:
    """A trial of what is called for, written again and again while it runs."""
    service.stand_still()
    while service.session.stage is not Stage.DONE:
        for _ in range(random.randint(1, 8)):
            service.read(6.0, 1400.0 + random.gauss(0.0, 1.0))
        await witness.keep(service)
    service.stand_still()
    await witness.keep(service)


async def _attend(
    folder: Path, log: list[Asked], random: Random, lines: int
) -> _Witness:
    """A session that is left and taken up in the middle, and asked for more until so many lines are done."""
    computer, witness = Computer(), _Witness(folder / STORE, log)
    async with attended(folder, small_bench(), computer) as service:
        await service.ask(Start("leads"))
        await witness.keep(service)
        await _measure(service, witness, random)
    async with attended(folder, small_bench(), computer) as service:
        await service.desk.take_up()
        await service.ask(Note("taken up again"))
        for _ in range(lines - 1):
            if service.session.stage is Stage.FINISHED:
                await service.ask(Repeat(1))
            await _measure(service, witness, random)
    return witness


def session_story(folder: Path, random: Random, *, lines: int) -> Story:
    """A session of so many lines, in a store that is new."""
    path = folder / STORE
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    asyncio.run(_open(path))
    before = {STORE: path.read_bytes()}
    with recording(folder) as recorder:
        witness = asyncio.run(_attend(folder, recorder.log, random, lines))
    return Story("a session", before, recorder.log, witness.promises, rows_of(path))


def making_story(folder: Path) -> Story:
    """A store is made: nothing is promised yet, but what is left must not be in the way."""
    path = folder / STORE
    with recording(folder) as recorder:
        asyncio.run(_open(path))
    return Story("a store is made", {}, recorder.log, [], rows_of(path))


def migration_story(folder: Path, number: int) -> Story:
    """A store of a format before is brought up to date."""
    path = folder / STORE
    dump = (VECTORS / f"store_format_{number}.sql").read_text(encoding="utf-8")
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(dump)
        # As a store of ours has it; the dump does not tell.
        connection.execute("PRAGMA journal_mode = wal")
    before = {STORE: path.read_bytes()}
    with recording(folder) as recorder:
        asyncio.run(_open(path))
    last = rows_of(path)
    whole = Promise(0, {name: len(rows) for name, rows in last.items()})
    return Story(f"format {number} brought up to date", before, recorder.log, [whole], last)  # fmt: skip


# ---- what is left of it


async def _open(path: Path) -> None:
    store = Store.open(
        path,
        instruments=small_bench().channels_by_instrument(),
        on_trouble=lambda _: None,
        loop=asyncio.get_running_loop(),
    )
    await store.close()


def images(
    story: Story, random: Random, *, torn: int
) -> Iterator[tuple[int, str, Image]]:
    """Disks at every fsync: how much had been asked until then, how torn, and what is there."""
    disk = Disk(story.before)
    for number, asked in enumerate(story.log):
        if asked.kind is Kind.SYNC:
            shares = [0.0, 1.0, *(random.random() for _ in range(torn))]
            for share in shares:
                yield number, f"{share:.2f} of it", disk.image(random, share)
        disk.take(asked)
    yield len(story.log), "at the end", disk.image(random, 0.0)


def _put(folder: Path, image: Image) -> None:
    for file in folder.iterdir():
        file.unlink()
    for name, content in image.items():
        (folder / name).write_bytes(content)


async def faults_of(folder: Path, image: Image, story: Story, number: int) -> list[str]:
    """What is wrong with a disk: sentences."""
    _put(folder, image)
    path = folder / STORE
    try:
        await _open(path)
    except DaqError as exc:
        return [f"does not open: {exc}"]
    with closing(sqlite3.connect(path)) as connection:
        whole = connection.execute("PRAGMA integrity_check").fetchall()
        orphans = connection.execute("PRAGMA foreign_key_check").fetchall()
        bare = connection.execute(
            "SELECT id FROM trials t WHERE (state = 'finished') <>"
            " EXISTS (SELECT 1 FROM averages a WHERE a.trial_id = t.id AND a.analysis_id = 0)"
        ).fetchall()
    faults = [] if whole == [("ok",)] else [f"not whole: {whole[:2]}"]
    if orphans or bare:
        faults.append(f"half rows: {orphans[:2]} {bare[:2]}")
    return faults + _lacking(rows_of(path), story, number)


def _lacking(rows: Rows, story: Story, number: int) -> list[str]:
    """Rows are those of the story from its beginning on, and at least those that were promised."""
    promised: dict[str, int] = {}
    for promise in story.promises:
        if promise.after <= number:
            promised = promise.rows
    faults = [
        f"{name}: {len(rows.get(name, []))} rows, {count} were promised"
        for name, count in promised.items()
        if len(rows.get(name, [])) < count
    ]
    faults += [
        f"{name}: other rows than were written"
        for name, found in rows.items()
        if found != story.last[name][: len(found)]
    ]
    return faults


def cut_everywhere(story: Story, random: Random, *, torn: int) -> Outcome:
    """Every image of a story."""
    outcome = Outcome(asked=Counter(asked.kind for asked in story.log))
    outcome.syncs = outcome.asked[Kind.SYNC]

    async def look() -> None:
        with tempfile.TemporaryDirectory() as place:
            for number, words, image in images(story, random, torn=torn):
                outcome.images += 1
                faults = await faults_of(Path(place), image, story, number)
                outcome.wrong += [f"after {number}, {words}: {f}" for f in faults]

    asyncio.run(look())
    return outcome


def unmeasured(story: Story, outcome: Outcome, *, torn: int) -> Iterator[str]:
    """What of a story was not tried, in words; nothing where all of it was."""
    if not outcome.syncs or not story.last:
        yield f"{outcome.syncs} fsyncs recorded, {len(story.last)} tables written"
    due = outcome.syncs * (2 + torn) + 1
    if outcome.images < due:
        yield f"{outcome.images} of {due} disks"
    # While a store is made nothing is promised yet.
    if story.before and not any(
        count for promise in story.promises for count in promise.rows.values()
    ):
        yield "nothing was promised that could be missing"


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--lines", type=a_count, default=12, help="of the session")
    parser.add_argument("--torn", type=int, default=8, help="random disks an fsync")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    random = Random(options.seed)  # noqa: S311 - torn pages, no secret
    stories: list[Callable[[Path], Story]] = [
        making_story,
        lambda folder: migration_story(folder, 1),
        lambda folder: migration_story(folder, 2),
        lambda folder: session_story(folder, random, lines=options.lines),
    ]
    rows, wrong, began_s = [], [], time.monotonic()
    for tell in stories:
        with tempfile.TemporaryDirectory() as folder:
            story = tell(Path(folder))
        outcome = cut_everywhere(story, random, torn=options.torn)
        asked = [outcome.asked[kind] for kind in Kind]
        rows.append([story.name, *asked, outcome.images, len(outcome.wrong)])
        wrong += [f"{story.name}: {text}" for text in outcome.wrong]
        lacking = unmeasured(story, outcome, torn=options.torn)
        wrong += [f"{story.name}: NOT MEASURED: {text}" for text in lacking]
        say(f"{story.name}: {outcome.images} disks, {time.monotonic() - began_s:.0f} s")
    head = ["recorded", *(f"{kind.value}s" for kind in Kind), "disks", "wrong"]
    show_table("power cut at every fsync", head, rows)
    for line in wrong[:50]:
        say(line)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(unless_broken_off(main))
