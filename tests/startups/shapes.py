"""How a machine goes towards its level: deviations from the settled level, relative to it, over the time since switch-on.

A shape is a function of the elapsed times [s] and free of noise, so that the moment of settling can be read off it exactly.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Shape = Callable[[Array], Array]


def decay(size: float, time_constant_s: float) -> Shape:
    """A warm-up with one time constant."""
    return lambda elapsed_s: size * np.exp(-elapsed_s / time_constant_s)


def creep(size: float, knee_s: float, power: float) -> Shape:
    """A power of time: its local time constant grows for as long as one watches."""
    return lambda elapsed_s: size * (1.0 + elapsed_s / knee_s) ** -power


def ringing(size: float, period_s: float, decay_s: float, phase: float) -> Shape:
    """A control loop that overshoots and calms down."""
    return lambda elapsed_s: (
        size
        * np.exp(-elapsed_s / decay_s)
        * np.sin(2.0 * np.pi * elapsed_s / period_s + phase)
    )


def swing(size: float, period_s: float, phase: float) -> Shape:
    """A sinusoid that never ends."""
    return lambda elapsed_s: size * np.sin(2.0 * np.pi * elapsed_s / period_s + phase)


def ramp(per_s: float) -> Shape:
    """A straight line that never ends."""
    return lambda elapsed_s: per_s * elapsed_s


def late_decay(size: float, begins_s: float, time_constant_s: float) -> Shape:
    """Level at first, then a warm-up of that size begins."""
    return lambda elapsed_s: (
        size * np.exp(-np.maximum(elapsed_s - begins_s, 0.0) / time_constant_s)
    )


def step_away(size: float, at_s: float) -> Shape:
    """Off by a constant until that moment."""
    return lambda elapsed_s: np.where(elapsed_s < at_s, size, 0.0)


def cycling(size: float, period_s: float, share: float, phase: float) -> Shape:
    """On and off by a thermostat: higher by `size` for a share of each period."""
    return lambda elapsed_s: np.where(
        np.mod(elapsed_s / period_s + phase, 1.0) < share, size, 0.0
    )
