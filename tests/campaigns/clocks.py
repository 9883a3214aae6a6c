"""Sessions whose computer has its clocks stepped, slewed and put to sleep, or is too busy to poll, at random moments.

    python tests/campaigns/clocks.py [--sessions 5 --seed 1 --only asleep]

The service is the real one, with its store, page and publisher; its two clocks are in the campaign's hand and its waits are shortened (`soak_time`). Each
session measures one condition with a meter that is read twice a second; what goes wrong does so while it settles, while it is averaged, or both. The store is then held against what the clocks and the meter had shown (`clocks_findings`). Exit code 1 where anything is wrong, or a trouble did not happen
while a trial was measured (`clocks_verdict`).
"""

import argparse
import asyncio
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.config.plan import parse_plan
from daq.errors import Refusal
from daq.runtime.clock import Clock
from daq.runtime.daemon import Surroundings, run_session
from daq.runtime.snapshot import EventLine, Snapshot
from tests.benchmarks.measuring import say, show_table
from tests.benchmarks.register_bench import unpaced
from tests.campaigns.arguments import a_count, unless_broken_off
from tests.campaigns.clocks_findings import Findings, Known, look_at
from tests.campaigns.clocks_troubles import (
    MOMENTS,
    PLACE_OF_SUMMER_TIME,
    Computer,
    Happens,
    StalledLoop,
    Trouble,
    begin_of,
    happenings,
)
from tests.campaigns.clocks_verdict import INTERVAL_S, wrongs
from tests.campaigns.soak_faults import Meter, Sink
from tests.campaigns.soak_machine import (
    A_SECOND,
    PLAN,
    REPEATS,
    Machine,
    soak_bench,
)

QUICKER = 100.0
"""Simulated seconds that a second of waiting stands for."""
_UNDER_WAY_S = 0.3
"""A reading's time is the middle of its poll: it may be told so much later, of which most is the real time that the loop took [s]."""
_BAUD = 115_200
_PLAN = PLAN.replace(f"repeats = {REPEATS}", "repeats = 1").replace(
    '[[condition]]\nname = "long lead"\n', ""
)


class WorldMeter(Meter):
    """A meter that goes on while the computer sleeps."""

    def __init__(self, machine: Machine, computer: Computer) -> None:
        super().__init__(machine, Random(0), baud=None)  # noqa: S311 - nothing is drawn
        self._computer = computer
        self.begun_s = computer.since_boot_s()

    def tenth(self) -> int:
        """Tenths of a second since the begin."""
        since_s = self._computer.since_boot_s() - self.begun_s
        return int(since_s * A_SECOND + 0.5)


class _Follower:
    """A screen that knows the stage."""

    def __init__(self) -> None:
        self.stage = ""

    def attach(self, on_told: Callable[..., None]) -> None:
        """There is no keyboard."""

    def refused(self, code: Refusal, text: str) -> None:
        """Nothing is typed here."""

    def started(self, *, page_url: str, broker: str, words: str) -> None:
        """Nobody is told."""

    def show(self, snapshot: Snapshot) -> None:
        """The newest one."""
        self.stage = snapshot.stage.name

    def event(self, line: EventLine) -> None:
        """Nobody is told."""


def store_of(folder: Path) -> Path:
    """The results file of a session."""
    return folder / "bench.db"


def measured(folder: Path, trouble: Trouble, *, seed: int) -> Known:
    """One session with this trouble, its store in the folder; what is known of it."""
    random = Random(seed)  # noqa: S311 - moments, no secret
    wrong = happenings(trouble, random)
    begin = begin_of(trouble, random)

    async def measure() -> Known:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, StalledLoop)
        computer = Computer(loop, begin=begin)
        if trouble is Trouble.LEAP:
            computer.repeat_second(MOMENTS[trouble])
        known = await _measure(folder, Machine(seed), computer, wrong)
        moment = MOMENTS.get(trouble)
        if moment is not None:
            known.happened_s.append(computer.since_boot_at_s(moment))
        is_other = _ahead_s(begin.timestamp()) != _ahead_s(computer.utc_us() / 1e6)
        return replace(known, is_local_time_other=is_other)

    runner = asyncio.Runner(loop_factory=lambda: StalledLoop(QUICKER))
    with runner, _local_time(trouble):
        return runner.run(measure())


async def _measure(
    folder: Path, machine: Machine, computer: Computer, wrong: list[Happens]
) -> Known:
    meter, sink, follower = WorldMeter(machine, computer), Sink(), _Follower()
    await meter.plug()
    await sink.listen()
    bench = soak_bench(meter_port=meter.port, broker_port=sink.port, baud=_BAUD)
    slower = (replace(unpaced(i), interval_s=INTERVAL_S) for i in bench.instruments)
    bench = replace(bench, instruments=tuple(slower))
    plan = parse_plan(_PLAN, file="plan.toml", bench=bench)
    (folder / "plan.toml").write_text(_PLAN, encoding="utf-8")
    around = Surroundings(
        bench=bench,
        store_path=store_of(folder),
        base=folder,
        clock=Clock(
            since_boot_s=computer.since_boot_s, utc_us=computer.utc_us, boot_id="boot"
        ),
        display=follower,
    )
    async with asyncio.TaskGroup() as tasks:
        beside = tasks.create_task(_go_wrong(wrong, follower, computer))
        await run_session(around, plan, new_session=True)
        beside.cancel()
    meter.unplug()
    sink.go_away()
    return Known(
        *(plan, machine, meter.begun_s, INTERVAL_S),
        *(computer.utc_us_at, computer.steps_s, _UNDER_WAY_S),
        computer.happened_s,
    )


async def _go_wrong(
    wrong: list[Happens], follower: _Follower, computer: Computer
) -> None:
    for each in wrong:
        while follower.stage != each.stage:  # noqa: ASYNC110 - a screen sets no event
            await asyncio.sleep(0.25)
        await asyncio.sleep(each.after_s)
        computer.happened_s.append(computer.since_boot_s())
        each.does(computer)


def _ahead_s(utc_s: float) -> int:
    """By how much local time is ahead of UTC then [s]."""
    return time.localtime(utc_s).tm_gmtoff


@contextmanager
def _local_time(trouble: Trouble) -> Iterator[None]:
    """Where it matters, that of a place with summer time."""
    if trouble is not Trouble.SUMMER_TIME:
        yield
        return
    before = os.environ.get("TZ")
    os.environ["TZ"] = PLACE_OF_SUMMER_TIME
    time.tzset()
    try:
        yield
    finally:
        del os.environ["TZ"]
        if before is not None:
            os.environ["TZ"] = before
        time.tzset()


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sessions", type=a_count, default=5, help="with each trouble")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=[each.name.lower() for each in Trouble])
    options = parser.parse_args()
    rows: list[list[object]] = []
    wrong: list[str] = []
    for trouble in [Trouble[options.only.upper()]] if options.only else Trouble:
        total = Findings()
        for number in range(options.sessions):
            with tempfile.TemporaryDirectory() as folder:
                known = measured(Path(folder), trouble, seed=options.seed + number)
                found = look_at(store_of(Path(folder)), known)
            say(f"{trouble}: {found}")
            for each in fields(found):
                both = getattr(total, each.name) + getattr(found, each.name)
                setattr(total, each.name, both)
        wrong += [
            f"{trouble}: {words}"
            for words in wrongs(trouble, total, sessions=options.sessions)
        ]
        gaps = ", ".join(f"{n} {reason}" for reason, n in sorted(total.gaps.items()))
        counts = [
            gaps if each.name == "gaps" else getattr(total, each.name)
            for each in fields(total)
        ]
        rows.append([trouble, options.sessions, *counts])
    head = [each.name.replace("_", " ") for each in fields(Findings)]
    show_table("clocks in trouble", ["clocks", "sessions", *head], rows)
    for words in wrong:
        say(f"WRONG: {words}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(unless_broken_off(main))
