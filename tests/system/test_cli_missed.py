"""At the terminal: a reading that was not typed in time, how old a typed value is, and a trial that is repeated or not."""

import dataclasses

import pytest

from daq.cli.screens import PlainDisplay
from daq.cli.slip import SlipDisplay
from daq.cli.typing_line import TypingLine
from daq.errors import Refusal
from daq.operations import Repeat, Stop, TypedReading
from daq.runtime.display import Told
from daq.runtime.snapshot import AskingLine, ClockLine, RepeatLine, Snapshot
from tests.runtime.waiting import until
from tests.system.keyed_terminal import Terminal
from tests.system.test_cli_slip import (
    OUTCOME,
    POWER,
    Screen,
    drawn,
    leads,
    snapshot,
)

ASKING = AskingLine("pressure", "Inlet pressure", "Pa", "", 1, 2, 5, 100.0, 130.0)
AGAIN = dataclasses.replace(ASKING, since_s=145.0, until_s=175.0)
OTHER = dataclasses.replace(AGAIN, channel="velocity", title="Outlet velocity")
OFFER = RepeatLine(1, 1, "lead 1", 1)


@pytest.fixture
def line() -> TypingLine:
    line = TypingLine()
    line.follow(ASKING, now_s=107.2)
    return line


def type_in(line: TypingLine, letters: str) -> list[object]:
    """What the letters complete; each belongs to the line."""
    assert all(line.takes(letter) for letter in letters[:1])
    return [answer for each in letters if (answer := line.feed(each)) is not None]


def miss(line: TypingLine) -> None:
    line.follow(None, missed=ASKING)


# ---- the line by itself


def test_the_seconds_that_are_left_are_counted_down(line: TypingLine) -> None:
    assert line.lines()[-1].endswith("23 s left")
    assert not line.follow(ASKING, now_s=128.5)
    assert line.lines()[-1].endswith("2 s left")
    assert not line.follow(dataclasses.replace(ASKING, until_s=158.5), now_s=128.5)
    assert line.lines()[-1].endswith("30 s left")


def test_what_was_not_typed_in_time_is_said(line: TypingLine) -> None:
    miss(line)
    assert line.lines() == (
        "Inlet pressure was not typed in time; you will be asked again if there is time.",
    )
    assert not line.takes("\r")


def test_what_was_typed_until_then_is_gone_on_with_in_the_next_call(
    line: TypingLine,
) -> None:
    type_in(line, "98")
    miss(line)
    assert type_in(line, ".7\r") == []
    assert line.lines()[1] == "Inlet pressure in Pa, kept until then: 98.7_"
    assert line.follow(AGAIN)
    assert type_in(line, "\r") == [TypedReading("pressure", "98.7")]


def test_what_is_kept_can_be_mended_before_the_next_call(line: TypingLine) -> None:
    type_in(line, "98")
    miss(line)
    type_in(line, "\x7f\x7f")
    line.follow(AGAIN)
    assert line.lines()[0] == "Inlet pressure in Pa, reading 2 of 5: _"


def test_a_doubted_reading_whose_time_ran_out_stands_in_the_next_call(
    line: TypingLine,
) -> None:
    type_in(line, "98.64\r")
    line.refused("is 98.64 what the display shows?", is_doubted=True)
    miss(line)
    line.follow(AGAIN)
    assert line.lines()[0].endswith(": 98.64_")
    assert type_in(line, "\x7f\r") == [TypedReading("pressure", "98.6")]


def test_what_was_typed_of_one_channel_is_never_handed_in_for_another(
    line: TypingLine,
) -> None:
    type_in(line, "98")
    miss(line)
    line.follow(OTHER)
    assert line.lines()[0] == "Outlet velocity in Pa, reading 2 of 5: _"
    assert type_in(line, "\r") == []


def test_what_was_handed_in_does_not_come_back(line: TypingLine) -> None:
    type_in(line, "98.7\r")
    line.follow(None)
    line.follow(AGAIN)
    assert line.lines()[0].endswith(": _")


def test_once_the_averaging_is_over_nothing_is_kept_and_the_last_enter_is_swallowed(
    line: TypingLine,
) -> None:
    type_in(line, "98")
    miss(line)
    line.follow(None)
    assert line.lines() == ()
    assert line.takes("\r")
    assert not line.takes("\r")


# ---- within the slip


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Screen:
    for name, value in (("COLUMNS", "110"), ("LINES", "30"), ("TERM", "xterm")):
        monkeypatch.setenv(name, value)
    return Screen()


def offering(stage: str) -> Snapshot:
    """A trial could be repeated: while it runs, or after the last one."""
    shown = snapshot(stage)
    session = shown.session
    assert session is not None
    state = "finished" if stage == "finished" else "running"
    session = dataclasses.replace(session, state=state)
    return dataclasses.replace(shown, session=session, repeat_offer=OFFER)


@pytest.mark.parametrize("required", [True, False])
def test_a_typed_value_says_how_long_ago_it_was_read(
    screen: Screen, *, required: bool
) -> None:
    typed = dataclasses.replace(POWER, title="Inlet pressure", unit="Pa", value=98.8, at_s=10.0, typed=True, required=required)  # fmt: skip
    later = ClockLine(123.0, "2026-01-05T10:00:00.000Z", 1.0)
    shown = dataclasses.replace(snapshot("settling"), channels=(typed,), clock=later)
    with SlipDisplay(screen, bench="bench.toml") as display:
        lines = drawn(display, screen, shown)
    assert any("98.8 Pa (read 113 s ago)" in line for line in lines)


@pytest.mark.pty
async def test_the_key_r_repeats_the_trial_that_is_offered_and_once_only(
    terminal: Terminal,
) -> None:
    told: list[Told] = []
    with SlipDisplay(terminal.stdout, bench="bench.toml") as display:
        display.attach(told.append)
        display.show(offering("done"))
        terminal.type(b"err")
        await until(lambda: told != [])
        display.show(offering("done"))
        terminal.type(b"r")
        await until(lambda: len(told) > 1)
    assert told == [Repeat(1), Repeat(1)]


@pytest.mark.pty
async def test_after_the_last_trial_the_key_e_ends_the_session(
    terminal: Terminal,
) -> None:
    told: list[Told] = []
    with SlipDisplay(terminal.stdout, bench="bench.toml") as display:
        display.attach(told.append)
        display.show(offering("finished"))
        terminal.type(b"e")
        await until(lambda: told == [Stop()])


def test_the_slip_is_left_standing_also_where_the_session_was_ended_by_the_operator(
    screen: Screen,
) -> None:
    ended = dataclasses.replace(offering("finished"), session=None, slip=(), repeat_offer=None)  # fmt: skip
    with SlipDisplay(screen, bench="bench.toml") as display:
        display.show(offering("finished"))
        display.show(ended)
    screen.newest()
    display.finished(OUTCOME)
    assert leads(screen.newest()) == [1, 2]


def test_a_question_leaves_what_was_typed_where_it_stands(screen: Screen) -> None:
    with SlipDisplay(screen, bench="bench.toml") as display:
        display.show(dataclasses.replace(snapshot("averaging"), asking=ASKING))
        display.refused(Refusal.DOUBTED, "is 986 what the display shows?")
        missed = dataclasses.replace(snapshot("averaging"), missed=ASKING)
        lines = drawn(display, screen, missed)
    assert any(
        "not typed in time; you will be asked again if there is time" in line
        for line in lines
    )
    assert not any("is 986" in line for line in lines)


def test_plain_lines_say_how_a_trial_is_repeated(screen: Screen) -> None:
    display = PlainDisplay(screen, bench="bench.toml")
    display.show(offering("done"))
    assert screen.newest()[1] == "  The sentence of the stage."


def test_the_command_to_repeat_can_be_typed_as_it_is_shown(screen: Screen) -> None:
    shown = offering("done")
    sentence = "Repeat: the key r, or daq session BENCH repeat 1."
    stage = dataclasses.replace(shown.stage, sentence=sentence)
    shown = dataclasses.replace(shown, stage=stage)
    told = "  Repeat: the key r, or daq session 'my bench.toml' repeat 1."
    PlainDisplay(screen, bench="my bench.toml").show(shown)
    assert screen.newest()[1] == told
    with SlipDisplay(screen, bench="my bench.toml") as display:
        assert told in [line.rstrip() for line in drawn(display, screen, shown)]
