"""Binary frames in a stream: length, beginning and checksum, and what is never believed."""

import random
from collections.abc import Callable

import pytest

from daq.recognising.frames import agreed_sync, frames_in, recognise_frames
from tests.hidden_frames import CHECKSUMS

HEAD = bytes.fromhex("55 AA")


def frame(number: int, checksum: str = "sum8", first: int = 0) -> bytes:
    """Sync, a number that varies, a constant, a checksum."""
    body = HEAD + number.to_bytes(2, "big") + b"\x11"
    size, of = CHECKSUMS[checksum]
    return body + of(body[first:]).to_bytes(size, "little")


def stream(make: Callable[[int], bytes], *, count: int = 12) -> tuple[bytes, list[int]]:
    """Frames of different numbers, and where each begins."""
    frames = [make(2300 + 37 * i * i) for i in range(count)]
    starts = [sum(map(len, frames[:i])) for i in range(count)]
    return b"".join(frames), starts


@pytest.mark.parametrize("first", [0, 2])
@pytest.mark.parametrize("checksum", sorted(CHECKSUMS.keys() - {"none"}))
def test_every_checksum_is_found_and_what_it_covers(checksum: str, first: int) -> None:
    data, starts = stream(lambda n: frame(n, checksum, first))
    guess = recognise_frames(data, starts)
    assert guess is not None
    assert guess.is_accepted
    assert guess.checksum is not None
    assert guess.checksum.first == first
    assert guess.length == len(frame(0, checksum))
    assert guess.sync == HEAD
    assert all(guess.checksum.is_right(frame(n, checksum, first)) for n in range(999))


def test_frames_without_a_pause_are_found_from_any_byte_on() -> None:
    data, _ = stream(frame)
    for cut in range(6):
        guess = recognise_frames(data[cut:], [0])
        assert guess is not None
        assert guess.is_accepted
        assert guess.frames[-1] == data[-6:]


def test_a_spoiled_frame_is_left_out_and_lowers_the_confidence() -> None:
    data, starts = stream(frame, count=14)
    spoiled = data[:20] + bytes((data[20] ^ 4,)) + data[21:]
    whole, lacking = recognise_frames(data, starts), recognise_frames(spoiled, starts)
    assert whole is not None
    assert lacking is not None
    assert lacking.is_accepted
    assert len(lacking.frames) == len(whole.frames) - 1
    assert lacking.confidence < whole.confidence


def test_frames_that_are_all_the_same_prove_no_checksum() -> None:
    data, starts = stream(lambda _: frame(2300))
    guess = recognise_frames(data, starts)
    assert guess is not None
    assert not guess.is_accepted
    assert "all the same" in guess.reasons[1]


def test_two_checksums_that_are_both_right_are_not_chosen_between() -> None:
    # No bit is set in two bytes of a frame, so nothing is carried: sum and exclusive-or are the same.
    bodies = [bytes((0x40, 0x20, 0, i % 16)) for i in range(12)]
    data = b"".join(body + bytes((sum(body),)) for body in bodies)
    starts = [5 * i for i in range(12)]
    guess = recognise_frames(data, starts)
    assert guess is not None
    assert guess.rivals
    assert not guess.is_accepted


def test_frames_without_a_checksum_are_told_and_not_accepted() -> None:
    data, starts = stream(lambda n: HEAD + n.to_bytes(2, "big") + b"\x11")
    guess = recognise_frames(data, starts)
    assert guess is not None
    assert guess.checksum is None
    assert guess.sync == HEAD
    assert guess.confidence < 0.5


@pytest.mark.parametrize("seed", range(5))
def test_random_bytes_are_never_frames(seed: int) -> None:
    data = random.Random(seed).randbytes(600)  # noqa: S311 - rubbish, no secret
    assert recognise_frames(data, [0]) is None
    guess = recognise_frames(data, list(range(0, 600, 6)))
    assert guess is None or not guess.is_accepted


def test_further_frames_are_found_between_rubbish() -> None:
    data, starts = stream(frame)
    guess = recognise_frames(data, starts)
    assert guess is not None
    assert frames_in(b"\x55" + frame(7) + b"\xaa\x00" + frame(9)[:-1], guess) == (
        frame(7),
    )


def test_a_byte_that_changes_with_the_load_is_no_sync() -> None:
    data, starts = stream(frame)
    guess = recognise_frames(data, starts)
    assert guess is not None
    other = bytes((HEAD[0], 0x12, *frame(1)[2:]))
    assert agreed_sync(guess, [frame(1), other]) == HEAD[:1]
    assert agreed_sync(guess, [frame(1), frame(2)]) == HEAD
