"""Readings about each trial's switching, read back: which are a trial's own, and how meters were described then."""

import sqlite3
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager, closing
from dataclasses import dataclass, replace
from pathlib import Path
from uuid import uuid4

import pytest

from daq.comparison.lead_readings import Stretch
from daq.errors import InputError, StoreError
from daq.records import Accuracy, Channel, Reading, TrialState
from daq.runtime.store import Store
from daq.runtime.store.edges import read_session_edges
from tests.core.comparison import observed
from tests.runtime.conftest import RFC_US
from tests.runtime.stored_bench import (
    FACTS,
    ORDER,
    begin_session,
    begin_trial,
    opened,
    result,
)

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
Meters = Mapping[str, Sequence[Channel]]


def channel(
    name: str, unit: str, index: int = 0, *, place: str = "machine end"
) -> Channel:
    """A channel of the mains meter; a supply's has a meter of its own."""
    meter = "outlet" if place == "supply end" else "mains"
    described = observed.channel(name, unit, place)
    return replace(described, instrument=meter, field_index=index)


VOLTAGE = channel("voltage", "V")
METERS: Meters = {
    "mains": (VOLTAGE, channel("power", "kW", 1)),
    "outlet": (channel("supply", "V", place="supply end"),),
}


@dataclass
class Bench:
    """Meters that are read every second; each shows the second at which it was read, in whatever unit."""

    store: Store
    meters: Meters
    clock: int
    session: int
    now_s: float = 900.0
    interval_s: float = 1.0

    def rest(self, seconds: float) -> None:
        """The machine is off."""
        self._read(seconds, None)

    async def run(
        self, seconds: float, *, state: TrialState = TrialState.FINISHED
    ) -> None:
        """The machine is on, for one trial."""
        uuid, started_s = str(uuid4()), self.now_s
        trial = await begin_trial(
            self.store, self.session, self.clock, uuid=uuid, at_s=started_s
        )
        self._read(seconds, trial)
        ended = replace(
            result(uuid, ended_s=self.now_s), state=state, started_s=started_s
        )
        await self.store.end_trial(trial, ended, rule_json="{}", outbox=None)

    def _read(self, seconds: float, trial: int | None) -> None:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            for instrument, channels in self.meters.items():
                shown: list[float | None] = [self.now_s] * len(channels)
                reading = Reading(instrument, self.now_s, tuple(shown))
                self.store.add_reading(reading, clock_id=self.clock, trial_id=trial)
            self.now_s += self.interval_s


@asynccontextmanager
async def recording(
    path: Path, meters: Meters = METERS, *, boot: str = "boot"
) -> AsyncIterator[Bench]:
    """A program that records from second 900 on, the first in a session of its own."""
    async with opened(path, meters) as store:
        clock = await store.add_clock(boot, monotonic_s=0.0, utc_us=RFC_US, speed=1.0)
        session = await begin_session(store, replace(FACTS, session_id=str(uuid4())))
        yield Bench(store, meters, clock, session)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def stretch(path: Path, name: str = "voltage", *, trial: int = 0) -> Stretch:
    """Readings of a channel about the switching of the session's trial of that index."""
    return read_session_edges(path)[trial].readings[name]


def seconds(*spans: tuple[int, int]) -> tuple[float, ...]:
    """Whole seconds of some spans, both ends included."""
    return tuple(float(s) for first, last in spans for s in range(first, last + 1))


# ---- which readings


async def test_readings_about_both_switchings_come_back_without_the_run_between(
    path: Path,
) -> None:
    async with recording(path) as bench:
        bench.rest(100.0)
        await bench.run(240.0)
        bench.rest(100.0)
    (edges,) = read_session_edges(path)
    assert (edges.trial, edges.condition) == (1, ORDER[0].condition)
    assert (edges.on_s, edges.off_s) == (1000.0, 1240.0)
    assert set(edges.readings) == {"voltage", "power", "supply"}
    # A minute before the switch-on until half a minute after it; a minute and the guard before the switch-off, and so on.
    wanted = seconds((940, 1030), (1178, 1270))
    assert edges.readings["voltage"].times_s == wanted
    assert edges.readings["supply"].times_s == wanted


async def test_a_short_run_comes_back_whole_and_once(path: Path) -> None:
    async with recording(path) as bench:
        bench.rest(20.0)
        await bench.run(40.0)
        bench.rest(5.0)
    assert stretch(path).times_s == seconds((900, 964))


async def test_a_fast_meter_s_minute_is_more_than_a_page(path: Path) -> None:
    async with recording(path) as bench:
        bench.interval_s = 0.125
        bench.rest(70.0)
        await bench.run(30.0)
        bench.rest(40.0)
    times = stretch(path).times_s
    # From 910 to 1030 s, eight a second, both ends included.
    assert (times[0], times[-1], len(times)) == (910.0, 1030.0, 961)


async def test_what_was_read_under_another_trial_s_load_is_not_idle(path: Path) -> None:
    async with recording(path) as bench:
        await bench.run(100.0)
        bench.rest(20.0)
        await bench.run(200.0)
        bench.rest(10.0)
        await bench.run(100.0)
    # Off at 1000 s and on at 1230 s: two seconds from there belong to those trials.
    between = stretch(path, trial=1).times_s
    assert (between[0], between[-1]) == (1002.0, 1228.0)
    assert stretch(path, trial=0).times_s[-1] == 1018.0
    assert stretch(path, trial=2).times_s[0] == 1222.0


async def test_a_trial_that_was_broken_off_tells_nothing_and_is_not_idle_either(
    path: Path,
) -> None:
    async with recording(path) as bench:
        await bench.run(30.0, state=TrialState.UNFINISHED)
        bench.rest(10.0)
        await bench.run(100.0)
    (edges,) = read_session_edges(path)
    assert edges.trial == 2
    assert edges.readings["voltage"].times_s[0] == 932.0


@pytest.mark.parametrize("state", [TrialState.NOT_SETTLED, TrialState.LIMIT_BROKEN])
async def test_a_trial_without_an_average_tells_of_its_lead_all_the_same(
    path: Path, state: TrialState
) -> None:
    async with recording(path) as bench:
        bench.rest(30.0)
        await bench.run(60.0, state=state)
    assert len(read_session_edges(path)) == 1


async def test_a_reading_at_the_same_second_of_another_boot_is_not_taken(
    path: Path,
) -> None:
    async with recording(path, boot="before") as bench:
        bench.rest(60.0)
    async with recording(path) as bench:
        bench.now_s = 930.0
        bench.rest(10.0)
        await bench.run(60.0)
    async with recording(path, boot="after") as bench:
        bench.now_s = 1001.0
        bench.rest(20.0)
    assert stretch(path).times_s == seconds((930, 999))


async def test_an_earlier_session_s_last_trial_bounds_the_next_one_s_idle_time(
    path: Path,
) -> None:
    async with recording(path) as bench:
        await bench.run(50.0)
        earlier = bench.session
        bench.session = await begin_session(
            bench.store, replace(FACTS, session_id=str(uuid4()))
        )
        bench.rest(10.0)
        await bench.run(50.0)
    (edges,) = read_session_edges(path)
    assert edges.readings["voltage"].times_s[0] == 952.0
    (first,) = read_session_edges(path, earlier)
    assert (first.on_s, first.off_s) == (900.0, 950.0)


async def test_a_value_that_the_meter_could_not_show_is_left_out(path: Path) -> None:
    async with recording(path) as bench:
        bench.rest(10.0)
        bench.store.add_reading(
            Reading("mains", 909.5, (None, 1.0)), clock_id=bench.clock, trial_id=None
        )
        await bench.run(60.0)
    assert 909.5 not in stretch(path).times_s
    assert 909.5 in stretch(path, "power").times_s


async def test_a_meter_that_was_silent_during_the_run_has_no_readings(
    path: Path,
) -> None:
    async with recording(path) as bench:
        bench.rest(30.0)
        bench.meters = {"mains": METERS["mains"]}
        await bench.run(60.0)
    (edges,) = read_session_edges(path)
    assert len(edges.readings["supply"]) == 0
    assert edges.find("voltage", "supply end") is None
    assert edges.find("voltage", "machine end") == VOLTAGE


# ---- what they mean


async def test_values_come_back_in_si_units(path: Path) -> None:
    room = channel("room", "degF", 2, place="room")
    meters = {"mains": (*METERS["mains"], room)}
    async with recording(path, meters) as bench:
        bench.now_s = 68.0
        await bench.run(1.0)
    assert stretch(path, "voltage").values == (68.0,)
    # 68 kW are 68000 W, 68 °F are 20 °C.
    assert stretch(path, "power").values == (68000.0,)
    assert stretch(path, "room").values == pytest.approx((20.0,))


async def test_channels_that_tell_nothing_of_a_lead_are_not_read(path: Path) -> None:
    others = (
        channel("outlet_air", "Cel", 1, place="duct"),
        channel("suction", "Pa", 2, place="duct"),
    )
    async with recording(path, {"mains": (VOLTAGE, *others)}) as bench:
        await bench.run(30.0)
    (edges,) = read_session_edges(path)
    assert edges.channels == (VOLTAGE,)
    assert list(edges.readings) == ["voltage"]


async def test_channels_are_described_as_they_were_when_the_trial_began(
    path: Path,
) -> None:
    better = replace(VOLTAGE, accuracy=Accuracy(percent_of_reading=0.1))
    async with recording(path, {"mains": (VOLTAGE,)}) as bench:
        await bench.run(30.0)
    async with recording(path, {"mains": (better,)}) as bench:
        bench.now_s = 2000.0
        await bench.run(30.0)
    (first,), (second,) = (read_session_edges(path, n) for n in (1, 2))
    assert first.channels == (VOLTAGE,)
    assert second.channels == (better,)


# ---- which session and file


async def test_the_newest_session_with_a_trial_is_taken(path: Path) -> None:
    async with recording(path) as bench:
        await bench.run(30.0)
    async with recording(path):
        pass
    assert [edges.trial for edges in read_session_edges(path)] == [1]
    assert read_session_edges(path, 2) == ()


async def test_a_session_that_is_not_there_is_named(path: Path) -> None:
    async with recording(path):
        pass
    with pytest.raises(InputError, match="no session with a trial"):
        read_session_edges(path)
    with pytest.raises(InputError, match="no session 7"):
        read_session_edges(path, 7)


def test_a_file_that_is_not_there_is_no_store(path: Path) -> None:
    with pytest.raises(StoreError, match="no results file there"):
        read_session_edges(path)


def test_a_store_of_format_1_is_read_and_not_altered(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    before = path.read_bytes()
    (edges,) = read_session_edges(path)
    assert (edges.condition, edges.on_s, edges.off_s) == ("long lead", 100.0, 200.0)
    # The three readings that stand in the file.
    assert edges.readings["power"].values == (1383.0, 1384.0, 1385.0)
    assert path.read_bytes() == before
