"""When the operator is asked for readings: one channel at a time, at times that cannot beat with a load that comes and goes.

From one asking to the next a random time passes, between a least one and as much beyond the mean as that lies below it. A
person who looked at a display whenever it suited would see it in the same state of a compressor or a thermostat again and
again; so would a clock. The times follow from the trial's identity alone and can be told again.
"""

import math
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

_DEVIATIONS = 3.0
"""By how many standard deviations the time for some readings is allowed to lie above its mean [1]."""


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
    r"""How long averaging must be allowed to last for every typed channel to have its readings in nearly every trial.

    .. math:: t = n g + 3 \sqrt{n / 3} (g - g_0) + g_0

    rounded up to whole seconds, with g the mean gap LEAST_PACE_S and g_0 the least gap LEAST_GAP_S.

    Args:
        channels: That are typed [1].

    Returns:
        The time [s].

    Validity:
        n gaps, LEAST_READINGS a channel, each uniform between g_0 and 2 g - g_0: of n such gaps the sum has the mean
        n g and the standard deviation (g - g_0) sqrt(n / 3). Three of these are allowed, and g_0 for the last answer.
        Before the first asking only half a gap passes or less; what is left of it makes up for one slow answer. It does
        not suffice where an asking lapses, or nearly every answer takes longer than 9 s.

    Source:
        JCGM 100:2008 (GUM), 4.3.7: a rectangular distribution of half-width a has the variance a**2 / 3.
    """
    return math.ceil(_enough_s(channels * LEAST_READINGS))


def _enough_s(gaps: int) -> float:
    """In nearly every trial so many gaps at the least pace, and an answer, take no longer than this [s]."""
    deviation_s = (LEAST_PACE_S - LEAST_GAP_S) * math.sqrt(gaps / 3.0)
    return gaps * LEAST_PACE_S + _DEVIATIONS * deviation_s + LEAST_GAP_S


class Askings:
    """Asks while a trial averages.

    Attributes:
        open: What is asked for now; None where nothing is.
        missed: What was not answered in time, until something is asked for again; None where nothing was.
    """

    def __init__(self, channels: Sequence[str], *, seed: str) -> None:
        """Nothing is asked for before `begin`.

        Args:
            channels: Names, in the order in which they are asked for.
            seed: The same text gives the same times: the trial's UUID.
        """
        self.open: Asking | None = None
        self.missed: Asking | None = None
        self._channels = tuple(channels)
        digest = sha256(seed.encode()).digest()
        self._generator = np.random.default_rng(int.from_bytes(digest[:8], "big"))
        self._pace_s = LEAST_PACE_S
        self._next_s: float | None = None
        self._until_s = 0.0
        self._missing = 0

    def begin(self, at_s: float, *, span_s: float) -> None:
        """Averaging begins, and is likely to take so long [s]: readings are spread over it."""
        if not self._channels:
            return
        self._until_s = at_s + max(span_s, least_averaging_s(len(self._channels)))
        asked = LEAST_READINGS * len(self._channels)
        self._pace_s = max(LEAST_PACE_S, span_s / asked)
        jitter_s = self._pace_s - LEAST_GAP_S
        self._next_s = at_s + float(self._generator.uniform(0.0, jitter_s))

    def stop(self) -> None:
        """Nothing more is asked for."""
        self.open = self.missed = self._next_s = None

    def tick(self, now_s: float, counts: Mapping[str, int]) -> Asking | None:
        """Let time pass; returns what was not answered in time, once.

        Args:
            now_s: [s].
            counts: Readings that count so far, by channel [1]; the channel with the fewest is asked for next.
        """
        if self.open is not None and now_s >= self.open.until_s:
            self.missed = self.open
            self.put_off(now_s)
            return self.missed
        if self._next_s is None or self.open is not None or now_s < self._next_s:
            return None
        channel = min(self._channels, key=lambda name: counts.get(name, 0))
        number = counts.get(channel, 0) + 1
        self.open = Asking(channel, number, now_s, now_s + ANSWER_WITHIN_S)
        self._missing = self._missing_of(counts)
        self.missed = None
        return None

    def still_typing(self, now_s: float) -> None:
        """Somebody is at it: the time to answer in begins anew."""
        if self.open is not None:
            self.open = replace(self.open, until_s=now_s + ANSWER_WITHIN_S)

    def put_off(self, now_s: float) -> None:
        """What was asked for has come, or cannot be had now: ask again after a while."""
        if self.open is None:
            return
        gap_s = self._generator.uniform(LEAST_GAP_S, self._longest_gap_s(self.open))
        self._next_s = max(self.open.since_s + float(gap_s), now_s + _REST_S)
        self.open = None

    def _longest_gap_s(self, asking: Asking) -> float:
        """As much above the mean as the least gap lies below; less where what is missing would not fit any more [s]."""
        # Of what was missing when this was asked for, this one has come and the next ends the gap. An answer is in time
        # as long as none after it could be asked for.
        rest_s = _enough_s(max(self._missing - 2, 0)) + _REST_S
        pace_s = (self._until_s - rest_s - asking.since_s + LEAST_GAP_S) / 2.0
        return 2.0 * min(self._pace_s, max(pace_s, LEAST_PACE_S)) - LEAST_GAP_S

    def _missing_of(self, counts: Mapping[str, int]) -> int:
        """Readings without which a channel has no average [1]."""
        return sum(
            max(LEAST_READINGS - counts.get(name, 0), 0) for name in self._channels
        )

    def recount(self, counts: Mapping[str, int]) -> None:
        """A reading was taken back: what is asked for now has the number that follows from the others."""
        if self.open is not None:
            number = counts.get(self.open.channel, 0) + 1
            self.open = replace(self.open, number=number)

    def time_left_s(self, now_s: float, counts: Mapping[str, int]) -> float:
        """How long until every channel is likely to have readings enough [s]; 0 where all have."""
        missing = self._missing_of(counts)
        if not missing:
            return 0.0
        next_s = now_s if self._next_s is None or self.open else self._next_s
        return max(next_s - now_s, 0.0) + _REST_S + (missing - 1) * self._pace_s
