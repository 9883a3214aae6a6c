"""The kinds of start-up, in two families, and what is drawn for each.

`plain`: everyday machines and meters. `foreign`: shapes, noise and meters that a rule tuned on the plain kinds has not met.
Sizes are drawn in tolerances; the kinds and their ranges are our own or, where a kind was studied before, of the same order as there.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tests.startups import shapes, unrest
from tests.startups.meter import Meter, RangeChange
from tests.startups.shapes import Shape
from tests.startups.unrest import Unrest


@dataclass(frozen=True, slots=True)
class Quantity:
    """What is measured: range of levels, step of the display, tolerance of the settled band."""

    name: str
    unit: str
    least: float
    most: float
    step: float
    tolerance: float


POWER = Quantity("power", "W", 120.0, 1900.0, 1.0, 0.005)
CURRENT = Quantity("current", "A", 0.8, 15.0, 0.01, 0.005)
AIRFLOW = Quantity("airflow", "m3/h", 40.0, 1500.0, 1.0, 0.01)


@dataclass(frozen=True, slots=True)
class Setup:
    """A machine at a meter, before a single reading is drawn.

    Attributes:
        quantity: What is measured.
        level: Where it settles [unit].
        shapes: Deviations from the level that settling has to wait for.
        unrest: What rides on the level and is no part of it.
        breaks_s: Moments after switch-on when the level changes for good, each with the level before, relative to the last [1].
        never: It stays in no band of the tolerance.
        length_s: Shortest record after switch-on.
        meter: How it is read.
    """

    quantity: Quantity
    level: float
    shapes: tuple[Shape, ...]
    meter: Meter
    length_s: float
    unrest: tuple[Unrest, ...] = ()
    breaks_s: tuple[tuple[float, float], ...] = ()
    never: bool = False

    @property
    def tolerance(self) -> float:
        """Half-width of the settled band, relative to the level [1]."""
        return self.quantity.tolerance

    @property
    def band(self) -> float:
        """Half-width of the settled band [unit]."""
        return self.quantity.tolerance * self.level

    def with_shape(self, *more: Shape) -> "Setup":
        """The same with further deviations."""
        return replace(self, shapes=(*self.shapes, *more))

    def with_unrest(self, *more: Unrest) -> "Setup":
        """The same with further unrest."""
        return replace(self, unrest=(*self.unrest, *more))


class Draw:
    """Random choices, in the words of the kinds."""

    def __init__(self, generator: np.random.Generator) -> None:
        self.generator = generator

    def between(self, low: float, high: float) -> float:
        """Uniform."""
        return float(self.generator.uniform(low, high))

    def one_of(self, *choices: float) -> float:
        """Each as likely."""
        return choices[int(self.generator.integers(len(choices)))]

    def signed(self, low: float, high: float) -> float:
        """Uniform in size, either sign."""
        return self.one_of(-1.0, 1.0) * self.between(low, high)

    def phase(self) -> float:
        """Anywhere in a turn [rad]."""
        return self.between(0.0, 2.0 * np.pi)


def everyday(draw: Draw, quantity: Quantity) -> Setup:
    """What all kinds start from: inrush, spin-up, a little noise and, on half of them, a moderate warm-up."""
    level = float(np.exp(draw.between(np.log(quantity.least), np.log(quantity.most))))
    band = quantity.tolerance * level
    spin_up = -1.0 if quantity is AIRFLOW else -draw.between(0.0, 0.3)
    begun: list[Shape] = [shapes.decay(spin_up, draw.between(0.5, 2.0))]
    if quantity is not AIRFLOW:
        inrush = shapes.decay(draw.between(0.5, 4.0), draw.between(0.1, 0.4))
        begun.append(inrush)
    if draw.between(0.0, 1.0) < 0.5:
        size = draw.signed(0.2, 1.2) * quantity.tolerance
        begun.append(shapes.decay(size, draw.between(20.0, 80.0)))
    meter = Meter(
        poll_hz=draw.one_of(1.0, 2.0, 4.0, 5.0),
        step=quantity.step * draw.one_of(1.0, 0.1),
        noise=draw.between(0.05, 0.4) * band,
    )
    return Setup(quantity, level, tuple(begun), meter, draw.between(280.0, 420.0))


Kind = Callable[[Draw, Setup], Setup]


def _metered(setup: Setup, **changes: object) -> Setup:
    meter: Meter = replace(setup.meter, **changes)  # type: ignore[arg-type]  # a kind names the fields it changes
    return replace(setup, meter=meter)


def _clean(_draw: Draw, setup: Setup) -> Setup:
    return setup


def _warm_up(draw: Draw, setup: Setup) -> Setup:
    size = draw.signed(2.0, 6.0) * setup.tolerance
    return setup.with_shape(shapes.decay(size, draw.between(20.0, 90.0)))


def _slow_warm_up(draw: Draw, setup: Setup) -> Setup:
    size = draw.signed(2.0, 4.0) * setup.tolerance
    return setup.with_shape(shapes.decay(size, draw.between(120.0, 200.0)))


def _noisy(draw: Draw, setup: Setup) -> Setup:
    noise = draw.between(1.0, 4.0) * setup.band
    return _metered(setup, noise=noise, poll_hz=draw.one_of(2.0, 4.0, 5.0))


def _correlated(draw: Draw, setup: Setup) -> Setup:
    std_dev = draw.between(0.2, 0.6) * setup.tolerance
    return setup.with_unrest(unrest.correlated(std_dev, draw.between(2.0, 20.0)))


def _coarse_in_tolerances(draw: Draw, setup: Setup, low: float, high: float) -> Setup:
    # Two significant figures: nobody builds a display with a step of 0.0731.
    step = float(f"{draw.between(low, high) * setup.band:.1e}")
    return _metered(setup, step=step)


def _coarse(draw: Draw, setup: Setup) -> Setup:
    quiet = _metered(setup, noise=draw.between(0.02, 0.3) * setup.band)
    return _coarse_in_tolerances(draw, quiet, 0.6, 1.6)


def _slow_refresh(draw: Draw, setup: Setup) -> Setup:
    return _metered(
        setup,
        refresh_s=draw.one_of(0.8, 1.0, 1.5, 2.0),
        poll_hz=draw.one_of(4.0, 5.0, 10.0),
        noise=draw.between(0.5, 2.0) * setup.band,
    )


def _drop_outs(draw: Draw, setup: Setup) -> Setup:
    return _metered(setup, missing=draw.between(0.03, 0.25))


def _jitter(draw: Draw, setup: Setup) -> Setup:
    return _metered(setup, jitter=0.6, poll_hz=draw.one_of(0.5, 1.0, 2.0))


def _small_hunting(draw: Draw, setup: Setup) -> Setup:
    size = draw.between(0.15, 0.4) * setup.tolerance
    return setup.with_shape(shapes.swing(size, draw.between(5.0, 30.0), draw.phase()))


def _step(draw: Draw, setup: Setup) -> Setup:
    size = draw.signed(3.0, 8.0) * setup.tolerance
    at_s = draw.between(70.0, 150.0)
    stepped = setup.with_shape(shapes.step_away(size, at_s))
    return replace(stepped, breaks_s=((at_s, size),))


def _never_ramp(draw: Draw, setup: Setup) -> Setup:
    per_s = draw.signed(3.0, 10.0) * setup.tolerance / setup.length_s
    return replace(setup.with_shape(shapes.ramp(per_s)), never=True)


def _never_hunting(draw: Draw, setup: Setup) -> Setup:
    size = draw.between(2.0, 6.0) * setup.tolerance
    hunting = shapes.swing(size, draw.between(5.0, 40.0), draw.phase())
    return replace(setup.with_shape(hunting), never=True)


def _never_slow(draw: Draw, setup: Setup) -> Setup:
    size = draw.signed(5.0, 10.0) * setup.tolerance
    drift = shapes.decay(size, draw.between(250.0, 600.0))
    length_s = draw.between(280.0, 320.0)
    return replace(setup.with_shape(drift), never=True, length_s=length_s)


def _two_constants(draw: Draw, setup: Setup) -> Setup:
    fast = shapes.decay(draw.signed(1.0, 4.0) * setup.tolerance, 15.0)
    slow = shapes.decay(draw.signed(1.0, 4.0) * setup.tolerance, 120.0)
    return setup.with_shape(fast, slow)


def _ringing(draw: Draw, setup: Setup) -> Setup:
    size = draw.between(2.0, 8.0) * setup.tolerance
    period_s, decay_s = draw.between(8.0, 40.0), draw.between(20.0, 60.0)
    return setup.with_shape(shapes.ringing(size, period_s, decay_s, draw.phase()))


def _step_and_warm_up(draw: Draw, setup: Setup) -> Setup:
    return _warm_up(draw, _step(draw, setup))


def _pink(draw: Draw, setup: Setup) -> Setup:
    return setup.with_unrest(unrest.pink(draw.between(0.2, 0.7) * setup.tolerance))


def _slow_poll(_draw: Draw, setup: Setup) -> Setup:
    return _metered(setup, poll_hz=0.5)


def _coarse_percent(draw: Draw, setup: Setup) -> Setup:
    return _coarse_in_tolerances(draw, setup, 1.0, 2.0)


def _creep(draw: Draw, setup: Setup) -> Setup:
    size = draw.signed(2.0, 8.0) * setup.tolerance
    return setup.with_shape(shapes.creep(size, draw.between(5.0, 30.0), 1.0))


def _bearing_creep(draw: Draw, setup: Setup) -> Setup:
    size = draw.signed(1.5, 3.0) * setup.tolerance
    return setup.with_shape(shapes.creep(size, draw.between(5.0, 15.0), 0.5))


def _never_long_warm_up(draw: Draw, setup: Setup) -> Setup:
    size = draw.signed(8.0, 30.0) * setup.tolerance
    drift = shapes.decay(size, draw.between(250.0, 900.0))
    return replace(setup.with_shape(drift), never=True)


def _never_random_walk(draw: Draw, setup: Setup) -> Setup:
    walk = unrest.random_walk(draw.between(0.06, 0.25) * setup.tolerance)
    length_s = draw.between(280.0, 700.0)
    return replace(setup.with_unrest(walk), never=True, length_s=length_s)


def _never_dips(draw: Draw, setup: Setup) -> Setup:
    size = draw.between(4.0, 15.0) * setup.tolerance
    every_s, lasting_s = draw.between(40.0, 150.0), draw.between(2.0, 10.0)
    dips = unrest.regular_dips(size, every_s, lasting_s)
    length_s = draw.between(400.0, 700.0)
    return replace(setup.with_unrest(dips), never=True, length_s=length_s)


def _pulsing_hose(draw: Draw, setup: Setup) -> Setup:
    size = draw.between(1.0, 6.0) * setup.tolerance
    return setup.with_unrest(unrest.pulsation(size, draw.between(0.3, 2.0)))


def _brush_arcing(draw: Draw, setup: Setup) -> Setup:
    return setup.with_unrest(
        unrest.arcing(draw.between(0.05, 0.5), draw.one_of(-1.0, 1.0))
    )


def _supply_dips(draw: Draw, setup: Setup) -> Setup:
    count = int(draw.one_of(2.0, 3.0, 4.0, 5.0, 6.0))
    return setup.with_unrest(unrest.scattered_dips(count))


def _re_ranging(draw: Draw, setup: Setup) -> Setup:
    size = draw.signed(2.0, 5.0) * setup.tolerance
    warming = setup.with_shape(shapes.decay(size, draw.between(20.0, 60.0)))
    gain = draw.signed(0.1, 0.4) * setup.tolerance
    change = RangeChange(draw.between(10.0, 60.0), 10.0, gain)
    step = float(f"{draw.between(0.01, 0.1) * setup.band:.1e}")
    return _metered(warming, step=step, range_change=change)


def _dead_band(draw: Draw, setup: Setup) -> Setup:
    return _metered(setup, dead_band=draw.between(0.3, 1.0) * setup.band)


def _averaging_meter(draw: Draw, setup: Setup) -> Setup:
    return _metered(setup, averaging_s=draw.between(5.0, 10.0))


def _supply_swing(draw: Draw, setup: Setup) -> Setup:
    size = draw.between(0.2, 0.5) * setup.tolerance
    return setup.with_shape(shapes.swing(size, draw.between(60.0, 200.0), draw.phase()))


def _never_supply_swing(draw: Draw, setup: Setup) -> Setup:
    size = draw.between(2.0, 4.0) * setup.tolerance
    swinging = shapes.swing(size, draw.between(60.0, 200.0), draw.phase())
    length_s = draw.between(400.0, 700.0)
    return replace(setup.with_shape(swinging), never=True, length_s=length_s)


def _never_cycling(draw: Draw, setup: Setup) -> Setup:
    size = draw.signed(3.0, 8.0) * setup.tolerance
    period_s, share = draw.between(60.0, 240.0), draw.between(0.3, 0.7)
    phase = draw.between(0.0, 1.0)
    cycling = shapes.cycling(size, period_s, share, phase)
    length_s = draw.between(500.0, 700.0)
    return replace(setup.with_shape(cycling), never=True, length_s=length_s)


def _late_drift(draw: Draw, setup: Setup) -> Setup:
    size = draw.signed(3.0, 6.0) * setup.tolerance
    begins_s = draw.between(60.0, 120.0)
    late = shapes.late_decay(size, begins_s, draw.between(60.0, 120.0))
    return replace(setup.with_shape(late), breaks_s=((begins_s, size),))


PLAIN: dict[str, Kind] = {
    "clean": _clean,
    "warm_up": _warm_up,
    "slow_warm_up": _slow_warm_up,
    "noisy": _noisy,
    "correlated": _correlated,
    "coarse": _coarse,
    "slow_refresh": _slow_refresh,
    "drop_outs": _drop_outs,
    "jitter": _jitter,
    "small_hunting": _small_hunting,
    "step": _step,
    "never_ramp": _never_ramp,
    "never_hunting": _never_hunting,
    "never_slow": _never_slow,
}

FOREIGN: dict[str, Kind] = {
    "two_constants": _two_constants,
    "ringing": _ringing,
    "step_and_warm_up": _step_and_warm_up,
    "pink": _pink,
    "slow_poll": _slow_poll,
    "coarse_percent": _coarse_percent,
    "creep": _creep,
    "bearing_creep": _bearing_creep,
    "never_long_warm_up": _never_long_warm_up,
    "never_random_walk": _never_random_walk,
    "never_dips": _never_dips,
    "pulsing_hose": _pulsing_hose,
    "brush_arcing": _brush_arcing,
    "supply_dips": _supply_dips,
    "re_ranging": _re_ranging,
    "dead_band": _dead_band,
    "averaging_meter": _averaging_meter,
    "supply_swing": _supply_swing,
    "never_supply_swing": _never_supply_swing,
    "never_cycling": _never_cycling,
    "late_drift": _late_drift,
}

FAMILIES = {"plain": PLAIN, "foreign": FOREIGN}

QUANTITIES = (POWER, CURRENT, AIRFLOW)

ONLY_ON = {"pulsing_hose": AIRFLOW}
"""Kinds that make sense for one quantity."""
