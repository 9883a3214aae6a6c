"""Whether a meter stopped measuring while it went on answering: HOLD was pressed, or it hangs.

One window tells nothing: a steady value on a coarse display looks the same, and settles very well. Held against how the
same channel moved in the other trials of its session, a stretch without any change is plain to see.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

_LEAST_CHANGES = 10
"""Fewer say too little of how a channel moves [1]."""
_LEAST_SHARE_OF_WIDE_CHANGES = 0.2
"""Of the changes, by two steps of the display and more [1]. Scatter of less than about 0.7 steps stays below it: such a
channel changes often where its level lies at the edge of a step, and never in the middle, with nothing amiss."""
_LEAST_STILL = 20
"""A shorter stretch of equal readings is none [1]."""
_TIMES_THE_USUAL = 6.0
"""Stretches of equal readings of a channel that measures differ, but not by so much [1]."""
_SAME_STEP = 1e-6
"""Decimal numbers in binary: 230.2 - 230.1 is not quite 0.1 [1]."""


@dataclass(frozen=True, slots=True)
class WindowReadings:
    """Readings of one channel in one trial's settled window.

    Attributes:
        trial: Number of the trial in its store [1].
        values: In order of time [unit of the channel]. Shape (n,).
    """

    trial: int
    values: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StoodStill:
    """A channel that stood still in one trial.

    Attributes:
        trial: Number of the trial in its store [1].
        channel: Name.
        equal: Readings in a row without a change [1].
        count: Readings in the window [1].
        usual: The longest such row in the trials in which it moved as it does [1].
    """

    trial: int
    channel: str
    equal: int
    count: int
    usual: int


def stood_still(
    channel: str, windows: Sequence[WindowReadings]
) -> tuple[StoodStill, ...]:
    """In which trials of a session a channel stood still, held against the others.

    A row of equal readings counts where it has at least 20 of them and more than six times as many as the longest row
    in the calmer half of the trials is; at least two trials, and half of all, must show scatter of more than a step.
    How often a meter is asked, how often it refreshes and how coarse it is are the same for all, so they cancel.

    Args:
        channel: Name of the channel.
        windows: One a trial, all of one session and one meter.

    Returns:
        In the order of the windows; empty where nothing can be said.

    Validity:
        Ours, no published source: an honest doubt, no proof. A supply that is far steadier in one trial than in all
        others looks the same.
    """
    step = _step(windows)
    rows = [_longest_row(each.values) for each in windows]
    moving = sorted(
        row
        for row, each in zip(rows, windows, strict=True)
        if _moves(each.values, step)
    )
    if len(moving) < max(2, math.ceil(len(windows) / 2)):
        return ()
    # A meter may hang halfway through several windows that move otherwise: they must not excuse each other.
    usual = moving[max(2, math.ceil(len(moving) / 2)) - 1]
    least = max(_LEAST_STILL, _TIMES_THE_USUAL * usual + 1)
    return tuple(
        StoodStill(each.trial, channel, row, len(each.values), usual)
        for row, each in zip(rows, windows, strict=True)
        if row >= least
    )


def _step(windows: Sequence[WindowReadings]) -> float:
    """Smallest change of all [unit of the channel]; 0 where there is none."""
    found = [np.abs(np.diff(each.values)) for each in windows]
    changes = np.concatenate(found) if found else np.empty(0)
    changes = changes[changes > 0.0]
    return float(changes.min()) if changes.size else 0.0


def _moves(values: ArrayLike, step: float) -> bool:
    """Whether readings scatter by more than a step, so that standing still cannot be chance."""
    sizes = np.abs(np.diff(values))
    changes = sizes[sizes > 0.0]
    if changes.size < _LEAST_CHANGES:
        return False
    wide = np.count_nonzero(changes >= 2.0 * step * (1.0 - _SAME_STEP))
    return bool(wide >= _LEAST_SHARE_OF_WIDE_CHANGES * changes.size)


def _longest_row(values: NDArray[np.float64]) -> int:
    """Most equal readings in a row [1]."""
    if not values.size:
        return 0
    begins = np.flatnonzero(np.diff(values)) + 1
    edges = np.concatenate(([0], begins, [values.size]))
    return int(np.diff(edges).max())
