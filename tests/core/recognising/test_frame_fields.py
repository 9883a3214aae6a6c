"""Bytes of frames against a display, and the profile that is written of them, read by the daemon's own protocol."""

import struct
from collections.abc import Sequence
from typing import Any

import pytest

from daq.config.bench import parse_profile
from daq.recognising.choosing import Standing
from daq.recognising.frame_fields import (
    FrameFieldFound,
    FrameLoad,
    choose_in_frames,
    find_in_frames,
    remaining_in_frames,
    take_in_frames,
)
from daq.recognising.frame_files import render_frames
from daq.recognising.frames import FrameGuess, recognise_frames
from daq.recognising.framings import parse_framing
from daq.recognising.shown import parse_shown

HEAD = bytes.fromhex("55 AA")


def framed(body: bytes) -> bytes:
    return HEAD + body + bytes((sum(HEAD + body) % 256,))


def guessed(length: int) -> FrameGuess:
    """Frames of this length that end in a sum."""
    bodies = [bytes((i, 7 * i % 256, *[3] * (length - 5))) for i in range(12)]
    frames = [framed(body) for body in bodies]
    starts = [length * i for i in range(12)]
    guess = recognise_frames(b"".join(frames), starts)
    assert guess is not None
    assert guess.is_accepted
    return guess


Shows = tuple[str, Sequence[bytes]]


def found_there_and_back(first: Shows, second: Shows) -> FrameFieldFound:
    """What two loads tell, with the first once more at the end."""
    return found(first, second, first)


def found(*loads: Shows) -> FrameFieldFound:
    """What loads tell of one value: what the display shows, and the frames' bodies."""
    taken: list[FrameLoad] = []
    guess = guessed(len(framed(loads[0][1][0])))
    candidates = {}
    for display, bodies in loads:
        shown = parse_shown(f"value={display}")
        taken.append(FrameLoad((shown,), tuple(framed(body) for body in bodies)))
        if len(taken) == 1:
            frames = taken[0].sweeps
            candidates = {"value": find_in_frames(shown, frames, guess)}
        else:
            candidates = remaining_in_frames(candidates, taken[-1])
    (field,) = choose_in_frames(candidates, taken)
    return field


def number(value: int, kind: str, order: str) -> bytes:
    size = int(kind[1:]) // 8
    data = value.to_bytes(size, "big", signed=kind[0] == "s")
    return data if order == "ABCD" else data[::-1]


@pytest.mark.parametrize("order", ["ABCD", "DCBA"])
@pytest.mark.parametrize("kind", ["u16", "s16", "u24", "s24", "u32", "s32"])
def test_width_sign_order_and_scale_are_found(kind: str, order: str) -> None:
    low = -1234 if kind[0] == "s" else 1234
    # More than the next narrower type could hold, so that every byte is needed.
    high = {"16": 30_001, "24": 70_001, "32": 16_900_001}[kind[1:]]
    field = found_there_and_back(
        (f"{low / 100:.2f} Pa", [b"\x91" + number(low, kind, order) + b"\x07"]),
        (f"{high / 100:.2f} Pa", [b"\x91" + number(high, kind, order) + b"\x07"]),
    )
    assert field.standing is Standing.FOUND
    (candidate,) = field.candidates
    assert (candidate.byte, candidate.kind) == (3, kind)
    assert candidate.byte_order == order
    assert candidate.scale == pytest.approx(0.01)


def test_a_float_and_decimal_digits_are_found() -> None:
    floats = [struct.pack(">f", value) for value in (230.43, 12.07)]
    field = found_there_and_back(
        *((t, [f]) for t, f in zip(("230.4 V", "12.1 V"), floats, strict=True))
    )
    assert [(c.kind, c.byte_order) for c in field.candidates] == [("f32", "ABCD")]
    digits = [bytes.fromhex(text) for text in ("00 23 04", "00 01 97")]
    field = found_there_and_back(
        *((t, [d]) for t, d in zip(("230.4 V", "19.7 V"), digits, strict=True))
    )
    assert field.standing is Standing.FOUND
    assert field.candidates[0].kind == "bcd"


def test_decimal_digits_are_taken_as_the_display_has_them() -> None:
    # A byte less is a tenth as fine, a zero byte more a hundred times finer; both agree with the display.
    bodies = [bytes.fromhex(text) for text in ("00 01 18 21 00", "00 00 31 17 00")]
    field = found_there_and_back(("1182.1 W", bodies[:1]), ("311.7 W", bodies[1:]))
    assert field.standing is Standing.FOUND
    (candidate,) = field.candidates
    assert (candidate.kind, candidate.places[-1]) == ("bcd", 5)
    assert candidate.scale == pytest.approx(0.1)


def test_a_byte_for_the_decimal_point_is_found_where_it_changes() -> None:
    field = found_there_and_back(
        ("12.34 A", [bytes((2,)) + number(1234, "u16", "ABCD")]),
        ("123.4 A", [bytes((1,)) + number(1234, "u16", "ABCD")]),
    )
    assert field.standing is Standing.FOUND
    assert field.candidates[0].point == 2


def test_a_byte_that_may_be_the_decimal_point_is_left_to_the_operator() -> None:
    loads = (
        ("12.34 A", [bytes((2,)) + number(1234, "u16", "ABCD")]),
        ("45.67 A", [bytes((2,)) + number(4567, "u16", "ABCD")]),
    )
    field = found_there_and_back(*loads)
    assert field.standing is Standing.SEVERAL
    assert {c.point for c in field.candidates} == {None, 2}
    taken = [
        FrameLoad((parse_shown(f"value={t}"),), tuple(map(framed, b))) for t, b in loads
    ]
    chosen = take_in_frames(field, field.candidates[0], taken)
    assert chosen.standing is Standing.FOUND


def test_zeros_before_a_number_are_read_along_where_it_could_run_over() -> None:
    def body(watts: int) -> bytes:
        return b"\x91" + watts.to_bytes(4, "big") + b"\x07"

    field = found_there_and_back(
        ("118.20 W", [body(11_820)]), ("311.70 W", [body(31_170)])
    )
    assert field.standing is Standing.FOUND
    assert field.candidates[0].kind == "u32"
    assert field.high == pytest.approx(327.67)
    assert "refused" in field.notes[0]


def test_one_load_and_a_display_that_stands_still_confirm_nothing() -> None:
    body = b"\x91" + number(1234, "u16", "ABCD") + b"\x07"
    assert found(("12.34 A", [body])).standing is Standing.UNCONFIRMED
    load = ("12.34 A", [body])
    again = found_there_and_back(load, load)
    assert again.standing is Standing.UNCONFIRMED


def test_bytes_that_keep_the_maximum_are_not_believed_while_loads_only_rise() -> None:
    def shows(now: int, most: int) -> Shows:
        return f"{now / 100:.2f} A", [b"\x91" + number(most, "u16", "ABCD") + b"\x07"]

    rising = [shows(n, n) for n in (1234, 4567, 8910)]
    assert found(*rising).standing is Standing.UNCONFIRMED
    assert found(*rising, shows(1234, 8910)).standing is Standing.NONE


def test_nothing_that_agrees_is_said_to_be_nothing() -> None:
    bodies = [bytes((0x91, *number(n, "u16", "ABCD"))) for n in (1234, 99)]
    field = found_there_and_back(("12.34 A", bodies[:1]), ("45.67 A", bodies[1:]))
    assert field.standing is Standing.NONE


def test_the_profile_reads_what_the_display_shows() -> None:
    bodies = [b"\x91" + number(n, "s24", "DCBA") + b"\x07" for n in (-1234, 70_001)]
    field = found_there_and_back(("-12.34 Pa", bodies[:1]), ("700.01 Pa", bodies[1:]))
    guess = guessed(len(framed(bodies[0])))
    framing = parse_framing(9600, "8N1")
    text = render_frames(guess, [field], framing=framing, interval_s=0.5)
    profile: Any = parse_profile(text, file="meter.toml")
    assert profile.wire.length == len(framed(bodies[0]))
    assert profile.wire.sync == "55 AA"
    assert profile.wire.checksum.kind == "sum8"
    (read,) = profile.field
    assert (read.byte, read.type, read.byte_order) == (3, "s24", "DCBA")
    assert read.scale == pytest.approx(0.01)


def test_a_profile_without_fields_says_which_bytes_vary() -> None:
    framing = parse_framing(9600, "8N1")
    text = render_frames(guessed(8), [], framing=framing, interval_s=0.5)
    assert "# Bytes that varied: 2, 3. Bytes that stayed as they were: 4, 5, 6." in text
