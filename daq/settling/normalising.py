"""Readings as they would be at a reference voltage: the exponent that takes them there, and what it leaves open.

Power, current and airflow follow a wandering supply by y ~ V^k. The exponent k is fitted from the trial's own bins and
carried with its uncertainty; where the readings cannot tell it, nothing is normalised. Knows no channel and no plan:
whether a voltage may serve as reference is checked where the plan is read (config/normalising.py).
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daq.records import Contribution, Evaluation, NormalisedBy
from daq.stats import corrected_autocorrelation

SUPPLY_END = "supply end"
"""Place of a voltage that may serve as reference: upstream of whatever is plugged in."""

LEAST_BINS = 20
"""Fewer leave no room for a drift beside the exponent [1]."""

LARGEST_CORRELATION = 0.7
"""Of voltage and elapsed time [1]: above it what the voltage did and what warming up did cannot be told apart."""

LARGEST_STD_UNCERTAINTY = 0.3
"""Of the exponent [1]: with a larger one the voltage moved too little, and normalising may add more than it takes."""

_DRIFTS_S = (15.0, 40.0, 100.0)
"""Time constants of the drifts that are fitted beside the exponent, with a level and a line [s]."""

_DRIFT_PARAMETERS = 2 + len(_DRIFTS_S)


@dataclass(frozen=True, slots=True)
class Normalising:
    """What a plan asks for.

    Attributes:
        reference: Name of the voltage channel, measured upstream of whatever the conditions change.
        channels: Names of the channels that are normalised.
        reference_v: One voltage for the whole session [V].
    """

    reference: str
    channels: tuple[str, ...]
    reference_v: float


class WhyNotFitted(StrEnum):
    """Why bins do not tell the exponent of the voltage."""

    FEW_BINS = "too few bins"
    NOT_POSITIVE = "readings that are not above zero"
    WITH_TIME = "voltage and elapsed time ran together"
    STEADY = "the voltage moved too little"


@dataclass(frozen=True, slots=True)
class Exponent:
    """The exponent k of y ~ V^k [1], with its standard uncertainty (type A) and degrees of freedom [1]."""

    value: float
    std_uncertainty: float
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True)
class NotFitted:
    """No exponent: why, the figure that tells, and what it would have to keep to [1]."""

    reason: WhyNotFitted
    figure: float
    limit: float

    def in_words(self) -> str:
        """The reason with its figures, for people."""
        if self.reason is WhyNotFitted.FEW_BINS:
            told = f"{self.figure:.0f}, at least {self.limit:.0f} are needed"
        elif self.reason is WhyNotFitted.NOT_POSITIVE:
            told = f"the least is {self.figure:.4g}"
        elif self.reason is WhyNotFitted.WITH_TIME:
            told = f"correlation {self.figure:.2f}, at most {self.limit:g}"
        else:
            told = f"standard uncertainty of its exponent {self.figure:.2g}, at most {self.limit:g}"
        return f"{self.reason.value} ({told})"


def fit_exponent(
    values: NDArray[np.float64],
    voltages: NDArray[np.float64],
    times_s: NDArray[np.float64],
    *,
    step_v: float = 0.0,
) -> Exponent | NotFitted:
    r"""Exponent k of y ~ V^k, fitted beside whatever drift the machine shows at the same time.

    .. math:: \ln y = k \ln V + b_0 + b_1 t + \sum_{j} b_j e^{-t/\tau_j} + e,
        \quad e_i = \rho e_{i-1} + \varepsilon_i

    Generalised least squares: rho from the residuals of an ordinary fit, then both sides less rho times their
    predecessors. Level, line and exponentials keep their form under that, so the drift is taken out before and after.
    With rho near 1 this is a regression of increments on increments, with rho = 0 one of levels on levels.

    A display that shows whole steps q adds at most q^2/12 to the variance of each voltage and so draws k towards
    zero by at most the share a that this has in the sum of squares that tells k: k is divided by 1 - a/2, and what
    is left open is a contribution of its own.

    Args:
        values: Bin means of the channel [any unit]. Shape (n,), NaN where a bin is missing.
        voltages: Bin means of the reference voltage [V]. Shape (n,), NaN where a bin is missing.
        times_s: Of the bins, evenly spaced [s]. Shape (n,).
        step_v: The voltmeter's display step [V]; 0 where it has none.

    Returns:
        k with standard uncertainty and degrees of freedom [1], or why there is none.

    Validity:
        The channel follows the voltage within a bin, and by one power over the few percent that a supply wanders.
        Drifts as a machine shows when it warms up, and noise with correlation as an AR(1) process; coverage of k ± t u is
        between 92 % and 97 % in tests/core/settling/test_normalising.py. The voltage must not follow from the channel: what the
        machine's own noise does to a supply of some tenths of an ohm is far below that.

    Source:
        Cochrane and Orcutt, Journal of the American Statistical Association 44 (1949) 32, for the regression; Frisch
        and Waugh, Econometrica 1 (1933) 387, for taking the drift out of both sides (both cited from memory);
        Sheppard's correction for the display; correlation of at most 0.7: our own limit.

    Example:
        >>> t = np.arange(0.0, 80.0, 2.0)
        >>> v = 230.0 + np.sin(t)
        >>> round(fit_exponent(0.02 * v**1.8, v, t).value, 6)
        1.8
    """
    present = np.isfinite(values) & np.isfinite(voltages)
    count = int(np.count_nonzero(present))
    if count < LEAST_BINS:
        return NotFitted(WhyNotFitted.FEW_BINS, count, LEAST_BINS)
    whole = count == len(values)
    y, v = (values, voltages) if whole else (values[present], voltages[present])
    least = float(min(y.min(), v.min()))
    if least <= 0.0:
        return NotFitted(WhyNotFitted.NOT_POSITIVE, least, 0.0)
    if (r := _correlation(v, times_s if whole else times_s[present])) is None:
        return NotFitted(WhyNotFitted.STEADY, math.inf, LARGEST_STD_UNCERTAINTY)
    if abs(r) > LARGEST_CORRELATION:
        return NotFitted(WhyNotFitted.WITH_TIME, r, LARGEST_CORRELATION)
    logs = np.zeros((len(values), 2))
    # Rows of missing bins stay zero and take no part in any sum.
    logs[present, 0] = np.log(y / y[0])
    logs[present, 1] = np.log(v / v[0])
    bin_s = float(times_s[-1] - times_s[0]) / (len(times_s) - 1)
    found = _regression(logs, present, bin_s, step_v / float(v[0]))
    if not found.std_uncertainty <= LARGEST_STD_UNCERTAINTY:
        return NotFitted(
            WhyNotFitted.STEADY, found.std_uncertainty, LARGEST_STD_UNCERTAINTY
        )
    return found


def _correlation(
    voltages: NDArray[np.float64], times_s: NDArray[np.float64]
) -> float | None:
    """Of voltage and elapsed time; None where the voltage never changes."""
    v, t = voltages - voltages.mean(), times_s - times_s.mean()
    squares = float(v @ v)
    if squares <= len(v) * (1e-12 * float(voltages[0])) ** 2:
        return None
    return float(v @ t) / math.sqrt(squares * float(t @ t))


def _regression(
    logs: NDArray[np.float64],
    present: NDArray[np.bool_],
    bin_s: float,
    relative_step: float,
) -> Exponent:
    """Both passes: levels for the residuals' correlation, then less so much of the bin before."""
    y, v = _without_drift(logs, present, bin_s).T
    residuals = y - (y @ v) / (v @ v) * v
    squares = max(float(residuals @ residuals), 1e-300)
    lag = float(residuals[1:] @ residuals[:-1]) / squares
    bins = int(np.count_nonzero(present))
    rho = corrected_autocorrelation(lag, bins, 1 + _DRIFT_PARAMETERS)
    neighbours = present[1:] & present[:-1]
    pairs = int(np.count_nonzero(neighbours))
    steps = (logs[1:] - rho * logs[:-1]) * neighbours[:, np.newaxis]
    y, v = _without_drift(steps, neighbours, bin_s).T
    squares = float(v @ v)
    k = float(y @ v) / squares
    residuals = y - k * v
    freedom = pairs - 2 - _DRIFT_PARAMETERS
    variance = float(residuals @ residuals) / freedom / squares
    half = pairs * relative_step**2 / 12.0 * (1.0 + rho * rho) / squares / 2.0
    return _less_display(k, variance, freedom, half)


def _less_display(k: float, variance: float, freedom: int, half: float) -> Exponent:
    """What the display may have drawn k towards zero: half of it is made up for, the other half left open."""
    if half >= 0.5:
        return Exponent(k, math.inf, freedom)
    k, variance = k / (1.0 - half), variance / (1.0 - half) ** 2
    whole = variance + (k * half) ** 2 / 3.0
    nu = freedom * (whole / variance) ** 2 if variance > 0.0 else math.inf
    return Exponent(k, math.sqrt(whole), nu)


def _without_drift(
    logs: NDArray[np.float64], present: NDArray[np.bool_], bin_s: float
) -> NDArray[np.float64]:
    """Columns less level, line and exponentials; rows of zeros, where something is missing, stay so."""
    count = len(logs)
    if present.all():
        drifts = _orthonormal_drifts(count, bin_s)
    else:
        drifts = np.linalg.qr(_drifts(count, bin_s) * present[:, np.newaxis]).Q
    return logs - drifts @ (drifts.T @ logs)


@lru_cache(maxsize=512)
def _orthonormal_drifts(count: int, bin_s: float) -> NDArray[np.float64]:
    return np.linalg.qr(_drifts(count, bin_s)).Q


@lru_cache(maxsize=512)
def _drifts(count: int, bin_s: float) -> NDArray[np.float64]:
    t = np.arange(count) * bin_s
    decays = [np.exp(-t / tau) for tau in _DRIFTS_S]
    return np.stack([np.ones(count), t / t[-1], *decays], axis=1)


def normalise(
    value: float, voltage: float, *, exponent: float, reference_v: float
) -> float:
    r"""A value as it would be at the reference voltage.

    .. math:: y_0 = y (V_0/V)^k

    Args:
        value: y [any unit].
        voltage: V at the same time [V], > 0.
        exponent: k [1].
        reference_v: V_0 [V], > 0.

    Returns:
        y_0 [unit of value].

    Raises:
        ValueError: If a voltage is not above zero.

    Validity:
        A few percent from the voltage at which the exponent was fitted.

    Source:
        Own rule; the power law is the first term of ln y in ln V.

    Example:
        >>> round(normalise(1000.0, 228.0, exponent=2.0, reference_v=230.0), 3)
        1017.621
    """
    if not (voltage > 0.0 and reference_v > 0.0):
        msg = f"voltage {voltage} V with reference {reference_v} V, expected both above 0 V"
        raise ValueError(msg)
    return float(value * (reference_v / voltage) ** exponent)


def normalise_bins(
    values: NDArray[np.float64],
    voltages: NDArray[np.float64],
    *,
    exponent: float,
    reference_v: float,
) -> NDArray[np.float64]:
    """Many values as they would be at the reference voltage; as `normalise`.

    Args:
        values: Bin means [any unit]. Shape (n,), NaN where a bin is missing.
        voltages: At the same times [V]. Shape (n,), > 0, NaN where a bin is missing.
        exponent: k [1].
        reference_v: V_0 [V], > 0.

    Returns:
        Values at the reference voltage [unit of values]; NaN where either is missing.

    Source:
        As `normalise`.
    """
    return values * (reference_v / voltages) ** exponent


def exponent_contribution(mean: float, by: NormalisedBy) -> Contribution:
    r"""What the exponent's uncertainty adds to that of a normalised mean.

    .. math:: u = u(k) \left|\ln\frac{V_0}{\bar V}\right| \, |\bar y_0|

    Args:
        mean: The normalised mean [any unit].
        by: Reference voltage V_0 and mean voltage [V], exponent with u(k) and its degrees of freedom [1].

    Returns:
        Contribution of type A [unit of mean].

    Validity:
        The exponent's error is independent of the mean's: so it is where the same bins gave both, because a
        regression's slope is uncorrelated with the level at the regressor's mean.

    Source:
        JCGM 100:2008 (GUM), 5.1.2, with the derivative of y (V_0/V)^k by k.

    Example:
        >>> by = NormalisedBy("supply", 230.0, 1.8, 0.1, 30.0, 228.0)
        >>> round(exponent_contribution(1000.0, by).std_uncertainty, 4)
        0.8734
    """
    distance = math.log(by.reference_v / by.mean_voltage_v)
    return Contribution(
        by.std_uncertainty * abs(distance * mean),
        by.degrees_of_freedom,
        name="exponent of the voltage",
        kind=Evaluation.TYPE_A,
        detail=(
            f"k = {by.exponent:.3f}, u(k) = {by.std_uncertainty:.2g},"
            f" from {by.mean_voltage_v:.2f} V to {by.reference_v:g} V"
        ),
    )
