"""Frames of a fixed length for tests, with a checksum by another party's arithmetic and without."""

from crc import Calculator, Crc8
from hypothesis import settings

from daq.checksums import CrcParameters, crc
from daq.protocols.fixed_frames import FrameChecksum, FrameField, FrameLayout

STEADY = settings(derandomize=True, deadline=None, max_examples=200)
CHAR_S = 0.001
SYNC = b"\x55\xaa"
# Poly 0x07, init 0: what the other party calls CCITT.
CRC8 = FrameChecksum(crc(CrcParameters(8, 0x07)), byte=5, first=2, last=4)
OTHER_PARTY = Calculator(Crc8.CCITT.value)
CHECKED = FrameLayout(6, [FrameField("v", byte=2, type="u16")], SYNC, CRC8)
PLAIN = FrameLayout(5, [FrameField("v", byte=2, type="u16")], SYNC)


def checked(value: int, more: int = 0) -> bytes:
    """A frame with its CRC as another party computes it."""
    body = value.to_bytes(2, "big") + bytes((more,))
    return SYNC + body + bytes((OTHER_PARTY.checksum(body),))


def plain(value: int, more: int = 0) -> bytes:
    return SYNC + value.to_bytes(2, "big") + bytes((more,))
