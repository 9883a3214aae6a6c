"""The charts after the service was started anew: they begin with what the store holds of the time before."""

import itertools
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from daq.config.bench import Bench, parse_bench
from daq.errors import StoreError
from daq.records import Reading
from daq.runtime.answering import Answering
from daq.runtime.board import TRACE_S
from tests.runtime.attended_bench import AttendedBench, attended
from tests.runtime.conftest import BENCH, MAINS, VANE, Computer

Points = list[tuple[float, float | None]]


def answering_of(service: AttendedBench) -> Answering:
    return Answering(
        service.board,
        service.store,
        service.path,
        service.shelf,
        service.clock,
        service.operating,
    )


@asynccontextmanager
async def started(
    folder: Path, bench: Bench, computer: Computer, *, speed: float = 1.0
) -> AsyncIterator[tuple[AttendedBench, Answering]]:
    """A service whose charts begin with the past; killed at the end."""
    async with attended(folder, bench, computer, speed=speed) as service:
        answering = answering_of(service)
        ((clock_id,),) = service.rows("SELECT max(id) FROM clocks")
        assert isinstance(clock_id, int)
        await answering.recall(clock_id)
        yield service, answering


async def traces(answering: Answering) -> dict[str, Points]:
    told = json.loads(await answering.trace(), parse_constant=pytest.fail)["channels"]
    return {
        name: list(zip(trace["t"], trace["v"], strict=True))
        for name, trace in told.items()
    }


async def read_for(service: AttendedBench, seconds: int, *, watts: float) -> Points:
    """A reading of the mains meter every second."""
    points: Points = []
    for n in range(seconds):
        service.read(6.0, watts + n)
        points.append((round(service.clock.bench_s(), 3), watts + n))
    await service.written()
    return points


async def test_a_chart_begins_with_what_was_read_before_the_restart(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    async with started(tmp_path, bench, computer) as (service, answering):
        assert set(await traces(answering)) == {"current", "power", "velocity"}
        before = await read_for(service, 30, watts=1000.0)
        service.read(6.0, None)
        await service.written()
    computer.pass_s(20.0)
    async with started(tmp_path, bench, computer) as (service, answering):
        after = await read_for(service, 10, watts=2000.0)
        shown = await traces(answering)
    overrange = (before[-1][0] + 1.0, None)
    assert shown["power"] == [*before, overrange, *after]
    # The gap is left: nothing stands between the last reading before it and the first after it.
    assert after[0][0] - overrange[0] == 21.0
    assert shown["velocity"] == []


async def test_readings_that_came_before_the_past_was_read_stand_behind_it(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    async with started(tmp_path, bench, computer) as (service, _):
        before = await read_for(service, 5, watts=1000.0)
    async with attended(tmp_path, bench, computer) as service:
        after = await read_for(service, 5, watts=2000.0)
        answering = answering_of(service)
        await answering.recall(2)
        assert (await traces(answering))["power"] == [*before, *after]


async def test_only_so_much_is_recalled_as_a_live_chart_keeps(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    async with started(tmp_path, bench, computer) as (service, _):
        before = await read_for(service, 100, watts=0.0)
    computer.pass_s(TRACE_S - 50.0)
    async with started(tmp_path, bench, computer) as (service, answering):
        now_s = service.clock.bench_s()
        shown = (await traces(answering))["power"]
    assert shown == [(t, v) for t, v in before if t >= now_s - TRACE_S]
    assert len(shown) == 51


async def test_after_the_computer_was_started_anew_utc_ties_the_times_together(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    async with started(tmp_path, bench, computer) as (service, _):
        before = await read_for(service, 30, watts=1000.0)
    computer.pass_s(60.0)
    passed_s = computer.since_boot_s - before[-1][0]
    boot_again(computer, since_boot_s=40.0)
    async with started(tmp_path, bench, computer) as (service, answering):
        after = await read_for(service, 3, watts=2000.0)
        shown = (await traces(answering))["power"]
    # What was read before the computer's start has times before its clock began.
    newest_s = 40.0 - passed_s
    moved = [(t - before[-1][0] + newest_s, v) for t, v in before]
    assert [v for _, v in shown] == [v for _, v in (*moved, *after)]
    assert [t for t, _ in shown] == pytest.approx([t for t, _ in (*moved, *after)])


@pytest.mark.parametrize("step_s", [-3600.0, 2.0 * TRACE_S])
async def test_where_utc_cannot_be_right_the_gap_stays(
    tmp_path: Path, bench: Bench, computer: Computer, step_s: float
) -> None:
    async with started(tmp_path, bench, computer) as (service, _):
        await read_for(service, 30, watts=1000.0)
    boot_again(computer, since_boot_s=40.0)
    computer.utc_us += round(step_s * 1e6)
    async with started(tmp_path, bench, computer) as (service, answering):
        after = await read_for(service, 3, watts=2000.0)
        assert (await traces(answering))["power"] == after


async def test_what_was_read_at_another_speed_is_not_shown(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    async with started(tmp_path, bench, computer, speed=12.0) as (service, _):
        await read_for(service, 30, watts=1000.0)
    async with started(tmp_path, bench, computer) as (_, answering):
        assert (await traces(answering))["power"] == []


async def test_a_channel_that_has_left_the_bench_is_not_shown(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    async with started(tmp_path, bench, computer) as (service, _):
        service.take(Reading("anemometer", service.clock.bench_s(), (7.5,)))
        before = await read_for(service, 5, watts=1000.0)
    profiles = {"mains": ("mains.toml", MAINS), "vane": ("vane.toml", VANE)}
    text = BENCH.partition('[[instrument]]\nname = "anemometer"')[0]
    smaller = parse_bench(text, file="bench.toml", find_profile=profiles.get)
    async with started(tmp_path, smaller, computer) as (_, answering):
        shown = await traces(answering)
    assert set(shown) == {"current", "power"}
    assert shown["power"] == before


async def test_several_restarts_in_a_row_are_all_in_the_chart(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    read: Points = []
    for n in range(4):
        async with started(tmp_path, bench, computer) as (service, answering):
            read += await read_for(service, 4, watts=100.0 * n)
            shown = (await traces(answering))["power"]
        assert shown == read
        computer.pass_s(5.0)
    assert all(b > a for (a, _), (b, _) in itertools.pairwise(read))


async def test_a_store_that_is_gone_is_an_error_and_no_empty_past(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(tmp_path, bench, computer) as service:
        service.path = tmp_path / "elsewhere.db"
        answering = answering_of(service)
        with pytest.raises(StoreError, match="no results file there"):
            await answering.recall(1)


def boot_again(computer: Computer, *, since_boot_s: float) -> None:
    """The computer is off and on; UTC goes on, and nobody asked the other clock."""
    computer.since_boot_s = since_boot_s
    computer.boot_id = "the next boot"
