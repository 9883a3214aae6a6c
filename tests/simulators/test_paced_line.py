"""A line in driven time: nothing is early, and bad manners are counted."""

from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.wires.framing import Framing, garbled, parse_framing
from simulators.wires.paced_line import FrameEnd, Outgoing, PacedLine

FAST = parse_framing(38400, "8N1")
SLOW = parse_framing(9600, "8E1")
REQUEST = bytes(8)
REPLY = bytes(range(21))


def line_that_answers(
    framing: Framing,
    replies: Iterable[Outgoing],
    *,
    frame_end: FrameEnd = FrameEnd.SILENCE,
    frames: list[bytes] | None = None,
) -> PacedLine:
    seen = [] if frames is None else frames

    def answer(frame: bytes) -> Iterable[Outgoing]:
        seen.append(frame)
        return replies

    return PacedLine(framing, frame_end=frame_end, answer=answer)


def run(line: PacedLine, now_s: float) -> list[tuple[float, int]]:
    """Drive a line from deadline to deadline; tell when each byte was there."""
    handed = []
    while (deadline_s := line.deadline_s) is not None:
        now_s = max(now_s, deadline_s)
        handed += [(now_s, byte) for byte in line.step(now_s)]
    return handed


def test_a_character_takes_the_time_of_its_bits() -> None:
    # Start, 8 data, stop: 10 bits. With parity 11 (Modbus over Serial Line, 2.5.1).
    assert FAST.character_s == pytest.approx(10 / 38400)
    assert SLOW.character_s == pytest.approx(11 / 9600)


def test_the_silence_is_counted_in_characters_up_to_19200_baud_and_fixed_above() -> (
    None
):
    # Modbus over Serial Line V1.02, 2.5.1.1: 3.5 x 11 / 9600 = 4.0104 ms; 1.750 ms.
    assert SLOW.silence_s == pytest.approx(4.0104e-3, abs=5e-8)
    assert parse_framing(19200, "8E1").silence_s == pytest.approx(2.0052e-3, abs=5e-8)
    assert FAST.silence_s == 1.75e-3


@given(st.binary(max_size=300))
def test_garbled_bytes_are_as_many_alike_every_time_and_never_plausible(
    data: bytes,
) -> None:
    heard = garbled(data)
    assert len(heard) == len(data)
    assert heard == garbled(data)
    # Addresses 248 to 255 are reserved (Modbus over Serial Line V1.02, 2.2), and ASCII ends at 127.
    assert all(byte > 247 for byte in heard)


@pytest.mark.parametrize("shape", ["9N1", "8X1", "8N3", "", "8N11"])
def test_a_shape_that_no_line_has_is_refused(shape: str) -> None:
    with pytest.raises(ValueError, match="expected a positive speed and a shape"):
        parse_framing(9600, shape)


@given(
    baud=st.sampled_from([1200, 9600, 19200, 38400, 115200]),
    shape=st.sampled_from(["8N1", "8E1", "7E2"]),
    reply=st.binary(min_size=1, max_size=60),
    after_s=st.floats(0, 0.2),
    looks_s=st.lists(st.floats(0, 0.05), min_size=1, max_size=30),
)
def test_no_byte_is_handed_over_before_the_wire_could_have_carried_it(
    baud: int, shape: str, reply: bytes, after_s: float, looks_s: list[float]
) -> None:
    framing = parse_framing(baud, shape)
    line = line_that_answers(framing, [Outgoing(reply, after_s)])
    line.receive(REQUEST, 100.0)
    handed = []
    now_s = 100.0
    for look_s in looks_s:
        now_s += look_s
        handed += [(now_s, byte) for byte in line.step(now_s)]
    handed += run(line, now_s)
    assert bytes(byte for _, byte in handed) == reply
    arrived_s = 100.0 + len(REQUEST) * framing.character_s
    start_s = arrived_s + max(framing.silence_s, after_s)
    for place, (at_s, _) in enumerate(handed, start=1):
        # A nanosecond for the rounding of the two sums.
        assert at_s >= start_s + place * framing.character_s - 1e-9


def test_a_reply_comes_in_pieces_that_the_wire_sets_the_pace_for() -> None:
    line = line_that_answers(FAST, [Outgoing(REPLY)])
    line.receive(REQUEST, 0.0)
    handed = run(line, 0.0)
    start_s = 8 * FAST.character_s + 1.75e-3
    assert handed[-1][0] == pytest.approx(start_s + 21 * FAST.character_s)
    # Pieces of 5 characters (1.3 ms): 21 characters make 5 pieces.
    assert len({at_s for at_s, _ in handed}) == 5


def test_a_request_in_pieces_is_one_frame() -> None:
    frames: list[bytes] = []
    line = line_that_answers(FAST, [], frames=frames)
    line.receive(b"\x01\x02", 0.0)
    line.receive(b"\x03", 0.001)
    run(line, 0.001)
    assert frames == [b"\x01\x02\x03"]
    assert line.counts.requests == 1


def test_two_requests_with_silence_in_between_are_two_frames() -> None:
    frames: list[bytes] = []
    line = line_that_answers(FAST, [], frames=frames)
    line.receive(b"\x01", 0.0)
    line.receive(b"\x02", 0.01)
    run(line, 0.01)
    assert frames == [b"\x01", b"\x02"]
    assert line.counts.requests == 2


@pytest.mark.parametrize(("pause_s", "violations"), [(0.0016, 1), (0.0019, 0)])
def test_a_request_that_follows_a_reply_too_closely_is_counted(
    pause_s: float, violations: int
) -> None:
    line = line_that_answers(FAST, [Outgoing(REPLY)])
    line.receive(REQUEST, 0.0)
    end_s = run(line, 0.0)[-1][0]
    line.receive(REQUEST, end_s + pause_s)
    run(line, end_s + pause_s)
    assert line.counts.requests == 2
    assert line.counts.violations == violations


def test_a_request_into_a_running_reply_is_counted() -> None:
    line = line_that_answers(SLOW, [Outgoing(REPLY)])
    line.receive(REQUEST, 0.0)
    first_s = 8 * SLOW.character_s + SLOW.silence_s + SLOW.character_s
    line.step(first_s)
    line.receive(REQUEST, first_s + 0.001)
    assert line.counts.violations == 1


def test_a_late_reply_comes_when_the_next_request_is_already_under_way() -> None:
    late = line_that_answers(FAST, [Outgoing(b"late", 0.2)])
    late.receive(REQUEST, 0.0)
    late.step(0.1)
    late.receive(REQUEST, 0.15)
    handed = run(late, 0.15)
    assert bytes(byte for _, byte in handed) == b"latelate"
    assert 0.2 < handed[0][0] < 0.21


def test_two_replies_do_not_share_the_wire() -> None:
    line = line_that_answers(SLOW, [])
    line.push(Outgoing(REPLY), 0.0)
    line.push(Outgoing(REPLY), 0.0)
    handed = run(line, 0.0)
    assert bytes(byte for _, byte in handed) == REPLY + REPLY
    for place, (at_s, _) in enumerate(handed, start=1):
        assert at_s >= place * SLOW.character_s - 1e-9


def test_a_query_is_complete_with_its_line_feed() -> None:
    frames: list[bytes] = []
    line = line_that_answers(
        FAST, [Outgoing(b"ok\n")], frame_end=FrameEnd.LINE_FEED, frames=frames
    )
    line.receive(b"MEA", 0.0)
    assert run(line, 0.0) == []
    line.receive(b"S?\n*IDN?\n", 0.1)
    handed = run(line, 0.1)
    assert frames == [b"MEAS?\n", b"*IDN?\n"]
    assert bytes(byte for _, byte in handed) == b"ok\nok\n"


def test_rubbish_without_an_end_is_thrown_away() -> None:
    frames: list[bytes] = []
    line = line_that_answers(FAST, [], frame_end=FrameEnd.LINE_FEED, frames=frames)
    line.receive(bytes(300), 0.0)
    line.receive(b"MEAS?\n", 1.0)
    run(line, 1.0)
    assert frames == [b"MEAS?\n"]


def test_a_meter_with_more_to_say_than_its_wire_carries_skips_lines() -> None:
    line = line_that_answers(SLOW, [])
    for _ in range(1000):
        line.push(Outgoing(b"x"), 0.0)
    assert len(run(line, 0.0)) < 100


def test_a_pulled_plug_forgets_what_was_under_way() -> None:
    line = line_that_answers(SLOW, [Outgoing(REPLY)])
    line.receive(REQUEST, 0.0)
    line.step(0.02)
    line.cut_off()
    assert line.deadline_s is None
    assert line.step(1.0) == b""
