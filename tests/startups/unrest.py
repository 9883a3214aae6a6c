"""What rides on the level and is not part of it: noise, pulsation, spikes and dips, relative to the level.

Each is a function of a random generator and the elapsed times on the simulation's fine grid [s].
"""

from collections.abc import Callable

import numpy as np

from tests.startups.shapes import Array

Unrest = Callable[[np.random.Generator, Array], Array]

GRID_S = 0.05
"""Spacing of the fine grid on which machines are simulated."""

_LONG = 1 << 16
"""1/f noise is cut from a stretch of 55 minutes: slower parts than the record look like drift, as in life."""


def correlated(std_dev: float, time_s: float) -> Unrest:
    """First-order autoregressive noise."""

    def unrest(generator: np.random.Generator, elapsed_s: Array) -> Array:
        phi = float(np.exp(-GRID_S / time_s))
        innovations = generator.normal(0.0, np.sqrt(1.0 - phi**2), elapsed_s.size)
        last = float(generator.normal())
        values = []
        for innovation in innovations.tolist():
            last = phi * last + innovation
            values.append(last)
        return std_dev * np.array(values)

    return unrest


def pink(std_dev: float) -> Unrest:
    """Noise with a power inversely proportional to frequency."""

    def unrest(generator: np.random.Generator, elapsed_s: Array) -> Array:
        bins = _LONG // 2 + 1
        spectrum = generator.normal(size=bins) + 1j * generator.normal(size=bins)
        spectrum[1:] /= np.sqrt(np.arange(1, bins))
        spectrum[0] = 0.0
        noise = np.fft.irfft(spectrum, _LONG)
        scaled: Array = noise * (std_dev / noise.std())
        return scaled[: elapsed_s.size]

    return unrest


def random_walk(per_root_s: float) -> Unrest:
    """A level that wanders for ever."""
    return lambda generator, elapsed_s: (
        per_root_s * np.sqrt(GRID_S) * np.cumsum(generator.normal(size=elapsed_s.size))
    )


def pulsation(size: float, frequency_hz: float) -> Unrest:
    """A hose that pulses: nearly periodic, the phase wanders by a tenth of a turn a period."""

    def unrest(generator: np.random.Generator, elapsed_s: Array) -> Array:
        per_step = 2.0 * np.pi * 0.1 * np.sqrt(GRID_S * frequency_hz)
        wander = np.cumsum(generator.normal(0.0, per_step, elapsed_s.size))
        return size * np.sin(2.0 * np.pi * frequency_hz * elapsed_s + wander)

    return unrest


def arcing(spikes_per_s: float, sign: float) -> Unrest:
    """Sparking brushes: bursts of one to five short spikes of 2 to 20 %, all to one side."""

    def unrest(generator: np.random.Generator, elapsed_s: Array) -> Array:
        values = np.zeros(elapsed_s.size)
        length_s = elapsed_s.size * GRID_S
        for begin_s in generator.uniform(
            0.0, length_s, generator.poisson(spikes_per_s / 3.0 * length_s)
        ):
            at_s = float(begin_s)
            for _ in range(int(generator.integers(1, 6))):
                _put(
                    values,
                    at_s,
                    generator.uniform(0.05, 0.3),
                    generator.uniform(0.02, 0.2),
                )
                at_s += generator.uniform(0.2, 1.0)
        return sign * values

    return unrest


def scattered_dips(count: int) -> Unrest:
    """A supply that dips at random moments: by 5 to 30 % for 0.1 to 0.9 s."""

    def unrest(generator: np.random.Generator, elapsed_s: Array) -> Array:
        values = np.zeros(elapsed_s.size)
        for at_s in generator.uniform(0.0, elapsed_s.size * GRID_S, count):
            _put(
                values,
                at_s,
                generator.uniform(0.1, 0.9),
                -generator.uniform(0.05, 0.3),
            )
        return values

    return unrest


def regular_dips(size: float, every_s: float, lasting_s: float) -> Unrest:
    """A load that comes and goes, every so often give or take a tenth."""

    def unrest(generator: np.random.Generator, elapsed_s: Array) -> Array:
        values = np.zeros(elapsed_s.size)
        at_s = generator.uniform(0.0, every_s)
        while at_s < elapsed_s.size * GRID_S:
            _put(values, at_s, lasting_s, -size)
            at_s += every_s * generator.uniform(0.9, 1.1)
        return values

    return unrest


def _put(values: Array, at_s: float, lasting_s: float, size: float) -> None:
    first = int(at_s / GRID_S)
    values[first : first + max(1, round(lasting_s / GRID_S))] = size
