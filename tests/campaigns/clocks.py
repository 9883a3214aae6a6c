"""Sessions whose computer has its clocks stepped, slewed and put to sleep, or is too busy to poll, at random moments.

    python tests/campaigns/clocks.py [--sessions 5 --seed 1 --only asleep]

The service is the real one, with its store, page and publisher; its two clocks are in the campaign's hand and its waits are shortened (`soak_time`). Each
session measures one condition with a meter that is read twice a second; what goes wrong does so while it settles, while it is averaged, or both. The store is then held against what the clocks and the meter had shown (`clocks_findings`). Exit code 1 where anything is wrong.
"""

import argparse
import asyncio
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from enum import StrEnum
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
from tests.campaigns.clocks_findings import Findings, Known, look_at
from tests.campaigns.soak_faults import Meter, Sink
from tests.campaigns.soak_machine import (
    A_SECOND,
    PLAN,
    REPEATS,
    Machine,
    soak_bench,
)
from tests.campaigns.soak_time import ShortenedLoop

INTERVAL_S = 0.5
DAY_S = 86_400.0
QUICKER = 100.0
"""Simulated seconds that a second of waiting stands for."""
_UNDER_WAY_S = 0.3
"""A reading's time is the middle of its poll: it may be told so much later, of which most is the real time that the loop took [s]."""
_BAUD = 115_200
_PLAN = PLAN.replace(f"repeats = {REPEATS}", "repeats = 1").replace(
    '[[condition]]\nname = "long lead"\n', ""
)


class Trouble(StrEnum):
    """What happens."""

    NONE = "none"
    FORWARD = "a day forward, then back"
    BACK = "a day back, then forward"
    LEAP = "second repeated at midnight"
    SMEARED = "slewed by 500 ppm"
    SUMMER_TIME = "summer time ends"
    ASLEEP = "asleep for a minute"
    BUSY = "too busy for 3 s"


_BEGIN_UTC = {
    Trouble.LEAP: datetime(2026, 12, 31, 23, 58, 20, tzinfo=UTC),
    Trouble.SUMMER_TIME: datetime(2026, 10, 25, 0, 58, 20, tzinfo=UTC),
}
"""The machine runs from 60 s after the begin on: so the moment falls into its trial."""
_PLACE_OF_SUMMER_TIME = "CET-1CEST,M3.5.0,M10.5.0/3"


class StalledLoop(ShortenedLoop):
    """Time may also pass while nothing is done."""

    def stall(self, for_s: float) -> None:
        """As if something else had had the computer [s]."""
        self._shortened.now_s += for_s


class Computer:
    """The two clocks of a computer, and what is done to them.

    Attributes:
        steps_s: When UTC was stepped, in time since the boot [s].
    """

    def __init__(self, loop: StalledLoop, *, begin: datetime) -> None:
        self.steps_s: list[float] = []
        self._loop = loop
        self._slept_s = 0.0
        self._began_s = loop.time()
        self._began_us = round(begin.timestamp() * 1e6)
        # From when on UTC is ahead of the time since the boot by how much, and gains how much [s, us, 1].
        self._ahead: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)]

    def since_boot_s(self) -> float:
        """The clock that goes on while the computer sleeps [s]."""
        return self._loop.time() + self._slept_s

    def utc_us(self) -> int:
        """UTC as the computer has it [us since 1970]."""
        return round(self.utc_us_at(self.since_boot_s()))

    def utc_us_at(self, since_boot_s: float) -> float:
        """UTC as the computer had it then [us since 1970]."""
        ahead_us = 0.0
        for from_s, by_us, gain in self._ahead:
            if since_boot_s >= from_s:
                ahead_us = by_us + gain * (since_boot_s - from_s) * 1e6
        return self._began_us + (since_boot_s - self._began_s) * 1e6 + ahead_us

    def step(self, by_s: float) -> None:
        """Set UTC."""
        now_s = self.since_boot_s()
        self.steps_s.append(now_s)
        _, ahead_us, _ = self._ahead[-1]
        self._ahead.append((now_s, ahead_us + by_s * 1e6, 0.0))

    def slew(self, gain: float) -> None:
        """Let UTC gain from now on [1]; once only."""
        _, ahead_us, _ = self._ahead[-1]
        self._ahead.append((self.since_boot_s(), ahead_us, gain))

    def sleep(self, for_s: float) -> None:
        """Nothing goes on but the world, the time since the boot, and UTC."""
        self._slept_s += for_s

    def be_busy(self, for_s: float) -> None:
        """Something else has the computer."""
        self._loop.stall(for_s)


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


@dataclass(frozen=True, slots=True)
class Happens:
    """One thing that goes wrong: in which stage, how long after its begin [s], and what."""

    stage: str
    after_s: float
    does: Callable[[Computer], None]


def happenings(trouble: Trouble, random: Random) -> list[Happens]:
    """What goes wrong in one session."""
    settling = random.uniform(0.0, 15.0)
    averaging = random.uniform(0.0, 20.0)
    match trouble:
        case Trouble.FORWARD | Trouble.BACK:
            by_s = DAY_S if trouble is Trouble.FORWARD else -DAY_S
            return [
                Happens("settling", settling, lambda it: it.step(by_s)),
                Happens("averaging", averaging, lambda it: it.step(-by_s)),
            ]
        case Trouble.LEAP:
            return [Happens("settling", settling, lambda it: it.step(-1.0))]
        case Trouble.SMEARED:
            return [Happens("settling", settling, lambda it: it.slew(5e-4))]
        case Trouble.ASLEEP:
            stage = random.choice(["settling", "averaging"])
            return [Happens(stage, settling, lambda it: it.sleep(60.0))]
        case Trouble.BUSY:
            return [
                Happens("settling", settling, lambda it: it.be_busy(3.0)),
                Happens("averaging", averaging, lambda it: it.be_busy(3.0)),
            ]
        case _:
            return []


def store_of(folder: Path) -> Path:
    """The results file of a session."""
    return folder / "bench.db"


def measured(folder: Path, trouble: Trouble, *, seed: int) -> Known:
    """One session with this trouble, its store in the folder; what is known of it."""
    begin = _BEGIN_UTC.get(trouble, datetime(2026, 6, 1, 12, tzinfo=UTC))
    random = Random(seed)  # noqa: S311 - moments, no secret
    wrong = happenings(trouble, random)

    async def measure() -> Known:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, StalledLoop)
        computer = Computer(loop, begin=begin)
        return await _measure(folder, Machine(seed), computer, wrong)

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
    )


async def _go_wrong(
    wrong: list[Happens], follower: _Follower, computer: Computer
) -> None:
    for each in wrong:
        while follower.stage != each.stage:  # noqa: ASYNC110 - a screen sets no event
            await asyncio.sleep(0.25)
        await asyncio.sleep(each.after_s)
        each.does(computer)


@contextmanager
def _local_time(trouble: Trouble) -> Iterator[None]:
    """Where it matters, that of a place with summer time."""
    if trouble is not Trouble.SUMMER_TIME:
        yield
        return
    before = os.environ.get("TZ")
    os.environ["TZ"] = _PLACE_OF_SUMMER_TIME
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
    parser.add_argument("--sessions", type=int, default=5, help="with each trouble")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=[each.name.lower() for each in Trouble])
    options = parser.parse_args()
    rows: list[list[object]] = []
    wrong = 0
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
        wrong += total.wrong
        gaps = ", ".join(f"{n} {reason}" for reason, n in sorted(total.gaps.items()))
        counts = [
            gaps if each.name == "gaps" else getattr(total, each.name)
            for each in fields(total)
        ]
        rows.append([trouble, options.sessions, *counts])
    head = [each.name.replace("_", " ") for each in fields(Findings)]
    show_table("clocks in trouble", ["clocks", "sessions", *head], rows)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
