"""The line at the terminal in which a reading is typed: by itself, and within the live slip."""

import dataclasses

import pytest

from daq.cli.screens import PlainDisplay
from daq.cli.slip import SlipDisplay
from daq.cli.typing_line import TypingLine
from daq.errors import Refusal
from daq.operations import CannotRead, TakeBack, TypedReading
from daq.runtime.display import Key, Told
from daq.runtime.snapshot import AskingLine, TypedLine
from tests.runtime.waiting import until
from tests.system.keyed_terminal import Terminal
from tests.system.test_cli_slip import BELL, Screen, drawn, snapshot

ASKING = AskingLine("velocity", "Outlet velocity", "m/s", "outlet", 1, 2, 5, 100.0, 130.0)  # fmt: skip
FIRST = TypedLine("velocity", "Outlet velocity", "m/s", 1, 12.3, 90.0)
SECOND = dataclasses.replace(FIRST, value=123.0, at_s=95.0)
AGAIN = dataclasses.replace(ASKING, number=3, since_s=140.0, until_s=170.0)


@pytest.fixture
def line() -> TypingLine:
    line = TypingLine()
    line.follow(ASKING)
    return line


def typed(line: TypingLine, letters: str) -> list[TypedReading | CannotRead | TakeBack]:
    return [answer for each in letters if (answer := line.feed(each)) is not None]


def test_digits_and_enter_are_a_reading(line: TypingLine) -> None:
    assert line.lines()[0] == "Outlet velocity in m/s, reading 2 of 5: _"
    assert typed(line, "12.3\r") == [TypedReading("velocity", "12.3")]


def test_a_reading_beyond_those_that_are_needed_says_that_they_are_enough(
    line: TypingLine,
) -> None:
    line.follow(dataclasses.replace(AGAIN, number=6))
    assert line.lines()[0].endswith(", reading 6 (5 are enough): _")


def test_letters_are_passed_over_and_backspace_takes_back(line: TypingLine) -> None:
    assert typed(line, "1q3\x7f2,5") == []
    assert line.lines()[0].endswith("5: 12,5_")


def test_letters_are_told_to_be_no_reading_until_a_figure_is_typed(
    line: TypingLine,
) -> None:
    assert typed(line, "bc") == []
    assert line.lines()[0].startswith("A reading is a number without its unit")
    assert line.lines()[1].endswith("5: _")
    assert typed(line, "4") == []
    assert line.lines()[0].endswith("5: 4_")
    assert typed(line, "12 Pa\r") == [TypedReading("velocity", "412")]
    assert "A reading is a number" not in " ".join(line.lines())


def test_a_letter_that_is_a_key_with_nothing_to_do_is_told_to_be_no_reading(
    line: TypingLine,
) -> None:
    # As the key a comes back where the machine may run on anyway.
    line.refused("nothing to acknowledge", is_doubted=False)
    told = line.lines()[0]
    assert told.startswith("Nothing to acknowledge. A reading is a number")
    assert typed(line, "12.3\r") == [TypedReading("velocity", "12.3")]


def test_a_key_with_nothing_to_do_leaves_a_doubt_as_it_is(line: TypingLine) -> None:
    typed(line, "123\r")
    line.refused("is 123 what the display shows?", is_doubted=True)
    line.refused("nothing to acknowledge", is_doubted=False)
    typed(line, "q")
    assert line.lines()[0] == "is 123 what the display shows?"
    assert typed(line, "y") == [TypedReading("velocity", "123", as_typed=True)]


def test_enter_alone_is_no_reading(line: TypingLine) -> None:
    assert typed(line, "\r\n") == []


def test_a_doubt_is_confirmed_by_a_key_of_its_own_and_not_by_enter(
    line: TypingLine,
) -> None:
    typed(line, "123\r")
    line.refused("is 123 what the display shows?", is_doubted=True)
    assert line.lines()[0] == "is 123 what the display shows?"
    assert "y: the display shows 123" in line.lines()[-1]
    assert typed(line, "\r") == []
    assert typed(line, "y") == [TypedReading("velocity", "123", as_typed=True)]


def test_after_a_doubt_another_figure_is_simply_typed(line: TypingLine) -> None:
    typed(line, "123\r")
    line.refused("is 123 what the display shows?", is_doubted=True)
    assert typed(line, "12.3y\r") == [TypedReading("velocity", "12.3")]


def test_what_is_no_reading_cannot_be_confirmed(line: TypingLine) -> None:
    typed(line, "..\r")
    line.refused("expected a number", is_doubted=False)
    assert typed(line, "y\r") == []
    assert line.lines()[0] == "expected a number"


def test_after_an_answer_enter_is_free_again(line: TypingLine) -> None:
    typed(line, "12.3\r")
    line.follow(None)
    assert not line.takes("\r")


def test_x_says_that_it_cannot_be_read(line: TypingLine) -> None:
    assert typed(line, "x") == [CannotRead("velocity")]


def test_the_next_asking_begins_with_an_empty_line(line: TypingLine) -> None:
    typed(line, "12")
    assert not line.follow(ASKING)
    assert line.lines()[0].endswith(": 12_")
    assert line.follow(AGAIN)
    assert line.lines()[0] == "Outlet velocity in m/s, reading 3 of 5: _"
    assert not line.follow(None)
    assert line.lines() == ()


def test_a_slip_of_a_line_takes_no_more_letters_than_a_number_has(
    line: TypingLine,
) -> None:
    typed(line, "9" * 100)
    assert "9" * 21 not in line.lines()[0]


def test_t_takes_the_newest_reading_back_once_y_says_that_it_was_wrong(
    line: TypingLine,
) -> None:
    line.follow(ASKING, (FIRST, SECOND))
    assert line.lines()[-1].endswith("t: take back Outlet velocity 123.0 m/s")
    assert typed(line, "t") == []
    assert line.lines()[0] == "Take back Outlet velocity 123.0 m/s?"
    assert typed(line, "y") == [TakeBack("velocity", 95.0)]


@pytest.mark.parametrize("key", ["\r", "n", "t", "x"])
def test_any_other_key_than_y_leaves_the_reading_where_it_is(
    line: TypingLine, key: str
) -> None:
    line.follow(ASKING, (FIRST,))
    assert typed(line, f"t{key}") == []
    assert line.lines()[0] == "Outlet velocity in m/s, reading 2 of 5: _"


def test_a_reading_can_be_taken_back_also_when_nothing_is_asked_for(
    line: TypingLine,
) -> None:
    line.follow(None, (FIRST,))
    assert line.lines() == ("t: take back Outlet velocity 12.3 m/s",)
    assert line.takes("t")
    assert not line.takes("\r")
    assert typed(line, "t") == []
    # The Enter that answers the question tells no switching.
    assert line.takes("\r")
    assert typed(line, "\r") == []
    assert not line.takes("\r")


def test_what_is_not_there_any_more_is_not_asked_about(line: TypingLine) -> None:
    line.follow(None, (FIRST,))
    typed(line, "t")
    line.follow(None)
    assert line.lines() == ()
    assert not line.takes("y")


# ---- within the slip


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Screen:
    for name, value in (("COLUMNS", "100"), ("LINES", "24"), ("TERM", "xterm")):
        monkeypatch.setenv(name, value)
    return Screen()


def test_the_bell_calls_once_for_a_reading_and_the_line_stands_in_the_slip(
    screen: Screen,
) -> None:
    asked = dataclasses.replace(snapshot("averaging"), asking=ASKING)
    with SlipDisplay(screen, bench="bench.toml") as display:
        display.show(snapshot("averaging"))
        assert BELL not in screen.getvalue()
        lines = drawn(display, screen, asked)
        assert sum(BELL in line for line in lines) == 1
        assert any(
            "Outlet velocity in m/s, reading 2 of 5: _" in line for line in lines
        )
        assert any("Keep it running." in line for line in lines)
        assert BELL not in "".join(drawn(display, screen, asked))
        display.refused(Refusal.DOUBTED, "is 123 what the display shows?")
        assert any("is 123 what" in line for line in screen.newest())


def test_plain_lines_say_how_to_answer(screen: Screen) -> None:
    display = PlainDisplay(screen, bench="my bench.toml")
    asked = dataclasses.replace(
        snapshot("averaging"), asking=ASKING, instruction="Read Outlet velocity."
    )
    display.show(asked)
    display.show(asked)
    assert screen.newest()[:2] == [
        f"{asked.clock.utc}  Read Outlet velocity.",
        "  On the page, or with: daq session 'my bench.toml' reading velocity VALUE",
    ]


@pytest.mark.pty
async def test_while_a_reading_is_asked_for_the_keyboard_is_its_own(
    terminal: Terminal,
) -> None:
    told: list[Told] = []
    with SlipDisplay(terminal.stdout, bench="bench.toml") as display:
        display.attach(told.append)
        display.show(dataclasses.replace(snapshot("averaging"), asking=ASKING))
        terminal.type(b"\r12.3\ra")
        answers = [TypedReading("velocity", "12.3"), Key.ACKNOWLEDGED]
        await until(lambda: told == [*[Key.TYPING] * 4, *answers])
        display.show(snapshot("averaging"))
        terminal.type(b"\r")
        await until(lambda: told[4:] == [*answers, Key.SWITCHED])


@pytest.mark.pty
async def test_the_enter_after_figures_that_come_too_late_tells_no_switching(
    terminal: Terminal,
) -> None:
    told: list[Told] = []
    with SlipDisplay(terminal.stdout, bench="bench.toml") as display:
        display.attach(told.append)
        display.show(dataclasses.replace(snapshot("averaging"), asking=ASKING))
        terminal.type(b"12.a")
        await until(lambda: told == [*[Key.TYPING] * 3, Key.ACKNOWLEDGED])
        display.show(snapshot("averaging"))
        terminal.type(b"3\ra")
        await until(lambda: told[3:] == [Key.ACKNOWLEDGED] * 2)
        terminal.type(b"\r")
        await until(lambda: told[5:] == [Key.SWITCHED])
