"""What the operator types for a meter without a port: asked for, questioned, kept with who and when, and averaged."""

import json
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from daq.config.bench import Bench, parse_bench
from daq.errors import OperationRefusedError, Refusal
from daq.operations import CannotRead, Start, TypedReading
from daq.runtime.store.replay import replaying
from daq.trials.judging import reading_order, with_recorded_rule
from daq.trials.reanalysis import is_reproduced, judge_again
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended, journal, refused
from tests.runtime.conftest import BENCH, MAINS, PLAN, Computer

TYPED = """
[[typed]]
name = "outlet_velocity"
title = "Outlet velocity"
quantity = "velocity"
unit = "m/s"
resolution = 0.1
high = 40
place = "outlet"
"""
POLLED = BENCH[: BENCH.index('[[instrument]]\nname = "anemometer"')]
NAME = "outlet_velocity"


@pytest.fixture
def bench() -> Bench:
    profiles = {"mains": ("mains.toml", MAINS)}
    return parse_bench(POLLED + TYPED, file="bench.toml", find_profile=profiles.get)


@pytest.fixture
async def service(
    tmp_path: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    async with attended(tmp_path, bench, computer) as attended_bench:
        await attended_bench.ask(Start("leads"))
        attended_bench.stand_still()
        yield attended_bench


def until_asked(service: AttendedBench) -> None:
    """The machine runs until a reading is asked for."""
    for _ in range(300):
        if service.session.asking() is not None:
            return
        service.read(6.0, 1400.0 + 0.3 * (service.clock.bench_s() % 3))
    raise AssertionError(service.session.stage)


async def test_a_reading_is_kept_with_its_time_its_trial_and_who_typed_it(
    service: AttendedBench,
) -> None:
    until_asked(service)
    at_s = service.clock.bench_s()
    text = await service.ask(TypedReading(NAME, "12.3"), way="terminal")
    assert text == "Outlet velocity: 12.3 m/s, reading 1 of 5."
    assert service.rows(
        "SELECT trial_id, at_s, outlet_velocity_m_per_s FROM readings_outlet_velocity"
    ) == [(1, at_s, 12.3)]
    detail = {"channel": NAME, "text": "12.3", "as_typed": False}
    assert journal(service)[-1] == ("reading", 1, 1, "terminal", detail)
    assert service.told("operator")[-1] == f"{text} Typed at the terminal."
    assert service.session.asking() is None


async def test_a_slip_is_questioned_first_and_kept_once_it_is_confirmed(
    service: AttendedBench,
) -> None:
    until_asked(service)
    await service.ask(TypedReading(NAME, "12.3"))
    until_asked(service)
    slip = TypedReading(NAME, "1.2")
    words = "is 1.2 what the display shows.*12.0 may have been meant"
    await refused(service, slip, Refusal.DOUBTED, words)
    assert service.rows("SELECT count(*) FROM readings_outlet_velocity") == [(1,)]
    text = await service.ask(TypedReading(NAME, "1.2", as_typed=True))
    assert "Confirmed as the display shows it." in text
    assert "may have been meant" in service.told("operator")[-1]
    assert journal(service)[-1][-1] == {
        "channel": NAME,
        "text": "1.2",
        "as_typed": True,
    }


@pytest.mark.parametrize(
    ("text", "words"), [("twelve", "expected a number"), ("41.0", "at most 40")]
)
async def test_no_number_and_nothing_beyond_the_range_is_taken_however_sure_one_is(
    service: AttendedBench, text: str, words: str
) -> None:
    until_asked(service)
    sure = TypedReading(NAME, text, as_typed=True)
    await refused(service, sure, Refusal.NO_READING, words)


async def test_what_is_not_asked_for_is_not_taken(service: AttendedBench) -> None:
    await refused(
        service, TypedReading(NAME, "12.3"), Refusal.NOT_TAKEN, "not asked for now"
    )
    await refused(service, CannotRead(NAME), Refusal.NOT_TAKEN, "not asked for now")
    other = TypedReading("power", "12.3")
    await refused(
        service, other, Refusal.NO_READING, "expected one of: outlet_velocity"
    )


async def test_what_cannot_be_read_is_asked_for_again(service: AttendedBench) -> None:
    until_asked(service)
    text = await service.ask(CannotRead(NAME))
    assert text == "Outlet velocity is asked for again later."
    assert service.session.asking() is None
    until_asked(service)
    assert journal(service)[-1][:4] == ("cannot-read", 1, 1, "page")


async def test_the_screens_ask_for_the_reading_before_anything_else(
    service: AttendedBench,
) -> None:
    until_asked(service)
    shown = json.loads(service.board.snapshot().as_json())
    assert shown["instruction"] == "Read Outlet velocity, outlet, and type it."
    assert shown["urgency"] == "action"
    asking = shown["asking"]
    assert (asking["channel"], asking["number"], asking["least"]) == (NAME, 1, 5)
    assert (asking["unit"], asking["decimals"]) == ("m/s", 1)
    line = next(c for c in shown["channels"] if c["name"] == NAME)
    assert (line["typed"], line["required"]) == (True, True)
    await service.ask(TypedReading(NAME, "12.3"))
    assert json.loads(service.board.snapshot().as_json())["asking"] is None


@pytest.mark.slow
async def test_a_whole_trial_is_averaged_and_judged_again_to_the_same(
    service: AttendedBench,
) -> None:
    answers = iter(["12.3", "12.4", "12.3", "12.2"] * 10)
    for _ in range(300):
        if service.session.stage is Stage.DONE:
            break
        service.read(6.0, 1400.0 + 0.3 * (service.clock.bench_s() % 3))
        if service.session.asking() is not None:
            await service.operating.operate(
                TypedReading(NAME, next(answers)), way="page"
            )
    service.stand_still()
    await service.written()
    (result,) = service.running.results
    average = {a.channel: a for a in result.averages}[NAME]
    assert average.mean == pytest.approx(12.3, abs=0.06)
    assert average.expanded_uncertainty >= 0.05
    with replaying(service.path, keeping=False) as replay:
        (trial,) = replay.session().trials
        rules = with_recorded_rule(service.running.plan.rules, trial.rule_json or "")
        again = judge_again(
            trial.result,
            rules,
            lambda: replay.blocks(trial, reading_order(rules)),
            idle={},
            even_so=False,
        )
    assert is_reproduced(result, again)


async def test_nothing_is_typed_while_no_session_is_in_hand(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(tmp_path, bench, computer) as idle:
        with pytest.raises(OperationRefusedError, match="no session is in hand"):
            await idle.ask(TypedReading(NAME, "12.3"))
