"""What was read outside sessions is thinned; what belongs to a session or a trial, and what is young, never is."""

import asyncio
import shutil
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.records import Gap, GapReason, Reading
from daq.runtime.store import Store, thinning
from tests.runtime.stored_bench import (
    RFC_US,
    ask,
    begin_session,
    begin_trial,
    channel,
    opened,
    result,
)

INSTRUMENTS = {
    name: (channel(f"{name} supply", "V", instrument=name),)
    for name in ("meter", "gauge")
}
REASONS = (GapReason.GARBLED, GapReason.NO_REPLY)


@dataclass(frozen=True)
class Kept:
    """A reading or a gap as it was added."""

    label: tuple[str, ...]
    boot: int
    at_s: float
    since_start_s: float
    is_protected: bool


@dataclass
class Service:
    """A bench that is left on, second by second, over restarts of the computer."""

    path: Path
    store: Store
    boot: int = 0
    boot_s: float = 0.0
    now_s: float = 0.0
    clock: int = 0
    session: int = 0
    trial: int | None = None
    is_in_session: bool = False
    kept: list[Kept] = field(default_factory=list)
    trials: int = 0

    async def tell_time(self) -> None:
        self.clock = await self.store.add_clock(
            f"boot {self.boot}",
            monotonic_s=self.now_s - self.boot_s,
            utc_us=RFC_US + round(self.now_s * 1e6),
            speed=1.0,
        )

    async def restart(self) -> None:
        """The program is killed, and the computer boots."""
        await self.store.close()
        self.boot, self.trial, self.is_in_session = self.boot + 1, None, False
        self.now_s += 5.0
        self.boot_s = self.now_s
        self.store = _open(self.path)
        await self.tell_time()

    async def read(self, times: int) -> None:
        for _ in range(times):
            self.now_s += 1.0
            for name in INSTRUMENTS:
                reading = Reading(name, self._at_s, (230.0,))
                self.store.add_reading(
                    reading, clock_id=self.clock, trial_id=self.trial
                )
                self._keep(f"readings_{name}")

    async def miss(self, times: int) -> None:
        for number in range(times):
            self.now_s += 1.0
            reason = REASONS[number % 2]
            gap = Gap("meter", self._at_s, reason, "")
            self.store.add_gap(gap, clock_id=self.clock, trial_id=self.trial)
            self._keep("gaps", "meter", reason.value)

    async def switch_session(self) -> None:
        if self.is_in_session:
            await self.store.end_span(self.session, self.store.next_numbers)
        else:
            await self.store.begin_span(self.session, self.store.next_numbers)
        self.is_in_session = not self.is_in_session

    async def switch_machine(self) -> None:
        """A trial, within a session or not: a trial is never thinned."""
        if self.trial is None:
            self.trials += 1
            uuid = f"7a{self.trials}"
            self.trial = await begin_trial(
                self.store, self.session, self.clock, uuid=uuid, at_s=self._at_s
            )
        else:
            self.trial = None

    @property
    def _at_s(self) -> float:
        return self.now_s - self.boot_s

    def _keep(self, *label: str) -> None:
        is_protected = self.is_in_session or self.trial is not None
        row = Kept(label, self.boot, self._at_s, self.now_s, is_protected)
        self.kept.append(row)

    def should_stay(self, *, older_than_s: float, every_s: float) -> list[Kept]:
        """By the rule as people are told it."""
        stretches = set()
        left = []
        for row in self.kept:
            stretch = (row.label, row.boot, row.at_s // every_s)
            is_outside = not row.is_protected
            is_old = self.now_s - row.since_start_s > older_than_s
            if is_outside and is_old and stretch in stretches:
                continue
            if is_outside:
                stretches.add(stretch)
            left.append(row)
        return left


def stored(path: Path) -> list[tuple[object, ...]]:
    """What is there: table and reason, boot, time."""
    rows = [
        (f"readings_{name}", boot, at_s)
        for name in INSTRUMENTS
        for boot, at_s in ask(
            path,
            f"SELECT c.boot_id, r.at_s FROM readings_{name} r"  # noqa: S608 - a name above
            " JOIN clocks c ON c.id = r.clock_id",
        )
    ]
    gaps = ask(
        path,
        "SELECT 'gaps', g.instrument, g.reason, c.boot_id, g.at_s FROM gaps g"
        " JOIN clocks c ON c.id = g.clock_id",
    )
    return sorted([*rows, *gaps], key=str)


def as_stored(rows: list[Kept]) -> list[tuple[object, ...]]:
    return sorted(((*r.label, f"boot {r.boot}", r.at_s) for r in rows), key=str)


def _open(path: Path) -> Store:
    return Store.open(
        path,
        instruments=INSTRUMENTS,
        on_trouble=lambda _: None,
        loop=asyncio.get_running_loop(),
    )


@asynccontextmanager
async def serving(path: Path) -> AsyncIterator[Service]:
    service = Service(path, _open(path))
    try:
        await service.tell_time()
        service.session = await begin_session(service.store)
        yield service
    finally:
        await service.store.close()


Step = Callable[[Service], Awaitable[None]]
steps: st.SearchStrategy[Step] = st.one_of(
    st.integers(1, 30).map(lambda n: lambda s: s.read(n)),
    st.integers(1, 8).map(lambda n: lambda s: s.miss(n)),
    st.sampled_from(
        [
            Service.switch_session,
            Service.switch_machine,
            Service.tell_time,
            Service.restart,
        ]
    ),
)


async def _serve(
    path: Path, days: list[list[Step]], older_than_s: float, every_s: float
) -> None:
    """Thin after each day; what is left is what one thinning at the end would have left."""
    async with serving(path) as service:
        for day in days:
            for step in day:
                await step(service)
            await service.store.thin(older_than_s=older_than_s, every_s=every_s)
        expected = service.should_stay(older_than_s=older_than_s, every_s=every_s)
        assert stored(path) == as_stored(expected)


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store that is there already: making one takes longer than all the rest."""
    path = tmp_path_factory.mktemp("empty") / "bench.db"

    async def make() -> None:
        await _open(path).close()

    asyncio.run(make())
    return path


@pytest.mark.slow
@settings(deadline=None, max_examples=40)
@given(
    days=st.lists(st.lists(steps, max_size=8), min_size=1, max_size=4),
    # Nothing is exactly so old: on the very border a row may go or stay.
    older_than_s=st.integers(0, 40).map(lambda seconds: seconds + 0.5),
    every_s=st.sampled_from([1.0, 3.0, 10.0]),
    chunk=st.sampled_from([1, 7, 500]),
)
def test_the_first_of_each_stretch_stays_and_all_that_is_young_or_of_a_session(
    empty: Path, days: list[list[Step]], older_than_s: float, every_s: float, chunk: int
) -> None:
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(thinning, "CHUNK_ROWS", chunk)
        path = Path(folder) / "bench.db"
        shutil.copy(empty, path)
        asyncio.run(_serve(path, days, older_than_s, every_s))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


async def test_what_was_read_outside_sessions_is_thinned_once_it_is_old(
    path: Path,
) -> None:
    async with serving(path) as service:
        await service.read(100)
        # Of 1 … 39 s, older than 60 s at 100 s, one in ten stays, from each of two meters.
        assert await service.store.thin(older_than_s=60.0, every_s=10.0) == 2 * 35
        times = ask(path, "SELECT at_s FROM readings_meter ORDER BY seq LIMIT 5")
        assert times == [(1.0,), (10.0,), (20.0,), (30.0,), (40.0,)]
        assert await service.store.thin(older_than_s=60.0, every_s=10.0) == 0


async def test_gaps_are_thinned_by_instrument_and_reason(path: Path) -> None:
    async with serving(path) as service:
        await service.miss(19)
        await service.read(1)
        assert await service.store.thin(older_than_s=0.0, every_s=10.0) == 15
    rows = ask(path, "SELECT at_s, reason FROM gaps ORDER BY id")
    assert rows == [
        (1.0, REASONS[0].value),
        (2.0, REASONS[1].value),
        (10.0, REASONS[1].value),
        (11.0, REASONS[0].value),
    ]


async def test_a_session_that_goes_on_is_not_touched_and_neither_is_what_follows(
    path: Path,
) -> None:
    async with serving(path) as service:
        await service.switch_session()
        await service.read(50)
        assert await service.store.thin(older_than_s=0.0, every_s=10.0) == 0
        await service.switch_session()
        await service.read(50)
        assert await service.store.thin(older_than_s=0.0, every_s=10.0) > 0
        within = ask(
            path,
            "SELECT count(*) FROM readings_meter r JOIN spans s"
            " ON r.seq BETWEEN s.first_seq AND s.last_seq",
        )
        assert within == [(50,)]


async def test_gaps_of_a_session_are_not_touched(path: Path) -> None:
    async with serving(path) as service:
        await service.read(20)
        await service.switch_session()
        await service.miss(10)
        await service.switch_session()
        await service.miss(10)
        await service.read(1)
        await service.store.thin(older_than_s=0.0, every_s=1000.0)
    # Of those after it the first of each reason stays.
    assert ask(path, "SELECT id FROM gaps") == [(n,) for n in range(1, 13)]


async def test_a_trial_outside_a_session_is_not_touched(path: Path) -> None:
    async with serving(path) as service:
        await service.switch_machine()
        await service.read(50)
        trial = service.trial
        assert trial is not None
        ended = result("7a1", ended_s=50.0)
        await service.store.end_trial(trial, ended, rule_json="{}", outbox=None)
        await service.switch_machine()
        await service.read(1)
        assert await service.store.thin(older_than_s=0.0, every_s=10.0) == 0


async def test_a_computer_whose_clock_was_set_loses_nothing_before_its_time(
    path: Path,
) -> None:
    # Without a clock that goes on while it is off, a computer wakes in 1970 and is set right a minute later.
    async with opened(path, INSTRUMENTS) as store:
        for at_s, utc_us in ((0.0, 0), (60.0, RFC_US), (120.0, RFC_US - 10**13)):
            clock = await store.add_clock(
                "boot", monotonic_s=at_s, utc_us=utc_us, speed=1.0
            )
            for second in range(60):
                reading = Reading("meter", at_s + second, (230.0,))
                store.add_reading(reading, clock_id=clock, trial_id=None)
        # It is 179 s now: of 0 … 78 s all but 8 go.
        assert await store.thin(older_than_s=100.0, every_s=10.0) == 79 - 8
        assert await store.thin(older_than_s=100.0, every_s=10.0) == 0


async def test_bench_time_that_runs_faster_is_thinned_by_bench_time(
    path: Path,
) -> None:
    async with opened(path, INSTRUMENTS) as store:
        # Two programs of one boot, at 600 bench seconds a second: one hour of the bench is 6 s of UTC.
        for boot, at_s, utc_s in (("a", 0.0, 0.0), ("b", 50.0, 6.0)):
            clock = await store.add_clock(
                boot, monotonic_s=at_s, utc_us=round(utc_s * 1e6), speed=600.0
            )
            for second in range(10):
                reading = Reading("meter", at_s + second, (230.0,))
                store.add_reading(reading, clock_id=clock, trial_id=None)
        assert await store.thin(older_than_s=3700.0, every_s=10.0) == 0
        assert await store.thin(older_than_s=3500.0, every_s=10.0) == 9


async def test_nothing_is_thinned_of_a_store_without_a_clock(path: Path) -> None:
    async with opened(path, INSTRUMENTS) as store:
        assert await store.thin(older_than_s=0.0, every_s=1.0) == 0


@pytest.mark.parametrize(
    ("older_than_s", "every_s"),
    [(-1.0, 1.0), (0.0, 0.0), (float("nan"), 1.0), (0.0, float("nan"))],
)
async def test_an_age_or_a_stretch_that_makes_no_sense_is_refused(
    path: Path, older_than_s: float, every_s: float
) -> None:
    async with opened(path, INSTRUMENTS) as store:
        with pytest.raises(ValueError, match="expected 0 or more, and more than 0"):
            await store.thin(older_than_s=older_than_s, every_s=every_s)
        assert store.failing is None


@pytest.mark.slow
async def test_readings_that_come_in_meanwhile_are_all_kept(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thinning, "CHUNK_ROWS", 5)
    async with serving(path) as service:
        await service.read(200)
        await service.tell_time()
        newest = service.now_s
        begun = asyncio.get_running_loop().create_task(
            service.store.thin(older_than_s=50.0, every_s=1000.0)
        )
        while not begun.done():
            await service.read(1)
            await service.store.open_sessions()  # not faster than the disk
        assert await begun > 0
        await service.store.open_sessions()  # what was added before it is on the disk
        times = ask(path, "SELECT at_s FROM readings_meter ORDER BY seq")
        count = round(service.now_s - newest)
        assert count > 1
        assert [at_s for (at_s,) in times if float(str(at_s)) > newest] == [
            newest + number for number in range(1, count + 1)
        ]


@pytest.mark.slow
async def test_a_thinning_that_is_broken_off_goes_on_where_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thinning, "CHUNK_ROWS", 5)
    async with serving(path) as service:
        await service.read(100)
        begun = asyncio.get_running_loop().create_task(
            service.store.thin(older_than_s=0.0, every_s=7.0)
        )
        # Jobs take turns: after each of these one more of its steps is done.
        for _ in range(10):
            await service.store.open_sessions()
        begun.cancel()
        with pytest.raises(asyncio.CancelledError):
            await begun
        assert stored(path) != as_stored(service.kept)
        await service.store.thin(older_than_s=0.0, every_s=7.0)
        expected = service.should_stay(older_than_s=0.0, every_s=7.0)
        assert stored(path) == as_stored(expected)


@pytest.mark.slow
async def test_numbers_are_never_used_again_after_thinning(path: Path) -> None:
    async with serving(path) as service:
        await service.read(20)
        await service.miss(4)
        await service.restart()
        await service.store.thin(older_than_s=0.0, every_s=1000.0)
        assert ask(path, "SELECT max(seq) FROM readings_gauge") == [(2,)]
        await service.restart()
        assert service.store.next_reading == 41
        await service.miss(1)
    assert ask(path, "SELECT max(id) FROM gaps") == [(5,)]
