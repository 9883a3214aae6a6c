"""Lines as they stand on a terminal of some width, and in a pipe."""

import fcntl
import os
import struct
import termios
from collections.abc import Iterator
from io import StringIO
from typing import TextIO

import pytest

from daq.cli.said import fitted, kept_whole

SENTENCE = (
    "Change the load so that every value moves, then press Enter; stop ends here: "
)


@pytest.fixture
def terminal(request: pytest.FixtureRequest) -> Iterator[TextIO]:
    """A terminal of as many columns as the test says."""
    master, slave = os.openpty()
    size = struct.pack("4H", 24, request.param, 0, 0)
    fcntl.ioctl(slave, termios.TIOCSWINSZ, size)
    with os.fdopen(slave, "w") as stream:
        yield stream
    os.close(master)


@pytest.mark.pty
@pytest.mark.parametrize("terminal", [40], indirect=True)
def test_a_sentence_breaks_between_words_at_the_terminals_edge(
    terminal: TextIO,
) -> None:
    lines = fitted(SENTENCE, terminal).split("\n")
    assert lines == [
        "Change the load so that every value",
        "moves, then press Enter; stop ends",
        # The answer is typed behind the blank.
        "here: ",
    ]
    assert max(map(len, lines)) <= 40


@pytest.mark.pty
@pytest.mark.parametrize("terminal", [40], indirect=True)
def test_lines_keep_their_indent_and_their_ends(terminal: TextIO) -> None:
    text = f"short\n  {SENTENCE}\n\nlast\n"
    lines = fitted(text, terminal).split("\n")
    assert (lines[0], lines[-3:]) == ("short", ["", "last", ""])
    assert all(line.startswith("  ") for line in lines[1:-3])


@pytest.mark.pty
@pytest.mark.parametrize("terminal", [40], indirect=True)
def test_a_command_is_never_parted_for_it_would_run_as_two(terminal: TextIO) -> None:
    command = "daq registers /dev/ttyUSB0 --mode rtu --baud 9600 --unit 2"
    assert fitted(f"  {command}", terminal) == f"  {command}"
    within = f"Session 3 can go on: {kept_whole(command)}; later"
    assert command in fitted(within, terminal).split("\n")[1]


@pytest.mark.pty
@pytest.mark.parametrize("terminal", [0], indirect=True)
def test_a_terminal_without_a_width_gets_lines_as_they_are(terminal: TextIO) -> None:
    assert fitted(SENTENCE, terminal) == SENTENCE


def test_a_program_that_reads_along_gets_whole_lines() -> None:
    words = kept_whole("daq run bench.toml plan.toml")
    assert (
        fitted(f"{SENTENCE}{words}", StringIO())
        == f"{SENTENCE}daq run bench.toml plan.toml"
    )


def test_a_no_break_space_in_a_name_of_a_file_stays_what_it_is() -> None:
    name = "run\N{NO-BREAK SPACE}2.db"
    words = kept_whole(f"daq report {name}")
    assert fitted(words, StringIO()) == f"daq report {name}"


@pytest.mark.pty
@pytest.mark.parametrize("terminal", [40], indirect=True)
@pytest.mark.parametrize("count", [39, 40, 80])
def test_blanks_as_wide_as_the_terminal_stay_behind_the_last_word(
    terminal: TextIO, count: int
) -> None:
    text = f"two words{' ' * count}"
    assert fitted(text, terminal) == text
    assert fitted(" " * count, terminal) == " " * count
