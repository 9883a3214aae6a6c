"""What the operator types for a meter without a port: asked for, questioned, kept with who and when, and averaged."""

import json
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from daq.config.bench import Bench, parse_bench
from daq.errors import OperationRefusedError, Refusal
from daq.operations import CannotRead, Repeat, Start, TakeBack, TypedReading
from daq.records import Reading, TrialResult
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
# Readings are asked for at random times: there must be time enough for five of them whatever the dice say.
UNHURRIED = PLAN.replace("longest_s = 60", "longest_s = 200")


@pytest.fixture
def bench() -> Bench:
    profiles = {"mains": ("mains.toml", MAINS)}
    return parse_bench(POLLED + TYPED, file="bench.toml", find_profile=profiles.get)


@pytest.fixture
async def service(
    tmp_path: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    (tmp_path / "plan.toml").write_text(UNHURRIED, encoding="utf-8")
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


async def until_done(service: AttendedBench, answers: Iterator[str]) -> None:
    """The machine runs and the operator types what is asked for, until all is averaged."""
    for _ in range(300):
        if service.session.stage is Stage.DONE:
            return
        service.read(6.0, 1400.0 + 0.3 * (service.clock.bench_s() % 3))
        if service.session.asking() is not None:
            await service.ask(TypedReading(NAME, next(answers), as_typed=True))
    raise AssertionError(service.session.stage)


def judged_again(service: AttendedBench) -> TrialResult:
    """The only trial, from its stored readings."""
    with replaying(service.path, keeping=False) as replay:
        (trial,) = replay.session().trials
        rules = with_recorded_rule(service.running.plan.rules, trial.rule_json or "")
        return judge_again(
            trial.result,
            rules,
            lambda: replay.blocks(trial, reading_order(rules)),
            idle={},
            even_so=False,
        )


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
    await until_done(service, iter(["12.3", "12.4", "12.3", "12.2"] * 10))
    service.stand_still()
    await service.written()
    (result,) = service.running.results
    average = {a.channel: a for a in result.averages}[NAME]
    assert average.mean == pytest.approx(12.3, abs=0.06)
    assert average.expanded_uncertainty >= 0.05
    assert is_reproduced(result, judged_again(service))


# ---- taken back


@pytest.mark.slow
async def test_a_reading_taken_back_while_averaging_counts_nowhere_and_stays_in_the_record(
    service: AttendedBench,
) -> None:
    until_asked(service)
    await service.ask(TypedReading(NAME, "12.3"))
    until_asked(service)
    wrong_s = service.clock.bench_s()
    await service.ask(TypedReading(NAME, "13.3"))
    next_reading = service.store.next_reading
    text = await service.ask(TakeBack(NAME), way="command line")
    assert text == "Outlet velocity: 13.3 m/s is taken back and counts no more; 1 of 5 readings are left."  # fmt: skip
    detail = {"channel": NAME, "at_s": wrong_s, "value": 13.3, "before_reading": next_reading}  # fmt: skip
    assert journal(service)[-1] == ("take-back", 1, 1, "command line", detail)
    assert service.told("operator")[-1] == f"{text} Asked from the command line."
    until_asked(service)
    asking = service.session.asking()
    assert asking is not None
    assert asking.number == 2
    await until_done(service, iter(["12.3"] * 10))
    service.stand_still()
    await service.written()
    (result,) = service.running.results
    average = {a.channel: a for a in result.averages}[NAME]
    assert average.mean == pytest.approx(12.3, abs=1e-9)
    assert average.count == 5
    assert service.rows("SELECT count(*) FROM readings_outlet_velocity") == [(6,)]
    assert is_reproduced(result, judged_again(service))


@pytest.mark.slow
async def test_the_reading_that_ended_the_averaging_can_be_taken_back_until_the_machine_is_switched_off(
    service: AttendedBench,
) -> None:
    await until_done(service, iter(["12.3", "12.2", "12.3", "12.4", "13.0"]))
    service.read(6.0, 1400.0)
    text = await service.ask(TakeBack(NAME))
    assert "4 of 5 readings are left" in text
    assert "Too few are left for an average of Outlet velocity" in text
    average = f"SELECT count(*) FROM averages WHERE channel = '{NAME}'"  # noqa: S608 - the tests' own
    assert service.rows(average) == [(0,)]
    trial = service.session.trial()
    assert trial is not None
    assert trial.lacking == ("4 of 5 readings of Outlet velocity",)
    service.stand_still()
    await service.written()
    (result,) = service.running.results
    assert {a.channel for a in result.averages} == {"current", "power"}
    assert "too few typed readings: 4 of 5" in result.note
    assert is_reproduced(result, judged_again(service))


@pytest.mark.slow
async def test_an_average_that_has_readings_enough_without_it_is_made_anew_and_told_again(
    service: AttendedBench,
) -> None:
    for answer in ("12.3", "12.2", "12.3", "12.4", "12.3"):
        until_asked(service)
        await service.ask(TypedReading(NAME, answer))
    # As if two were typed at once: the window is confirmed with six.
    wrong_s = service.clock.bench_s() + 0.01
    service.take(Reading(NAME, wrong_s, (13.0,)))
    await until_done(service, iter(()))
    text = await service.ask(TakeBack(NAME, wrong_s))
    assert "5 of 5 readings are left. Its average is made anew without it." in text
    service.stand_still()
    await service.written()
    (result,) = service.running.results
    average = {a.channel: a for a in result.averages}[NAME]
    assert average.mean == pytest.approx(12.3, abs=1e-9)
    assert is_reproduced(result, judged_again(service))
    told = [json.loads(str(payload)) for (payload,) in service.rows("SELECT payload FROM outbox ORDER BY id")]  # fmt: skip
    assert [each["revision"] for each in told] == [1, 2]
    means = [{a["channel"]: a["mean"] for a in each["averages"]}[NAME] for each in told]
    assert means == pytest.approx([12.4166667, 12.3], abs=1e-6)
    await service.ask(Repeat(1, "the outlet was covered"))
    ((last,),) = service.rows("SELECT payload FROM outbox ORDER BY id DESC LIMIT 1")
    assert json.loads(str(last))["revision"] > 2


async def test_only_a_reading_of_the_trial_in_hand_can_be_taken_back(
    service: AttendedBench,
) -> None:
    idle = "no trial is in hand, a reading can be taken back only until"
    await refused(service, TakeBack(NAME), Refusal.NOT_TAKEN, idle)
    until_asked(service)
    none = "no reading counts in the trial in hand"
    await refused(service, TakeBack(NAME), Refusal.NOT_TAKEN, none)
    await service.ask(TypedReading(NAME, "12.3"))
    other = "no such reading counts in the trial in hand"
    await refused(service, TakeBack(NAME, 1.0), Refusal.NOT_TAKEN, other)
    polled = "expected one of: outlet_velocity"
    await refused(service, TakeBack("power"), Refusal.NO_READING, polled)


async def test_the_screens_tell_what_can_be_taken_back(service: AttendedBench) -> None:
    until_asked(service)
    at_s = service.clock.bench_s()
    await service.ask(TypedReading(NAME, "12.3"))
    (typed,) = json.loads(service.board.snapshot().as_json())["typed_readings"]
    assert (typed["channel"], typed["value"], typed["at_s"]) == (NAME, 12.3, at_s)
    assert (typed["title"], typed["unit"], typed["decimals"]) == ("Outlet velocity", "m/s", 1)  # fmt: skip
    await service.ask(TakeBack(NAME, typed["at_s"]))
    assert json.loads(service.board.snapshot().as_json())["typed_readings"] == []


async def test_nothing_is_typed_while_no_session_is_in_hand(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(tmp_path, bench, computer) as idle:
        with pytest.raises(OperationRefusedError, match="no session is in hand"):
            await idle.ask(TypedReading(NAME, "12.3"))
