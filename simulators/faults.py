"""Spoils replies the way bad wiring, slow meters and wrong addressing do.

A reply goes in, and what really comes out goes out: other bytes, later, or nothing. The
rule for all of it: a spoiled reply may be missing, late or visibly broken, but it never
carries a believable wrong value. A frame with a CRC gets one, two or three flipped bits,
which the CRC always detects at these lengths; a text line has a weak checksum or none, so
a letter or a character of its format is hit, never a digit.

Pure: time and chance come in as arguments. That a plug is pulled is not a reply's
business; the terminal does that.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from random import Random


class Fault(StrEnum):
    """Ways in which a reply can be spoiled."""

    NONE = "none"
    SILENT = "silent"
    LATE = "late"
    CUT = "cut"
    GARBLED = "garbled"
    FOREIGN = "foreign"


TEXT_FAULTS = (Fault.SILENT, Fault.LATE, Fault.CUT, Fault.GARBLED)
FRAME_FAULTS = (*TEXT_FAULTS, Fault.FOREIGN)
RUBBISH = b"#?~!\xff"
"""What stands in a garbled line; none of it belongs to any number or label."""


@dataclass(frozen=True)
class Spoiled:
    """What comes out: bytes (none when silent) and how much later than meant."""

    data: bytes
    late_s: float = 0.0


@dataclass(frozen=True)
class Patience:
    """How late a meter may be: its stated worst reply time, a reader's time-out."""

    worst_reply_s: float
    timeout_s: float


def cut(reply: bytes, random: Random) -> bytes:
    """The beginning of a reply; at least its last two bytes are missing."""
    return reply[: random.randint(1, max(1, len(reply) - 2))]


def garbled_frame(reply: bytes, random: Random) -> bytes:
    """A frame with one to three flipped bits; its CRC detects every such error.

    Source:
        Koopman and Chakravarty, Cyclic Redundancy Code (CRC) Polynomial Selection For
        Embedded Networks (DSN 2004): CRC-16 (0x8005) has Hamming distance 4 up to
        32751 data bits, CRC-8 (0x07) up to 119.
    """
    spoiled = bytearray(reply)
    for bit in random.sample(range(8 * len(reply)), random.randint(1, 3)):
        spoiled[bit // 8] ^= 1 << bit % 8
    return bytes(spoiled)


def garbled_line(reply: bytes, random: Random) -> bytes:
    """A line in which a letter or a character of the format has become rubbish."""
    places = [
        place
        for place, byte in enumerate(reply)
        if not chr(byte).isdigit() and byte not in b"\r\n"
    ]
    spoiled = bytearray(reply)
    spoiled[random.choice(places)] = random.choice(RUBBISH)
    return bytes(spoiled)


def late_s(patience: Patience, random: Random) -> float:
    """Extra delay: well within the worst reply time, or beyond the time-out."""
    if random.random() < 0.5:
        return patience.worst_reply_s * random.uniform(0.3, 0.8)
    return patience.timeout_s * random.uniform(1.05, 1.4)


class Spoiler:
    """The faults of one meter: one that was ordered, or a share of all replies."""

    def __init__(
        self,
        kinds: Sequence[Fault],
        *,
        patience: Patience,
        share: float,
        random: Random,
        has_crc: bool,
    ) -> None:
        self._kinds = tuple(kinds)
        self._has_crc = has_crc
        self._patience = patience
        self._share = share
        self._random = random
        self._ordered = Fault.NONE
        self._until_s: float | None = None

    @property
    def kinds(self) -> tuple[Fault, ...]:
        """Faults that this meter can have."""
        return self._kinds

    def order(self, fault: Fault, *, until_s: float | None = None) -> None:
        """Spoil every reply from now on, for ever or until a bench time.

        Raises:
            ValueError: If a meter of this kind cannot have the fault.
        """
        if fault is not Fault.NONE and fault not in self._kinds:
            expected = ", ".join((*self._kinds, Fault.NONE))
            msg = f"fault {fault} on this kind of meter, expected one of {expected}"
            raise ValueError(msg)
        self._ordered = fault
        self._until_s = until_s

    def ordered(self, at_s: float) -> Fault:
        """The fault that is ordered at a bench time."""
        is_over = self._until_s is not None and at_s >= self._until_s
        return Fault.NONE if is_over else self._ordered

    def spoil(self, reply: bytes, at_s: float, *, foreign: bytes = b"") -> Spoiled:
        """What becomes of a reply.

        Args:
            reply: The reply as the meter meant it.
            at_s: Bench time.
            foreign: The same reply under another unit's address, where there are units.
        """
        fault = self.ordered(at_s)
        if fault is Fault.NONE and self._random.random() < self._share:
            fault = self._random.choice(self._kinds)
        return self._spoiled(fault, reply, foreign)

    def _spoiled(self, fault: Fault, reply: bytes, foreign: bytes) -> Spoiled:
        match fault:
            case Fault.NONE:
                return Spoiled(reply)
            case Fault.SILENT:
                return Spoiled(b"")
            case Fault.LATE:
                return Spoiled(reply, late_s(self._patience, self._random))
            case Fault.CUT:
                return Spoiled(cut(reply, self._random))
            case Fault.FOREIGN:
                return Spoiled(foreign)
            case Fault.GARBLED:
                return Spoiled(self._garbled(reply))

    def _garbled(self, reply: bytes) -> bytes:
        if self._has_crc:
            return garbled_frame(reply, self._random)
        return garbled_line(reply, self._random)
