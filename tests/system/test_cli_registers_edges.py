"""`daq registers` at an end of what it searches: a value across it is never read in the wrong order."""

import struct
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from daq.cli import registers
from daq.cli.guarded import guarded
from tests.hidden_meters import (
    HiddenMeter,
    Operator,
    Wire,
    crc,
    shapes_told,
    unit_answer,
)

pytestmark = [pytest.mark.pty, pytest.mark.slow]

WATTS = (148.2, 700.6, 420.3)
VOLTS = (230.4, 226.1, 228.3)
KNOWN = ("--baud", "9600", "--framing", "8N1", "--unit", "1", "--function", "3")
QUICK = ("--wait", "0.2", "--pause", "0", "--every", "0")


def halves(value: float) -> tuple[int, int]:
    """Upper and lower register of a float."""
    upper, lower = struct.unpack(">2H", struct.pack(">f", value))
    return upper, lower


Answer = Callable[[bytes], bytes]


def searched(
    shows: str,
    values: Sequence[float],
    words: Sequence[int],
    options: Sequence[str],
    *,
    wired: Callable[[Answer], Answer] = lambda answer: answer,
) -> tuple[int, str]:
    """Search for one float whose upper half is in the first of the registers `words`, its lower in the second."""
    load = 0

    def held() -> dict[int, int]:
        return dict.fromkeys(range(512), 0) | dict(
            zip(words, halves(values[load]), strict=True)
        )

    def answer(question: str) -> str | None:
        nonlocal load
        if "press Enter" in question:
            load = (load + 1) % len(values)
            return ""
        if "shows now" in question:
            decimals = len(shows.partition(".")[2].partition(" ")[0])
            return f"{values[load]:.{decimals}f}"
        return ""

    meter = HiddenMeter(Wire(9600), answer=wired(unit_answer(1, (3,), held)))
    operator = Operator(answer=answer)
    arguments = [meter.path, *QUICK, *KNOWN, *options, "--shows", shows]
    with shapes_told(), meter, operator.attending():
        code = guarded(registers.run, arguments, debug=False)
    return code, operator.text


@pytest.mark.parametrize(
    ("words", "options"),
    [((127, 128), ()), ((256, 255), ("--first", "256", "--last", "300"))],
)
def test_whole_watts_across_an_end_are_left_to_the_operator(
    tmp_path: Path, words: Sequence[int], options: Sequence[str]
) -> None:
    write = ("--write", str(tmp_path / "found"))
    code, said = searched("power=148 W", WATTS, words, (*options, *write))
    assert code == 1
    assert "power: 2 ways of reading agree at every load" in said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "label"), [((127, 128), "127, f32, ABCD"), ((128, 127), "127, f32, CDAB")]
)
def test_tenths_of_a_volt_across_the_end_are_found(
    words: Sequence[int], label: str
) -> None:
    code, said = searched("voltage=230.4 V", VOLTS, words, ())
    assert code == 0
    assert f"voltage: function 3, address {label}" in said


def test_a_value_beyond_the_end_is_not_taken_by_its_near_half() -> None:
    # Upper half 129, lower half 130; of these only the upper is read.
    code, said = searched("power=148 W", WATTS, (129, 130), ())
    assert code == 1
    assert "register 130 beside it was not read" in said
    assert "--take power=3:128:f32:CDAB:1" in said


@pytest.mark.parametrize(
    ("refusal", "told"), [(6, "register 128 beside it was not read"), (2, "CDAB")]
)
def test_a_unit_that_was_busy_has_not_said_that_a_register_is_missing(
    refusal: int, told: str
) -> None:
    def wired(answer: Answer) -> Answer:
        def answered(frame: bytes) -> bytes:
            first, count = (int.from_bytes(frame[i : i + 2], "big") for i in (2, 4))
            if first + count <= 128:
                return answer(frame)
            body = bytes((1, 0x83, refusal))
            return body + crc(body)

        return answered

    code, said = searched("power=148 W", WATTS, (127, 128), (), wired=wired)
    assert code == int(refusal == 6)
    assert told in said
