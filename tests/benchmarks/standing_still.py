"""How often a sound session is doubted because a meter stood still, and how often one in HOLD is found.

    python tests/benchmarks/standing_still.py [--sessions 300] [--seed 5]

Sessions of 3 to 12 trials with 60 to 400 readings a window, on a display with steps of one: white noise of 0.2 to 5 steps, alone or with a
supply that wanders, asked one to eight times a refresh. "doubted": nothing is amiss, and a channel is named. "in HOLD": one window is held from
its begin, "hangs": from its middle, and that trial is named. Takes about a minute; the goal is that none is doubted, else the exit code is 1.
"""

import argparse
import sys
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.comparison.standing_still import WindowReadings, stood_still
from tests.benchmarks.measuring import say, show_table

_NOISES = (0.2, 0.4, 0.6, 0.8, 1.0, 2.0, 5.0)
_ASKED = (1, 2, 4, 8)
_WANDERS = ((0.0, 1.0), (2.0, 30.0), (5.0, 200.0))
"""Standard deviation [step] and time constant [reading] of what wanders."""


@dataclass(frozen=True, slots=True)
class Meter:
    """A channel as a display shows it.

    Attributes:
        noise: Standard deviation of white noise [step].
        wander: Of a first-order autoregression beside it [step].
        wander_readings: Its time constant [reading].
        asked_each: Readings a refresh [1].
    """

    noise: float
    wander: float
    wander_readings: float
    asked_each: int

    def window(self, random: np.random.Generator, count: int) -> NDArray[np.float64]:
        """Readings of a trial [step]. Shape (count,)."""
        refreshes = count // self.asked_each + 1
        level = random.normal(random.uniform(-0.5, 0.5), self.noise, refreshes)
        kept = np.exp(-self.asked_each / self.wander_readings)
        wander = random.normal(0.0, self.wander)
        for number in range(refreshes):
            level[number] += wander
            wander = kept * wander + np.sqrt(1.0 - kept**2) * random.normal(0.0, self.wander)  # fmt: skip
        return np.repeat(np.round(level), self.asked_each)[:count]


def tried(
    meter: Meter, random: np.random.Generator, sessions: int
) -> tuple[int, int, int]:
    """Sessions that are doubted, that are found in HOLD, and that are found to hang [1]."""
    doubted = in_hold = hanging = 0
    for _ in range(sessions):
        count = int(random.integers(60, 400))
        trials = range(int(random.integers(3, 13)))
        windows = [meter.window(random, count) for _ in trials]
        doubted += bool(_named(windows))
        in_hold += 0 in _named([_held(windows[0], 0), *windows[1:]])
        hanging += 0 in _named([_held(windows[0], count // 2), *windows[1:]])
    return doubted, in_hold, hanging


def _named(windows: list[NDArray[np.float64]]) -> set[int]:
    readings = [WindowReadings(number, each) for number, each in enumerate(windows)]
    return {found.trial for found in stood_still("channel", readings)}


def _held(values: NDArray[np.float64], since: int) -> NDArray[np.float64]:
    return np.concatenate((values[:since], np.full(values.size - since, values[since])))


def main() -> int:
    """Try every kind of meter; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)  # fmt: skip
    parser.add_argument("--sessions", type=int, default=300)
    parser.add_argument("--seed", type=int, default=5)
    arguments = parser.parse_args()
    random = np.random.default_rng(arguments.seed)
    rows: list[list[str]] = []
    all_doubted = 0
    for noise, asked in product(_NOISES, _ASKED):
        found = np.zeros(3, dtype=int)
        for wander, wander_readings in _WANDERS:
            meter = Meter(noise, wander, wander_readings, asked)
            found += tried(meter, random, arguments.sessions)
        sessions = len(_WANDERS) * arguments.sessions
        all_doubted += int(found[0])
        shares = [f"{100 * share / sessions:.1f} %" for share in found[1:]]
        rows.append([f"{noise:g}", str(asked), str(sessions), str(found[0]), *shares])
    head = ["noise [step]", "readings a refresh", "sessions", "doubted", "in HOLD", "hangs"]  # fmt: skip
    show_table("Sessions in which a meter is said to have stood still", head, rows)
    say(f"doubted: {all_doubted}, goal 0")
    return 1 if all_doubted else 0


if __name__ == "__main__":
    sys.exit(main())
