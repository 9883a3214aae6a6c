r"""The settled level with its uncertainty, averaged over what the drift and the noise may be.

While averaging, level + drift is fitted from the start of the detection window to now, for a grid of drifts and a grid of
noises. A drift decays like exp(-t/tau), or creeps like a power of the time since switch-on; noises.py has the noises. Weighted
by how well each pair explains the bins, they give the probability that the drift at the declaration was larger than the tolerance, and the
level with an uncertainty that is small where the bins show neither drift nor wander, and wide where they leave it open.

Filters and sums advance by one bin at constant cost; missing bins are stepped over. Nothing is ever subtracted.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.settling.drift_left import DriftLeft
from daq.settling.noises import PinkNoise, WanderingNoises
from daq.settling.parameters import CREEPS, TIME_CONSTANTS, Parameters

_Array = NDArray[np.float64]

_TAUS = np.array([tau for tau, _ in TIME_CONSTANTS])
_KNEES = np.array([knee for knee, _, _ in CREEPS])
_POWERS = np.array([power for _, power, _ in CREEPS])
_WEIGHTS = np.array(
    [weight for _, weight in TIME_CONSTANTS] + [weight for _, _, weight in CREEPS]
)
_GONE = 1e-100
_IS_CREEP = np.arange(len(_WEIGHTS)) >= len(_TAUS)


@dataclass(frozen=True, slots=True)
class Levels:
    """What the bank says at one moment. Arrays of shape (channels,).

    Attributes:
        level: Settled level [unit of each channel].
        plain: Mean of the bins, whatever drift is left in them [same].
        variance: Of it [same, squared].
        effective_count: [1] independent bins worth as much.
    """

    level: _Array
    plain: _Array
    variance: _Array
    effective_count: _Array


@dataclass(frozen=True, slots=True)
class _Fits:
    """Every noise with every drift. Shapes (channels, noises) and (channels, noises, drifts)."""

    mean: _Array
    g_mean: _Array
    information: _Array
    variance: _Array
    amplitude: _Array
    spread: _Array
    misfit: _Array

    def posterior(self, prior: _Array) -> tuple[_Array, _Array]:
        """Shrinkage of the amplitudes, and the logarithm of each pair's weight, for amplitudes of that prior variance."""
        total = prior + self.spread
        log_weight = (
            self.misfit
            - 0.5 * self.amplitude * self.amplitude / total
            + 0.5 * np.log(self.spread / total)
        )
        return prior / total, log_weight


class LevelBank:
    """Filters and regressions of several channels, each over its own growing window."""

    def __init__(
        self,
        *,
        references: Sequence[float],
        limits: Sequence[float],
        firsts: Sequence[int],
        bin_s: float,
        parameters: Parameters,
    ) -> None:
        """Begin empty; the first bin to be added is the earliest of `firsts`.

        Args:
            references: A level near the mean, by channel [unit of each channel].
            limits: Half-width of the tolerance band, by channel [same].
            firsts: First bin of each channel's window, counted from switch-on [1].
            bin_s: Length of a bin [s].
            parameters: The rule's.
        """
        self._references = np.asarray(references, np.float64)
        self._units = np.asarray(limits, np.float64)
        self._firsts = np.asarray(firsts, np.intp)
        self._bin_s = bin_s
        self._parameters = parameters
        self.next_bin = int(self._firsts.min())
        p = parameters
        wandering = [(t, share) for t in p.noise_times_s for share in p.noise_shares]
        weights = [
            p.white_weight,
            *[1.0 / len(wandering)] * len(wandering),
            p.pink_weight,
        ]
        self._log_weight = np.log(weights)
        channels, noises, drifts = len(self._units), len(weights), len(_WEIGHTS)
        self._wandering = WanderingNoises(
            [time_s for time_s, _ in wandering],
            [share for _, share in wandering],
            bin_s=bin_s,
            channels=channels,
            columns=2 + drifts,
        )
        self._pink = PinkNoise(
            p.pink_share, bin_s=bin_s, channels=channels, columns=2 + drifts
        )
        self._fits_now: _Fits | None = None
        self._count = np.zeros(channels)
        self._sums = np.zeros((4, channels, noises))
        # Drifts first: what is added to them has the shape of all noises of all channels.
        self._sums_g = np.zeros((3, drifts, channels, noises))
        self._columns = np.ones((2 + drifts, channels))
        self._new = np.empty((2 + drifts, channels, noises))
        self._start_s = (self._firsts + 1) * bin_s + _KNEES[:, None]

    def add(self, means: _Array) -> None:
        """Take the next bin of every channel.

        Args:
            means: Of the bins, NaN where one is missing [unit of each channel]. Shape (channels,). What
                comes before a channel's window is not used.
        """
        here = (self._firsts <= self.next_bin) & ~np.isnan(means)
        columns, new = self._columns, self._new
        absent = None if here.all() else ~here
        columns[1] = (means - self._references) / self._units
        columns[2:] = self._drifts_at(self.next_bin)
        if absent is not None:
            columns[1, absent] = 0.0
        variance = np.empty(new.shape[1:])
        self._wandering.innovate(columns, absent, new[:, :, :-1], variance[:, :-1])
        self._pink.innovate(columns, absent, new[:, :, -1], variance[:, -1])
        weight, log_variance = 1.0 / variance, np.log(variance)
        if absent is not None:
            weight[absent] = log_variance[absent] = 0.0
        one, y, of_g = new[0], new[1], new[2:]
        weighted_g = weight * of_g
        weighted_one = weight * one
        self._sums[0] += weighted_one * one
        self._sums[1] += weighted_one * y
        self._sums[2] += weight * y * y
        self._sums[3] += log_variance
        self._sums_g[0] += weighted_g * one
        self._sums_g[1] += weighted_g * of_g
        self._sums_g[2] += weighted_g * y
        self._count += here
        self.next_bin += 1
        self._fits_now = None

    def levels(self, limits: _Array) -> Levels:
        r"""The settled levels of the windows as they are now.

        With the filtered sums, for each noise m and drift j,

        .. math:: A = S_{gy\cdot1}/S_{gg\cdot1}, \quad v_0 = s_m^2/S_{gg\cdot1}, \quad c = v/(v+v_0)

            \log w = \log w_m w_j - \tfrac{n-1}2 \log s_m^2 - \tfrac12 \sum \log F - \tfrac12 \log S_{11}
                - \tfrac{rss_j - rss_m}{2 s_m^2} - \tfrac{A^2}{2(v+v_0)} + \tfrac12 \log\tfrac{v_0}{v+v_0}

        where the amplitude has the prior variance v; the level is the mean less c A times the drift's mean.

        Args:
            limits: Half-width of the tolerance band now [unit of each channel]. Shape (channels,).

        Returns:
            Levels [unit of each channel].

        Validity:
            At least four bins in each window.

        Source:
            Own rule: Bayesian model averaging over a grid; the likelihood of an autoregressive process by
            the Kalman filter's innovations (any textbook of state-space models).
        """
        p, fits = self._parameters, self._fits()
        scale = (limits / self._units)[:, None, None]
        to_now = self._drifts_of_channels(self.next_bin - 1)
        weights, levels, variances = [], [], []
        kappas = zip(p.kappas, p.creep_kappas, strict=True)
        for (decay, decay_weight), (creep, creep_weight) in kappas:
            width = np.where(_IS_CREEP, creep, decay) * scale / to_now
            width = np.minimum(width, p.start_max * scale)
            share = np.where(_IS_CREEP, creep_weight, decay_weight)
            shrink, log_weight = fits.posterior(width * width)
            weights.append(log_weight + np.log(_WEIGHTS * share))
            levels.append(fits.mean[:, :, None] - shrink * fits.amplitude * fits.g_mean)
            variances.append(
                (fits.variance / fits.information)[:, :, None]
                + shrink * fits.spread * fits.g_mean * fits.g_mean
            )
        weight = _normalised(np.stack(weights, axis=-1))
        level, variance = np.stack(levels, axis=-1), np.stack(variances, axis=-1)
        mean = (weight * level).sum(axis=(1, 2, 3))
        away = level - mean[:, None, None, None]
        return Levels(
            level=self._references + mean * self._units,
            plain=self.plain_means(),
            variance=(weight * (variance + away * away)).sum(axis=(1, 2, 3))
            * self._units**2,
            effective_count=(weight * fits.information[:, :, None, None]).sum(
                axis=(1, 2, 3)
            ),
        )

    def drift_left(
        self, limits: _Array, *, hidden: _Array, declared_bin: int
    ) -> DriftLeft:
        """The drift at the declaration, by the weights of `levels`.

        Args:
            limits: Half-width of the tolerance band now [unit of each channel]. Shape (channels,).
            hidden: Drift that rounding may hide from beginning to end, 2Q [same]. Shape (channels,).
            declared_bin: Newest bin when it was declared, counted from switch-on [1].

        Returns:
            Its distribution, in the bank's measures.

        Validity:
            At least four bins in each window.

        Source:
            As `levels`; Student's t for the drift of each pair of noise and drift.
        """
        p, fits = self._parameters, self._fits()
        scale = (limits / self._units)[:, None, None]
        room_hidden = (hidden / self._units)[:, None, None]
        to_now = self._drifts_of_channels(self.next_bin - 1)
        to_declared = self._drifts_of_channels(declared_bin)
        width = np.minimum(p.kappa_check * scale / to_declared, p.start_max * scale)
        shrink, log_weight = fits.posterior(width * width)
        weight = _normalised(
            log_weight + np.log(_WEIGHTS * np.where(_IS_CREEP, p.creep_share, 1.0))
        )
        fall = 1.0 / to_now - 1.0
        return DriftLeft(
            drift=shrink * fits.amplitude * to_declared,
            deviation=np.sqrt(shrink * fits.spread) * to_declared,
            weight=weight,
            degrees_of_freedom=np.maximum(2.0, fits.information - 2.0)[:, :, None],
            hidden=np.where(fall > 0.0, room_hidden / fall, 0.0),
            units=self._units,
        )

    def steady_levels(self) -> Levels:
        """The windows' means as if nothing drifted, averaged over the noises only; their drift counts as wander.

        Returns:
            Means [unit of each channel].

        Source:
            As `levels`, with no drift.
        """
        s11, s1y, syy, _ = self._sums
        mean = s1y / s11
        variance = self._noise_variance(np.maximum(syy - s1y * mean, 0.0), 1.5)
        weight = _normalised(self._log_evidence(variance))
        level = (weight * mean).sum(axis=1)
        away = mean - level[:, None]
        total = (weight * (variance / s11 + away * away)).sum(axis=1)
        return Levels(
            level=self._references + level * self._units,
            plain=self.plain_means(),
            variance=total * self._units**2,
            effective_count=(weight * s11).sum(axis=1),
        )

    def plain_means(self) -> _Array:
        """Means of the windows' bins, whatever drift is left in them [unit of each channel]. Shape (channels,)."""
        # The first noise is white: its sums are those of plain least squares.
        means: _Array = self._references + self._units * (
            self._sums[1, :, 0] / self._sums[0, :, 0]
        )
        return means

    def best_decays(self) -> tuple[_Array, _Array, _Array]:
        """The decays that fit best by least squares: time constants [s], levels and amplitudes [unit of each channel]."""
        s11, s1y = self._sums[:2, :, 0]
        s1g, sgg, sgy = self._sums_g[:, : len(_TAUS), :, 0]
        sxx = np.maximum(sgg - s1g * s1g / s11, 1e-12)
        sxy = sgy - s1g * s1y / s11
        best, channels = np.argmax(sxy * sxy / sxx, axis=0), np.arange(len(s11))
        amplitude = sxy[best, channels] / sxx[best, channels]
        level = (s1y - amplitude * s1g[best, channels]) / s11
        return (
            _TAUS[best],
            self._references + level * self._units,
            amplitude * self._units,
        )

    def _drifts_at(self, at_bin: int) -> _Array:
        """Every drift at a bin, 1 at each window's start. Shape (drifts, channels)."""
        since_s = np.maximum(at_bin - self._firsts, 0) * self._bin_s
        # A drift that is gone stays a number that can be divided by.
        decays = np.maximum(np.exp(-since_s / _TAUS[:, None]), _GONE)
        creeps = (self._start_s / (self._start_s + since_s)) ** _POWERS[:, None]
        return np.concatenate([decays, creeps])

    def _drifts_of_channels(self, at_bin: int) -> _Array:
        """The same beside the noises. Shape (channels, 1, drifts)."""
        return np.ascontiguousarray(self._drifts_at(at_bin).T)[:, None, :]

    def _noise_variance(self, residual: _Array, parameters: float) -> _Array:
        p = self._parameters
        prior = p.noise_prior * p.noise_floor**2
        return (residual + prior) / (self._count[:, None] - parameters + p.noise_prior)

    def _log_evidence(self, variance: _Array) -> _Array:
        """Logarithm of each noise's weight. Shape (channels, noises)."""
        evidence: _Array = (
            self._log_weight
            - 0.5 * (self._count[:, None] - 1.0) * np.log(variance)
            - 0.5 * self._sums[3]
            - 0.5 * np.log(self._sums[0])
        )
        return evidence

    def _fits(self) -> _Fits:
        if self._fits_now is None:
            self._fits_now = self._fitted()
        return self._fits_now

    def _fitted(self) -> _Fits:
        s11, s1y, syy, _ = self._sums
        s1g, sgg, sgy = np.ascontiguousarray(self._sums_g.transpose(0, 2, 3, 1))
        mean = s1y / s11
        g_mean = s1g / s11[:, :, None]
        sxx = np.maximum(sgg - s1g * g_mean, 1e-12)
        sxy = sgy - s1g * mean[:, :, None]
        amplitude = sxy / sxx
        residual = np.maximum((syy - s1y * mean)[:, :, None] - sxy * amplitude, 0.0)
        least = residual.min(axis=2)
        variance = self._noise_variance(least, 2.5)
        excess = (residual - least[:, :, None]) / variance[:, :, None]
        return _Fits(
            mean=mean,
            g_mean=g_mean,
            information=s11,
            variance=variance,
            amplitude=amplitude,
            spread=variance[:, :, None] / sxx,
            misfit=self._log_evidence(variance)[:, :, None] - 0.5 * excess,
        )


def _normalised(logs: _Array) -> _Array:
    """Weights that add up to 1 in each channel, from their logarithms."""
    axes = tuple(range(1, logs.ndim))
    weights = np.exp(logs - logs.max(axis=axes, keepdims=True))
    normalised: _Array = weights / weights.sum(axis=axes, keepdims=True)
    return normalised
