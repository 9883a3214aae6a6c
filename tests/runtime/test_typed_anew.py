"""Typed readings that count no more, on the screens: lapsed because the trial settles anew, or taken back."""

import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from daq.config.bench import Bench, parse_bench
from daq.operations import Start, TakeBack, TypedReading
from daq.runtime.past import trial_trace_json
from daq.runtime.snapshot import Pushes
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended
from tests.runtime.conftest import MAINS, Computer
from tests.runtime.test_operating_typed import (
    NAME,
    POLLED,
    TYPED,
    UNHURRIED,
    until_asked,
)
from tests.runtime.test_traces_after_a_restart import started


def typing_bench() -> Bench:
    profiles = {"mains": ("mains.toml", MAINS)}
    return parse_bench(POLLED + TYPED, file="bench.toml", find_profile=profiles.get)


@asynccontextmanager
async def at_work(folder: Path, computer: Computer) -> AsyncIterator[AttendedBench]:
    """A session in hand; killed at the end."""
    (folder / "plan.toml").write_text(UNHURRIED, encoding="utf-8")
    async with attended(folder, typing_bench(), computer) as attended_bench:
        await attended_bench.ask(Start("leads"))
        attended_bench.stand_still()
        yield attended_bench


@pytest.fixture
async def service(tmp_path: Path, computer: Computer) -> AsyncIterator[AttendedBench]:
    async with at_work(tmp_path, computer) as attended_bench:
        yield attended_bench


def shown(service: AttendedBench) -> dict[str, Any]:
    snapshot: dict[str, Any] = json.loads(service.board.snapshot().as_json())
    return snapshot


def current(service: AttendedBench) -> tuple[float | None, float | None]:
    line = next(c for c in shown(service)["channels"] if c["name"] == NAME)
    return line["value"], line["at_s"]


def charted(service: AttendedBench) -> list[float]:
    trace = json.loads("".join(service.board.trace_json()))["channels"][NAME]
    values: list[float] = trace["v"]
    return values


async def typed(service: AttendedBench, text: str) -> float:
    until_asked(service)
    at_s = service.clock.bench_s()
    await service.ask(TypedReading(NAME, text, as_typed=True))
    return at_s


def until(service: AttendedBench, stage: Stage, power: float) -> None:
    for _ in range(300):
        if service.session.stage is stage:
            return
        service.read(6.0, power + 0.3 * (service.clock.bench_s() % 3))
    raise AssertionError(service.session.stage)


# ---- lapsed


async def test_readings_typed_before_a_step_are_told_of_and_counted_nowhere(
    service: AttendedBench,
) -> None:
    await typed(service, "12.3")
    second_s = await typed(service, "12.4")
    assert len(shown(service)["typed_readings"]) == 2
    until(service, Stage.SETTLING, 1500.0)
    assert service.told("trial")[-1].endswith(
        "settling goes on. The 2 readings typed before do not count for now."
    )
    assert shown(service)["typed_readings"] == []
    until(service, Stage.AVERAGING, 1500.0)
    assert service.told("trial")[-1].endswith(
        "Averaging begins anew: the 2 readings typed before do not count."
    )
    for _ in range(300):
        if service.session.asking() is not None:
            break
        service.read(6.0, 1500.0 + 0.3 * (service.clock.bench_s() % 3))
    third = await service.ask(TypedReading(NAME, "12.5"))
    assert "reading 1 of 5" in third
    (line,) = shown(service)["typed_readings"]
    assert (line["value"], line["at_s"] > second_s) == (12.5, True)
    text = await service.ask(TakeBack(NAME))
    assert "0 of 5 readings are left" in text


# ---- taken back


async def test_a_reading_taken_back_is_no_current_value_and_leaves_the_chart(
    service: AttendedBench,
) -> None:
    first_s = await typed(service, "12.3")
    wrong_s = await typed(service, "40.0")
    assert current(service) == (40.0, wrong_s)
    assert charted(service) == [12.3, 40.0]
    await service.ask(TakeBack(NAME))
    assert current(service) == (12.3, first_s)
    assert charted(service) == [12.3]
    await service.ask(TakeBack(NAME))
    assert current(service) == (None, None)
    assert charted(service) == []
    await typed(service, "12.4")
    assert charted(service) == [12.4]


async def test_an_earlier_reading_taken_back_leaves_the_newest_as_it_is(
    service: AttendedBench,
) -> None:
    wrong_s = await typed(service, "40.0")
    newest_s = await typed(service, "12.3")
    await service.ask(TakeBack(NAME, wrong_s))
    assert current(service) == (12.3, newest_s)
    assert charted(service) == [12.3]


async def test_those_who_follow_are_told_what_was_taken_back_and_what_stands_now(
    service: AttendedBench,
) -> None:
    first_s = await typed(service, "12.3")
    wrong_s = await typed(service, "40.0")
    pushes = Pushes()
    pushes.news(service.board.snapshot())
    await service.ask(TakeBack(NAME))
    news = json.loads(pushes.news(service.board.snapshot()))
    assert news["taken_back"] == [{"channel": NAME, "at_s": wrong_s}]
    line = next(c for c in news["channels"] if c["name"] == NAME)
    assert (line["value"], line["at_s"]) == (12.3, first_s)


async def test_the_chart_of_a_stored_trial_leaves_out_what_was_taken_back(
    service: AttendedBench,
) -> None:
    await typed(service, "12.3")
    await typed(service, "40.0")
    await service.ask(TakeBack(NAME))
    service.stand_still()
    await service.written()
    text = trial_trace_json(service.path, 1, 1)
    assert text is not None
    assert json.loads(text)["channels"][NAME]["v"] == [12.3]


async def test_the_charts_after_a_restart_leave_out_what_was_taken_back(
    tmp_path: Path, computer: Computer
) -> None:
    async with at_work(tmp_path, computer) as service:
        await typed(service, "12.3")
        await typed(service, "40.0")
        await service.ask(TakeBack(NAME))
    async with started(tmp_path, typing_bench(), computer) as (anew, _):
        assert charted(anew) == [12.3]
