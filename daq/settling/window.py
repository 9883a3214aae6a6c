"""What is averaged: the windows of a declaration, growing, and what they say of drift and level."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from daq.records import NormalisedBy
from daq.settling.drift_left import DriftLeft
from daq.settling.front_end import Rounding, rounding_of
from daq.settling.history import BinHistory
from daq.settling.hunting import are_hunting
from daq.settling.level import LevelEstimate
from daq.settling.level_bank import LevelBank, Levels
from daq.settling.normalised import Normaliser
from daq.settling.normalising import exponent_contribution
from daq.settling.parameters import Parameters
from daq.settling.phases import ChannelSetup
from daq.settling.verdicts import Compared, HeldBackBy
from daq.stats import student_t_quantile

_LEAST_PAUSE = 8
"""Over at least so many bins a bank takes in those of the past: a long window is no long pause at its declaration [1]."""

_REFIT_GROWTH = 1.5
"""Exponents are fitted anew when the window has grown so much since they were."""

_LIKELY_SHARE = 0.25
"""Half of many simulated trials averaged no longer than the least time and this share of what is left to the longest [1]."""

_FALLS_WITH = 0.7
"""An uncertainty falls like the window's length to the power of it [1]: in the median of simulated trials, where noise wanders
and becomes known better as the window grows. White noise alone would fall with the root."""

_FAR = 1e3
"""An uncertainty of so many goals is as far from them as any [1]."""

_CONFIDENCE = 0.975
"""Two-sided 95 %."""


def keep_quantile(bins: int) -> None:
    """Have Student's t at hand for windows of up to so many bins, if asked for every number of them in turn.

    Finding one takes as long as judging a bin, and a first look at twelve channels may want as many.
    """
    student_t_quantile(_CONFIDENCE, bins)


@dataclass(frozen=True)
class Examination:
    """What the windows say at one moment.

    Attributes:
        drift_probabilities: That the drift at the declaration was too large, by channel [1].
        faults: What forbids to confirm them, of the channels where something does.
        levels: Of the required channels, over the common window.
        drift_left: What those probabilities are of.
        limits: Half-widths of the tolerance bands that they are held against [unit of each channel].
        risk: The largest of them that is accepted [1].
    """

    drift_probabilities: Mapping[str, float]
    faults: Mapping[str, HeldBackBy]
    levels: Mapping[str, LevelEstimate]
    drift_left: DriftLeft
    limits: NDArray[np.float64]
    risk: float

    def compared(self, channel: str) -> Compared:
        """How large the drift at the declaration may have been, beside its tolerance.

        The bound is what it exceeds with the probability that is just accepted: where it fits, the probability does.
        """
        row = list(self.drift_probabilities).index(channel)
        mean = self.levels[channel].mean
        return Compared(float(self._bounds[row]), float(self.limits[row]), mean)

    @cached_property
    def _bounds(self) -> NDArray[np.float64]:
        return self.drift_left.bounds(self.limits, risk=self.risk)


class AveragingWindow:
    """Each required channel over its own window, and all of them over a common one."""

    def __init__(
        self,
        *,
        channels: Sequence[ChannelSetup],
        firsts: Mapping[str, int],
        common: int,
        history: BinHistory,
        normaliser: Normaliser,
        bin_s: float,
        parameters: Parameters,
        target: float | None,
    ) -> None:
        """Open the windows; they end with the newest bin and grow with it.

        Args:
            channels: The required ones.
            firsts: First bin of each one's own window [1].
            common: First bin of the common window [1].
            history: Of all channels' bins.
            normaliser: Of the same bins.
            bin_s: Length of a bin [s].
            parameters: The rule's.
            target: Relative expanded uncertainty to average down to [1], or None for the rule's goal.
        """
        self.first = common
        self.declared = history.closed - 1
        self._names = [c.name for c in channels]
        self._channels = list(channels)
        self._firsts = [firsts[name] for name in self._names]
        self._history, self._normaliser = history, normaliser
        self._bin_s, self._parameters, self._target = bin_s, parameters, target
        self._last: Mapping[str, LevelEstimate] = {}
        self._likely_at, self._likely_s = -1, 0.0
        self._replay()

    @property
    def length(self) -> int:
        """Bins in the common window [1]."""
        return self._history.closed - self.first

    def grow(self) -> None:
        """Take in the newest bin of the history."""
        if self._normaliser.is_active and self.length >= _REFIT_GROWTH * self._fitted:
            self._replay()
            return
        roundings = zip(self._own_rounding, self._common_rounding, strict=True)
        for name, (own, common) in zip(self._names, roundings, strict=True):
            newest = [self._history.newest(name)]
            own.add(newest)
            if common is not own:
                common.add(newest)
        for bank in self._banks():
            self._catch_up(bank, at_most=self._pace)

    def present_shares(self) -> dict[str, float]:
        """Share of the bins that hold readings, of each channel's own window or of the common one [1]."""
        begin = min(self._firsts)
        present = ~np.isnan(self._history.means(self._names, begin))
        if present.all():
            return dict.fromkeys(self._names, 1.0)
        return {
            name: float(
                min(row[first - begin :].mean(), row[self.first - begin :].mean())
            )
            for name, row, first in zip(self._names, present, self._firsts, strict=True)
        }

    def mean_of(self, channel: str) -> float:
        """Mean of the common window so far [unit of the channel]."""
        if self._common.next_bin == self._history.closed:
            return float(self._common.plain_means()[self._names.index(channel)])
        return _mean(self._normaliser.means(self._history, [channel], self.first)[0])

    def examine(self, *, enough: bool, is_question: bool = False) -> Examination:
        """Judge the windows as they are.

        Args:
            enough: Whether the uncertainty reached will do, for there is no more time.
            is_question: Whether nobody acts on it, so that nothing may change by having asked.
        """
        for bank in self._banks():
            self._catch_up(bank, at_most=self._history.closed)
        limits = self._limits(self._own)
        drift_left = self._drift_left(limits, self._hidden())
        drifts = drift_left.outside(limits).tolist()
        levels = self._common_levels()
        if not is_question:
            self._last = levels
        faults = {
            channel.name: fault
            for row, channel in enumerate(self._channels)
            if (fault := self._fault_of(drifts[row], channel, levels, enough=enough))
        }
        self._tell_drift_from_rounding(faults, limits)
        sound = [row for row, name in enumerate(self._names) if name not in faults]
        faults |= {
            self._names[row]: HeldBackBy.HUNTING for row in self._swinging(sound)
        }
        in_order = {name: faults[name] for name in self._names if name in faults}
        return Examination(
            drift_probabilities=dict(zip(self._names, drifts, strict=True)),
            faults=in_order,
            levels=levels,
            drift_left=drift_left,
            limits=limits,
            risk=self._parameters.accept_probability,
        )

    def _fault_of(
        self,
        drift_probability: float,
        channel: ChannelSetup,
        levels: Mapping[str, LevelEstimate],
        *,
        enough: bool,
    ) -> HeldBackBy | None:
        if drift_probability > self._parameters.accept_probability:
            return HeldBackBy.DRIFT
        level = levels[channel.name]
        if self._is_sure(channel, level, enough=enough):
            return None
        # The part of rounding in U, as in `_estimate`.
        rounding = self._parameters.scale * 1.96 * level.half_step / math.sqrt(3.0)
        is_rounded = rounding**2 > 0.5 * level.expanded_uncertainty**2
        return HeldBackBy.RESOLUTION if is_rounded else HeldBackBy.NOISE

    def _tell_drift_from_rounding(
        self, faults: dict[str, HeldBackBy], limits: NDArray[np.float64]
    ) -> None:
        """What drifts only because the display might hide a drift waits for a finer display."""
        if HeldBackBy.DRIFT not in faults.values():
            return
        shown = self._drift_left(limits, np.zeros(len(self._names))).outside(limits)
        for name, probability in zip(self._names, shown, strict=True):
            is_small = probability <= self._parameters.accept_probability
            if faults.get(name) is HeldBackBy.DRIFT and is_small:
                faults[name] = HeldBackBy.RESOLUTION

    def bins_to_goal(self) -> float:
        """Bins still needed, by the last look [1]: an uncertainty falls with the root of their number."""
        return self.length * (self._above_goal(self._last) ** 2 - 1.0)

    @staticmethod
    def likely_s(parameters: Parameters) -> float:
        """How long it is likely to average, before anything is known of it [s]."""
        least_s, longest_s = parameters.least_s, parameters.longest_s
        return least_s + _LIKELY_SHARE * (longest_s - least_s)

    def time_left_s(self) -> float:
        """How much longer it is likely to average [s]: as long as it took about half of many simulated trials."""
        p, closed = self._parameters, self._history.closed
        since_s = (closed - 1 - self.declared) * self._bin_s
        # At every bin: the rule's own looks are far apart, and their news would come in jumps. Nothing is hurried for it.
        if self._likely_at != closed >= self._caught_up:
            above = self._above_goal(self._common_levels())
            bins = self.length * (above ** (1.0 / _FALLS_WITH) - 1.0)
            self._likely_at, self._likely_s = closed, bins * self._bin_s
        needed_s = max(p.least_s - since_s, self._likely_s)
        return min(max(needed_s, 0.0), p.longest_s - since_s)

    def _above_goal(self, levels: Mapping[str, LevelEstimate]) -> float:
        """The largest uncertainty in goals [1]; 1 where all have reached it."""
        ratios = [
            levels[c.name].expanded_uncertainty / self._goal(c, levels[c.name])
            for c in self._channels
            if c.name in levels
        ]
        return min(max([1.0, *ratios]), _FAR)

    def steady_levels(
        self, channels: Sequence[ChannelSetup]
    ) -> dict[str, LevelEstimate]:
        """Means over the common window, of channels that nobody waited for and that have readings enough."""
        levels = {}
        for channel in channels:
            means = self._normaliser.means(self._history, [channel.name], self.first)
            present = int(np.count_nonzero(~np.isnan(means)))
            if present >= max(4.0, self._parameters.least_share * means.shape[1]):
                bank = self._bank([channel], [self.first], means)
                for column in means.T:
                    bank.add(column)
                found = bank.steady_levels()
                bins = self._history.bins_from(channel.name, self.first)
                rounding = rounding_of(bins, channel.resolution)
                levels[channel.name] = self._estimate(
                    channel, found, 0, rounding, calibrated=False
                )
        return levels

    def levels_with_drift(
        self, others: Sequence[ChannelSetup]
    ) -> dict[str, LevelEstimate]:
        """Means over the common window as if it were settled, with what drift there may be in the uncertainty.

        A drift that decays with tau_max still has tau_max/length of its change in the window before it: half-width of
        a rectangular distribution.
        """
        levels = self.steady_levels([*self._channels, *others])
        for channel in self._channels:
            if channel.name not in levels:
                continue
            means = self._normaliser.means(self._history, [channel.name], self.first)[0]
            half = len(means) // 2
            change = 2.0 * abs(_mean(means[half:]) - _mean(means[:half]))
            span_s = len(means) * self._bin_s
            width = change * max(1.0, self._parameters.tau_max_s / span_s)
            levels[channel.name] = _widened(levels[channel.name], width)
        return levels

    def _banks(self) -> list[LevelBank]:
        return [self._own] if self._is_shared else [self._own, self._common]

    def _replay(self) -> None:
        """Empty banks for everything so far, by exponents of everything so far."""
        self._normaliser.fit(self._history, self._names, self.first)
        self._fitted = self.length
        begin = min(self._firsts)
        means = self._normaliser.means(self._history, self._names, begin)
        common = [self.first] * len(self._names)
        self._own_rounding = [
            self._rounding(channel, first)
            for channel, first in zip(self._channels, self._firsts, strict=True)
        ]
        self._common_rounding = [
            own if first == self.first else self._rounding(channel, self.first)
            for channel, first, own in zip(
                self._channels, self._firsts, self._own_rounding, strict=True
            )
        ]
        self._is_shared = self._firsts == common
        backlog = means.shape[1]
        self._pace = self._pace_for(backlog)
        self._caught_up = self._history.closed + math.ceil(backlog / (self._pace - 1))
        self._own = self._bank(self._channels, self._firsts, means)
        self._common = (
            self._own
            if self._is_shared
            else self._bank(self._channels, common, means[:, self.first - begin :])
        )

    def _bank(
        self,
        channels: Sequence[ChannelSetup],
        firsts: Sequence[int],
        means: NDArray[np.float64],
    ) -> LevelBank:
        references = [_mean(row) for row in means]
        return LevelBank(
            references=references,
            limits=[band_of(c, r) for c, r in zip(channels, references, strict=True)],
            firsts=firsts,
            bin_s=self._bin_s,
            parameters=self._parameters,
        )

    def _pace_for(self, backlog: int) -> int:
        """How many bins to take in at once, the newest and so many of the past that none is left half way to the first look."""
        half_way = math.floor(0.5 * self._parameters.least_s / self._bin_s)
        left = max(self.declared + half_way - self._history.closed, _LEAST_PAUSE)
        return 1 + math.ceil(backlog / left)

    def _catch_up(self, bank: LevelBank, *, at_most: int) -> None:
        """Give a bank the bins that it has not taken in yet, in order of time."""
        means = self._normaliser.means(self._history, self._names, bank.next_bin)
        for column in means.T[:at_most]:
            bank.add(column)

    def _limits(self, bank: LevelBank) -> NDArray[np.float64]:
        plain = bank.plain_means().tolist()
        return np.array(
            [band_of(c, mean) for c, mean in zip(self._channels, plain, strict=True)]
        )

    def _hidden(self) -> NDArray[np.float64]:
        """Drift that rounding may hide in each channel's own window [unit of each channel]."""
        return np.array([2.0 * rounding.half_step() for rounding in self._own_rounding])

    def _drift_left(
        self, limits: NDArray[np.float64], hidden: NDArray[np.float64]
    ) -> DriftLeft:
        """The drift at the declaration, by each channel's own window."""
        return self._own.drift_left(limits, hidden=hidden, declared_bin=self.declared)

    def _common_levels(self) -> dict[str, LevelEstimate]:
        found = self._common.levels(self._limits(self._common))
        return {
            channel.name: self._estimate(channel, found, row, rounding, calibrated=True)
            for row, (channel, rounding) in enumerate(
                zip(self._channels, self._common_rounding, strict=True)
            )
        }

    def _rounding(self, channel: ChannelSetup, first: int) -> Rounding:
        bins = self._history.bins_from(channel.name, first)
        return rounding_of(bins, channel.resolution)

    def _estimate(
        self,
        channel: ChannelSetup,
        found: Levels,
        row: int,
        rounding: Rounding,
        *,
        calibrated: bool,
    ) -> LevelEstimate:
        r"""One channel's estimate.

        .. math:: U = s \sqrt{t_{0.975}(\nu)^2 v + 1.96^2 (Q^2/3 + (f \, lim)^2)}

        with the mixture's variance v, the half step Q, the floor f and the calibration s.
        """
        p = self._parameters
        mean, variance = float(found.level[row]), float(found.variance[row])
        effective = float(found.effective_count[row])
        nu = max(2.0, effective - 2.0)
        scale = p.scale if calibrated else 1.0
        floor = (p.floor * band_of(channel, mean)) ** 2 if calibrated else 0.0
        quantile = student_t_quantile(_CONFIDENCE, nu)
        half_step = rounding.half_step()
        expanded = scale * math.sqrt(
            quantile**2 * variance + 1.96**2 * (half_step**2 / 3.0 + floor)
        )
        by = self._normaliser.by(self._history, channel.name, self.first)
        if by is not None:
            part = exponent_contribution(mean, by)
            factor = student_t_quantile(_CONFIDENCE, part.degrees_of_freedom)
            expanded = math.hypot(expanded, factor * part.std_uncertainty)
        return LevelEstimate(
            mean=mean,
            plain_mean=self._plain_mean(channel, float(found.plain[row]), by),
            std_uncertainty=scale * math.sqrt(variance),
            degrees_of_freedom=nu,
            open_drift=scale * math.sqrt(floor),
            half_step=half_step,
            expanded_uncertainty=expanded,
            count=rounding.count,
            effective_count=effective,
            normalised=by,
            drift_in_mean=float(found.plain[row]) - mean,
        )

    def _plain_mean(
        self, channel: ChannelSetup, mean: float, by: NormalisedBy | None
    ) -> float:
        """Mean of the bins as they were read, where those that were judged are normalised."""
        if by is None:
            return mean
        return _mean(self._history.means([channel.name], self.first)[0])

    def _goal(self, channel: ChannelSetup, level: LevelEstimate) -> float:
        if self._target is not None:
            return self._target * abs(level.mean) or self._rule_goal(channel, level)
        return self._rule_goal(channel, level)

    def _rule_goal(self, channel: ChannelSetup, level: LevelEstimate) -> float:
        return self._parameters.goal * band_of(channel, level.plain_mean)

    def _is_sure(
        self, channel: ChannelSetup, level: LevelEstimate, *, enough: bool
    ) -> bool:
        largest = self._parameters.refuse * band_of(channel, level.plain_mean)
        if not enough:
            largest = min(largest, self._goal(channel, level))
        return level.expanded_uncertainty <= largest

    def _swinging(self, rows: Sequence[int]) -> list[int]:
        """Which of the channels swing about the decay that fits their own windows best."""
        if not rows:
            return []
        tau_s, level, amplitude = self._own.best_decays()
        limits = self._parameters.hunting * self._limits(self._own)
        swinging: list[int] = []
        for first in sorted({self._firsts[row] for row in rows}):
            alike = [row for row in rows if self._firsts[row] == first]
            names = [self._names[row] for row in alike]
            means = self._normaliser.means(self._history, names, first)
            since_s = np.arange(means.shape[1]) * self._bin_s
            decay = amplitude[alike, None] * np.exp(-since_s / tau_s[alike, None])
            residuals = means - level[alike, None] - decay
            residuals[np.isnan(residuals)] = 0.0
            found = are_hunting(residuals, limits[alike])
            swinging += [row for row, is_so in zip(alike, found, strict=True) if is_so]
        return swinging


def _mean(values: NDArray[np.float64]) -> float:
    """Of those that are there."""
    return float(values[~np.isnan(values)].mean())


def band_of(channel: ChannelSetup, level: float) -> float:
    """Half-width of the tolerance band [unit of the channel]; 1 for a level of zero with no resolution."""
    return max(channel.tolerance * abs(level), channel.resolution / 2.0) or 1.0


def _widened(level: LevelEstimate, half_width: float) -> LevelEstimate:
    spread = half_width / math.sqrt(3.0)
    return LevelEstimate(
        mean=level.mean,
        plain_mean=level.plain_mean,
        std_uncertainty=level.std_uncertainty,
        degrees_of_freedom=level.degrees_of_freedom,
        open_drift=math.hypot(level.open_drift, spread),
        half_step=level.half_step,
        expanded_uncertainty=math.hypot(level.expanded_uncertainty, 1.96 * spread),
        count=level.count,
        effective_count=level.effective_count,
        normalised=level.normalised,
        drift_in_mean=level.drift_in_mean,
    )
