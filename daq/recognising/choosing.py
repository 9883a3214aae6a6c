"""Which candidates are the same thing, and which remain.

Several candidates can be one register seen in several ways. What is alike by nature is told once (signed and unsigned
while nothing is negative, functions 3 and 4 where both give the same); what is alike only while an upper half is zero
is taken from the layout of the other fields, or from what the quantity can reach. Where that leaves more than one, none
is chosen. Nor is one that may only follow: a register that keeps a maximum or a minimum agrees for as long as loads move
one way, and one that averages over minutes may, so a value has to rise and to fall again before it is believed. Each choice brings limits with it, beyond which the profile's reading is refused rather than believed, and
a sentence that says so.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Generic, TypeVar

from daq.recognising.candidates import Candidate, Readable, agrees
from daq.recognising.ranges import Sweep
from daq.recognising.shown import Shown, decimals_of_step
from daq.units import UNITS

MOVED_DIGITS = 2.0
"""A display that moved by more than this between two loads tells followers from the rest."""

LEAST_LOADS = 3
"""One to begin with, one away from it, and one back."""

LEAST_DIGITS = 3
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
        name: [c for c in each if agrees(c, load.of(name), load.sweeps)]
        for name, each in candidates.items()
    }


def choose(
    candidates: Mapping[str, Sequence[Candidate]], loads: Sequence[Load]
) -> tuple[FieldFound, ...]:
    """What each field is, where the loads tell."""
    sweeps = [sweep for load in loads for sweep in load.sweeps]
    alike = {name: _told_once(each) for name, each in candidates.items()}
    layouts = _layouts(list(alike.values()))
    fields = []
    for name, each in alike.items():
        shown = [load.of(name) for load in loads]
        fields.append(_field(shown, _one_of_alike(each, layouts, shown), sweeps))
    return tuple(fields)


def take(found: FieldFound, candidate: Candidate, loads: Sequence[Load]) -> FieldFound:
    """The field as the operator decided among its candidates."""
    sweeps = [sweep for load in loads for sweep in load.sweeps]
    high, notes = _limits(candidate, found.shown, sweeps)
    return FieldFound(found.shown, Standing.FOUND, (candidate,), high, notes)


def _told_once(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Without what is the same by nature: signed beside unsigned, function 3 beside 4."""
    all_ = set(candidates)
    return [c for c in candidates if not _is_doubled(c, all_)]


def _is_doubled(candidate: Candidate, all_: set[Candidate]) -> bool:
    if candidate.kind.startswith("s"):
        unsigned = replace(candidate, kind=f"u{candidate.kind[1:]}")
        if unsigned in all_:
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


def _layouts(fields: Sequence[Sequence[Candidate]]) -> set[_Layout]:
    """The ways of packing wide numbers that every field allows that may be one: makers keep to one way."""
    allowed = [{_layout(c) for c in each if c.is_wide} for each in fields]
    some = [layouts for layouts in allowed if layouts]
    return set.intersection(*some) if some else set()


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
    shown: Sequence[Shown], candidates: Sequence[Candidate], sweeps: Sequence[Sweep]
) -> FieldFound:
    last = shown[-1]
    if not candidates:
        return FieldFound(last, Standing.NONE, ())
    if len(candidates) > 1:
        return FieldFound(last, Standing.SEVERAL, tuple(candidates))
    chosen = candidates[0]
    if not is_confirmed(chosen, shown, sweeps):
        return FieldFound(last, Standing.UNCONFIRMED, (chosen,))
    high, notes = _limits(chosen, last, sweeps)
    if missing_move(shown) is not None:
        notes = (
            f"{last.name} showed nearly the same at all loads; its register was seen to vary with the display's"
            " last digits, which is weaker evidence",
            *notes,
        )
    return FieldFound(last, Standing.FOUND, (chosen,), high, notes)


def missing_move(shown: Sequence[Shown]) -> Move | None:
    """What the display has not done yet; None once it rose and fell by more than a few digits."""
    values = [each.value for each in shown]
    least = MOVED_DIGITS * max(each.digit for each in shown)
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
    """Whether the register followed the display up and down, or is at least alive in all its digits.

    One that the display moved one way only is not: what keeps a maximum would have done the same.
    """
    move = missing_move(shown)
    if len(shown) < LEAST_LOADS or move in (Move.RISE, Move.FALL):
        return False
    if move is None:
        return True
    raws = [raw for sweep in sweeps if (raw := candidate.raw(sweep)) is not None]
    is_alive = _rise(raws) > 0.0 and _rise([-raw for raw in raws]) > 0.0
    return is_alive and min(each.digits for each in shown) >= LEAST_DIGITS


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
