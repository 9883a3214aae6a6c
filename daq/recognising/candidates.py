"""Registers that hold what a display shows.

A candidate is a place, a type, a byte order and a scale that give the shown value within one digit of the display, in every
sweep of that load. Nothing is left out here because it is unlikely: a load at which it disagrees is what removes a
candidate, and two different loads leave hardly ever more than one place. The display is read a little before or after
the registers, so what lies beyond what they went through meanwhile will do too; what the loads must then show is the
business of `choosing`.
"""

import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

from daq.recognising.ranges import LAST_ADDRESS, Address, Sweep
from daq.recognising.shown import Shown, decimals_of_step

TENS = tuple(10.0**power for power in range(-4, 4))
FACTORS = (2.0, 5.0)
"""Times a power of ten; 20 mV and 50 mV steps are met."""

HALVINGS = tuple(2.0**-power for power in range(1, 9))
"""Steps of converters that count in binary fractions."""

SCALES = tuple(sorted({*TENS, *(ten * f for ten in TENS for f in FACTORS), *HALVINGS}))

NARROW = ("u16", "s16")
WIDE = ("f32", "u32", "s32")
NARROW_ORDERS = ("ABCD", "BADC")
WIDE_ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")

_CODES = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}
_PLACES = {
    "ABCD": (0, 1, 2, 3),
    "CDAB": (2, 3, 0, 1),
    "BADC": (1, 0, 3, 2),
    "DCBA": (3, 2, 1, 0),
}
_COARSE = ((1.0, 0.0), (10.0, 10.0), (math.inf, 100.0))
"""How many digits of the display a count may be worth, and from how many counts on."""

_WANDER_DIGITS = 10.0
_WANDER_SHARE = 0.02
"""What varies more among sweeps of one load is no held value, and would agree with anything."""

_MARGIN = 1.0
"""Of the range of half a dozen sweeps: with it, nearly four standard deviations on either side."""

_LATE_DIGITS = 3.0
_LATE_SHARE = 0.0015
"""How far a supply wanders in the seconds between a look at the display and the sweeps."""


_Seen_contra = TypeVar("_Seen_contra", contravariant=True)
_Seen = TypeVar("_Seen")


class Readable(Protocol[_Seen_contra]):
    """A way to read a value out of what came: registers, or a frame."""

    @property
    def scale(self) -> float:
        """What one count is worth [unit of the field]."""
        ...

    @property
    def step(self) -> float:
        """Steps in which the value comes [unit of the field]; 0 where it has none of its own."""
        ...

    def raw(self, seen: _Seen_contra, /) -> float | None:
        """The number before scaling; None where it did not come."""
        ...


@dataclass(frozen=True, slots=True)
class Candidate:
    """A way to read a value.

    Attributes:
        function: 3 or 4.
        address: Of its first register, zero-based.
        kind: u16, s16, u32, s32 or f32.
        byte_order: As profiles write it.
        scale: What one count is worth [unit of the field].
    """

    function: int
    address: int
    kind: str
    byte_order: str
    scale: float

    @property
    def is_wide(self) -> bool:
        """Whether it fills two registers."""
        return self.kind in WIDE

    @property
    def step(self) -> float:
        """One count [unit of the field]; 0 for a float."""
        return 0.0 if self.kind == "f32" else self.scale

    @property
    def addresses(self) -> tuple[Address, ...]:
        """Its registers."""
        return tuple((self.function, self.address + i) for i in range(1 + self.is_wide))

    @property
    def low_word(self) -> Address:
        """The register that holds the lower half, or the only one."""
        is_second = self.is_wide and self.byte_order in ("ABCD", "BADC")
        return self.function, self.address + is_second

    @property
    def upper_word(self) -> Address:
        """The register that holds the upper half, or the only one."""
        return next((a for a in self.addresses if a != self.low_word), self.low_word)

    @property
    def place(self) -> Address:
        """The register without which the value would be another; its neighbour may be all zeros."""
        return self.upper_word if self.kind == "f32" else self.low_word

    @property
    def rivals(self) -> tuple[Address, ...]:
        """Registers beside it that would be read along instead, if they and not its own are the other half.

        The upper half of a float gives the value to seven binary digits, whichever neighbour is read with it; the lower
        half of an integer gives all of it for as long as the upper is zero.
        """
        function, place = self.place
        own = self.addresses
        beside = ((function, place - 1), (function, place + 1))
        return tuple(a for a in beside if a not in own and 0 <= a[1] <= LAST_ADDRESS)

    @property
    def label(self) -> str:
        """As `--take` names it: function, address, type, byte order where it is not ABCD, and scale."""
        order = [] if self.byte_order == "ABCD" else [self.byte_order]
        scale = f"{self.scale:.{decimals_of_step(self.scale)}f}"
        return ":".join(
            (str(self.function), str(self.address), self.kind, *order, scale)
        )

    def raw(self, sweep: Sweep) -> float | None:
        """The number before scaling; None where a register was not read."""
        words = [sweep.get(address) for address in self.addresses]
        if None in words:
            return None
        packed = struct.pack(f">{len(words)}H", *words)
        return float(
            struct.unpack(_CODES[self.kind], _ordered(packed, self.byte_order))[0]
        )


def find_candidates(shown: Shown, sweeps: Sequence[Sweep]) -> list[Candidate]:
    """Everything that gives the shown value in all sweeps of one load."""
    return [
        candidate
        for place in _places(sweeps[0])
        for candidate in _scaled(place, shown, sweeps[0])
        if holds(candidate, shown, sweeps)
    ]


def holds(candidate: Candidate, shown: Shown, sweeps: Sequence[Sweep]) -> bool:
    """Whether registers give what the display shows, or showed a few seconds before or after."""
    late = min(_LATE_DIGITS * shown.digit, _LATE_SHARE * abs(shown.value))
    return agrees(candidate, shown, sweeps, margin=_MARGIN, late=late)


def agrees(
    candidate: Readable[_Seen],
    shown: Shown,
    sweeps: Sequence[_Seen],
    *,
    margin: float = 0.0,
    late: float = 0.0,
) -> bool:
    """Whether a candidate gives what the display shows, sweep after sweep.

    The value wanders while the display is read, so anything between the least and the greatest of the sweeps, and one
    digit around, will do; but it may wander only a little. Where many were seen, `margin` times their range more will do
    too [1], for the display may have shown what none of them caught; so will `late` [unit], where it was read before or
    after them.
    """
    # A sweep whose reply was lost says nothing against anybody.
    raws = [raw for sweep in sweeps if (raw := candidate.raw(sweep)) is not None]
    known = [raw * candidate.scale for raw in raws if math.isfinite(raw)]
    if not known or len(known) < len(raws):
        return False
    low, high = min(known), max(known)
    wander = max(_WANDER_DIGITS * shown.digit, _WANDER_SHARE * abs(shown.value))
    step = max(shown.digit, candidate.step)
    # A hair more, for decimals have no exact binary form.
    slack = max(step * 1.001, margin * (high - low), late)
    return high - low <= wander and low - slack <= shown.value <= high + slack


def _places(sweep: Sweep) -> Iterator[Candidate]:
    """Every place, type and order that was read whole, unscaled."""
    for function, address in sweep:
        for kind in NARROW:
            for order in NARROW_ORDERS:
                yield Candidate(function, address, kind, order, 1.0)
        if (function, address + 1) in sweep:
            for kind in WIDE:
                for order in WIDE_ORDERS:
                    yield Candidate(function, address, kind, order, 1.0)


def _scaled(place: Candidate, shown: Shown, sweep: Sweep) -> Iterator[Candidate]:
    """The place with each scale that may give the shown value."""
    raw = place.raw(sweep)
    if raw is None or not math.isfinite(raw) or abs(raw) > 1e12:
        return
    for scale in TENS if place.kind == "f32" else SCALES:
        # Of nought nothing tells how fine the counts are; a load that gives more will.
        is_fine = (
            place.kind == "f32"
            or shown.value == 0.0
            or is_fine_enough(raw, scale, shown)
        )
        if is_near(raw * scale, shown) and is_fine:
            yield Candidate(
                place.function, place.address, place.kind, place.byte_order, scale
            )


def is_fine_enough(raw: float, scale: float, shown: Shown) -> bool:
    """Whether counts are as fine as the display, or many."""
    digits = scale / (shown.digit * 1.001)
    return abs(raw) >= next(counts for most, counts in _COARSE if digits <= most)


def is_near(value: float, shown: Shown) -> bool:
    """Whether a value is one that the display may have shown a moment ago."""
    reach = max(_WANDER_DIGITS * shown.digit, _WANDER_SHARE * abs(shown.value))
    return abs(value - shown.value) <= reach * 1.001


def _ordered(data: bytes, order: str) -> bytes:
    """The bytes from the highest to the lowest."""
    if len(data) == 2:
        return data if order in ("ABCD", "CDAB") else data[::-1]
    return bytes(data[i] for i in _PLACES[order])
