"""The bank's filters and sums against dense linear algebra with explicit covariance matrices, and its limits."""

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daq.settling.distributions import student_t_cdf
from daq.settling.level_bank import LevelBank, Levels
from daq.settling.parameters import CREEPS, STANDARD, TIME_CONSTANTS, Parameters

Array = NDArray[np.float64]
BIN_S = 2.0
LEVEL = 1000.0
LIMIT = 5.0

WHITE = replace(STANDARD, white_weight=1e200)
"""So much weight on white noise that no other counts."""

PINK = replace(STANDARD, white_weight=1e-200, pink_weight=1e200)
"""Only pink noise."""

PINK_TIMES_S = [2.0 * 3.0**i for i in range(7)]
"""A pink noise is a sum of equal parts with these time constants, up to half an hour and threefold each."""


def _wandering(time_s: float, share: float) -> Parameters:
    """As standard, but only that one noise counts."""
    return replace(
        STANDARD,
        white_weight=1e-200,
        pink_weight=1e-200,
        noise_times_s=(time_s,),
        noise_shares=(share,),
    )


def _bank(
    means: Array,
    *,
    firsts: Sequence[int] = (0,),
    parameters: Parameters = STANDARD,
    limits: Sequence[float] = (LIMIT,),
    references: Sequence[float] = (LEVEL,),
) -> LevelBank:
    """A bank fed with bins of shape (channels, bins) that begin at the earliest of `firsts`."""
    bank = LevelBank(
        references=references,
        limits=limits,
        firsts=firsts,
        bin_s=BIN_S,
        parameters=parameters,
    )
    for column in means.T:
        bank.add(column)
    return bank


def _levels(bank: LevelBank) -> Levels:
    return bank.levels(np.full(len(bank.plain_means()), LIMIT))


def _drift_probabilities(
    bank: LevelBank, *, declared_bin: int, hidden: float = 0.0
) -> list[float]:
    channels = len(bank.plain_means())
    found = bank.drift_probabilities(
        np.full(channels, LIMIT),
        hidden=np.full(channels, hidden),
        declared_bin=declared_bin,
    )
    return [float(probability) for probability in found]


# ---- the same by dense linear algebra


@dataclass(frozen=True, slots=True)
class Noise:
    """Prior weight and correlation matrix of one noise."""

    weight: float
    matrix: Array


def _noises(times_s: Array, parameters: Parameters) -> list[Noise]:
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


def _generalised(matrix: Array, design: Array, y: Array) -> tuple[Array, Array, float]:
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
    (mean,), information, misfit = _generalised(total, ones, y)
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


def _dense(
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
    for noise in _noises(since_s[here], p):
        drifts = list(_drifts(since_s, first))
        designs = [np.column_stack([np.ones(n), c[here]]) for _, _, c in drifts]
        least = min(_generalised(noise.matrix, d, y)[2] for d in designs)
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


def _record(bins: int, *, seed: int, memory: float, size: float) -> Array:
    """A decay and noise that wanders."""
    generator = np.random.default_rng(seed)
    noise = generator.normal(0.0, size, bins)
    for i in range(1, bins):
        noise[i] += memory * noise[i - 1]
    since_s = np.arange(bins) * BIN_S
    return LEVEL + LIMIT * (1.2 * np.exp(-since_s / 45.0) + noise)


NOISES = {
    "white only": WHITE,
    "wandering only": _wandering(10.0, 0.7),
    "slowly wandering only": _wandering(60.0, 0.95),
    "pink only": PINK,
    "white or wandering": replace(STANDARD, noise_times_s=(10.0,), noise_shares=(0.7,)),
    "standard": STANDARD,
}


@pytest.mark.parametrize("parameters", NOISES.values(), ids=NOISES.keys())
@pytest.mark.parametrize("missing", [0.0, 0.3], ids=["whole", "with missing bins"])
@pytest.mark.parametrize(("memory", "size"), [(0.0, 0.3), (0.8, 0.1)])
def test_filters_and_sums_equal_the_dense_solution_under_every_noise(
    parameters: Parameters, missing: float, memory: float, size: float
) -> None:
    means = _record(50, seed=4, memory=memory, size=size)
    means[1:-1][np.random.default_rng(9).random(48) < missing] = np.nan
    first, declared_bin = 7, 7 + 20
    bank = _bank(means[None, :], firsts=[first], parameters=parameters)
    found = _levels(bank)
    expected = _dense(
        means, first=first, declared_bin=declared_bin, parameters=parameters
    )
    assert found.level[0] - LEVEL == pytest.approx(expected.level - LEVEL, rel=1e-6)
    assert found.variance[0] == pytest.approx(expected.variance, rel=1e-6)
    assert found.effective_count[0] == pytest.approx(expected.effective_count, rel=1e-6)
    assert _drift_probabilities(bank, declared_bin=declared_bin) == pytest.approx(
        [expected.drift_probability], rel=1e-6
    )


@pytest.mark.parametrize("parameters", NOISES.values(), ids=NOISES.keys())
def test_the_steady_mean_is_the_generalised_mean_of_each_noise_weighted(
    parameters: Parameters,
) -> None:
    p = parameters
    means = _record(40, seed=5, memory=0.5, size=0.3)
    means[5:30:6] = np.nan
    here = ~np.isnan(means)
    y, n = (means[here] - LEVEL) / LIMIT, int(here.sum())
    since_s = np.arange(40, dtype=np.float64) * BIN_S
    logs, levels, variances, informations = [], [], [], []
    for noise in _noises(since_s[here], p):
        (mean,), information, squares = _generalised(noise.matrix, np.ones((n, 1)), y)
        s2 = (squares + p.noise_prior * p.noise_floor**2) / (n - 1.5 + p.noise_prior)
        logs.append(
            math.log(noise.weight)
            - 0.5 * (n - 1.0) * math.log(s2)
            - 0.5 * float(np.linalg.slogdet(noise.matrix)[1])
            - 0.5 * math.log(float(information[0, 0]))
        )
        levels.append(float(mean))
        informations.append(float(information[0, 0]))
        variances.append(s2 / float(information[0, 0]))
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    level = float(weights @ levels)
    variance = float(weights @ (np.array(variances) + (np.array(levels) - level) ** 2))

    found = _bank(means[None, :], parameters=p).steady_levels()
    assert found.level[0] - LEVEL == pytest.approx(LIMIT * level, rel=1e-9)
    assert found.variance[0] == pytest.approx(LIMIT**2 * variance, rel=1e-9)
    assert found.effective_count[0] == pytest.approx(
        float(weights @ informations), rel=1e-9
    )


# ---- limits that are known


def _decaying(amplitude: float, tau_s: float, bins: int = 60) -> Array:
    """A decay without noise, its amplitude at the window's start in tolerances."""
    since_s = np.arange(bins) * BIN_S
    return (LEVEL + LIMIT * amplitude * np.exp(-since_s / tau_s))[None, :]


def test_a_prior_without_room_for_drift_leaves_the_mean() -> None:
    # White noise, every bin there: the generalised mean is the plain one, and no drift is taken off it.
    tight = replace(WHITE, kappas=((1e-9, 1.0),), creep_kappas=((1e-9, 1.0),))
    means = _record(50, seed=6, memory=0.0, size=0.3)
    found = _levels(_bank(means[None, :], parameters=tight))
    assert found.level[0] == pytest.approx(float(means.mean()), rel=1e-12)
    assert found.effective_count[0] == pytest.approx(50.0)


@pytest.mark.parametrize("tau_s", [tau for tau, _ in TIME_CONSTANTS])
@pytest.mark.parametrize("amplitude", [-2.0, 3.0])
def test_a_prior_with_any_room_for_drift_finds_where_a_decay_ends(
    tau_s: float, amplitude: float
) -> None:
    wide = replace(
        WHITE,
        kappas=((1e9, 1.0),),
        creep_kappas=((1e9, 1.0),),
        start_max=1e9,
        noise_floor=1e-6,
    )
    bank = _bank(_decaying(amplitude, tau_s), parameters=wide)
    found = _levels(bank)
    assert found.level[0] == pytest.approx(LEVEL, abs=1e-4 * LIMIT)
    # The mean itself is far off.
    assert abs(bank.plain_means()[0] - LEVEL) > 0.1 * LIMIT


@pytest.mark.parametrize("tau_s", [tau for tau, _ in TIME_CONSTANTS])
def test_a_drift_of_just_the_tolerance_at_the_declaration_may_be_either(
    tau_s: float,
) -> None:
    # No noise: the drift's estimate is the tolerance itself, and its distribution is symmetrical about it.
    declared_bin = 15
    amplitude = math.exp(declared_bin * BIN_S / tau_s)
    clean = replace(WHITE, noise_floor=1e-6, start_max=1e6, kappa_check=1e3)
    bank = _bank(_decaying(amplitude, tau_s), parameters=clean)
    [probability] = _drift_probabilities(bank, declared_bin=declared_bin)
    assert probability == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(("left", "expected"), [(0.9, 0.0), (-0.9, 0.0), (1.1, 1.0)])
def test_a_drift_without_noise_is_inside_the_tolerance_or_outside(
    left: float, expected: float
) -> None:
    declared_bin = 15
    amplitude = left * math.exp(declared_bin * BIN_S / 60.0)
    clean = replace(WHITE, noise_floor=1e-6)
    bank = _bank(_decaying(amplitude, 60.0), parameters=clean)
    [probability] = _drift_probabilities(bank, declared_bin=declared_bin)
    assert probability == pytest.approx(expected, abs=1e-6)


def test_drift_that_rounding_may_hide_counts_as_drift() -> None:
    bank = _bank(_record(50, seed=7, memory=0.0, size=0.1)[None, :])
    shown = [
        _drift_probabilities(bank, declared_bin=20, hidden=h * LIMIT)
        for h in (0.0, 0.3, 1.0, 1e12)
    ]
    assert shown == sorted(shown)
    # No room left at all: whatever drift there is lies outside.
    assert shown[-1] == pytest.approx([1.0], abs=1e-6)


def test_a_quiet_constant_channel_is_its_mean_and_has_no_drift() -> None:
    bank = _bank(np.full((1, 60), LEVEL + 1.0), references=[LEVEL + 1.0])
    found = _levels(bank)
    assert found.level[0] == LEVEL + 1.0
    [probability] = _drift_probabilities(bank, declared_bin=20)
    assert probability < STANDARD.accept_probability
    # Nothing but the prior of the noise's size is left, spread over the bins.
    assert 0.0 < found.variance[0] < (STANDARD.noise_floor * LIMIT) ** 2


def test_more_of_the_same_makes_the_level_surer() -> None:
    means = _record(400, seed=8, memory=0.0, size=0.3)[None, 150:]
    variances = [
        float(_levels(_bank(means[:, :n])).variance[0]) for n in (30, 60, 120, 240)
    ]
    assert variances == sorted(variances, reverse=True)


def test_the_best_decay_is_that_of_least_squares() -> None:
    means = _record(60, seed=9, memory=0.0, size=0.1)
    means[10:50:7] = np.nan
    here = ~np.isnan(means)
    since_s = np.arange(60)[here] * BIN_S

    def fitted(tau_s: float) -> tuple[float, float, float, float]:
        design = np.column_stack([np.ones(len(since_s)), np.exp(-since_s / tau_s)])
        coefficients, *_ = np.linalg.lstsq(design, means[here], rcond=None)
        residuals = means[here] - design @ coefficients
        level, amplitude = map(float, coefficients)
        return float(residuals @ residuals), tau_s, level, amplitude

    _, *expected = min(fitted(tau_s) for tau_s, _ in TIME_CONSTANTS)
    found = _bank(means[None, :]).best_decays()
    assert [float(of_it) for (of_it,) in found] == pytest.approx(expected)


# ---- what must not matter


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1), st.floats(-3.0, 3.0), st.floats(-1e4, 1e4))
def test_another_unit_and_another_zero_change_nothing_but_the_figures(
    seed: int, decades: float, offset: float
) -> None:
    means = _record(40, seed=seed, memory=0.3, size=0.3)[None, :]
    factor = 10.0**decades
    plain_bank = _bank(means)
    plain = _levels(plain_bank)
    bank = _bank(
        factor * means + offset,
        limits=[factor * LIMIT],
        references=[factor * LEVEL + offset],
    )
    limits = np.array([factor * LIMIT])
    scaled = bank.levels(limits)
    assert scaled.level[0] - factor * LEVEL - offset == pytest.approx(
        factor * (plain.level[0] - LEVEL), rel=1e-3, abs=1e-6 * factor
    )
    assert scaled.variance[0] == pytest.approx(factor**2 * plain.variance[0], rel=1e-3)
    found = bank.drift_probabilities(limits, hidden=np.zeros(1), declared_bin=20)
    assert found.tolist() == pytest.approx(
        _drift_probabilities(plain_bank, declared_bin=20), abs=1e-4
    )


def _assert_same(
    together: LevelBank, row: int, alone: LevelBank, *, declared_bin: int
) -> None:
    """Everything that the bank says of one of its channels, beside one that has only this channel."""
    of_all, of_one = _levels(together), _levels(alone)
    for name in ("level", "plain", "variance", "effective_count"):
        found, expected = getattr(of_all, name)[row], getattr(of_one, name)[0]
        assert found == pytest.approx(expected, rel=1e-12)
    found = _drift_probabilities(together, declared_bin=declared_bin)[row]
    [expected] = _drift_probabilities(alone, declared_bin=declared_bin)
    assert found == pytest.approx(expected, rel=1e-12)
    decays = zip(together.best_decays(), alone.best_decays(), strict=True)
    assert all(a[row] == pytest.approx(b[0], rel=1e-12) for a, b in decays)


def test_several_channels_at_once_are_each_as_if_alone() -> None:
    means = np.stack([_record(60, seed=s, memory=0.4, size=0.3) for s in (1, 2, 3)])
    means[1, 5:50:4] = np.nan
    together = _bank(means, firsts=[0] * 3, limits=[LIMIT] * 3, references=[LEVEL] * 3)
    for row in range(3):
        _assert_same(together, row, _bank(means[row : row + 1]), declared_bin=20)


def test_a_channel_whose_window_begins_later_is_as_if_it_had_begun_alone() -> None:
    means = np.stack([_record(60, seed=s, memory=0.4, size=0.3) for s in (1, 2)])
    # What came before its window is nonsense.
    means[1, :25] = 1e6
    together = _bank(means, firsts=[4, 29], limits=[LIMIT] * 2, references=[LEVEL] * 2)
    _assert_same(together, 1, _bank(means[1:, 25:], firsts=[29]), declared_bin=45)


def test_a_bin_more_is_no_longer_what_was_said_before_it() -> None:
    # What is found out once and asked twice must not outlive the bins that it was found out from.
    means = _record(60, seed=5, memory=0.4, size=0.3)[None, :]
    bank = _bank(means[:, :-1])
    before = float(_levels(bank).level[0])
    bank.add(means[:, -1])
    assert float(_levels(bank).level[0]) != before
    _assert_same(bank, 0, _bank(means), declared_bin=20)


# ---- for ever


@pytest.mark.slow
def test_after_a_day_of_bins_the_running_sums_still_equal_the_direct_formula() -> None:
    # 24 hours in bins of 2 s, at 1e5 with a scatter of 0.01; white noise, so the direct formula is that of the mean.
    n = 43_200
    means = 1e5 + np.random.default_rng(24).normal(0.0, 0.01, n)
    white = replace(WHITE, noise_floor=1e-6)
    bank = _bank(
        means[None, :], parameters=white, limits=[500.0], references=[float(means[0])]
    )
    exact = math.fsum(means) / n
    squares = math.fsum((means - exact) ** 2)
    prior = white.noise_prior * (white.noise_floor * 500.0) ** 2
    variance = (squares + prior) / (n - 1.5 + white.noise_prior) / n
    assert bank.plain_means()[0] == pytest.approx(exact, rel=1e-15, abs=1e-9 * 0.01)
    assert bank.steady_levels().variance[0] == pytest.approx(variance, rel=1e-9)
