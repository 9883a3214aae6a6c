"""What tests of the runtime share.

A pseudo-terminal whose far end the test holds; brokers; a computer whose clocks the test moves; a small bench with its
plan, and a session of it whose readings the test makes.
"""

import asyncio
import gc
import os
import select
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from random import Random

import pytest

from daq.config.bench import Bench, parse_bench
from daq.config.plan import Plan, parse_plan
from daq.records import Gap, Reading, SessionFacts, TrialResult
from daq.runtime.beginning import Beginning
from daq.runtime.board import Board
from daq.runtime.broker import EmbeddedBroker
from daq.runtime.clock import Clock
from daq.runtime.recorder import Recorder
from daq.runtime.running import Running
from daq.trials.session import Occurrence, Session
from daq.trials.stages import Happening, Stage
from tests.runtime.brokers import AnyBroker, Mosquitto
from tests.runtime.damaged_stores import copy_of, write_store

# RFC 3339, section 5.8, first example: 1985-04-12T23:20:50.52Z. As microseconds since 1970: 15
# years of 365 days and 4 leap days, 31 + 28 + 31 + 11 days, 23 h 20 min 50.52 s.
RFC_US = (((15 * 365 + 4 + 101) * 24 + 23) * 60 + 20) * 60_000_000 + 50_520_000

MAINS = """
format = 1
title = "Mains meter"
refresh_s = 1.0
[wire]
protocol = "query-lines"
request = "?"
parts = 2
[[field]]
name = "current"
quantity = "current"
unit = "A"
position = 0
resolution = 0.01
accuracy = { counts = 1 }
[[field]]
name = "power"
quantity = "power"
unit = "W"
position = 1
resolution = 0.1
accuracy = { percent_of_reading = 0.5 }
"""
VANE = """
format = 1
title = "Vane anemometer"
refresh_s = 0.5
[wire]
protocol = "streamed-lines"
pattern = "(?P<velocity>.+)"
[[field]]
name = "velocity"
quantity = "velocity"
unit = "m/s"
resolution = 0.01
"""
BENCH = """
format = 1
name = "leads"
[page]
port = 0
[[instrument]]
name = "meter"
profile = "mains"
port = "ports/meter"
place = "machine end"
[[instrument.channel]]
field = "current"
name = "current"
[[instrument.channel]]
field = "power"
name = "power"
[[instrument]]
name = "anemometer"
profile = "vane"
port = "ports/air"
place = "outlet"
[[instrument.channel]]
field = "velocity"
name = "velocity"
title = "Outlet velocity"
"""
PLAN = """
format = 1
name = "leads"
baseline = "short lead"
trial_longest_s = 300.0
[machine]
title = "Drying blower"
[[condition]]
name = "short lead"
[[condition]]
name = "long lead"
instruction = "Fit the long lead, unrolled"
[start]
channel = "current"
on_above = 1.0
off_below = 0.5
[settling]
required = ["power"]
[averaging]
least_s = 30
longest_s = 60
[[limit]]
channel = "current"
above = 13.0
for_s = 3.0
reason = "rating of the plug"
"""


class Wire:
    """A serial line under a path that stays; the test is the meter at its far end."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.received = b""
        self.on_received: Callable[[], None] = lambda: None
        self._far = self._near = -1
        self._unsent = b""

    @property
    def is_plugged(self) -> bool:
        return self._far >= 0

    @property
    def has_unread(self) -> bool:
        """Whether something has arrived that nobody has read."""
        return bool(select.select([self._far], [], [], 0)[0])

    def plug(self) -> None:
        """Put the adapter in: a new terminal under the same path."""
        self._far, self._near = os.openpty()
        # Held open on this side too, or the far end would be dead until somebody opens it.
        tty.setraw(self._near)
        os.set_blocking(self._far, False)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._near))

    def attend(self) -> None:
        """Collect what arrives, from now on; needs a running loop."""
        asyncio.get_running_loop().add_reader(self._far, self._read)

    def unplug(self) -> None:
        """Pull the adapter out: path and terminal go away."""
        if not self.is_plugged:
            return
        # Outside of a loop, at the end of a test, nobody reads.
        with suppress(RuntimeError):
            loop = asyncio.get_running_loop()
            loop.remove_reader(self._far)
            loop.remove_writer(self._far)
        self.path.unlink(missing_ok=True)
        os.close(self._far)
        os.close(self._near)
        self._far = self._near = -1
        self._unsent = b""

    def send(self, data: bytes) -> None:
        """Say something; what the line does not take at once follows."""
        self._unsent += data
        self._write()

    def _write(self) -> None:
        try:
            sent = os.write(self._far, self._unsent)
        except BlockingIOError:
            sent = 0
        self._unsent = self._unsent[sent:]
        loop = asyncio.get_running_loop()
        if self._unsent:
            loop.add_writer(self._far, self._write)
        else:
            loop.remove_writer(self._far)

    def _read(self) -> None:
        self.received += os.read(self._far, 65536)
        self.on_received()


@pytest.fixture
def plugged(tmp_path: Path) -> Iterator[Callable[[str], Wire]]:
    """Makes wires by name, plugged in; pulls them out at the end."""
    with ExitStack() as wires:

        def plug(name: str) -> Wire:
            wire = Wire(tmp_path / name)
            wire.plug()
            wires.callback(wire.unplug)
            return wire

        yield plug


@pytest.fixture
def wire(plugged: Callable[[str], Wire]) -> Wire:
    return plugged("line")


# ---- brokers


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    yield broker
    await broker.stop()


@pytest.fixture(
    params=["embedded", pytest.param("mosquitto", marks=pytest.mark.mosquitto)]
)
async def any_port(
    request: pytest.FixtureRequest, tmp_path: Path
) -> AsyncIterator[int]:
    broker: AnyBroker
    broker = EmbeddedBroker() if request.param == "embedded" else Mosquitto(tmp_path)
    yield await broker.start()
    await broker.stop()


@pytest.fixture
def nothing_is_left_open() -> Iterator[None]:
    """An unclosed socket is a ResourceWarning, which fails the test it belongs to."""
    yield
    gc.collect()


# ---- a computer, a bench and a session in the test's hand


class Computer:
    """A computer whose two clocks go as the test wants."""

    def __init__(self) -> None:
        self.since_boot_s = 1000.0
        self.utc_us = RFC_US
        self.boot_id = "boot"

    def pass_s(self, seconds: float) -> None:
        self.since_boot_s += seconds
        self.utc_us += round(seconds * 1e6)

    def clock(self, *, speed: float = 1.0) -> Clock:
        return Clock(
            speed=speed,
            since_boot_s=lambda: self.since_boot_s,
            utc_us=lambda: self.utc_us,
            boot_id=self.boot_id,
        )


@pytest.fixture
def computer() -> Computer:
    return Computer()


@pytest.fixture
def bench() -> Bench:
    profiles = {"mains": ("mains.toml", MAINS), "vane": ("vane.toml", VANE)}
    return parse_bench(BENCH, file="bench.toml", find_profile=profiles.get)


@pytest.fixture
def plan(bench: Bench) -> Plan:
    return parse_plan(PLAN, file="plan.toml", bench=bench)


class MeterInHand:
    """The mains meter's readings as the test makes them; who takes them is for its heirs to say."""

    def __init__(self, computer: Computer, *, clock: Clock) -> None:
        self.clock = clock
        self._computer = computer
        self._random = Random(1)  # noqa: S311 - noise of a meter, no secret

    @property
    def session(self) -> Session:
        raise NotImplementedError

    def take(self, outcome: Reading | Gap) -> None:
        raise NotImplementedError

    def read(self, amperes: float | None, watts: float | None) -> None:
        """A second passes, then the mains meter is read."""
        self._computer.pass_s(1.0)
        self.take(Reading("meter", self.clock.bench_s(), (amperes, watts)))

    def stand_still(self) -> None:
        """The machine is off for longer than the least off time."""
        for _ in range(4):
            self.read(0.0, 0.0)

    def run_until(self, stage: Stage, *, amperes: float = 6.0) -> None:
        """The machine runs steadily at 1400 W."""
        for _ in range(400):
            if self.session.stage is stage:
                return
            self.read(amperes, 1400.0 + self._random.gauss(0.0, 1.0))
        msg = f"{self.session.stage} after 400 s, expected {stage}"
        raise AssertionError(msg)


class Rehearsal(MeterInHand):
    """A session whose readings the test makes; who must be told is told as by the daemon."""

    def __init__(
        self,
        bench: Bench,
        plan: Plan,
        computer: Computer,
        *,
        clock: Clock | None = None,
        recorder: Recorder | None = None,
        start: Beginning | None = None,
    ) -> None:
        super().__init__(computer, clock=clock or computer.clock())
        self.running = Running(bench, plan, start or rehearsed(plan))
        self.board = Board(bench, clock=self.clock)
        self.board.open(self.running.lines)
        self._recorder = recorder
        self._begun = len(start.earlier) if start else 0

    @property
    def session(self) -> Session:
        return self.running.session

    def take(self, outcome: Reading | Gap) -> None:
        if isinstance(outcome, Reading):
            self._happened(self.session.feed(outcome))
        if self._recorder is not None:
            self._recorder.take(outcome)
        self.board.take(outcome)

    def tick(self) -> None:
        self._happened(self.session.tick(self.clock.bench_s()))

    def _happened(self, occurrences: list[Occurrence]) -> None:
        for occurrence in occurrences:
            trial = self._recorder.trial if self._recorder else None
            if self._recorder is not None:
                self._recorder.note(occurrence)
                trial = trial or self._recorder.trial
            elif occurrence.happening is Happening.SWITCHED_ON:
                # Without a store trials are numbered all the same.
                self._begun += 1
                trial = self._begun
            self.running.happened(occurrence, trial=trial)


def rehearsed(plan: Plan, *, earlier: tuple[TrialResult, ...] = ()) -> Beginning:
    """The beginning of a session that no store knows of."""
    facts = SessionFacts(
        session_id="rehearsed",
        number=1,
        bench="leads",
        plan=plan.name,
        machine=plan.machine,
        started_utc="1985-04-12T23:20:50.520Z",
        speed=1.0,
        software="steadybench 0",
    )
    return Beginning(facts, plan.order(1), earlier, "Session 1 begins: 2 trials.")


# ---- a store to spoil


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A results file with some trials, which nobody changes."""
    path = tmp_path_factory.mktemp("sound") / "bench.db"
    asyncio.run(write_store(path))
    return path


@pytest.fixture
def path(sound: Path, tmp_path: Path) -> Path:
    """A copy of it to spoil."""
    return copy_of(sound, tmp_path)
