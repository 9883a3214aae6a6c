"""Which checksum stands at the end of frames.

Everything that a profile can say is tried: sums, exclusive-or, and the cyclic redundancy checks of the published
catalogues, from each of the first bytes on, with up to two constant bytes behind. One that is right in frames which are
all the same tells nothing, so they have to differ.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from daq.checksums import (
    CRC16_CCITT,
    CRC16_MODBUS,
    NAMED,
    Checksum,
    ChecksumKind,
    CrcParameters,
    crc,
)
from daq.protocols.fixed_frames import FrameChecksum

LEAST_BITS = 32
"""Of checksums that differ: four of eight bits, or two of sixteen; so many a wrong one never has right by chance."""

_MOST_SPOILED = 0.1
_MOST_FIRST = 4
_MOST_BEHIND = 2
_LEAST_COVERED = 2

_CYCLIC: Mapping[str, CrcParameters] = MappingProxyType(
    {
        "CRC-8 07": CrcParameters(8, 0x07),
        "CRC-8 07 from FF": CrcParameters(8, 0x07, initial=0xFF),
        "CRC-8 31": CrcParameters(8, 0x31),
        "CRC-8 31 from FF": CrcParameters(8, 0x31, initial=0xFF),
        "CRC-8 31 reflected": CrcParameters(8, 0x31, reflected=True),
        "CRC-8 07 ending in 55": CrcParameters(8, 0x07, final_xor=0x55),
        "CRC-8 1D from FF": CrcParameters(8, 0x1D, initial=0xFF, final_xor=0xFF),
        "CRC-16 8005 reflected": CrcParameters(16, 0x8005, reflected=True),
        "CRC-16 8005": CrcParameters(16, 0x8005),
        "CRC-16 1021": CrcParameters(16, 0x1021),
        "CRC-16 1021 reflected": CrcParameters(16, 0x1021, reflected=True),
        "CRC-16 1021 reflected from FFFF": CrcParameters(
            16, 0x1021, initial=0xFFFF, reflected=True, final_xor=0xFFFF
        ),
    }
)
_TITLES: Mapping[ChecksumKind, str] = MappingProxyType(
    {
        "xor8": "exclusive-or",
        "sum8": "sum",
        "lrc8": "LRC",
        "crc16-modbus": "CRC-16 of Modbus",
        "crc16-ccitt": "CRC-16 CCITT",
    }
)


@dataclass(frozen=True, slots=True)
class _Kind:
    """One way to compute a checksum, as a profile names it."""

    title: str
    name: ChecksumKind
    checksum: Checksum
    parameters: CrcParameters | None = None


@dataclass(frozen=True, slots=True)
class ChecksumFound:
    """A checksum that is right in the frames that were heard.

    Attributes:
        title: What it is, in words.
        kind: As a profile names it.
        parameters: Of a cyclic redundancy check that its name does not tell.
        rule: Where it stands and what it covers.
    """

    title: str
    kind: ChecksumKind
    parameters: CrcParameters | None
    rule: FrameChecksum

    @property
    def family(self) -> tuple[str, int, bool]:
        """What is the same for checksums that differ by a constant only, and so agree in all frames or in none."""
        named = {"crc16-modbus": CRC16_MODBUS, "crc16-ccitt": CRC16_CCITT}
        cyclic = self.parameters or named.get(self.kind)
        if cyclic is None:
            return self.kind, 0, False
        return f"crc{cyclic.width}", cyclic.polynomial, cyclic.reflected

    @property
    def first(self) -> int:
        """The first byte that it covers."""
        return self.rule.first

    @property
    def places(self) -> range:
        """Where it stands in the frame."""
        return range(self.rule.byte, self.rule.byte + self.rule.checksum.size)

    def is_right(self, frame: bytes) -> bool:
        """Whether it is right in a frame of this length."""
        return not self.rule.fault_in(frame)


_KINDS = (
    *(_Kind(_TITLES[name], name, NAMED[name]) for name in _TITLES),
    *(
        _Kind(title, "crc8" if each.width == 8 else "crc16", crc(each), each)
        for title, each in _CYCLIC.items()
    ),
)


def checksums_of(frames: Sequence[bytes]) -> list[ChecksumFound]:
    """One of each family that is right in nearly all frames; none where too few of them differ."""
    found: dict[tuple[str, int, bool], ChecksumFound] = {}
    for each in _possible(frames):
        if each.family not in found and _is_usually_right(each, frames):
            found[each.family] = each
    return list(found.values())


def _is_usually_right(each: ChecksumFound, frames: Sequence[bytes]) -> bool:
    spared = int(_MOST_SPOILED * len(frames))
    seen = set()
    for frame in frames:
        if each.is_right(frame):
            seen.add(frame[each.rule.byte :][: each.rule.checksum.size])
        else:
            spared -= 1
            if spared < 0:
                return False
    return 8 * each.rule.checksum.size * len(seen) >= LEAST_BITS


def _possible(frames: Sequence[bytes]) -> Iterator[ChecksumFound]:
    """Every checksum that could stand in these frames."""
    length = len(frames[0])
    for behind in range(_MOST_BEHIND + 1):
        end = length - behind
        if any(len({frame[i] for frame in frames}) > 1 for i in range(end, length)):
            return
        for kind in _KINDS:
            yield from _placed(kind, end)


def _placed(kind: _Kind, end: int) -> Iterator[ChecksumFound]:
    """One kind of checksum before `end`, from each of the first bytes on."""
    byte = end - kind.checksum.size
    orders: tuple[Literal["AB", "BA"], ...] = ("AB", "BA")
    for order in orders[: kind.checksum.size]:
        for first in range(min(_MOST_FIRST, byte - _LEAST_COVERED) + 1):
            rule = FrameChecksum(kind.checksum, byte, first, byte - 1, order)
            yield ChecksumFound(kind.title, kind.name, kind.parameters, rule)
