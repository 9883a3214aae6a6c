"""From the fits of channels' windows to verdicts: settled over which window, or held back by what."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from daq.settling.detection import WindowFits
from daq.settling.front_end import rounding_of
from daq.settling.history import BinHistory
from daq.settling.hunting import are_hunting
from daq.settling.parameters import Parameters

_NEGLIGIBLE = 0.02
"""A part of a bound that nobody sees on a screen [1]."""


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
class Compared:
    """What the rule compares of one channel.

    Attributes:
        bound: Half-width of the drift that is still possible [unit of the channel]; None where too few bins were fitted, or
            the channel swings about what was fitted: then no bound holds.
        tolerance: Half-width of the band that it must fit [same].
        mean: Of the window concerned [same]; None where it holds no reading.
    """

    bound: float | None
    tolerance: float
    mean: float | None


@dataclass(frozen=True, slots=True)
class _Look:
    """One channel's window that comes closest to being settled.

    Attributes:
        closest: Its number.
        passes: Whether its drift fits in the tolerance.
        is_drift: Whether its drift stands out of its noise.
        longest: Number of the longest usable window; None where none is.
    """

    closest: int
    passes: bool
    is_drift: bool
    longest: int | None


class BinWindows:
    """The windows of several channels that end with one bin."""

    def __init__(
        self,
        fits: WindowFits,
        means: NDArray[np.float64],
        *,
        growth: NDArray[np.float64],
        history: BinHistory,
        names: Sequence[str],
        resolutions: Sequence[float],
        bin_s: float,
        parameters: Parameters,
    ) -> None:
        """Take what was fitted.

        Args:
            fits: Of all channels.
            means: Their bins' means, in order of time, NaN where missing [unit of each channel]. Shape (channels, bins).
            growth: As of the detector that made the fits [1].
            history: Of these bins; what was not asked before the next one comes, `compared` alone still answers.
            names: Of the channels.
            resolutions: Displays' steps [same].
            bin_s: Length of a bin [s].
            parameters: The rule's.
        """
        self.fits = fits
        self._means = means
        self._growth = growth
        self._history = history
        self._closed = history.closed
        self._names = names
        self._resolutions = resolutions
        self._bin_s = bin_s
        self._parameters = parameters
        self._found: list[Detection | None] | None = None
        self._looks: list[_Look] | None = None
        self._faults: dict[tuple[int, int], HeldBackBy | None] = {}
        self._swings: dict[int, list[bool]] = {}
        self._compared: dict[int, Compared | None] = {}

    def detect_all(self) -> list[Detection] | None:
        """The shortest window of each channel that is settled; None where one of them has none."""
        # What is asked of all is not looked for in vain: most bins of most trials end here.
        if not self.fits.may_pass.any(axis=1).all():
            return None
        if not self.fits.passes.any(axis=1).all():
            return None
        found = [each for each in self.detect() if each is not None]
        return found if len(found) == len(self._means) else None

    def detect(self) -> list[Detection | None]:
        """The shortest window of each channel that is settled."""
        if self._found is None:
            self._found = self._detect()
        return self._found

    def _detect(self) -> list[Detection | None]:
        found: list[Detection | None] = [None] * len(self._means)
        passes = self.fits.passes.T.tolist()
        for index, length in enumerate(self.fits.lengths.tolist()):
            rows = [
                row
                for row, it_passes in enumerate(passes[index])
                if it_passes and found[row] is None
            ]
            if not rows:
                continue
            self._look_for_faults(rows, index)
            for row in rows:
                if self._faults[row, index] is None:
                    found[row] = Detection(length, float(self.fits.mean[row, index]))
        return found

    def held_back_by(self, row: int) -> HeldBackBy | None:
        """What keeps a channel's window that comes closest from being settled; None where nothing does."""
        look = self._look_of(row)
        if look.longest is None:
            return HeldBackBy.GAPS
        if look.passes:
            return None if self.detect()[row] else self._fault_of(row, look.closest)
        if self._swings_in(look.longest)[row]:
            return HeldBackBy.HUNTING
        if not look.is_drift:
            return HeldBackBy.NOISE
        is_shown = self._is_more_than_rounding(row, look.closest)
        return HeldBackBy.DRIFT if is_shown else HeldBackBy.RESOLUTION

    def compared(self, row: int) -> Compared | None:
        r"""What is compared of a channel, in its shortest window that is settled, else in the one that comes closest.

        .. math:: D = \max\left(|A| + t s_A + \frac{2Q}{e^{W/\tau_{max}} - 1}, \frac{|A|}{a}\right) \le lim

        with the drift A still to come as fitted, its standard uncertainty s_A, the half step Q that the display may hide, the
        window's length W and the largest amplitude a that is declared settled. It fits exactly where the window is settled.

        Args:
            row: Number of the channel [1].

        Returns:
            Bound, tolerance and mean [unit of the channel]; None where too few bins hold readings.

        Validity:
            What rounding hides is left aside where it is below 2 % of a bound that is too large without it.

        Source:
            Own rule: the conditions of `Detector.fit` and of `detect`, each solved for the tolerance.
        """
        if row not in self._compared:
            self._compared[row] = self._compare(row)
        return self._compared[row]

    def _compare(self, row: int) -> Compared | None:
        fits, look = self.fits, self._look_of(row)
        if look.longest is None:
            return None
        settled = self.detect()[row] if fits.passes[row].any() else None
        index = look.closest
        if settled is not None:
            index = int(np.searchsorted(fits.lengths, settled.length))
        limit, mean = float(fits.limit[row, index]), float(fits.mean[row, index])
        swings = self._faults.get((row, index)) is HeldBackBy.HUNTING
        if settled is None and swings:
            return Compared(None, limit, mean)
        amplitude = abs(float(fits.amplitude[row, index]))
        bound = max(
            float(fits.bound[row, index]) + self._hidden(row, index),
            amplitude / self._parameters.amplitude,
        )
        # The rule's own comparisons are turned round here: the last digit must not decide otherwise.
        if settled is not None:
            return Compared(min(bound, limit), limit, mean)
        return Compared(max(bound, math.nextafter(limit, math.inf)), limit, mean)

    def _hidden(self, row: int, index: int) -> float:
        """Drift that the display's rounding may hide in a window [unit of the channel]."""
        length = int(self.fits.lengths[index])
        fall = self._fall(length)
        if not self.fits.passes[row, index]:
            most = self._coarsest_step(row) / fall
            if most <= _NEGLIGIBLE * float(self.fits.bound[row, index]):
                return 0.0
        bins = self._history.bins_from(self._names[row], self._closed - length)
        rounding = rounding_of(bins[:length], self._resolutions[row])
        return 2.0 * rounding.half_step() / fall

    def _coarsest_step(self, row: int) -> float:
        """No window that ends now shows a larger step of the display [unit of the channel]: more readings show finer ones."""
        seen = self._history.newest(self._names[row]).distinct
        if seen is None:
            return self._resolutions[row]
        steps = [b - a for a, b in itertools.pairwise(sorted(seen))]
        return max(min(steps, default=math.inf), self._resolutions[row])

    def _fall(self, length: int) -> float:
        """How much a drift falls over a window, of what is left of it at its end [1]."""
        return math.expm1(length * self._bin_s / self._parameters.tau_max_s)

    def _look_of(self, row: int) -> _Look:
        if self._looks is None:
            self._looks = self._look()
        return self._looks[row]

    def _look(self) -> list[_Look]:
        fits = self.fits
        closest = np.argmin(fits.bound / fits.limit, axis=1)
        rows = np.arange(len(closest))
        size, error = np.abs(fits.amplitude[rows, closest]), fits.error[rows, closest]
        # The number of the last usable one, -1 where there is none.
        numbers = np.arange(fits.usable.shape[1])
        last = np.where(fits.usable, numbers, -1).max(axis=1)
        return [
            _Look(*each)
            for each in zip(
                closest.tolist(),
                fits.passes[rows, closest].tolist(),
                (size > 2.0 * error).tolist(),
                [n if n >= 0 else None for n in last.tolist()],
                strict=True,
            )
        ]

    def time_to_settle_s(self) -> float:
        """How long it is likely to take until each channel has a window that passes [s]; inf where nothing can be said."""
        return max(self._time_to_settle_s(row) for row in range(len(self._means)))

    def _time_to_settle_s(self, row: int) -> float:
        """Of one channel.

        A drift decays with tau_max; where noise hides it, the bound falls with the window's length to the power 1.5.
        """
        fits = self.fits
        times = [math.inf]
        for index in np.flatnonzero(fits.usable[row]).tolist():
            if fits.passes[row, index] and self._fault_of(row, index) is not None:
                continue
            limit = float(fits.limit[row, index])
            amplitude = abs(float(fits.amplitude[row, index]))
            noise = float(fits.bound[row, index]) - amplitude
            window_s = float(fits.lengths[index]) * self._bin_s
            room = min(limit - noise, self._parameters.amplitude * limit)
            if room > 0.0:
                decay_s = self._parameters.tau_max_s * math.log(
                    max(amplitude / room, 1.0)
                )
                times.append(decay_s)
            elif amplitude < noise:
                times.append(window_s * ((noise / limit) ** (2.0 / 3.0) - 1.0))
        return min(times)

    def _fault_of(self, row: int, index: int) -> HeldBackBy | None:
        """What is wrong with a window whose drift fits in the tolerance."""
        if (row, index) not in self._faults:
            self._look_for_faults([row], index)
        return self._faults[row, index]

    def _look_for_faults(self, rows: Sequence[int], index: int) -> None:
        """Find out what is wrong with the windows of one length, if anything."""
        fine = [row for row in rows if not self._is_coarse(row, index)]
        swinging = self._are_hunting(fine, index) if fine else []
        self._faults |= {(row, index): HeldBackBy.RESOLUTION for row in rows}
        self._faults |= {
            (row, index): HeldBackBy.HUNTING if swings else None
            for row, swings in zip(fine, swinging, strict=True)
        }

    def _is_coarse(self, row: int, index: int) -> bool:
        """Whether the display may hide more drift than there is room for."""
        fits, length = self.fits, int(self.fits.lengths[index])
        room = float(fits.limit[row, index]) - float(fits.bound[row, index])
        return self._may_hide(row, length, more_than=room * self._fall(length))

    def _is_more_than_rounding(self, row: int, index: int) -> bool:
        """Whether a drift changes the readings of its window by more than their rounding alone might."""
        fits, length = self.fits, int(self.fits.lengths[index])
        change = abs(float(fits.amplitude[row, index])) * self._fall(length)
        return not self._may_hide(row, length, more_than=change)

    def _may_hide(self, row: int, length: int, *, more_than: float) -> bool:
        """Whether rounding may hide more of a change from beginning to end of a window."""
        # With many different readings the display's step is the stated one, and hides no more than half of it.
        steps_are_fine = self._history.newest(self._names[row]).distinct is None
        if steps_are_fine and self._resolutions[row] <= more_than:
            return False
        bins = self._history.newest_bins(self._names[row], length)
        half_step = rounding_of(bins, self._resolutions[row]).half_step()
        return 2.0 * half_step > more_than

    def _swings_in(self, index: int) -> list[bool]:
        """Whether each channel swings in the windows of one length.

        Less than two periods in a window are as well the bow of a drift that is no such decay.
        """
        if index not in self._swings:
            rows = range(len(self._means))
            self._swings[index] = self._are_hunting(rows, index, least_periods=2)
        return self._swings[index]

    def _are_hunting(
        self, rows: Sequence[int], index: int, *, least_periods: int = 1
    ) -> list[bool]:
        fits, length = self.fits, int(self.fits.lengths[index])
        decay = self._growth[:length][::-1]
        fitted = (
            fits.level[rows, index, None] + fits.amplitude[rows, index, None] * decay
        )
        residuals = self._means[rows, -length:] - fitted
        residuals[np.isnan(residuals)] = 0.0
        return are_hunting(
            residuals,
            self._parameters.hunting * fits.limit[rows, index],
            least_periods=least_periods,
        )
