"""Start-ups as a meter would have logged them, made from closed forms."""

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

LEVEL = 1200.0
ON_S = 10.0
INTERVAL_S = 0.5

Signal = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclasses.dataclass(frozen=True)
class Record:
    """A start-up made from a closed form.

    Attributes:
        signal: Share of the level by the time since switch-on [s].
        length_s: From switch-on to the end.
        noise: Standard deviation of white noise, share of the level.
        step: Of the display.
    """

    signal: Signal
    length_s: float = 400.0
    noise: float = 0.0005
    step: float = 0.1

    def save(self, file: Path) -> Path:
        """Write it, with some seconds of rest before switch-on."""
        times_s = np.arange(0.0, ON_S + self.length_s, INTERVAL_S)
        since_s = times_s - ON_S
        clean = LEVEL * np.where(
            since_s < 0.0, 0.0, self.signal(np.maximum(since_s, 0.0))
        )
        noise = np.random.default_rng(7).normal(0.0, self.noise * LEVEL, times_s.size)
        shown = np.round((clean + noise * (since_s >= 0.0)) / self.step) * self.step
        lines = [f"{t:.1f},{v:.1f}" for t, v in zip(times_s, shown, strict=True)]
        file.write_text("\n".join(["t_s,power_W", *lines, ""]), encoding="utf-8")
        return file


def steady(since_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Run-up in a second, warm-up by 1 % within a minute."""
    return 1.0 - np.exp(-since_s / 0.5) - 0.01 * np.exp(-since_s / 15.0)


def ramp(since_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """A steady rise."""
    return steady(since_s) + 0.05 * since_s / 60.0


def swing(since_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """To and fro by four tolerances."""
    return steady(since_s) + 0.02 * np.sin(2.0 * np.pi * since_s / 20.0)


def late_step(since_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """A step shortly before the end."""
    return steady(since_s) + 0.04 * (since_s > 110.0)


SETTLES = Record(steady)
