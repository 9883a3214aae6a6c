"""Start-ups with known truth: a kind, a seed and a number give always the same record.

The truth is that of the noise-free machine: a regime has settled at the last instant at which it was outside the band around the
value that it goes to. For a meter that changes its range, the truth is what the meter shows of the machine in its last range.
"""

import zlib
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from tests.startups.kinds import (
    FAMILIES,
    ONLY_ON,
    QUANTITIES,
    Draw,
    Setup,
    everyday,
)
from tests.startups.shapes import Array
from tests.startups.unrest import GRID_S

_RUNNING_S = 60.0
_LONGEST_S = 2400.0
"""Every kind that settles has done so by then."""


class Regime(NamedTuple):
    """A stretch of the record with one settled value; `settle_s` is None where it is never reached."""

    from_s: float
    to_s: float
    value: float
    settle_s: float | None


@dataclass(frozen=True, slots=True)
class StartUp:
    """A record and its truth.

    Attributes:
        name: Tells it from the others.
        kind: Name of the kind.
        quantity: What is measured.
        unit: Unit of the values.
        times_s: Times of the readings, ascending. Shape (n,).
        values: Readings [unit]. Shape (n,).
        tolerance: Half-width of the settled band, relative [1].
        resolution: Resolution stated for the meter [unit].
        poll_hz: Readings asked for [1/s].
        on_s: Moment of switch-on.
        never: It never settles.
        regimes: The truth.
        is_ambiguous: Of a widened record: it was made to leave the band, and may not leave the wider one.
    """

    name: str
    kind: str
    quantity: str
    unit: str
    times_s: Array
    values: Array
    tolerance: float
    resolution: float
    poll_hz: float
    on_s: float
    never: bool
    regimes: tuple[Regime, ...]
    is_ambiguous: bool = False


def kinds(family: str) -> tuple[str, ...]:
    """Names of the kinds of a family, `plain` or `foreign`."""
    return tuple(FAMILIES[family])


def record(kind: str, seed: int, index: int, *, widen: float = 1.0) -> StartUp:
    """The record of that kind, seed and number.

    `widen` judges the same readings by so many times the tolerance: the truth follows.
    """
    # A checksum of the name rather than its place in a list: new kinds leave the old records alone.
    generator = np.random.default_rng([seed, zlib.crc32(kind.encode()), index])
    draw = Draw(generator)
    quantity = ONLY_ON.get(kind, QUANTITIES[int(generator.integers(len(QUANTITIES)))])
    make = next(family[kind] for family in FAMILIES.values() if kind in family)
    setup = make(draw, everyday(draw, quantity))
    idle_s = draw.between(3.0, 15.0) if draw.between(0.0, 1.0) < 0.75 else 0.0
    on_s = round(idle_s / GRID_S) * GRID_S
    length_s = _length_s(setup, draw.between(300.0, 400.0))
    elapsed_s = _grid(length_s)
    setup = _widened(setup, widen)
    running = setup.level * (1.0 + _deviation(setup, elapsed_s))
    for unrest in setup.unrest:
        running += setup.level * unrest(generator, elapsed_s)
    machine = np.concatenate([np.zeros(round(on_s / GRID_S)), running])
    stays_inside = setup.never and widen > 1.0 and _stays_inside(setup, elapsed_s)
    times_s, values = setup.meter.read(generator, machine, on_s)
    regimes = find_regimes(setup, length_s)
    return StartUp(
        name=f"{kind}-{seed}-{index}",
        kind=kind,
        quantity=quantity.name,
        unit=quantity.unit,
        times_s=times_s,
        values=values,
        tolerance=setup.tolerance,
        resolution=setup.meter.stated_resolution,
        poll_hz=setup.meter.poll_hz,
        on_s=on_s,
        never=setup.never,
        is_ambiguous=stays_inside,
        regimes=tuple(_later(regime, on_s) for regime in regimes),
    )


def _widened(setup: Setup, factor: float) -> Setup:
    quantity = setup.quantity
    wide = replace(quantity, tolerance=quantity.tolerance * factor)
    return replace(setup, quantity=wide)


def _stays_inside(setup: Setup, elapsed_s: Array) -> bool:
    """Whether what is left of the shapes once the machine runs fits in a band; unrest is left aside."""
    running = _deviation(setup, elapsed_s)[elapsed_s >= _RUNNING_S]
    return bool(np.ptp(running) <= 2.0 * setup.tolerance)


def _grid(length_s: float) -> Array:
    return np.arange(round(length_s / GRID_S), dtype=np.float64) * GRID_S


def _deviation(setup: Setup, elapsed_s: Array) -> Array:
    total = np.zeros(elapsed_s.size)
    for shape in setup.shapes:
        total += shape(elapsed_s)
    return total


def _length_s(setup: Setup, after_settling_s: float) -> float:
    """Long enough to see the machine settled for that time."""
    if setup.never:
        return setup.length_s
    regimes = find_regimes(setup, _LONGEST_S)
    settle_s = regimes[-1].settle_s
    if settle_s is None:
        message = f"does not settle within {_LONGEST_S} s"
        raise ValueError(message)
    return max(setup.length_s, settle_s + after_settling_s)


def find_regimes(setup: Setup, length_s: float) -> list[Regime]:
    """The truth of a machine that runs for so long, on a clock that begins at switch-on."""
    elapsed_s = _grid(length_s)
    deviation = _deviation(setup, elapsed_s)
    change = setup.meter.range_change
    if change is not None:
        deviation = np.where(
            elapsed_s < change.at_s, deviation, deviation + change.gain
        )
    end_s = elapsed_s.size * GRID_S
    edges = [0.0, *(at_s for at_s, _ in setup.breaks_s), end_s]
    levels = [*(before for _, before in setup.breaks_s), change.gain if change else 0.0]
    found = []
    for from_s, to_s, level in zip(edges[:-1], edges[1:], levels, strict=True):
        inside = (elapsed_s >= from_s) & (elapsed_s < to_s)
        band = setup.tolerance * (1.0 + level)
        outside = np.flatnonzero(np.abs(deviation[inside] - level) > band)
        settle_s = from_s
        if outside.size:
            settle_s = float(elapsed_s[inside][outside[-1]]) + GRID_S
        # A regime that gets there in its last second never was settled.
        reached = not setup.never and settle_s < to_s - 1.0
        value = setup.level * (1.0 + level)
        found.append(Regime(from_s, to_s, value, settle_s if reached else None))
    return found


def _later(regime: Regime, by_s: float) -> Regime:
    from_s, to_s, value, settle_s = regime
    return Regime(
        from_s + by_s, to_s + by_s, value, None if settle_s is None else settle_s + by_s
    )
