"""Detection of a settled window in one channel.

At each closed bin one backward pass from the newest bin serves all windows, the shortest first. For a window the drift
that is still to come is bounded by the regression y = level + amplitude * exp(age/tau_max), where the amplitude is what
is left of the decay at the newest bin: the bound |amplitude| + t se must fit in the tolerance.
"""

import math
from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from itertools import islice

from daq.settling.confirmation import DecayFits
from daq.settling.front_end import Bin, undithered_step
from daq.settling.parameters import Parameters
from daq.settling.regression import Fit, Sums, is_hunting
from daq.stats import student_t_quantile, undithered_half_step

_LEAST_BINS = 8
_SPARE_BINS = 8


class HeldBackBy(StrEnum):
    """Why a channel is not settled."""

    TOO_SHORT = "too short"
    DRIFT = "drift"
    NOISE = "noise"
    RESOLUTION = "resolution"
    HUNTING = "hunting"
    STEP = "step"
    GAPS = "gaps"


@dataclass(frozen=True, slots=True)
class Detection:
    """A window that passes: its length in bins, its mean, and the inflated scatter of its bins."""

    length: int
    mean: float
    std_dev: float


class ChannelRule:
    """Takes one channel's bins in order and says whether a window ending now is settled."""

    def __init__(
        self,
        *,
        tolerance: float,
        resolution: float,
        bin_s: float,
        parameters: Parameters,
    ) -> None:
        self.tolerance = tolerance
        self.resolution = resolution
        self.passed_in_a_row = 0
        self.detection: Detection | None = None
        self.held_back_by: HeldBackBy | None = HeldBackBy.TOO_SHORT
        self._bin_s = bin_s
        self._parameters = parameters
        lengths = {round(window / bin_s) for window in parameters.windows_s}
        self._lengths = sorted(n for n in lengths if n >= _LEAST_BINS)
        keep = max(self._lengths) + int(parameters.longest_s / bin_s) + _SPARE_BINS
        self._bins: deque[Bin] = deque(maxlen=keep)
        self._newest = -1
        self._first = 0

    @property
    def newest(self) -> Bin:
        """The bin closed last."""
        return self._bins[-1]

    def add(self, item: Bin) -> None:
        """Keep the next bin."""
        self._bins.append(item)
        self._newest += 1

    def forbid_before(self, index: int) -> None:
        """No window may begin before this bin (run-up, or a step)."""
        self._first = max(self._first, index)

    def restart(self, reason: HeldBackBy | None) -> None:
        """Begin to count passing bins anew."""
        self.passed_in_a_row = 0
        self.detection = None
        self.held_back_by = reason

    def window(self, first: int) -> list[Bin]:
        """Bins from the given index to the newest."""
        skip = len(self._bins) - (self._newest - first + 1)
        return list(islice(self._bins, max(skip, 0), None))

    def detect(self) -> None:
        """Judge the windows that end at the newest bin; where that bin is missing only say so."""
        if self.newest.mean is None:
            self.held_back_by = HeldBackBy.GAPS
            return
        self.detection = self._shortest_settled_window(self.newest.mean)
        if self.detection is None:
            self.passed_in_a_row = 0
            return
        self.held_back_by = None
        self.passed_in_a_row += 1

    def open_fits(self, first: int) -> DecayFits:
        """Regressions over a window that begins at the given bin and may grow.

        Raises:
            ValueError: If no window has been detected.
        """
        if self.detection is None:
            msg = "no settled window, expected detect() to have found one"
            raise ValueError(msg)
        fits = DecayFits(reference=self.detection.mean, bin_s=self._bin_s)
        for item in self.window(first):
            fits.add(item)
        return fits

    def _shortest_settled_window(self, reference: float) -> Detection | None:
        growth = math.exp(self._bin_s / self._parameters.tau_max_s)
        available = min(len(self._bins), self._newest - self._first + 1)
        sums, g = Sums(), 1.0
        backwards = reversed(self._bins)
        done = 0
        for length in self._lengths:
            if length > available:
                break
            for item in islice(backwards, length - done):
                sums.add(None if item.mean is None else item.mean - reference, g)
                g *= growth
            done = length
            detection = self._judge(sums, length, reference)
            if detection is not None:
                return detection
        return None

    def _judge(self, sums: Sums, length: int, reference: float) -> Detection | None:
        p = self._parameters
        n = sums.count
        if n < p.least_share * length or n < 6:
            self.held_back_by = HeldBackBy.GAPS
            return None
        fit = sums.fit()
        mean = reference + sums.y / n
        limit = max(self.tolerance * abs(mean), self.resolution / 2.0)
        std_dev = math.sqrt(fit.residual / (n - 2.0) * fit.inflation)
        nu = max(2.0, n / fit.inflation - 2.0)
        bound = abs(fit.amplitude) + student_t_quantile(
            1.0 - p.alpha, nu
        ) * std_dev / math.sqrt(fit.sxx)
        if bound > limit:
            self.held_back_by = (
                HeldBackBy.DRIFT
                if abs(fit.amplitude) > 0.5 * bound
                else HeldBackBy.NOISE
            )
            return None
        bins = self.window(self._newest - length + 1)
        scatter, step = undithered_step(bins, self.resolution)
        half_step = undithered_half_step(scatter, step)
        if (
            bound + 2.0 * half_step / math.expm1(length * self._bin_s / p.tau_max_s)
            > limit
        ):
            self.held_back_by = HeldBackBy.RESOLUTION
            return None
        if is_hunting(self._residuals(bins, fit, reference), p.hunting * limit):
            self.held_back_by = HeldBackBy.HUNTING
            return None
        return Detection(
            length, mean, max(std_dev, self.resolution / 4.0 * math.sqrt(fit.inflation))
        )

    def _residuals(self, bins: list[Bin], fit: Fit, reference: float) -> list[float]:
        last = len(bins) - 1
        tau = self._parameters.tau_max_s
        return [
            0.0
            if item.mean is None
            else item.mean
            - reference
            - fit.level
            - fit.amplitude * math.exp((last - i) * self._bin_s / tau)
            for i, item in enumerate(bins)
        ]


class StepWatch:
    """Two-sided cumulative sum that notices a step while averaging."""

    def __init__(self, detection: Detection, limit: float) -> None:
        self._mean = detection.mean
        self._std_dev = detection.std_dev
        self._slack = (
            max(1.0, 0.5 * limit / detection.std_dev)
            if detection.std_dev > 0.0
            else 1.0
        )
        self._up = self._down = 0.0

    def sees_step(self, value: float) -> bool:
        r"""Take the next bin's mean; True once the sum of standardised deviations passes 6.

        Source:
            E. S. Page, Biometrika 41 (1954) 100 (cited from memory); allowance and alarm level are ours.
        """
        if self._std_dev > 0.0:
            z = (value - self._mean) / self._std_dev
        else:
            z = 0.0 if value == self._mean else math.inf
        self._up = max(0.0, self._up + z - self._slack)
        self._down = max(0.0, self._down - z - self._slack)
        return max(self._up, self._down) > 6.0
