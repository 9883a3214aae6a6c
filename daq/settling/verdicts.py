"""From the fits of a channel's windows to a verdict: settled over which window, or held back by what."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from daq.settling.detection import WindowFits
from daq.settling.front_end import Bin, rounding_of
from daq.settling.hunting import is_hunting
from daq.settling.parameters import Parameters


class HeldBackBy(StrEnum):
    """Why a channel is not settled."""

    NO_LOAD = "no load"
    TOO_SHORT = "too short"
    DRIFT = "drifting"
    NOISE = "too noisy"
    RESOLUTION = "resolution too coarse"
    HUNTING = "hunting"
    STEP = "step"
    GAPS = "gaps"


@dataclass(frozen=True, slots=True)
class Detection:
    """A window that passes: its length in bins, and its mean [unit of the channel]."""

    length: int
    mean: float


@dataclass(frozen=True, slots=True)
class ChannelWindows:
    """One channel's windows that end now.

    Attributes:
        fits: Of all channels.
        row: Of this channel.
        means: Its bins' means, in order of time, NaN where missing [unit of the channel]. Shape (bins,).
        newest_bins: Gives the last so many of them as bins.
        resolution: Display's step [same].
        bin_s: Length of a bin [s].
    """

    fits: WindowFits
    row: int
    means: NDArray[np.float64]
    newest_bins: Callable[[int], Sequence[Bin]]
    resolution: float
    bin_s: float
    parameters: Parameters

    def detect(self) -> Detection | None:
        """The shortest window that is settled."""
        for index in np.flatnonzero(self.fits.passes[self.row]).tolist():
            if self._fault_of(index) is None:
                length = int(self.fits.lengths[index])
                return Detection(length, float(self.fits.mean[self.row, index]))
        return None

    def held_back_by(self) -> HeldBackBy | None:
        """What keeps the window that comes closest from being settled; None where nothing does."""
        fits, row = self.fits, self.row
        if not fits.usable[row].any():
            return HeldBackBy.GAPS
        closest = int(np.argmin(fits.bound[row] / fits.limit[row]))
        if fits.passes[row, closest]:
            return None if self.detect() else self._fault_of(closest)
        longest = int(np.flatnonzero(fits.usable[row])[-1])
        # Less than two periods in the window are as well the bow of a drift that is no such decay.
        if self._is_hunting(longest, least_periods=2):
            return HeldBackBy.HUNTING
        is_drift = abs(fits.amplitude[row, closest]) > 2.0 * fits.error[row, closest]
        return HeldBackBy.DRIFT if is_drift else HeldBackBy.NOISE

    def time_to_settle_s(self) -> float:
        """How long it is likely to take until a window passes [s]; inf where nothing can be said.

        A drift decays with tau_max; where noise hides it, the bound falls with the window's length to the power 1.5.
        """
        fits, row = self.fits, self.row
        times = [math.inf]
        for index in np.flatnonzero(fits.usable[row]).tolist():
            if fits.passes[row, index] and self._fault_of(index) is not None:
                continue
            limit = float(fits.limit[row, index])
            amplitude = abs(float(fits.amplitude[row, index]))
            noise = float(fits.bound[row, index]) - amplitude
            window_s = float(fits.lengths[index]) * self.bin_s
            room = min(limit - noise, self.parameters.amplitude * limit)
            if room > 0.0:
                decay_s = self.parameters.tau_max_s * math.log(
                    max(amplitude / room, 1.0)
                )
                times.append(decay_s)
            elif amplitude < noise:
                times.append(window_s * ((noise / limit) ** (2.0 / 3.0) - 1.0))
        return min(times)

    def _fault_of(self, index: int) -> HeldBackBy | None:
        """What is wrong with a window whose drift fits in the tolerance."""
        length = int(self.fits.lengths[index])
        fall = math.expm1(length * self.bin_s / self.parameters.tau_max_s)
        room = float(
            self.fits.limit[self.row, index] - self.fits.bound[self.row, index]
        )
        # With many different readings the display's step is the stated one, and hides no more than half of it.
        steps_are_fine = self.newest_bins(1)[0].distinct is None
        if not (steps_are_fine and self.resolution / fall <= room):
            bins = self.newest_bins(length)
            half_step = rounding_of(bins, self.resolution).half_step()
            if 2.0 * half_step / fall > room:
                return HeldBackBy.RESOLUTION
        return HeldBackBy.HUNTING if self._is_hunting(index) else None

    def _is_hunting(self, index: int, *, least_periods: int = 1) -> bool:
        length = int(self.fits.lengths[index])
        ages_s = np.arange(length - 1, -1, -1) * self.bin_s
        decay = np.exp(ages_s / self.parameters.tau_max_s)
        fitted = (
            self.fits.level[self.row, index]
            + self.fits.amplitude[self.row, index] * decay
        )
        residuals = self.means[-length:] - fitted
        residuals = np.where(np.isnan(residuals), 0.0, residuals)
        limit = float(self.fits.limit[self.row, index])
        return is_hunting(
            residuals, self.parameters.hunting * limit, least_periods=least_periods
        )
