"""Bytes of a line: whether they are text, at which parity they were sent, and how sure that is."""

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.recognising.framings import (
    BAUDS,
    SHAPES,
    framings_to_try,
    parse_framing,
    register_framings,
)
from daq.recognising.heard import (
    Heard,
    interval_s,
    is_surely_wrong,
    judge_heard,
    seven_bit_shape,
)

PLAIN = parse_framing(9600, "8N1")
LINES = b"12.34 V\r\n12.35 V\r\n12.36 V\r\n12.37 V\r\n12.38"


def with_parity(data: bytes, *, odd: bool) -> bytes:
    """As a receiver of eight bits reads seven bits and a parity bit."""
    return bytes(b | ((b.bit_count() + odd) % 2) << 7 for b in data)


def test_a_framing_reads_as_manuals_write_it() -> None:
    framing = parse_framing(19_200, "7e1")
    assert (str(framing), framing.parity, framing.data_bits) == (
        "19200 7E1",
        "even",
        7,
    )
    # Start, seven data, parity and stop bit: ten.
    assert framing.char_s == pytest.approx(10 / 19_200)


def test_a_framing_of_no_serial_line_is_refused() -> None:
    with pytest.raises(ValueError, match="framing '9X1', expected data bits"):
        parse_framing(9600, "9X1")


def test_every_speed_is_tried_with_the_usual_characters_first() -> None:
    tried = framings_to_try()
    assert len(set(tried)) == len(BAUDS) * len(SHAPES)
    assert {framing.shape for framing in tried[: len(BAUDS)]} == {"8N1"}
    assert {framing.data_bits for framing in register_framings(tried)} == {8}


@pytest.mark.parametrize(("odd", "shape"), [(False, "7E1"), (True, "7O1")])
def test_the_eighth_bit_tells_which_parity_seven_bits_were_sent_with(
    odd: bool,  # noqa: FBT001 - a parameter of the table
    shape: str,
) -> None:
    assert seven_bit_shape(with_parity(LINES, odd=odd)) == shape


def test_plain_text_and_rubbish_have_no_parity_in_their_eighth_bit() -> None:
    assert seven_bit_shape(LINES) is None
    assert seven_bit_shape(bytes(range(128, 160))) is None


def test_three_whole_lines_of_one_shape_are_believed() -> None:
    guess = judge_heard(Heard(PLAIN, LINES))
    assert guess.is_accepted
    # Three whole lines: the first and the last part may be cut.
    assert guess.confidence == pytest.approx(3 / 4)
    assert "3 of 3 whole lines have one shape" in guess.reasons
    assert guess.terminator == b"\n"


def test_two_whole_lines_are_not_enough() -> None:
    assert not judge_heard(Heard(PLAIN, LINES[:27])).is_accepted


def test_lines_that_end_in_a_carriage_return_alone_are_lines() -> None:
    guess = judge_heard(Heard(PLAIN, LINES.replace(b"\r\n", b"\r")))
    assert (guess.is_accepted, guess.terminator) == (True, b"\r")


def test_errors_that_the_driver_counted_lower_the_confidence_and_are_told() -> None:
    clean = judge_heard(Heard(PLAIN, LINES, errors=0))
    spoiled = judge_heard(Heard(PLAIN, LINES, errors=len(LINES) // 2))
    assert spoiled.confidence < 0.6 * clean.confidence
    assert f"{len(LINES) // 2} framing or parity errors" in spoiled.reasons


def test_lines_that_all_differ_are_not_believed() -> None:
    heard = Heard(PLAIN, b"\nab 1\nc 2 d 3\n4 5 6\nxyz 7 k\n")
    assert not judge_heard(heard).is_accepted


@given(st.integers(0, 10_000))
@settings(derandomize=True, deadline=None, max_examples=200)
def test_random_bytes_are_never_believed(seed: int) -> None:
    data = Random(seed).randbytes(400)  # noqa: S311 - rubbish, no secret
    assert is_surely_wrong(data)
    assert not judge_heard(Heard(PLAIN, data)).is_accepted


def test_the_interval_of_lines_is_their_mean() -> None:
    assert interval_s([0.0, 0.52, 1.01, 1.49, 2.0]) == pytest.approx(0.5)


def test_lines_that_come_in_batches_have_their_own_interval_and_not_the_batches() -> (
    None
):
    # Ten a second, handed on once a second; the first batch was cut short by opening the port.
    times = [0.0] * 4 + [1.0] * 10 + [2.0] * 10 + [3.001, 3.002] * 5
    assert interval_s(times) == pytest.approx(0.1, rel=0.01)


@pytest.mark.parametrize("times", [[], [1.0], [1.0] * 12, [0.0, 0.0, 1.0, 1.0]])
def test_what_came_at_once_or_twice_has_no_interval(times: list[float]) -> None:
    assert interval_s(times) is None
