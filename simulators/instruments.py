"""What a meter makes of the physics: errors, noise, averaging, refresh, rounding.

In the order in which a real meter does it: the quantity is sampled and averaged over the
meter's own window; every refresh the average is distorted by the meter's errors and its
noise, rounded to its resolution and held until the next refresh.

The errors are drawn once a run, from its seed, and stay inside the stated accuracy
(percent of reading + counts + an absolute part): of the percentage up to 0.6 goes to the
gain, 0.2 to the linearity and 0.1 to a slow drift; of the counts up to 0.4 to the offset,
so that 0.5 is left for rounding; of an absolute part up to 0.7. Noise comes on top, as it
does on a data sheet that states accuracy for the mean of many readings.
"""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from random import Random

from simulators.models.operating import OperatingPoint

SAMPLE_S = 0.1
"""Bench time between two samples that a meter takes for its average."""

DRIFT_TIME_S = 1800.0


@dataclass(frozen=True)
class Sense:
    """One quantity that a meter reports: range, resolution, accuracy, noise."""

    quantity: str
    resolution: Decimal
    full_scale: float
    percent: float = 0.0
    counts: float = 0.0
    absolute: float = 0.0
    noise_percent: float = 0.0
    noise_counts: float = 0.0
    is_signed: bool = False

    @property
    def step(self) -> float:
        """The resolution as a plain number."""
        return float(self.resolution)

    def allowed(self, value: float) -> float:
        """Largest error that the stated accuracy allows at a value."""
        of_reading = abs(value) * self.percent / 100
        return of_reading + self.counts * self.step + self.absolute


@dataclass(frozen=True)
class Errors:
    """What is wrong with one quantity of one meter in one run."""

    gain: float
    offset: float
    linearity: float
    drift: float

    def distorted(self, value: float, *, full_scale: float, at_s: float) -> float:
        """The value with all four errors in it."""
        bend = self.linearity * math.sin(2 * math.pi * value / full_scale)
        drifted = self.drift * (1 - math.exp(-at_s / DRIFT_TIME_S))
        return value * (1 + self.gain + bend + drifted) + self.offset


def drawn_errors(sense: Sense, random: Random) -> Errors:
    """Errors of one run, inside the stated accuracy; see the module's head."""
    part = sense.percent / 100
    counts = sense.counts * sense.step
    return Errors(
        gain=random.uniform(-0.6, 0.6) * part,
        linearity=random.uniform(-0.2, 0.2) * part,
        drift=random.uniform(-0.1, 0.1) * part,
        offset=random.uniform(-0.4, 0.4) * counts
        + random.uniform(-0.7, 0.7) * sense.absolute,
    )


class Meter:
    """One meter at one place."""

    def __init__(
        self,
        *,
        place: str,
        senses: Sequence[Sense],
        refresh_s: float,
        averaging_s: float,
        random: Random,
    ) -> None:
        self._place = place
        self._senses = {sense.quantity: sense for sense in senses}
        self._errors = {sense.quantity: drawn_errors(sense, random) for sense in senses}
        window = max(1, round(averaging_s / SAMPLE_S))
        self._samples = {
            sense.quantity: deque[float](maxlen=window) for sense in senses
        }
        self._refresh_s = refresh_s
        # Two meters that were plugged in at different moments refresh out of step.
        self._next_refresh_s = random.uniform(-refresh_s, 0.0)
        self._random = random
        self._shown = dict.fromkeys(self._senses, math.nan)
        self._refreshes = 0

    @property
    def refreshes(self) -> int:
        """How often the display has been refreshed."""
        return self._refreshes

    def sense(self, quantity: str) -> Sense:
        """How a quantity is sensed."""
        return self._senses[quantity]

    def shown(self, quantity: str) -> float:
        """The value on display; infinite beyond the range, NaN where undefined."""
        return self._shown[quantity]

    def observe(self, point: OperatingPoint, at_s: float) -> None:
        """Take one sample, and refresh the display where that is due."""
        for quantity, samples in self._samples.items():
            samples.append(point.value(self._place, quantity))
        if at_s < self._next_refresh_s:
            return
        missed = math.floor((at_s - self._next_refresh_s) / self._refresh_s)
        self._next_refresh_s += (missed + 1) * self._refresh_s
        self._refreshes += 1
        for quantity, samples in self._samples.items():
            average = math.fsum(samples) / len(samples)
            self._shown[quantity] = self._reported(quantity, average, at_s)

    def _reported(self, quantity: str, value: float, at_s: float) -> float:
        sense = self._senses[quantity]
        if math.isnan(value):
            return math.nan
        distorted = self._errors[quantity].distorted(
            value, full_scale=sense.full_scale, at_s=at_s
        )
        noise = self._random.gauss(0.0, self._noise(sense, value))
        rounded = round((distorted + noise) / sense.step) * sense.step
        if abs(rounded) > sense.full_scale:
            return math.copysign(math.inf, rounded)
        return rounded if sense.is_signed else max(0.0, rounded)

    def _noise(self, sense: Sense, value: float) -> float:
        of_reading = abs(value) * sense.noise_percent / 100
        return math.hypot(of_reading, sense.noise_counts * sense.step)
