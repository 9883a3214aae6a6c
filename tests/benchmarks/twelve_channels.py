"""Twelve required channels read ten times a second, and what they read: the load that the rule's cost is measured with."""

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from daq.records import Accuracy, Channel
from daq.settling.parameters import STANDARD
from daq.trials.judging import SessionRules
from daq.trials.switching import StartRule

CHANNELS = 12
POLLS_A_SECOND = 10
INSTRUMENT = "meter"
_LEVEL = 1000.0
_RESOLUTION = 0.1


def _channel(number: int) -> Channel:
    return Channel(
        name=f"c{number}",
        title=f"Channel {number}",
        quantity="power",
        unit="W",
        place="machine end",
        instrument=INSTRUMENT,
        field_index=number,
        accuracy=Accuracy(percent_of_reading=0.5, resolution=_RESOLUTION),
        interval_s=1.0 / POLLS_A_SECOND,
    )


NAMES = tuple(f"c{number}" for number in range(CHANNELS))
RULES = SessionRules(
    channels=tuple(_channel(number) for number in range(CHANNELS)),
    required=NAMES,
    tolerances=dict.fromkeys(NAMES, 0.005),
    start=StartRule(None, on_above=0.0, off_below=0.0, least_off_s=2.0),
    limits=(),
    parameters=STANDARD,
    target=None,
    longest_s=1e6,
)

Polls = NDArray[np.float64]
"""Readings, a row a poll. Shape (polls, channels)."""


def _settling(random: np.random.Generator, polls: int) -> Polls:
    """A warm-up of 10 % with a time constant of a minute, and little noise: declared, averaged, confirmed."""
    since_s = np.arange(polls)[:, None] / POLLS_A_SECOND
    warm = 0.1 * np.exp(-since_s / 60.0)
    return 1.0 + warm + random.normal(0.0, 5e-4, (polls, CHANNELS))


def _noisy(random: np.random.Generator, polls: int) -> Polls:
    """White noise of 20 %: a bin of 20 readings still has 4.5 %, nine tolerances."""
    return 1.0 + random.normal(0.0, 0.2, (polls, CHANNELS))


def _wandering(random: np.random.Generator, polls: int) -> Polls:
    """1 %, twice the tolerance, that wanders and comes back within a minute: looks quiet now and then."""
    kept = np.exp(-1.0 / (45.0 * POLLS_A_SECOND))
    steps = random.normal(0.0, 0.01 * np.sqrt(1.0 - kept**2), (polls, CHANNELS))
    wander = np.empty_like(steps)
    state = random.normal(0.0, 0.01, CHANNELS)
    for row, step in zip(wander, steps, strict=True):
        state = kept * state + step
        row[:] = state
    return 1.0 + wander + random.normal(0.0, 5e-4, (polls, CHANNELS))


def _drifting(random: np.random.Generator, polls: int) -> Polls:
    """Creeps on by 1 % a minute, with little noise."""
    since_s = np.arange(polls)[:, None] / POLLS_A_SECOND
    return 1.0 + since_s / 6000.0 + random.normal(0.0, 5e-4, (polls, CHANNELS))


SETTLING = "settling"
NEVER_SETTLED = ("noisy", "wandering", "drifting")
_KINDS: Mapping[str, Callable[[np.random.Generator, int], Polls]] = MappingProxyType(
    {
        SETTLING: _settling,
        "noisy": _noisy,
        "wandering": _wandering,
        "drifting": _drifting,
    }
)


def polls_of(kind: str, seed: int, polls: int) -> Polls:
    """Readings as the display shows them, from switch-on."""
    random = np.random.default_rng(seed)
    shares = _KINDS[kind](random, polls)
    return np.round(_LEVEL * shares, 1)
