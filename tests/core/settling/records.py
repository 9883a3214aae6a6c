"""Invented records of one channel, and what the rule says of them."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from daq.settling.record import RecordVerdict, settle_record

Array = NDArray[np.float64]
LEVEL = 640.0
TOLERANCE = 0.005
LIMIT = TOLERANCE * LEVEL
RESOLUTION = 0.01
RUNG = 10.0 ** (1.0 / 20.0)
"""The smallest tolerance is looked for on a ladder of twenty rungs a decade."""


def times_until(until_s: float, *, interval_s: float = 1.0) -> Array:
    """Evenly spaced times from 0 s on [s]."""
    return np.arange(0.0, until_s, interval_s, dtype=np.float64)


def readings_at(
    times_s: Array,
    course: Callable[[Array], Array | float] = lambda _t: 0.0,
    *,
    noise: float = 0.2,
    seed: int = 1,
) -> Array:
    """Readings about the level; course and noise in tolerances."""
    scatter = np.random.default_rng(seed).normal(0.0, noise, times_s.size)
    return LEVEL + LIMIT * (course(times_s) + scatter)


def verdict_on(
    times_s: Array,
    values: Array,
    *,
    tolerance: float = TOLERANCE,
    resolution: float = RESOLUTION,
    find_smallest: bool = False,
) -> RecordVerdict:
    """What the rule says of a record, quickly."""
    return settle_record(
        times_s.tolist(),
        values.tolist(),
        tolerance=tolerance,
        resolution=resolution,
        find_smallest=find_smallest,
    )
