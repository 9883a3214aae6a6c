"""Too few typed readings: what is missing is said, the trial is offered for repeating, and the session does not end over that."""

from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from daq.config.bench import Bench, parse_bench
from daq.config.plan import parse_plan
from daq.errors import Refusal
from daq.operations import Repeat, Skip, Start, Stop, TakeBack, TypedReading
from daq.records import PlannedTrial, TrialResult, TrialState
from daq.runtime.session_lines import SessionLines
from daq.runtime.snapshot import RepeatLine
from daq.trials.session import Session
from daq.trials.stages import Stage
from daq.typed.askings import ANSWER_WITHIN_S
from tests.runtime.attended_bench import AttendedBench, attended, refused
from tests.runtime.conftest import BENCH, MAINS, PLAN, Computer
from tests.runtime.stored_bench import POWER

TYPED = """
[[typed]]
name = "outlet_velocity"
title = "Outlet velocity"
quantity = "velocity"
unit = "m/s"
resolution = 0.1
place = "outlet"
"""
POLLED = BENCH[: BENCH.index('[[instrument]]\nname = "anemometer"')]
NAME = "outlet_velocity"
ONE_CONDITION = PLAN[: PLAN.index('[[condition]]\nname = "long lead"')] + PLAN[PLAN.index("[start]") :]  # fmt: skip
# Readings are asked for at random times: there must be time enough for five of them whatever the dice say.
UNHURRIED = ONE_CONDITION.replace("longest_s = 60", "longest_s = 200")
SHORT, AGAIN = "short lead", RepeatLine(2, 2, "short lead", 2)
FIRST = RepeatLine(1, 1, SHORT, 1)


@pytest.fixture
def bench() -> Bench:
    profiles = {"mains": ("mains.toml", MAINS)}
    return parse_bench(POLLED + TYPED, file="bench.toml", find_profile=profiles.get)


@pytest.fixture
async def service(
    tmp_path: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    """A plan of one trial."""
    (tmp_path / "plan.toml").write_text(UNHURRIED, encoding="utf-8")
    async with attended(tmp_path, bench, computer) as attended_bench:
        await attended_bench.ask(Start("leads"))
        attended_bench.stand_still()
        yield attended_bench


def run_on(service: AttendedBench, seconds: float = 1.0) -> None:
    """The machine runs on."""
    for _ in range(round(seconds)):
        service.read(6.0, 1400.0 + 0.3 * (service.clock.bench_s() % 3))


def is_asking(service: AttendedBench) -> bool:
    """A function, so that a type checker asks again."""
    return service.desk.is_asking


def until_asked(service: AttendedBench) -> None:
    """The machine runs until a reading is asked for."""
    for _ in range(300):
        if service.session.asking() is not None:
            return
        run_on(service)
    raise AssertionError(service.session.stage)


async def until_done(service: AttendedBench) -> None:
    """The machine runs and the operator types what is asked for, until all is averaged."""
    for _ in range(300):
        if service.session.stage is Stage.DONE:
            return
        run_on(service)
        if service.session.asking() is not None:
            await service.ask(TypedReading(NAME, "12.3", as_typed=True))
    raise AssertionError(service.session.stage)


async def too_few(service: AttendedBench) -> None:
    """A whole trial with four readings that count; the machine still runs."""
    service.stand_still()
    await until_done(service)
    await service.ask(TakeBack(NAME))


# ---- while the machine runs


@pytest.mark.slow
async def test_the_headline_says_what_is_missing_and_the_sentence_how_to_repeat(
    service: AttendedBench,
) -> None:
    await too_few(service)
    shown = service.board.snapshot()
    assert shown.stage.name == "done"
    assert shown.instruction == (
        "Switch off: only 4 of 5 readings of Outlet velocity. Repeat this trial?"
    )
    assert "the key r" in shown.stage.sentence
    assert "daq session BENCH repeat 1" in shown.stage.sentence
    assert shown.repeat_offer == FIRST


@pytest.mark.slow
async def test_a_trial_that_is_repeated_while_it_runs_is_called_for_next_and_both_count(
    service: AttendedBench,
) -> None:
    await too_few(service)
    await service.ask(Repeat(1))
    shown = service.board.snapshot()
    assert shown.repeat_offer is None
    assert shown.instruction.endswith("This trial is called for once more.")
    words = "this trial is called for once more already"
    await refused(service, Repeat(1), Refusal.ALREADY_SO, words)
    service.stand_still()
    await service.written()
    assert service.over == 0
    assert service.board.snapshot().instruction.startswith("Fit short lead")
    await until_done(service)
    service.stand_still()
    await service.written()
    shown = service.board.snapshot()
    assert shown.instruction == "All trials are done. Unplug the machine."
    assert [line.state for line in shown.slip] == ["done", "done"]
    assert not is_asking(service)


@pytest.mark.slow
async def test_a_trial_with_all_its_readings_is_not_offered(
    service: AttendedBench,
) -> None:
    service.stand_still()
    await until_done(service)
    shown = service.board.snapshot()
    assert (shown.instruction, shown.repeat_offer) == ("Done. Switch off.", None)
    service.stand_still()
    assert not is_asking(service)


# ---- once it is off


@pytest.mark.slow
async def test_after_the_last_trial_it_is_asked_whether_to_repeat_or_to_end(
    service: AttendedBench,
) -> None:
    await too_few(service)
    service.stand_still()
    await service.written()
    shown = service.board.snapshot()
    assert shown.session is not None
    assert shown.session.state == "finished"
    assert shown.instruction == (
        "Finished, but short lead has no average of Outlet velocity. Repeat it, or end?"
    )
    assert shown.urgency == "action"
    assert "daq session BENCH repeat 1" in shown.stage.sentence
    assert "daq session BENCH stop" in shown.stage.sentence
    assert shown.repeat_offer == FIRST
    assert is_asking(service)
    await service.ask(Stop())
    assert not is_asking(service)
    assert service.board.snapshot().repeat_offer is None


@pytest.mark.slow
async def test_a_repeat_that_lacks_readings_too_is_offered_once_and_not_twice(
    service: AttendedBench,
) -> None:
    await too_few(service)
    service.stand_still()
    await service.ask(Repeat(1))
    assert service.board.snapshot().repeat_offer is None
    assert not is_asking(service)
    await too_few(service)
    service.stand_still()
    assert service.board.snapshot().repeat_offer == AGAIN
    await service.ask(Repeat(2))
    assert service.board.snapshot().repeat_offer is None


@pytest.mark.slow
async def test_leaving_the_repeat_out_ends_the_session(service: AttendedBench) -> None:
    await too_few(service)
    service.stand_still()
    await service.ask(Repeat(1))
    await service.ask(Skip())
    assert service.session.stage is Stage.FINISHED
    assert not is_asking(service)
    await service.ask(Repeat(1))
    assert service.board.snapshot().stage.name == "waiting"


@pytest.mark.slow
async def test_a_trial_that_lacks_nothing_can_be_repeated_twice_in_a_row(
    service: AttendedBench,
) -> None:
    service.stand_still()
    await until_done(service)
    service.stand_still()
    await service.ask(Repeat(1))
    await service.ask(Repeat(1))
    assert len(service.session.order) == 3


@pytest.mark.slow
async def test_a_reading_too_many_taken_back_says_that_repeating_lets_both_trials_count(
    service: AttendedBench,
) -> None:
    service.stand_still()
    await until_done(service)
    told = await service.ask(TakeBack(NAME))
    assert told.endswith("the trial can be repeated, and both trials count.")
    assert service.board.snapshot().stage.sentence.find("both trials count") > 0


# ---- among lines that were added


def finished(bench: Bench, *, lacking: set[int]) -> SessionLines:
    """Two conditions, twice each, and a line that was added and carried out between; some lack the typed average."""
    text = PLAN.replace("longest_s = 60", "longest_s = 200")
    text = text.replace("[start]", "[order]\nrepeats = 2\n[start]")
    plan = parse_plan(text, file="plan.toml", bench=bench)
    called = [(1, SHORT, 1), (2, "long lead", 1), (5, SHORT, 3), (3, SHORT, 2), (4, "long lead", 2)]  # fmt: skip
    order = [PlannedTrial(*line, baseline=line[1] == SHORT) for line in called]
    average = replace(POWER, channel=NAME, unit="m/s", required=False)
    results = [
        TrialResult(
            f"{line.position}", line, 1, TrialState.FINISHED, 0.0, 100.0,
            () if line.position in lacking else (average,),
        )
        for line in order
    ]  # fmt: skip
    lines = SessionLines(plan, Session(plan.rules, order, earlier=results), 1)
    lines.take_results(results)
    return lines


def test_a_line_that_was_added_before_is_no_repeat_of_a_later_trial_that_lacks(
    bench: Bench,
) -> None:
    later = RepeatLine(3, 4, SHORT, 2)
    assert finished(bench, lacking={3}).repeat_offer() == later
    assert finished(bench, lacking={1, 3}).repeat_offer() == later
    assert finished(bench, lacking={1}).repeat_offer() is None


# ---- not in time


async def test_a_reading_that_was_not_typed_in_time_is_an_event_and_stands_on_the_screens(
    service: AttendedBench,
) -> None:
    until_asked(service)
    asked = service.board.snapshot().asking
    run_on(service, ANSWER_WITHIN_S + 1.0)
    shown = service.board.snapshot()
    assert shown.asking is None
    assert shown.missed == asked
    told = "short lead: Outlet velocity was not typed in time; it is asked for again if there is time."
    assert service.told("trial")[-1] == told
    assert service.told("trial").count(told) == 1
    until_asked(service)
    assert service.board.snapshot().missed is None


async def test_a_question_about_what_was_typed_leaves_time_to_answer_it(
    service: AttendedBench,
) -> None:
    until_asked(service)
    await service.ask(TypedReading(NAME, "12.3"))
    until_asked(service)
    run_on(service, ANSWER_WITHIN_S - 2.0)
    doubted = TypedReading(NAME, "123.0")
    await refused(service, doubted, Refusal.DOUBTED, "is 123.0 what the display shows")
    run_on(service, ANSWER_WITHIN_S - 2.0)
    assert "12.4 m/s" in await service.ask(TypedReading(NAME, "12.4"))


async def test_the_time_left_begins_anew_while_the_operator_types(
    service: AttendedBench,
) -> None:
    until_asked(service)
    asked = service.board.snapshot().asking
    assert asked is not None
    run_on(service, ANSWER_WITHIN_S - 2.0)
    service.desk.still_typing()
    now = service.board.snapshot().asking
    assert now is not None
    assert now.since_s == asked.since_s
    assert now.until_s == pytest.approx(service.clock.bench_s() + ANSWER_WITHIN_S, abs=1.0)  # fmt: skip
