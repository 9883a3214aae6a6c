"""The bank's filters and sums against dense linear algebra with explicit covariance matrices, and its limits."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.settling.level_bank import LevelBank, Levels
from daq.settling.parameters import STANDARD, TIME_CONSTANTS, Parameters
from tests.core.settling.dense_levels import (
    BIN_S,
    LEVEL,
    LIMIT,
    Array,
    dense_levels,
    generalised,
    noises_of,
    record_of,
)

WHITE = replace(STANDARD, white_weight=1e200)
"""So much weight on white noise that no other counts."""

PINK = replace(STANDARD, white_weight=1e-200, pink_weight=1e200)
"""Only pink noise."""


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
    limits = np.full(len(bank.plain_means()), LIMIT)
    left = bank.drift_left(
        limits, hidden=np.full(len(limits), hidden), declared_bin=declared_bin
    )
    return [float(probability) for probability in left.outside(limits)]


# ---- the same by dense linear algebra


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
    means = record_of(50, seed=4, memory=memory, size=size)
    means[1:-1][np.random.default_rng(9).random(48) < missing] = np.nan
    first, declared_bin = 7, 7 + 20
    bank = _bank(means[None, :], firsts=[first], parameters=parameters)
    found = _levels(bank)
    expected = dense_levels(
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
    means = record_of(40, seed=5, memory=0.5, size=0.3)
    means[5:30:6] = np.nan
    here = ~np.isnan(means)
    y, n = (means[here] - LEVEL) / LIMIT, int(here.sum())
    since_s = np.arange(40, dtype=np.float64) * BIN_S
    logs, levels, variances, informations = [], [], [], []
    for noise in noises_of(since_s[here], p):
        (mean,), information, squares = generalised(noise.matrix, np.ones((n, 1)), y)
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
    means = record_of(50, seed=6, memory=0.0, size=0.3)
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
    bank = _bank(record_of(50, seed=7, memory=0.0, size=0.1)[None, :])
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
    means = record_of(400, seed=8, memory=0.0, size=0.3)[None, 150:]
    variances = [
        float(_levels(_bank(means[:, :n])).variance[0]) for n in (30, 60, 120, 240)
    ]
    assert variances == sorted(variances, reverse=True)


def test_the_best_decay_is_that_of_least_squares() -> None:
    means = record_of(60, seed=9, memory=0.0, size=0.1)
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
    means = record_of(40, seed=seed, memory=0.3, size=0.3)[None, :]
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
    left = bank.drift_left(limits, hidden=np.zeros(1), declared_bin=20)
    assert left.outside(limits).tolist() == pytest.approx(
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
    means = np.stack([record_of(60, seed=s, memory=0.4, size=0.3) for s in (1, 2, 3)])
    means[1, 5:50:4] = np.nan
    together = _bank(means, firsts=[0] * 3, limits=[LIMIT] * 3, references=[LEVEL] * 3)
    for row in range(3):
        _assert_same(together, row, _bank(means[row : row + 1]), declared_bin=20)


def test_a_channel_whose_window_begins_later_is_as_if_it_had_begun_alone() -> None:
    means = np.stack([record_of(60, seed=s, memory=0.4, size=0.3) for s in (1, 2)])
    # What came before its window is nonsense.
    means[1, :25] = 1e6
    together = _bank(means, firsts=[4, 29], limits=[LIMIT] * 2, references=[LEVEL] * 2)
    _assert_same(together, 1, _bank(means[1:, 25:], firsts=[29]), declared_bin=45)


def test_a_bin_more_is_no_longer_what_was_said_before_it() -> None:
    # What is found out once and asked twice must not outlive the bins that it was found out from.
    means = record_of(60, seed=5, memory=0.4, size=0.3)[None, :]
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
