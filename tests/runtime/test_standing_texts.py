"""What is told of changes only: no count that runs by itself, and the operator's own words whole."""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from daq.config.bench import Bench
from daq.config.plan import parse_plan
from daq.records import Gap, GapReason
from daq.runtime.snapshot import AlarmLine, Snapshot
from daq.runtime.standing_texts import standing_alarm, standing_instruction
from daq.trials.stages import Stage
from tests.runtime.conftest import PLAN, Computer, Rehearsal

COOL = "Let it cool for 300 s (about 5 min more), then fit the short lead"
REASON = "16 A fuse (slow) holds 13 A, for 60 s only"
WORDED = PLAN.replace(
    'name = "short lead"\n', f'name = "short lead"\ninstruction = "{COOL}"\n'
).replace("rating of the plug", REASON)


@pytest.fixture
def computer() -> Computer:
    return Computer()


@pytest.fixture
def rehearsal(bench: Bench, computer: Computer) -> Rehearsal:
    """A session of a plan with times in its words, its machine at rest."""
    assert COOL in WORDED
    assert REASON in WORDED
    rehearsal = Rehearsal(
        bench, parse_plan(WORDED, file="plan.toml", bench=bench), computer
    )
    rehearsal.stand_still()
    return rehearsal


def alarms(snapshot: Snapshot) -> set[str]:
    return {standing_alarm(alarm.text, snapshot) for alarm in snapshot.alarms}


def read(
    rehearsal: Rehearsal, amperes: float | None, *, times: int
) -> Iterator[Snapshot]:
    for _ in range(times):
        rehearsal.read(amperes, 1400.0)
        yield rehearsal.board.snapshot()


def silent(rehearsal: Rehearsal, computer: Computer) -> Iterator[Snapshot]:
    """The mains meter says nothing, second after second."""
    for _ in range(20):
        computer.pass_s(1.0)
        at_s = rehearsal.clock.bench_s()
        rehearsal.take(Gap("meter", at_s, GapReason.NO_REPLY, "no reply (3 tries)"))
        yield rehearsal.board.snapshot()


# ---- the instruction


def test_an_instruction_of_the_plan_keeps_its_times(rehearsal: Rehearsal) -> None:
    shown = rehearsal.board.snapshot()
    assert standing_instruction(shown) == f"{COOL}, then switch on."


def test_how_much_longer_it_takes_is_no_change(rehearsal: Rehearsal) -> None:
    told, counted = set(), set()
    for shown in read(rehearsal, 6.0, times=60):
        if shown.stage.seconds_left is not None:
            told.add(standing_instruction(shown))
            counted.add(shown.instruction)
    assert told == {"Keep it running."}
    assert len(counted) > 2


def test_how_long_a_meter_has_been_silent_is_no_change(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.run_until(Stage.SETTLING)
    shown = [s for s in silent(rehearsal, computer) if "silent" in s.instruction]
    assert len({s.instruction for s in shown}) > 10
    assert {standing_instruction(s) for s in shown} == {
        "Power: its meter has been silent. Check its plug."
    }


def test_an_instruction_that_begins_like_a_channels_title_stays_whole(
    rehearsal: Rehearsal,
) -> None:
    words = "Power: let the meter warm for 600 s, then switch on."
    shown = replace(rehearsal.board.snapshot(), instruction=words)
    assert standing_instruction(shown) == words


# ---- alarms


def test_a_limits_reason_is_told_whole_and_how_long_it_is_broken_is_no_change(
    rehearsal: Rehearsal,
) -> None:
    list(read(rehearsal, 6.0, times=4))
    shown = [s for s in read(rehearsal, 14.0, times=20) if s.alarms]
    assert len({s.alarms for s in shown}) > 10
    told = set().union(*map(alarms, shown))
    (text,) = told
    assert f"is above 13.00 A ({REASON})" in text
    assert text.endswith("Switch off at the plug.")


def test_a_channel_over_its_range_is_told_without_how_long(
    rehearsal: Rehearsal,
) -> None:
    list(read(rehearsal, 6.0, times=4))
    shown = [s for s in read(rehearsal, None, times=20) if s.alarms]
    (text,) = set().union(*map(alarms, shown))
    assert REASON in text
    assert len({s.alarms for s in shown}) > 10


def test_how_long_a_meter_has_been_lost_is_no_change(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.run_until(Stage.SETTLING)
    shown = [s for s in silent(rehearsal, computer) if s.alarms]
    assert len({s.alarms for s in shown}) > 10
    assert len(set().union(*map(alarms, shown))) == 1


@pytest.mark.parametrize("title", ["Coil, for 60 s", "Coil (for 60 s)"])
def test_a_title_is_told_whole(rehearsal: Rehearsal, title: str) -> None:
    shown = rehearsal.board.snapshot()
    titled = replace(shown, channels=(replace(shown.channels[0], title=title),))
    text = (
        f"{title} 14.0 A is above 13.0 A ({REASON}), for 7 s. Switch off at the plug."
    )
    assert standing_alarm(text, titled) == (
        f"{title} 14.0 A is above 13.0 A ({REASON}). Switch off at the plug."
    )


def test_a_conditions_name_is_told_whole(rehearsal: Rehearsal) -> None:
    shown = rehearsal.board.snapshot()
    line = replace(shown.slip[0], condition="coiled, for 60 s")
    text = "The lead of 'coiled, for 60 s' seems to be fitted. Switch off at the plug."
    shown = replace(shown, slip=(line,), alarms=(AlarmLine(text, 100.0),))
    assert alarms(shown) == {text}


def test_a_title_that_is_asked_for_is_told_whole(rehearsal: Rehearsal) -> None:
    rehearsal.run_until(Stage.AVERAGING)
    shown = rehearsal.board.snapshot()
    words = "Read Pressure, mean for 10 s, at the inlet, and type it."
    channel = replace(shown.channels[0], title="Pressure, mean for 10 s")
    asked = replace(shown, channels=(channel,), instruction=words)
    assert standing_instruction(asked) == words
