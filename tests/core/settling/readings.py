"""Invented readings of two channels, and groups to feed them to."""

from collections.abc import Iterable, Sequence

import numpy as np

from daq.settling.group import SettlingGroup
from daq.settling.parameters import STANDARD, Parameters
from daq.settling.phases import ChannelSetup, PhaseChange

Readings = Sequence[tuple[str, float, float]]
"""Channel, time [s], value."""

LEVELS = {"power": 1000.0, "velocity": 12.0}
TOLERANCE = 0.005
LIMIT = TOLERANCE * LEVELS["power"]
"""Half-width of the power's tolerance band."""


def channel(
    name: str = "power",
    *,
    interval_s: float = 1.0,
    required: bool = True,
    resolution: float | None = None,
) -> ChannelSetup:
    """A channel whose display shows everything, unless a resolution is given."""
    step = LEVELS[name] * 1e-5 if resolution is None else resolution
    return ChannelSetup(name, TOLERANCE, step, interval_s, required)


BOTH = (channel("power"), channel("velocity"))


def group_of(
    *channels: ChannelSetup,
    target: float | None = None,
    parameters: Parameters = STANDARD,
) -> SettlingGroup:
    """A trial that begins at 0 s; of the power alone unless channels are given."""
    return SettlingGroup(
        channels or (channel(),), start_s=0.0, parameters=parameters, target=target
    )


def steady(
    name: str,
    until_s: float,
    *,
    from_s: float = 0.3,
    interval_s: float = 1.0,
    noise: float = 0.15,
    seed: int = 1,
) -> list[tuple[str, float, float]]:
    """A steady channel; its white noise is given in tolerances."""
    times = np.arange(from_s, until_s, interval_s)
    scatter = np.random.default_rng(seed).normal(0.0, noise * TOLERANCE, times.size)
    return [
        (name, float(t), LEVELS[name] * (1.0 + float(e)))
        for t, e in zip(times, scatter, strict=True)
    ]


def shifted(readings: Readings, factor: float, *, after_s: float) -> Readings:
    """The same with a step."""
    return [(n, t, v * factor if t > after_s else v) for n, t, v in readings]


def in_time(*channels: Readings) -> Readings:
    """Several channels' readings in order of time."""
    return sorted((r for readings in channels for r in readings), key=lambda r: r[1])


def fed(
    group: SettlingGroup, readings: Iterable[tuple[str, float, float]]
) -> list[PhaseChange]:
    """Feed the readings one by one; the phases that they brought about."""
    return [change for reading in readings for change in group.feed(*reading)]
