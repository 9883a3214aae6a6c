"""Which candidates are the same thing, and which remain.

Several candidates can be one register seen in several ways. What is alike by nature is told once (signed and unsigned
while nothing is negative, functions 3 and 4 where both give the same); what is alike only while an upper half is zero
is taken from the layout of the other fields, or from what the quantity can reach. Where that leaves more than one, none
is chosen; nor where a register that would settle it was not read. Nor is one that may only follow: a register that keeps a
maximum or a minimum agrees for as long as loads move one way, and one that averages over minutes may, so a value has to
rise and to fall again before it is believed, by as much as its display did. Each choice brings limits with it, beyond
which the profile's reading is refused rather than believed, and a sentence that says so.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Generic, TypeVar

from daq.recognising.candidates import (
    HALVINGS,
    Candidate,
    Readable,
    holds,
    is_fine_enough,
)
from daq.recognising.ranges import Address, Sweep
from daq.recognising.shown import Shown, decimals_of_step
from daq.units import UNITS

MOVED_DIGITS = 2.0
"""A display that moved by more than this between two loads tells followers from the rest."""

LEAST_LOADS = 3
"""One to begin with, one away from it, and one back."""

MOST_LOADS = 6
"""Twice there and back, for a load that moves one value may leave another to be moved from where it ends."""

LEAST_DIGITS = 3
_PLAIN_ORDERS = {"BADC": "ABCD", "DCBA": "CDAB"}
_FOLLOWED = 0.5
"""The part of the display's way that its register has to go too; late looks at the display take the rest."""

_Layout = tuple[int, str]
_HALF, _WORD, _LONG_HALF = 32_767, 65_535, 2_147_483_647
_AMPLE = {
    "voltage": 2.0,
    "frequency": 2.0,
    "power factor": 1.5,
    "temperature": 4.0,
    "humidity": 4.0,
}
_AMPLE_OTHERS = 10.0
"""How many times the greatest value shown a quantity may reach on a bench."""

_PLUG = {"current": 25.0, "power": 6000.0}
"""More than a machine on a plug of 16 or 20 A can take [A, W]."""


_Seen = TypeVar("_Seen")


# Without slots, which a generic class that is called by its alias can't have when it is frozen.
@dataclass(frozen=True)
class SteadyLoad(Generic[_Seen]):
    """One steady load: what the display showed, and the registers or frames meanwhile."""

    shown: tuple[Shown, ...]
    sweeps: tuple[_Seen, ...]

    def of(self, name: str) -> Shown:
        """What was shown of one quantity."""
        return next(shown for shown in self.shown if shown.name == name)


Load = SteadyLoad[Sweep]


class Move(Enum):
    """What a value has yet to do before its register is believed."""

    RISE_OR_FALL = "rise or fall"
    RISE = "rise"
    FALL = "fall"


class Standing(Enum):
    """How far a field is known."""

    FOUND = "found"
    SEVERAL = "several candidates remain"
    NONE = "no register agrees"
    UNCONFIRMED = "not confirmed"
    UNREAD = "a register that may be its other half was not read"


_Candidate = TypeVar("_Candidate")


# Without slots, as above.
@dataclass(frozen=True)
class Found(Generic[_Candidate]):
    """What is known of one field, in registers or in frames.

    Attributes:
        shown: At the last load.
        standing: How far it is known.
        candidates: All that remain; the chosen one alone where it is found.
        high: Readings above it are not to be believed [unit]; None for no limit.
        notes: What was taken for granted, in sentences.
    """

    shown: Shown
    standing: Standing
    candidates: tuple[_Candidate, ...]
    high: float | None = None
    notes: tuple[str, ...] = ()


FieldFound = Found[Candidate]


def remaining(
    candidates: Mapping[str, Sequence[Candidate]], load: Load
) -> dict[str, list[Candidate]]:
    """Candidates that agree at this load too; the others fall away."""
    return {
        name: [c for c in each if holds(c, load.of(name), load.sweeps)]
        for name, each in candidates.items()
    }


def choose(
    candidates: Mapping[str, Sequence[Candidate]],
    loads: Sequence[Load],
    absent: Collection[Address] = frozenset(),
) -> tuple[FieldFound, ...]:
    """What each field is, where the loads tell.

    Args:
        candidates: Those that agree at every load, by field.
        loads: All of them.
        absent: Registers that the unit is known not to have.
    """
    of_field = {name: [load.of(name) for load in loads] for name in candidates}
    alike = {
        name: _followers(_told_once(each), name, loads)
        for name, each in candidates.items()
    }
    unread = {
        c: address
        for name, each in alike.items()
        for c in each
        if (address := _unread_rival(c, of_field[name], loads, absent)) is not None
    }
    layouts = _layouts(alike.values(), unread)
    return tuple(
        _field(of_field[name], each, layouts, loads, unread)
        for name, each in alike.items()
    )


def take(found: FieldFound, candidate: Candidate, loads: Sequence[Load]) -> FieldFound:
    """The field as the operator decided among its candidates; its notes say that nothing else did."""
    high, notes = _limits(candidate, found.shown, _all(loads))
    notes = (*doubts(found, candidate, loads), *notes)
    return FieldFound(found.shown, Standing.FOUND, (candidate,), high, notes)


def doubts(
    found: Found[_Candidate],
    candidate: Readable[_Seen],
    loads: Sequence[SteadyLoad[_Seen]],
) -> tuple[str, ...]:
    """What a profile says beside a field that was taken by the operator's word."""
    name, count = found.shown.name, len(found.candidates)
    one = "" if count == 1 else f", one of {count} that agreed at every load"
    told = [f"taken by the operator's word{one}", *found.notes]
    if not is_confirmed(candidate, [load.of(name) for load in loads], _all(loads)):
        told.append(f"not confirmed: {name} was not seen to rise and to fall")
    last = (
        f"{told[-1]}; compare it with the display at other loads before it is believed"
    )
    return (*told[:-1], last)


def _all(loads: Sequence[SteadyLoad[_Seen]]) -> list[_Seen]:
    """The sweeps of all loads in order."""
    return [sweep for load in loads for sweep in load.sweeps]


def _followers(
    candidates: Sequence[Candidate], name: str, loads: Sequence[Load]
) -> list[Candidate]:
    """Those that went both ways that the display went, if not as far; what keeps a value or averages did not.

    Counts coarser than the display's digits are let off where the display went less than two of them, but only if
    there is nothing finer.
    """
    ways = {c: _Way.of(c, name, loads) for c in candidates}
    fine = [c for c, way in ways.items() if way.is_fine]
    followers = [c for c in fine if ways[c].is_followed(0.0)]
    return followers or [c for c in fine if ways[c].is_followed(c.step)]


@dataclass(frozen=True, slots=True)
class _Way:
    """What display and register went through [unit].

    Attributes:
        shown: At each load.
        held: In each sweep.
        is_fine: Whether the register's counts are fine enough for the display at any load.
    """

    shown: tuple[Shown, ...]
    held: tuple[float, ...]
    is_fine: bool

    @classmethod
    def of(cls, candidate: Candidate, name: str, loads: Sequence[Load]) -> "_Way":
        """The way of one candidate."""
        shown = tuple(load.of(name) for load in loads)
        counts = [
            [r for sweep in load.sweeps if (r := candidate.raw(sweep)) is not None]
            for load in loads
        ]
        is_fine = candidate.kind == "f32" or any(
            is_fine_enough(raw, candidate.scale, each)
            for raws, each in zip(counts, shown, strict=True)
            for raw in raws
        )
        held = tuple(raw * candidate.scale for raws in counts for raw in raws)
        return cls(shown, held, is_fine)

    def is_followed(self, step: float) -> bool:
        """Whether the register followed wherever the display went more than two digits, and more than two steps."""
        least = MOVED_DIGITS * max(step, *(each.digit for each in self.shown))
        for sign in (1.0, -1.0):
            display = _rise([sign * each.value for each in self.shown])
            register = _rise([sign * value for value in self.held])
            # A hair more, for decimals have no exact binary form.
            if display > 1.001 * least and register < _FOLLOWED * display:
                return False
        return True


def _unread_rival(
    candidate: Candidate,
    shown: Sequence[Shown],
    loads: Sequence[Load],
    absent: Collection[Address],
) -> Address | None:
    """A register that may be the other half instead and was not read at every load; None where none is left open."""
    raws = [r for sweep in _all(loads) if (r := candidate.raw(sweep)) is not None]
    if candidate.kind != "f32":
        counts = _HALF if candidate.kind.startswith("s") else _WORD
        is_filled = candidate.is_wide and max(map(abs, raws), default=0.0) > counts
        if is_filled or (
            not candidate.is_wide and is_ample(counts, candidate.scale, shown)
        ):
            return None
    for rival in candidate.rivals:
        is_read = all(any(rival in sweep for sweep in load.sweeps) for load in loads)
        if not is_read and rival not in absent:
            return rival
    return None


def _told_once(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Without what is the same by nature: signed beside unsigned, 256ths beside whole counts, function 3 beside 4."""
    all_ = set(candidates)
    return [c for c in candidates if not _is_doubled(c, all_)]


def _is_doubled(candidate: Candidate, all_: set[Candidate]) -> bool:
    if candidate.kind.startswith("s"):
        unsigned = replace(candidate, kind=f"u{candidate.kind[1:]}")
        if unsigned in all_:
            return True
    if plain := _PLAIN_ORDERS.get(candidate.byte_order):
        # Below 256 a count is the same as 256ths with bytes exchanged, which nobody makes.
        plainer = replace(candidate, byte_order=plain, scale=256.0 * candidate.scale)
        if candidate.scale in HALVINGS and plainer in all_:
            return True
    return candidate.function == 3 and replace(candidate, function=4) in all_


def _one_of_alike(
    candidates: Sequence[Candidate], layouts: set[_Layout], shown: Sequence[Shown]
) -> list[Candidate]:
    """One candidate where all are the same register, alone or as half of a number whose other half is zero.

    A 32-bit number is the safe choice: its zero half does no harm while it is zero, and is noticed once it is not. Sixteen
    bits would run over unnoticed, so they are taken only where the quantity can't come near.
    """
    places = {(candidate.place, candidate.scale) for candidate in candidates}
    if len(candidates) < 2 or len(places) > 1:
        return list(candidates)
    narrow = [c for c in candidates if not c.is_wide]
    wide = [c for c in candidates if c.is_wide]
    of_layout = [c for c in wide if _layout(c) in layouts]
    counts = _WORD if narrow and narrow[0].kind == "u16" else _HALF
    if narrow and is_ample(counts, narrow[0].scale, shown):
        return narrow[:1]
    if len(wide) == 1:
        return wide
    return of_layout if len(of_layout) == 1 else list(candidates)


def _layouts(
    fields: Collection[Sequence[Candidate]], unread: Collection[Candidate]
) -> set[_Layout]:
    """The ways of packing wide numbers that every field allows that must be one: makers keep to one way.

    What may be a single register proves none, nor does what may have another half than the one that was read.
    """
    allowed = [
        {_layout(c) for c in each}
        for each in fields
        if each and all(c.is_wide and c not in unread for c in each)
    ]
    return set.intersection(*allowed) if allowed else set()


def _layout(candidate: Candidate) -> _Layout:
    return candidate.function, candidate.byte_order


def is_ample(counts: int, scale: float, shown: Sequence[Shown]) -> bool:
    """Whether so many counts hold whatever this quantity may reach."""
    greatest = max(abs(each.value) for each in shown)
    times = _AMPLE.get(shown[0].quantity, _AMPLE_OTHERS)
    unit = UNITS[shown[0].unit]
    plug = _PLUG.get(unit.quantity, float("inf")) / unit.factor
    return counts * scale >= min(times * greatest, plug)


def _field(
    shown: Sequence[Shown],
    alike: Sequence[Candidate],
    layouts: set[_Layout],
    loads: Sequence[Load],
    unread: Mapping[Candidate, Address],
) -> FieldFound:
    last, sweeps = shown[-1], _all(loads)
    candidates = _one_of_alike(alike, layouts, shown)
    if not candidates:
        return FieldFound(last, Standing.NONE, ())
    if len(candidates) > 1:
        return FieldFound(last, Standing.SEVERAL, tuple(candidates))
    chosen = candidates[0]
    if (rival := unread.get(chosen)) is not None:
        return FieldFound(
            last, Standing.UNREAD, (chosen,), notes=(_unread_note(rival),)
        )
    if not is_confirmed(chosen, shown, sweeps):
        return FieldFound(last, Standing.UNCONFIRMED, (chosen,))
    high, notes = _limits(chosen, last, sweeps)
    if chosen.is_wide and len([c for c in alike if c.is_wide]) > 1:
        notes = (
            f"byte order {chosen.byte_order} is that of the other fields; another would agree too",
            *notes,
        )
    return FieldFound(
        last, Standing.FOUND, (chosen,), high, (*weaknesses(shown), *notes)
    )


def _unread_note(rival: Address) -> str:
    return (
        f"register {rival[1]} beside it was not read, and with that one as its other half it would be another number at"
        " other loads"
    )


def weaknesses(shown: Sequence[Shown]) -> tuple[str, ...]:
    """What a profile says beside a field whose display did not move enough."""
    if missing_move(shown) is None:
        return ()
    return (
        f"{shown[0].name} did not both rise and fall by more than a few digits on the display; what the meter sent did, but"
        " only a little, so this is less certain: compare it once more at loads that move it further",
    )


def missing_move(shown: Sequence[Shown]) -> Move | None:
    """What the display has not done yet; None once it rose and fell by more than a few digits."""
    values = [each.value for each in shown]
    # A hair more, for decimals have no exact binary form.
    least = 1.001 * MOVED_DIGITS * max(each.digit for each in shown)
    rose, fell = _rise(values) > least, _rise([-value for value in values]) > least
    if rose and fell:
        return None
    if not rose and not fell:
        return Move.RISE_OR_FALL
    return Move.FALL if rose else Move.RISE


def wanted_moves(loads: Sequence[SteadyLoad[_Seen]]) -> dict[str, Move]:
    """What each value has yet to do, by its name."""
    moves = {
        each.name: missing_move([load.of(each.name) for load in loads])
        for each in loads[0].shown
    }
    return {name: move for name, move in moves.items() if move is not None}


def is_confirmed(
    candidate: Readable[_Seen], shown: Sequence[Shown], sweeps: Sequence[_Seen]
) -> bool:
    """Whether the register followed the display up and down, or at least rose and fell itself in its last digits.

    One that went one way only is not: what keeps a maximum or a minimum would have done the same.
    """
    if len(shown) < LEAST_LOADS:
        return False
    if missing_move(shown) is None:
        return True
    raws = [raw for sweep in sweeps if (raw := candidate.raw(sweep)) is not None]
    is_alive = _rise(raws) > 0.0 and _rise([-raw for raw in raws]) > 0.0
    return is_alive and max(each.digits for each in shown) >= LEAST_DIGITS


def _rise(values: Sequence[float]) -> float:
    """The most by which a later one exceeds an earlier one; 0 where none does."""
    lowest, most = float("inf"), 0.0
    for value in values:
        lowest = min(lowest, value)
        most = max(most, value - lowest)
    return most


def _limits(
    candidate: Candidate, shown: Shown, sweeps: Sequence[Sweep]
) -> tuple[float | None, tuple[str, ...]]:
    """Above what the type would begin to tell, and the sentences."""
    raws = [raw for sweep in sweeps if (raw := candidate.raw(sweep)) is not None]
    if candidate.kind == "f32" or not raws:
        return None, ()
    if candidate.kind.startswith("s"):
        return None, ("it was seen below zero, so it is signed",)
    notes, top = [], float("inf")
    if not candidate.is_wide and max(raws) <= _HALF:
        top = _HALF
        notes.append(
            f"signed and unsigned are the same up to {_times(_HALF, candidate, shown)}; readings above are refused:"
            " where the manual says signed, write s16"
        )
    if candidate.is_wide and max(raws) <= _WORD:
        top = _WORD
        notes.append(
            f"register {candidate.upper_word[1]} beside it was always 0 and is read as its upper half; readings above"
            f" {_times(_WORD, candidate, shown)} are refused, so that nothing wrong passes if it is something else"
        )
    elif candidate.is_wide and max(raws) <= _LONG_HALF:
        top = _LONG_HALF
    high = None if top == float("inf") else round(top * candidate.scale, 9)
    return high, tuple(notes)


def _times(count: int, candidate: Candidate, shown: Shown) -> str:
    decimals = decimals_of_step(candidate.scale)
    unit = "" if shown.unit == "1" else f" {shown.unit}"
    return f"{count * candidate.scale:.{decimals}f}{unit}"
