"""Every fault does what it says, and none makes a believable wrong value."""

import re
from random import Random

import pytest

from simulators.faults import (
    FRAME_FAULTS,
    TEXT_FAULTS,
    Fault,
    Patience,
    Spoiler,
    cut,
    garbled_frame,
    garbled_line,
)
from simulators.rig import seeded
from simulators.wires.modbus_rtu import is_intact, readdressed, with_crc

FRAME = with_crc(bytes.fromhex("010410") + bytes(range(16)))
FOREIGN = readdressed(FRAME, 2)
LINE = b"+2.3012E+02,+6.51E-01,+1.423E+02,+9.51E-01\n"
SPOKEN = b"V=+12.34 m/s T=+21.6 C\r\n"
PATIENCE = Patience(worst_reply_s=0.1, timeout_s=0.12)
NUMBER = rb"[+-]\d\.\d+E[+-]\d\d"
GOOD_LINE = re.compile(rb",".join([NUMBER] * 4) + rb"\n")
GOOD_SPOKEN = re.compile(rb"V=[+-]\d+\.\d\d m/s T=[+-]\d+\.\d C\r\n")


@pytest.fixture
def random() -> Random:
    return seeded(11, "faults")


def frame_spoiler(random: Random, *, share: float = 0.0) -> Spoiler:
    return Spoiler(
        FRAME_FAULTS, patience=PATIENCE, share=share, random=random, has_crc=True
    )


def spoiled(random: Random, fault: Fault) -> tuple[bytes, float]:
    spoiler = frame_spoiler(random)
    spoiler.order(fault)
    result = spoiler.spoil(FRAME, 0.0, foreign=FOREIGN)
    return result.data, result.late_s


def test_without_a_fault_a_reply_comes_out_as_it_went_in(random: Random) -> None:
    assert spoiled(random, Fault.NONE) == (FRAME, 0.0)


def test_a_silent_meter_sends_nothing(random: Random) -> None:
    assert spoiled(random, Fault.SILENT) == (b"", 0.0)


def test_a_late_reply_is_whole_and_either_within_the_worst_time_or_past_the_time_out(
    random: Random,
) -> None:
    late = [spoiled(random, Fault.LATE) for _ in range(200)]
    assert {data for data, _ in late} == {FRAME}
    within = [late_s for _, late_s in late if 0.03 <= late_s <= 0.08]
    beyond = [late_s for _, late_s in late if 0.126 <= late_s <= 0.168]
    assert len(within) + len(beyond) == 200
    assert min(len(within), len(beyond)) > 50


def test_a_cut_reply_is_a_beginning_and_never_the_whole(random: Random) -> None:
    for reply in (FRAME, LINE, SPOKEN):
        for _ in range(200):
            piece = cut(reply, random)
            assert piece
            assert len(piece) <= len(reply) - 2
            assert reply.startswith(piece)


def test_a_cut_line_does_not_become_a_good_one_with_the_next_line_behind_it(
    random: Random,
) -> None:
    for _ in range(200):
        assert GOOD_LINE.fullmatch(cut(LINE, random) + LINE) is None
        assert GOOD_SPOKEN.fullmatch(cut(SPOKEN, random) + SPOKEN) is None


def test_a_garbled_frame_never_has_a_good_checksum(random: Random) -> None:
    for _ in range(2000):
        garbled = garbled_frame(FRAME, random)
        # CRC-16 detects every error of up to three bits at this length.
        flipped = int.from_bytes(garbled, "big") ^ int.from_bytes(FRAME, "big")
        assert 1 <= flipped.bit_count() <= 3
        assert len(garbled) == len(FRAME)
        assert not is_intact(garbled)


def test_a_garbled_line_keeps_its_digits_and_is_visibly_broken(
    random: Random,
) -> None:
    assert GOOD_LINE.fullmatch(LINE)
    assert GOOD_SPOKEN.fullmatch(SPOKEN)
    for good, line in ((GOOD_LINE, LINE), (GOOD_SPOKEN, SPOKEN)):
        digits = re.sub(rb"\D", b"", line)
        for _ in range(500):
            garbled = garbled_line(line, random)
            assert good.fullmatch(garbled) is None
            assert re.sub(rb"\D", b"", garbled) == digits


def test_a_foreign_reply_is_intact_and_anothers(random: Random) -> None:
    data, _ = spoiled(random, Fault.FOREIGN)
    assert is_intact(data)
    assert data[0] == 2


def test_a_line_without_addresses_has_no_foreign_replies(random: Random) -> None:
    spoiler = Spoiler(
        TEXT_FAULTS, patience=PATIENCE, share=0.0, random=random, has_crc=False
    )
    with pytest.raises(ValueError, match="expected one of silent, late, cut, garbled"):
        spoiler.order(Fault.FOREIGN)


def test_a_fault_ends_when_its_time_is_over(random: Random) -> None:
    spoiler = frame_spoiler(random)
    spoiler.order(Fault.SILENT, until_s=60.0)
    assert spoiler.spoil(FRAME, 59.9).data == b""
    assert spoiler.spoil(FRAME, 60.0).data == FRAME


def test_of_mixed_faults_about_the_stated_share_of_replies_is_spoiled(
    random: Random,
) -> None:
    spoiler = frame_spoiler(random, share=0.03)
    results = [spoiler.spoil(FRAME, 0.0, foreign=FOREIGN) for _ in range(10000)]
    touched = sum(each.data != FRAME or each.late_s > 0 for each in results)
    # Binomial: 300 expected, standard deviation 17; four of them.
    assert 232 <= touched <= 368
    assert {each.data for each in results} >= {FRAME, b"", FOREIGN}


def test_mixed_faults_repeat_with_their_seed() -> None:
    runs = []
    for _ in range(2):
        spoiler = frame_spoiler(seeded(5, "mixed"), share=0.5)
        runs.append([spoiler.spoil(FRAME, 0.0, foreign=FOREIGN) for _ in range(50)])
    assert runs[0] == runs[1]
