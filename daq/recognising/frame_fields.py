"""Bytes of a frame that hold what a display shows.

As for registers, a candidate is a place, a type, a byte order and a scale that give the shown value in every frame of a
load, and another load is what removes it. Two things are peculiar to frames. Widths are not multiples of a register, so
a number and the same one with a zero byte before it are one; the narrow one is taken only where it can't run over, else
the wide one with a limit. And a byte may tell where the decimal point stands: while it stays as it is, that is not to
be told from a fixed scale, and the choice is handed on.
"""

import math
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from daq.recognising.candidates import FACTORS, TENS, agrees, is_fine_enough, is_near
from daq.recognising.choosing import (
    Found,
    Standing,
    SteadyLoad,
    doubts,
    is_ample,
    is_confirmed,
    weaknesses,
)
from daq.recognising.frames import FrameGuess
from daq.recognising.shown import Shown, decimals_of_step

FrameLoad = SteadyLoad[bytes]

_WIDTHS = (1, 2, 3, 4)
_ORDERS = ("ABCD", "DCBA")
_DECIMALS = 0x0F
_MARGIN = 0.5
"""Of the range of a dozen frames: with it, three standard deviations on either side."""

_SCALES = tuple(sorted({*TENS, *(ten * factor for ten in TENS for factor in FACTORS)}))
"""Without binary fractions: a zero byte behind a number would make 1/256 of any."""


@dataclass(frozen=True, slots=True)
class FrameCandidate:
    """A way to read a value.

    Attributes:
        byte: Zero-based place of its first byte.
        kind: u8 to u32, s8 to s32, f32 or bcd.
        size: [byte].
        byte_order: ABCD highest byte first, DCBA lowest first.
        scale: What one count is worth [unit of the field].
        point: The byte that tells the digits behind the point; None where they never change.
    """

    byte: int
    kind: str
    size: int
    byte_order: str
    scale: float
    point: int | None = None

    @property
    def places(self) -> range:
        """Its bytes."""
        return range(self.byte, self.byte + self.size)

    @property
    def low_byte(self) -> int:
        """The place of its lowest byte."""
        return self.places[-1 if self.byte_order == "ABCD" else 0]

    @property
    def step(self) -> float:
        """One count [unit of the field]; 0 where a float or a moving point leaves none."""
        is_stepless = self.kind == "f32" or self.point is not None
        return 0.0 if is_stepless else self.scale

    @property
    def label(self) -> str:
        """As `--take` names it: first byte, type, byte order where it is not ABCD, and scale or the point's byte."""
        kind = f"bcd{8 * self.size}" if self.kind == "bcd" else self.kind
        order = [] if self.byte_order == "ABCD" else [self.byte_order]
        scale = f"{self.scale:.{decimals_of_step(self.scale)}f}"
        ending = scale if self.point is None else f"point{self.point}"
        return ":".join((str(self.byte), kind, *order, ending))

    def count(self, frame: bytes) -> float:
        """The number as it stands in a frame; not a number where the bytes are none."""
        data = frame[self.byte : self.byte + self.size]
        in_order = data if self.byte_order == "ABCD" else data[::-1]
        if self.kind == "f32":
            return float(struct.unpack(">f", in_order)[0])
        if self.kind == "bcd":
            digits = in_order.hex()
            return float(digits) if digits.isdecimal() else math.nan
        return float(int.from_bytes(in_order, "big", signed=self.kind[0] == "s"))

    def raw(self, frame: bytes) -> float:
        """The number with its point where the frame has it, before scaling."""
        if self.point is None:
            return self.count(frame)
        return self.count(frame) / 10.0 ** (frame[self.point] & _DECIMALS)


FrameFieldFound = Found[FrameCandidate]


def find_in_frames(
    shown: Shown, frames: Sequence[bytes], guess: FrameGuess
) -> list[FrameCandidate]:
    """Everything that gives the shown value in all frames of one load."""
    taken = set(guess.checksum.places) if guess.checksum else set()
    free = [i for i in range(len(guess.sync), guess.length) if i not in taken]
    return [
        candidate
        for place in _places(free)
        for candidate in _scaled(place, shown, frames[0], free)
        if agrees(candidate, shown, frames, margin=_MARGIN)
    ]


def remaining_in_frames(
    candidates: Mapping[str, Sequence[FrameCandidate]], load: FrameLoad
) -> dict[str, list[FrameCandidate]]:
    """Candidates that agree at this load too; the others fall away."""
    return {
        name: [c for c in each if agrees(c, load.of(name), load.sweeps, margin=_MARGIN)]
        for name, each in candidates.items()
    }


def choose_in_frames(
    candidates: Mapping[str, Sequence[FrameCandidate]], loads: Sequence[FrameLoad]
) -> tuple[FrameFieldFound, ...]:
    """What each field is, where the loads tell."""
    orders = _orders_of_all(candidates)
    fields = []
    for name in candidates:
        shown = [load.of(name) for load in loads]
        own = _with_a_point_of_its_own(name, candidates)
        alike = _told_once(_with_all_digits(own, shown[-1].digit))
        fields.append(_field(shown, alike, orders, loads))
    return tuple(fields)


def take_in_frames(
    found: FrameFieldFound, candidate: FrameCandidate, loads: Sequence[FrameLoad]
) -> FrameFieldFound:
    """The field as the operator decided among its candidates."""
    frames = [frame for load in loads for frame in load.sweeps]
    high, notes = _limits(candidate, candidate.size, found.shown, frames)
    notes = (*doubts(found, candidate, loads), *notes)
    return FrameFieldFound(found.shown, Standing.FOUND, (candidate,), high, notes)


# ---- places


def _places(free: Sequence[int]) -> Iterator[FrameCandidate]:
    """Every place, type and order in bytes that are neither sync nor checksum, unscaled."""
    for byte in free:
        for size in _WIDTHS:
            if not set(range(byte, byte + size)) <= set(free):
                break
            kinds = [f"u{8 * size}", f"s{8 * size}", "bcd", *["f32"] * (size == 4)]
            for order in _ORDERS[: min(size, 2)]:
                for kind in kinds:
                    yield FrameCandidate(byte, kind, size, order, 1.0)


def _scaled(
    place: FrameCandidate, shown: Shown, frame: bytes, free: Sequence[int]
) -> Iterator[FrameCandidate]:
    """The place with each scale, or each byte for the point, that may give the shown value."""
    count = place.count(frame)
    if not math.isfinite(count) or abs(count) > 1e12:
        return
    is_counted = place.kind not in ("f32", "bcd")
    for scale in _SCALES if is_counted else TENS:
        is_fine = place.kind == "f32" or is_fine_enough(count, scale, shown)
        if is_fine and is_near(count * scale, shown):
            yield replace(place, scale=scale)
    decimals = decimals_of_step(shown.digit)
    if place.kind != "f32" and decimals and is_near(count / 10**decimals, shown):
        for byte in free:
            if byte not in place.places and frame[byte] & _DECIMALS == decimals:
                yield replace(place, point=byte)


# ---- what is the same, and what is taken


def _with_a_point_of_its_own(
    name: str, candidates: Mapping[str, Sequence[FrameCandidate]]
) -> list[FrameCandidate]:
    """Without points in bytes that are the value of another field whatever becomes of it."""
    others: set[int] = set()
    for other, each in candidates.items():
        if other != name and each:
            others |= set.intersection(*(set(c.places) for c in each))
    return [c for c in candidates[name] if c.point is None or c.point not in others]


def _with_all_digits(
    candidates: Sequence[FrameCandidate], digit: float
) -> list[FrameCandidate]:
    """Decimal digits as the display has them, where they are: without a byte too few behind, or a zero byte too many."""
    exact = [c for c in candidates if c.kind == "bcd" and _is_scale(c, digit)]
    return [
        c
        for c in candidates
        if c.kind != "bcd"
        or c.point is not None
        or _is_scale(c, digit)
        or not any(set(c.places) & set(d.places) for d in exact)
    ]


def _is_scale(candidate: FrameCandidate, digit: float) -> bool:
    return candidate.point is None and math.isclose(candidate.scale, digit)


def _told_once(candidates: Sequence[FrameCandidate]) -> list[FrameCandidate]:
    """Without signed beside unsigned; decimal digits stay beside a number, for they part above nine."""
    all_ = set(candidates)
    return [
        c
        for c in candidates
        if c.kind[0] != "s" or replace(c, kind=f"u{8 * c.size}") not in all_
    ]


def _orders_of_all(
    candidates: Mapping[str, Sequence[FrameCandidate]],
) -> set[str]:
    """The byte orders that every field of more than one byte allows: makers keep to one."""
    allowed = [
        {c.byte_order for c in each if c.size > 1} for each in candidates.values()
    ]
    some = [orders for orders in allowed if orders]
    return set.intersection(*some) if some else set()


def _field(
    shown: Sequence[Shown],
    candidates: Sequence[FrameCandidate],
    orders: set[str],
    loads: Sequence[FrameLoad],
) -> FrameFieldFound:
    last = shown[-1]
    frames = [frame for load in loads for frame in load.sweeps]
    if not candidates:
        return FrameFieldFound(last, Standing.NONE, ())
    points = {
        c.point: [d for d in candidates if d.point == c.point] for c in candidates
    }
    alike = [c for each in points.values() for c in _one_of_alike(each, orders, shown)]
    if len(alike) > 1:
        return FrameFieldFound(last, Standing.SEVERAL, tuple(alike))
    chosen = alike[0]
    if not is_confirmed(chosen, shown, frames):
        return FrameFieldFound(last, Standing.UNCONFIRMED, (chosen,))
    narrowest = min(c.size for c in candidates)
    high, notes = _limits(chosen, narrowest, last, frames)
    return FrameFieldFound(
        last, Standing.FOUND, (chosen,), high, (*weaknesses(shown), *notes)
    )


def _one_of_alike(
    candidates: Sequence[FrameCandidate], orders: set[str], shown: Sequence[Shown]
) -> list[FrameCandidate]:
    """One candidate where all are the same bytes with more or fewer zeros before them."""
    if len({(c.low_byte, c.kind[0], c.scale) for c in candidates}) > 1:
        return list(candidates)
    by_size = sorted(candidates, key=lambda c: c.size)
    first = by_size[0]
    if first.kind[0] == "u" and first.point is None:
        is_alone = len({c.byte_order for c in by_size if c.size == first.size}) == 1
        counts = (1 << 8 * first.size) - 1
        if is_alone and is_ample(counts, first.scale, shown):
            return [first]
    if len({c.byte_order for c in by_size if c.size > 1}) > 1:
        by_size = [c for c in by_size if c.size > 1 and {c.byte_order} == orders]
        return by_size[-1:] or list(candidates)
    return by_size[-1:]


def _limits(
    candidate: FrameCandidate, narrowest: int, shown: Shown, frames: Sequence[bytes]
) -> tuple[float | None, tuple[str, ...]]:
    """Above what the type would begin to tell, and the sentences."""
    counts = [candidate.count(frame) for frame in frames]
    if candidate.kind == "f32":
        return None, ()
    if candidate.kind[0] == "s":
        return None, ("it was seen below zero, so it is signed",)
    if candidate.kind == "bcd":
        top = 10 ** (2 * narrowest) - 1
        return _limited(candidate, top, shown, frames, narrowest)
    half = (1 << 8 * narrowest - 1) - 1
    top = half if max(counts) <= half else (1 << 8 * narrowest) - 1
    return _limited(candidate, top, shown, frames, narrowest)


def _limited(
    candidate: FrameCandidate,
    top: int,
    shown: Shown,
    frames: Sequence[bytes],
    narrowest: int,
) -> tuple[float | None, tuple[str, ...]]:
    """The limit for so many counts, and why it is there."""
    scale, point = candidate.scale, candidate.point
    if point is not None:
        scale /= 10.0 ** max(frame[point] & _DECIMALS for frame in frames)
    high = round(top * scale, 9)
    is_all = candidate.size == narrowest and top == 256**narrowest - 1
    if is_all or (candidate.kind == "bcd" and candidate.size == narrowest):
        return None, ()
    unit = "" if shown.unit == "1" else f" {shown.unit}"
    told = f"{high:.{decimals_of_step(scale)}f}{unit}"
    if candidate.size > narrowest:
        why = "bytes that were always 0 are read as its upper part"
    else:
        why = "signed and unsigned are the same up to there"
    return high, (f"{why}; readings above {told} are refused",)
