"""What later readings say of a declaration, and the level with its uncertainty.

While averaging, level + decay is fitted from the start of the detection window to now for a grid of time
constants. Weighted by how well each explains the readings, they give the probability that the drift at the declaration
was larger than the tolerance, and the settled level with an uncertainty that is small where the readings show no drift
and wide where they leave it open.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from daq.settling.front_end import Bin, undithered_step
from daq.settling.parameters import TIME_CONSTANTS, Parameters
from daq.settling.regression import Fit, Sums, is_hunting
from daq.stats import approximate_t_cdf, student_t_quantile, undithered_half_step

_LINE_S = 3000.0
"""A decay this slow is a straight line over any window used here."""


@dataclass(frozen=True, slots=True)
class LevelEstimate:
    """The settled level of one channel over one window.

    Attributes:
        mean: The level [unit of the channel].
        plain_mean: Mean of the bins, whatever drift is left in them [same].
        std_uncertainty: Type A [same].
        degrees_of_freedom: [1] of it.
        half_step: How far rounding may hide the truth, Q of `undithered_half_step` [same].
        expanded_uncertainty: For 95 %, without the instrument's own accuracy [same].
        count: [1] readings.
        effective_count: [1] independent bins worth as much.
    """

    mean: float
    plain_mean: float
    std_uncertainty: float
    degrees_of_freedom: float
    half_step: float
    expanded_uncertainty: float
    count: int
    effective_count: float


class DecayFits:
    """Regressions over one growing window, one a time constant; g = exp(-(time since the window's start)/tau).

    g only falls, so sums only grow: constant cost a bin, nothing ever subtracted.
    """

    def __init__(self, *, reference: float, bin_s: float) -> None:
        self._reference = reference
        self._bin_s = bin_s
        self._bins: list[Bin] = []
        taus = [tau for tau, _ in TIME_CONSTANTS] + [_LINE_S]
        self._steps = [math.exp(-bin_s / tau) for tau in taus]
        self._g = [1.0] * len(taus)
        self._sums = [Sums() for _ in taus]

    @property
    def present_share(self) -> float:
        """Share of the window's bins that hold readings [1]."""
        return self._sums[0].count / len(self._bins)

    def add(self, item: Bin) -> None:
        """Add the next bin, present or missing."""
        self._bins.append(item)
        y = None if item.mean is None else item.mean - self._reference
        for j, sums in enumerate(self._sums):
            sums.add(y, self._g[j])
            self._g[j] *= self._steps[j]

    @property
    def mean(self) -> float | None:
        """Plain mean of the window so far [unit of the channel]; None while it is empty."""
        sums = self._sums[0]
        return self._reference + sums.y / sums.count if sums.count else None

    def examine(
        self, *, tolerance: float, resolution: float, parameters: Parameters
    ) -> "Examination":
        """Everything that can be said of the window at this moment.

        Args:
            tolerance: Relative half-width of the band [1].
            resolution: Display's step [unit of the channel].
            parameters: The rule's.
        """
        decays = [sums.fit() for sums in self._sums[:-1]]
        best = min(range(len(decays)), key=lambda j: decays[j].residual)
        n, inflation = decays[best].count, decays[best].inflation
        mean = self._sums[0].y / n
        limit = max(tolerance * abs(self._reference + mean), resolution / 2.0)
        scatter, step = undithered_step(self._bins, resolution)
        return Examination(
            parameters=parameters,
            reference=self._reference,
            bin_s=self._bin_s,
            bins=tuple(self._bins),
            decays=tuple(decays),
            g_means=tuple(sums.g / n for sums in self._sums[:-1]),
            line=self._sums[-1].fit(),
            best=best,
            mean=mean,
            variance=max(
                decays[best].residual / (n - 2.5) * inflation, 1e-12 * limit * limit
            ),
            degrees_of_freedom=max(2.0, n / inflation - 2.5),
            limit=limit,
            span_s=(len(self._bins) - 1) * self._bin_s,
            half_step=undithered_half_step(scatter, step),
        )


@dataclass(frozen=True, slots=True)
class Examination:
    """One window at one moment: the fits, and what follows from them.

    Attributes:
        limit: Half-width of the tolerance band [unit of the channel].
        mean: Plain mean less the reference [unit of the channel].
        variance: Of one bin about the best decay, inflated for correlation.
    """

    parameters: Parameters
    reference: float
    bin_s: float
    bins: tuple[Bin, ...]
    decays: tuple[Fit, ...]
    g_means: tuple[float, ...]
    line: Fit
    best: int
    mean: float
    variance: float
    degrees_of_freedom: float
    limit: float
    span_s: float
    half_step: float

    def drift_probability(self, *, since_declared_s: float) -> float:
        r"""Probability that the drift at the declaration was outside the tolerance.

        For each time constant the amplitude at the window's start is shrunk towards zero by its prior,
        carried to the declaration, and compared with the room that rounding leaves in the tolerance.

        Args:
            since_declared_s: Time since the declaration T [s].

        Returns:
            Probability [1].

        Validity:
            Decays like exp(-t/tau) with tau in the grid; creep is seen too late.

        Source:
            Own rule: Bayes' theorem for a normal amplitude with a normal prior.
        """
        p, nu = self.parameters, self.degrees_of_freedom
        logs, outside = [], []
        for fit, (tau, weight) in zip(self.decays, TIME_CONSTANTS, strict=True):
            to_now = math.exp(-self.span_s / tau)
            to_declared = to_now * math.exp(since_declared_s / tau)
            spread = min(
                p.kappa_check * self.limit / to_declared, p.start_max * self.limit
            )
            shrink, log_weight = self._posterior(fit, spread * spread, weight)
            drift = shrink * fit.amplitude * to_declared
            deviation = math.sqrt(shrink * self.variance / fit.sxx) * to_declared
            hidden = 2.0 * self.half_step / math.expm1(min(self.span_s / tau, 50.0))
            room = max(self.limit - hidden, 0.0)
            logs.append(log_weight)
            outside.append(
                1.0
                - approximate_t_cdf((room - drift) / deviation, nu)
                + approximate_t_cdf((-room - drift) / deviation, nu)
            )
        return _weighted(logs, outside)

    def line_bound(self) -> float:
        r"""Upper 95 % bound of a straight-line drift over the guard's horizon, in tolerances.

        Returns:
            Bound divided by the half-width of the band [1].

        Source:
            Own rule: confidence bound of a slope with correlated residuals.
        """
        line, horizon_s = self.line, self.parameters.line_horizon_s
        nu = max(2.0, line.count / line.inflation - 2.0)
        error = math.sqrt(
            line.residual / (line.count - 2.0) * line.inflation / line.sxx
        )
        amplitude = abs(line.amplitude) + student_t_quantile(0.95, nu) * error
        drift = amplitude * math.exp(-self.span_s / _LINE_S) * horizon_s / _LINE_S
        hidden = 2.0 * self.half_step * horizon_s / (self.span_s + self.bin_s)
        return (drift + hidden) / self.limit

    def level(self) -> LevelEstimate:
        r"""The settled level, averaged over time constants and over "no drift left" and "some left".

        .. math:: U = s \sqrt{t_{0.975}(\nu)^2 v + 1.96^2 (Q^2/3 + (f \, lim)^2)}

        with the mixture's variance v, the half step Q, the floor f and the calibration s.

        Returns:
            Level and uncertainty [unit of the channel].

        Validity:
            As `drift_probability`. The calibration was measured with the stop rule active.

        Source:
            Own rule: Bayesian model averaging over a grid.
        """
        p, n = self.parameters, self.line.count
        logs, levels, variances = [], [], []
        for fit, g_mean, (tau, weight) in zip(
            self.decays, self.g_means, TIME_CONSTANTS, strict=True
        ):
            to_now = math.exp(-self.span_s / tau)
            for kappa, kappa_weight in p.kappas:
                spread = min(kappa * self.limit / to_now, p.start_max * self.limit)
                shrink, log_weight = self._posterior(
                    fit, spread * spread, weight * kappa_weight
                )
                logs.append(log_weight)
                levels.append(self.mean - shrink * fit.amplitude * g_mean)
                variances.append(
                    self.variance / n
                    + shrink * self.variance / fit.sxx * g_mean * g_mean
                )
        level = _weighted(logs, levels)
        total = [v + (x - level) ** 2 for x, v in zip(levels, variances, strict=True)]
        return self._estimate(level, _weighted(logs, total))

    def is_hunting(self) -> bool:
        """Whether a swing larger than the preset's share of the tolerance is left in the residuals."""
        fit = self.decays[self.best]
        step = math.exp(-self.bin_s / TIME_CONSTANTS[self.best][0])
        g, residuals = 1.0, []
        for item in self.bins:
            expected = self.reference + fit.level + fit.amplitude * g
            residuals.append(0.0 if item.mean is None else item.mean - expected)
            g *= step
        return is_hunting(residuals, self.parameters.hunting * self.limit)

    def _estimate(self, level: float, variance: float) -> LevelEstimate:
        p = self.parameters
        floor = (p.floor * self.limit) ** 2
        quantile = student_t_quantile(0.975, self.degrees_of_freedom)
        rounding = self.half_step**2 / 3.0
        return LevelEstimate(
            mean=self.reference + level,
            plain_mean=self.reference + self.mean,
            std_uncertainty=p.scale * math.sqrt(variance + floor),
            degrees_of_freedom=self.degrees_of_freedom,
            half_step=self.half_step,
            expanded_uncertainty=p.scale
            * math.sqrt(quantile**2 * variance + 1.96**2 * (rounding + floor)),
            count=sum(b.count for b in self.bins),
            effective_count=self.line.count / self.decays[self.best].inflation,
        )

    def _posterior(self, fit: Fit, prior: float, weight: float) -> tuple[float, float]:
        """Shrinkage of the amplitude, and the log of the weight that the readings give this time constant."""
        v0 = self.variance / fit.sxx
        log_weight = (
            math.log(weight)
            - 0.5 * (fit.residual - self.decays[self.best].residual) / self.variance
            - 0.5 * fit.amplitude * fit.amplitude / (prior + v0)
            + 0.5 * math.log(v0 / (prior + v0))
        )
        return prior / (prior + v0), log_weight


def _weighted(logs: Sequence[float], values: Sequence[float]) -> float:
    """Mean of the values, weighted by the exponentials of the logs."""
    top = max(logs)
    weights = [math.exp(value - top) for value in logs]
    return math.fsum(w * v for w, v in zip(weights, values, strict=True)) / math.fsum(
        weights
    )
