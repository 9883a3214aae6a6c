"""What `LevelBank` should say, by dense linear algebra with explicit covariance matrices; of its own making throughout."""

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.settling.distributions import student_t_cdf
from daq.settling.parameters import CREEPS, TIME_CONSTANTS, Parameters

Array = NDArray[np.float64]
BIN_S = 2.0
LEVEL = 1000.0
LIMIT = 5.0

PINK_TIMES_S = [2.0 * 3.0**i for i in range(7)]
"""A pink noise is a sum of equal parts with these time constants, up to half an hour and threefold each."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Prior weight and correlation matrix of one noise."""

    weight: float
    matrix: Array


def noises_of(times_s: Array, parameters: Parameters) -> list[Noise]:
    """White, white with an Ornstein-Uhlenbeck process, white with several: (1 - share) I + share exp(-|t - t'|/time)."""
    apart = np.abs(times_s[:, None] - times_s[None, :])
    found = [Noise(parameters.white_weight, np.eye(len(times_s)))]
    pairs = list(itertools.product(parameters.noise_times_s, parameters.noise_shares))
    for time_s, share in pairs:
        matrix = (1.0 - share) * np.eye(len(times_s)) + share * np.exp(-apart / time_s)
        found.append(Noise(1.0 / len(pairs), matrix))
    share = parameters.pink_share
    parts = np.array([np.exp(-apart / time_s) for time_s in PINK_TIMES_S])
    pink = (1.0 - share) * np.eye(len(times_s)) + share * parts.mean(axis=0)
    return [*found, Noise(parameters.pink_weight, pink)]


def _drifts(since_s: Array, first: int) -> Iterable[tuple[bool, float, Array]]:
    """Whether it creeps, its prior weight, its course; 1 at the window's start."""
    for tau_s, weight in TIME_CONSTANTS:
        yield False, weight, np.exp(-since_s / tau_s)
    for knee_s, power, weight in CREEPS:
        start_s = (first + 1) * BIN_S
        course = (1.0 + start_s / knee_s) / (1.0 + (start_s + since_s) / knee_s)
        yield True, weight, course**power


def generalised(matrix: Array, design: Array, y: Array) -> tuple[Array, Array, float]:
    """Generalised least squares: coefficients, information matrix, weighted residual sum of squares."""
    inverse = np.linalg.inv(matrix)
    information = design.T @ inverse @ design
    projected = design.T @ inverse @ y
    coefficients = np.asarray(np.linalg.solve(information, projected), np.float64)
    residuals = y - design @ coefficients
    return coefficients, information, float(residuals @ inverse @ residuals)


@dataclass(frozen=True, slots=True)
class Dense:
    """What the bank tells of one channel."""

    level: float
    variance: float
    effective_count: float
    drift_probability: float


@dataclass(frozen=True, slots=True)
class _Pair:
    """One noise with one drift and one prior."""

    log_weight: float
    level: float
    variance: float
    information: float
    drift: float
    deviation: float


def _pair(
    noise: Noise, course: Array, y: Array, *, width: float, s2: float, least: float
) -> _Pair:
    """The drift's amplitude as one more random contribution to the covariance, not as a fitted coefficient."""
    n = len(y)
    ones = np.ones((n, 1))
    total = s2 * noise.matrix + width**2 * np.outer(course, course)
    (mean,), information, misfit = generalised(total, ones, y)
    inverse = np.linalg.inv(total)
    along = inverse @ ones / math.sqrt(float(information[0, 0]))
    projected = inverse - along @ along.T
    log_weight = -0.5 * (
        float(np.linalg.slogdet(total)[1])
        + math.log(float(information[0, 0]))
        + misfit
        - least / s2
    )
    amplitude = width**2 * float(course @ projected @ y)
    variance = width**2 - width**4 * float(course @ projected @ course)
    plain = float(np.linalg.inv(noise.matrix).sum())
    return _Pair(
        log_weight,
        float(mean),
        1.0 / float(information[0, 0]),
        plain,
        amplitude,
        math.sqrt(variance),
    )


def _mixture(
    pairs: Sequence[tuple[float, _Pair]],
) -> tuple[Array, Sequence[_Pair]]:
    """Weights that add up to 1."""
    logs = np.array([math.log(prior) + pair.log_weight for prior, pair in pairs])
    weights = np.exp(logs - logs.max())
    return weights / weights.sum(), [pair for _, pair in pairs]


def dense_levels(
    means: Array, *, first: int, declared_bin: int, parameters: Parameters
) -> Dense:
    """One channel's level, from its bins' covariance under every noise and drift."""
    p = parameters
    here = ~np.isnan(means)
    since_s = np.arange(len(means), dtype=np.float64) * BIN_S
    y = (means[here] - LEVEL) / LIMIT
    n = len(y)
    levelled: list[tuple[float, _Pair]] = []
    checked: list[tuple[float, _Pair, float]] = []
    for noise in noises_of(since_s[here], p):
        drifts = list(_drifts(since_s, first))
        designs = [np.column_stack([np.ones(n), c[here]]) for _, _, c in drifts]
        least = min(generalised(noise.matrix, d, y)[2] for d in designs)
        s2 = (least + p.noise_prior * p.noise_floor**2) / (n - 2.5 + p.noise_prior)
        for creeps, weight, course in drifts:
            for kappa, share in p.creep_kappas if creeps else p.kappas:
                width = min(kappa / course[-1], p.start_max)
                pair = _pair(noise, course[here], y, width=width, s2=s2, least=least)
                levelled.append((noise.weight * weight * share, pair))
            at_declaration = float(course[declared_bin - first])
            width = min(p.kappa_check / at_declaration, p.start_max)
            pair = _pair(noise, course[here], y, width=width, s2=s2, least=least)
            prior = noise.weight * weight * (p.creep_share if creeps else 1.0)
            checked.append((prior, pair, at_declaration))
    weights, kept = _mixture(levelled)
    levels = np.array([pair.level for pair in kept])
    variances = np.array([pair.variance for pair in kept])
    level = float(weights @ levels)
    return Dense(
        LEVEL + LIMIT * level,
        LIMIT**2 * float(weights @ (variances + (levels - level) ** 2)),
        float(weights @ np.array([pair.information for pair in kept])),
        _outside(checked),
    )


def _outside(checked: Sequence[tuple[float, _Pair, float]]) -> float:
    """Probability that the drift at the declaration is outside the tolerance."""
    weights, kept = _mixture([(prior, pair) for prior, pair, _ in checked])
    shares = np.array([share for _, _, share in checked])
    drift = shares * np.array([pair.drift for pair in kept])
    deviation = shares * np.array([pair.deviation for pair in kept])
    nu = np.array([max(2.0, pair.information - 2.0) for pair in kept])
    inside = student_t_cdf((1.0 - drift) / deviation, nu) - student_t_cdf(
        (-1.0 - drift) / deviation, nu
    )
    return float(weights @ (1.0 - inside))


def record_of(bins: int, *, seed: int, memory: float, size: float) -> Array:
    """A decay and noise that wanders."""
    generator = np.random.default_rng(seed)
    noise = generator.normal(0.0, size, bins)
    for i in range(1, bins):
        noise[i] += memory * noise[i - 1]
    since_s = np.arange(bins) * BIN_S
    return LEVEL + LIMIT * (1.2 * np.exp(-since_s / 45.0) + noise)
