"""A trial that a limit broke: its line is done with, which is said at once, and the trial is offered for repeating."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.errors import Refusal
from daq.operations import Note, Pause, Repeat, Skip, Start, Stop
from daq.runtime.snapshot import RepeatLine
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended, refused
from tests.runtime.conftest import PLAN, Computer, Rehearsal

SHORT = "short lead"
FIRST, AGAIN = RepeatLine(1, 1, SHORT, 1), RepeatLine(3, 2, SHORT, 2)
WHY = "the limit would break again until its cause is mended, or the plan's limit is right."
BASELINE = "It was a trial of the baseline, which all others are compared with."
NOTE = "current broke its limit: rating of the plug"
ONE = PLAN[: PLAN.index('[[condition]]\nname = "long lead"')] + PLAN[PLAN.index("[start]") :]  # fmt: skip


@pytest.fixture
async def service(
    tmp_path: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    """The baseline, and another condition."""
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    async with attended(tmp_path, bench, computer) as attended_bench:
        await attended_bench.ask(Start("leads"))
        attended_bench.stand_still()
        yield attended_bench


@pytest.fixture
async def single(
    tmp_path: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    """A plan of one trial."""
    (tmp_path / "plan.toml").write_text(ONE, encoding="utf-8")
    async with attended(tmp_path, bench, computer) as attended_bench:
        await attended_bench.ask(Start("leads"))
        attended_bench.stand_still()
        yield attended_bench


def break_the_limit(bench: AttendedBench | Rehearsal) -> None:
    """The machine draws too much for longer than the plan allows; it still runs."""
    bench.run_until(Stage.SETTLING)
    bench.run_until(Stage.LIMIT, amperes=14.0)


def sentence(service: AttendedBench) -> str:
    """The instruction's second line."""
    return service.board.snapshot().stage.sentence


def is_asking(service: AttendedBench) -> bool:
    """A function, so that a type checker asks again."""
    return service.desk.is_asking


def offer(service: AttendedBench) -> RepeatLine | None:
    return service.board.snapshot().repeat_offer


# ---- while the machine runs


async def test_the_second_line_says_that_it_is_done_with_and_why_and_how_to_repeat_it(
    service: AttendedBench,
) -> None:
    break_the_limit(service)
    shown = service.board.snapshot()
    assert shown.instruction == "A limit is broken. Switch off at the plug."
    said = shown.stage.sentence
    assert "only you can stop the machine. short lead broke a limit." in said
    assert f"done with and not asked for again by itself: {WHY}" in said
    assert BASELINE in said
    assert said.endswith(
        "Repeat: the key r at the terminal, the page, or daq session BENCH repeat 1."
    )
    assert shown.repeat_offer == FIRST


async def test_the_events_say_so_too_and_name_the_baseline(
    service: AttendedBench,
) -> None:
    break_the_limit(service)
    assert service.told("trial")[-1] == (
        "short lead: current broke its limit (rating of the plug). It is done with and not asked for again by itself:"
        f" {WHY} {BASELINE}"
    )
    service.stand_still()
    assert service.told("trial")[-1] == (
        "short lead: switched off, marked limit broken and not asked for again by itself."
    )


async def test_of_another_condition_nothing_is_said_of_the_baseline(
    service: AttendedBench,
) -> None:
    await service.measure()
    break_the_limit(service)
    assert "baseline" not in service.told("trial")[-1]
    assert "baseline" not in sentence(service)


async def test_its_line_says_limit_broken_as_long_as_the_alarm_stands(
    service: AttendedBench,
) -> None:
    service.run_until(Stage.SETTLING)
    assert service.board.snapshot().slip[0].state == "running"
    break_the_limit(service)
    line = service.board.snapshot().slip[0]
    assert (line.state, line.note) == ("limit broken", f"{NOTE}; not asked for again by itself")  # fmt: skip


async def test_called_for_again_while_it_runs_it_comes_next_and_is_offered_no_more(
    service: AttendedBench,
) -> None:
    break_the_limit(service)
    await service.ask(Repeat(1))
    assert offer(service) is None
    assert sentence(service).endswith("This trial is called for once more.")
    words = "this trial is called for once more already"
    await refused(service, Repeat(1), Refusal.ALREADY_SO, words)
    service.stand_still()
    shown = service.board.snapshot()
    assert [(x.condition, x.state) for x in shown.slip] == [
        (SHORT, "limit broken"), (SHORT, "to come"), ("long lead", "to come"),
    ]  # fmt: skip
    assert shown.slip[0].note == NOTE
    assert shown.instruction.startswith("Fit short lead")
    assert sentence(service).startswith("Unplug before you change anything.")
    assert "broke a limit" not in sentence(service)


# ---- once it is off


async def test_it_is_offered_until_the_next_trial_begins(
    service: AttendedBench,
) -> None:
    break_the_limit(service)
    service.stand_still()
    assert service.board.snapshot().instruction.startswith("Fit the long lead")
    said = sentence(service)
    assert said.startswith("Unplug before you change anything. Switching on starts")
    assert f"done with and not asked for again by itself: {WHY}" in said
    assert "daq session BENCH repeat 1" in said
    assert offer(service) == FIRST
    service.run_until(Stage.SETTLING)
    assert offer(service) is None
    assert "limit" not in sentence(service)


async def test_a_pause_says_that_nothing_begins_and_offers_it_still(
    service: AttendedBench,
) -> None:
    break_the_limit(service)
    service.stand_still()
    await service.ask(Pause())
    assert sentence(service).startswith("Switching on begins no trial")
    assert offer(service) == FIRST


async def test_a_repeat_that_breaks_the_limit_too_is_offered_itself(
    service: AttendedBench,
) -> None:
    break_the_limit(service)
    service.stand_still()
    await service.ask(Repeat(1))
    break_the_limit(service)
    service.stand_still()
    assert offer(service) == AGAIN


async def test_at_the_end_it_is_asked_whether_to_repeat_it(
    service: AttendedBench,
) -> None:
    break_the_limit(service)
    await service.measure()
    shown = service.board.snapshot()
    assert shown.instruction == (
        "Finished, but short lead broke a limit. Repeat it, or end?"
    )
    assert "the key e" in shown.stage.sentence
    assert is_asking(service)
    await service.ask(Repeat(1))
    assert not is_asking(service)
    await service.measure()
    shown = service.board.snapshot()
    # The line itself stays as it was, and that is not hidden.
    assert "1 of 3 trials did not settle or broke a limit" in shown.instruction
    assert shown.repeat_offer is None


async def test_ending_or_leaving_the_repeat_out_ends_the_question(
    single: AttendedBench,
) -> None:
    break_the_limit(single)
    single.stand_still()
    assert is_asking(single)
    await single.ask(Repeat(1))
    await single.ask(Skip())
    assert not is_asking(single)
    await single.ask(Stop())
    assert offer(single) is None


async def test_a_service_that_nobody_can_answer_ends_with_its_session(
    single: AttendedBench,
) -> None:
    single.running.lines.owed.is_answered_at_end = False
    break_the_limit(single)
    assert offer(single) == FIRST
    single.stand_still()
    assert not is_asking(single)
    assert single.board.snapshot().instruction == (
        "Finished, but 1 of 1 trials did not settle or broke a limit. Unplug the machine."
    )


async def test_a_service_that_is_started_again_offers_the_trial_before_still(
    tmp_path: Path, bench: Bench, computer: Computer
) -> None:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    async with attended(tmp_path, bench, computer) as service:
        await service.ask(Start("leads"))
        service.stand_still()
        break_the_limit(service)
        service.stand_still()
        await service.written()
    async with attended(tmp_path, bench, computer) as again:
        await again.desk.take_up()
        assert offer(again) == FIRST


# ---- how long


def test_the_alarm_of_a_limit_that_is_no_longer_broken_tells_no_shorter_time(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.stand_still()
    break_the_limit(rehearsal)
    for _ in range(50):
        rehearsal.read(14.0, 1400.0)
    assert "is above 13.00 A (rating of the plug), for 53 s." in alarm(rehearsal)
    rehearsal.read(0.0, 0.0)
    assert "was above 13.00 A (rating of the plug). " in alarm(rehearsal)
    rehearsal.stand_still()
    assert rehearsal.board.snapshot().alarms == ()


def alarm(rehearsal: Rehearsal) -> str:
    (found,) = rehearsal.board.snapshot().alarms
    return found.text


@pytest.fixture
def rehearsal(bench: Bench, plan: Plan, computer: Computer) -> Rehearsal:
    return Rehearsal(bench, plan, computer)


# ---- whose note it is


async def test_the_note_of_an_earlier_attempt_does_not_stand_beside_the_one_in_hand(
    service: AttendedBench,
) -> None:
    service.run_until(Stage.SETTLING)
    await service.ask(Note("the wrong lead"))
    service.stand_still()
    called = service.board.snapshot().slip[0]
    assert called.state == "unfinished"
    assert (called.note or "").startswith("attempt 1: note: the wrong lead")
    service.run_until(Stage.SETTLING)
    line = service.board.snapshot().slip[0]
    assert (line.state, line.note) == ("running", None)
    await service.ask(Note("the right one"))
    assert service.board.snapshot().slip[0].note == "note: the right one"
    service.run_until(Stage.DONE)
    assert (service.board.snapshot().slip[0].note or "").startswith("note: the right one")  # fmt: skip
