"""When the operator is asked for readings: one channel at a time, at times that cannot beat with a load that comes and goes.

From one asking to the next a random time passes, between a least one and as much beyond the mean as that lies below it. A
person who looked at a display whenever it suited would see it in the same state of a compressor or a thermostat again and
again; so would a clock. The times follow from the trial's identity alone and can be told again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256

import numpy as np

from daq.typed.collected import LEAST_READINGS

LEAST_GAP_S = 6.0
"""From one asking to the next at least: to go to the meter, to read it and to type takes that long [s]."""

LEAST_PACE_S = 12.0
"""From one asking to the next in the mean, at least [s]."""

ANSWER_WITHIN_S = 30.0
"""What is not answered by then is asked again later [s]."""

_REST_S = 3.0
"""After an answer at least so long before the next asking [s]."""


@dataclass(frozen=True, slots=True)
class Asking:
    """A reading that is wanted now.

    Attributes:
        channel: Whose.
        number: Of the reading in this trial, from 1 on [1].
        since_s: When it was asked for [s].
        until_s: When it will be given up, to be asked for again [s].
    """

    channel: str
    number: int
    since_s: float
    until_s: float


def least_averaging_s(channels: int) -> float:
    """How long the readings of so many channels take in the mean, each asked for LEAST_READINGS times [s]."""
    return channels * LEAST_READINGS * LEAST_PACE_S


class Askings:
    """Asks while a trial averages.

    Attributes:
        open: What is asked for now; None where nothing is.
    """

    def __init__(self, channels: Sequence[str], *, seed: str) -> None:
        """Nothing is asked for before `begin`.

        Args:
            channels: Names, in the order in which they are asked for.
            seed: The same text gives the same times: the trial's UUID.
        """
        self.open: Asking | None = None
        self._channels = tuple(channels)
        digest = sha256(seed.encode()).digest()
        self._generator = np.random.default_rng(int.from_bytes(digest[:8], "big"))
        self._pace_s = LEAST_PACE_S
        self._next_s: float | None = None

    def begin(self, at_s: float, *, span_s: float) -> None:
        """Averaging begins, and is likely to take so long [s]: readings are spread over it."""
        if not self._channels:
            return
        asked = LEAST_READINGS * len(self._channels)
        self._pace_s = max(LEAST_PACE_S, span_s / asked)
        jitter_s = self._pace_s - LEAST_GAP_S
        self._next_s = at_s + float(self._generator.uniform(0.0, jitter_s))

    def stop(self) -> None:
        """Nothing more is asked for."""
        self.open = self._next_s = None

    def tick(self, now_s: float, counts: Mapping[str, int]) -> None:
        """Let time pass.

        Args:
            now_s: [s].
            counts: Readings that count so far, by channel [1]; the channel with the fewest is asked for next.
        """
        if self.open is not None and now_s >= self.open.until_s:
            self.put_off(now_s)
        if self._next_s is None or self.open is not None or now_s < self._next_s:
            return
        channel = min(self._channels, key=lambda name: counts.get(name, 0))
        number = counts.get(channel, 0) + 1
        self.open = Asking(channel, number, now_s, now_s + ANSWER_WITHIN_S)

    def put_off(self, now_s: float) -> None:
        """What was asked for has come, or cannot be had now: ask again after a while."""
        if self.open is None:
            return
        gap_s = self._generator.uniform(LEAST_GAP_S, 2.0 * self._pace_s - LEAST_GAP_S)
        self._next_s = max(self.open.since_s + float(gap_s), now_s + _REST_S)
        self.open = None

    def recount(self, counts: Mapping[str, int]) -> None:
        """A reading was taken back: what is asked for now has the number that follows from the others."""
        if self.open is not None:
            number = counts.get(self.open.channel, 0) + 1
            self.open = replace(self.open, number=number)

    def time_left_s(self, now_s: float, counts: Mapping[str, int]) -> float:
        """How long until every channel is likely to have readings enough [s]; 0 where all have."""
        missing = sum(
            max(LEAST_READINGS - counts.get(name, 0), 0) for name in self._channels
        )
        if not missing:
            return 0.0
        next_s = now_s if self._next_s is None or self.open else self._next_s
        return max(next_s - now_s, 0.0) + _REST_S + (missing - 1) * self._pace_s
