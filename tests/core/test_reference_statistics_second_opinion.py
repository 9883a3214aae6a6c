"""Our statistics against two independent libraries: one of statistics (scipy), one of uncertainty (GTC)."""

import math

import GTC  # type: ignore[import-untyped]  # it ships no types
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats as scipy_stats  # type: ignore[import-untyped]  # it ships no types

from daq.repeats import (
    TrialMean,
    add_common,
    average_trials,
    separate_components,
)
from daq.stats import (
    estimate_mean,
    f_tail,
    incomplete_beta,
    lag_one_autocorrelation,
    normal_quantile,
    sample_mean,
    sample_std_dev,
    student_t_cdf,
    student_t_quantile,
)
from daq.uncertainty import Contribution, combine

READINGS = np.random.default_rng(3).normal(50.0, 2.0, (5, 12))
"""Five trials of twelve independent readings."""

APART = READINGS + np.array([[0.0], [2.5], [-3.0], [1.5], [-2.0]])
"""The same, each trial off by an amount of its own."""


# ---- distributions


@pytest.mark.parametrize("nu", [1, 2, 3, 5, 9, 16, 50, 200])
def test_students_t_agrees(nu: int) -> None:
    for x in (-12.0, -1.0, 0.0, 0.3, 2.0, 40.0):
        assert student_t_cdf(x, nu) == pytest.approx(
            scipy_stats.t.cdf(x, nu), abs=1e-13
        )
    for probability in (0.5, 0.9, 0.95, 0.975, 0.99, 0.995):
        assert student_t_quantile(probability, nu) == pytest.approx(
            scipy_stats.t.ppf(probability, nu), abs=1e-9, rel=1e-9
        )


@pytest.mark.parametrize("nu", [201.0, 350.5, 1e4, 1e7])
def test_students_t_agrees_where_it_is_expanded(nu: float) -> None:
    for probability in (0.9, 0.975, 0.995):
        assert student_t_quantile(probability, nu) == pytest.approx(
            scipy_stats.t.ppf(probability, nu), abs=2e-6
        )


def test_the_normal_quantile_agrees() -> None:
    for probability in (0.5, 0.75, 0.975, 0.999):
        assert normal_quantile(probability) == pytest.approx(
            scipy_stats.norm.ppf(probability), abs=1e-12
        )


@pytest.mark.parametrize("numerator", [1, 2, 3.5, 9, 40, 300])
@pytest.mark.parametrize("denominator", [1, 2, 7.25, 40, 1000, 1e6])
def test_the_tail_of_f_agrees(numerator: float, denominator: float) -> None:
    for ratio in (1e-6, 0.1, 0.9, 1.0, 1.1, 2.5, 30.0, 1e4):
        assert f_tail(ratio, numerator, denominator) == pytest.approx(
            scipy_stats.f.sf(ratio, numerator, denominator), rel=1e-7, abs=1e-12
        )


def test_the_incomplete_beta_function_agrees() -> None:
    for a in (0.5, 1.0, 3.0, 200.0):
        for b in (0.5, 2.0, 80.0):
            for x in (1e-6, 0.2, 0.5, 0.8, 0.999):
                assert incomplete_beta(x, a, b) == pytest.approx(
                    scipy_stats.beta.cdf(x, a, b), rel=1e-9, abs=1e-12
                )


# ---- one record


def test_mean_and_standard_deviation_agree() -> None:
    for record in READINGS:
        assert sample_mean(record.tolist()) == pytest.approx(np.mean(record), rel=1e-14)
        assert sample_std_dev(record.tolist()) == pytest.approx(
            scipy_stats.tstd(record), rel=1e-12
        )


def test_the_lag_one_correlation_is_the_slope_from_value_to_value() -> None:
    # A line through the pairs (y_i-1, y_i) differs from r1 by ends alone: put the mean before and after the record
    # and both sums run over the same deviations, so that slope and correlation are one.
    for record in READINGS:
        mean = record.mean()
        padded = np.concatenate([[mean], record, [mean]])
        slope = scipy_stats.linregress(padded[:-1], padded[1:]).slope
        assert lag_one_autocorrelation(record.tolist()) == pytest.approx(
            slope, rel=1e-10
        )


def test_independent_readings_have_the_type_a_evaluation_of_the_library() -> None:
    # An alternating record is not credited with its negative correlation, so it counts as independent.
    record = [49.0, 51.5, 48.5, 52.0, 49.5, 51.0, 48.0, 50.5]
    ours, theirs = estimate_mean(record), GTC.type_a.estimate(record)
    assert ours.mean == pytest.approx(theirs.x)
    assert ours.std_uncertainty == pytest.approx(theirs.u)
    assert ours.degrees_of_freedom == pytest.approx(theirs.df)


# ---- two levels


def trials_of(records: NDArray[np.float64]) -> list[TrialMean]:
    n = records.shape[1]
    return [
        TrialMean(float(r.mean()), float(r.std(ddof=1)) / math.sqrt(n), n - 1.0)
        for r in records
    ]


@pytest.mark.parametrize("records", [READINGS, APART], ids=["alike", "apart"])
def test_the_ratio_of_variances_is_that_of_an_analysis_of_variance(
    records: NDArray[np.float64],
) -> None:
    found = separate_components(trials_of(records))
    assert found is not None
    theirs = scipy_stats.f_oneway(*records)
    assert found.f_ratio == pytest.approx(theirs.statistic, rel=1e-10)
    assert found.f_probability == pytest.approx(theirs.pvalue, rel=1e-7)


def test_a_conditions_mean_is_a_type_a_evaluation_of_its_trial_means() -> None:
    trials = trials_of(APART)
    ours = average_trials(trials)
    theirs = GTC.type_a.estimate([trial.mean for trial in trials])
    assert ours.mean == pytest.approx(theirs.x)
    assert ours.std_uncertainty == pytest.approx(theirs.u)
    assert ours.degrees_of_freedom == pytest.approx(theirs.df)


def test_the_budget_of_a_condition_agrees() -> None:
    # One gain error of standard uncertainty 0.4 % for all trials: it shifts every mean alike.
    trials = trials_of(APART)
    share = 0.004
    mean = GTC.type_a.estimate([trial.mean for trial in trials])
    total = mean * GTC.ureal(1.0, share)
    ours = add_common(average_trials(trials), [share * t.mean for t in trials])
    assert ours.std_uncertainty == pytest.approx(total.u, rel=1e-9)
    assert ours.degrees_of_freedom == pytest.approx(total.df, rel=1e-9)
    # The library takes fractional degrees of freedom, we the next lower whole number (GUM G.4.1).
    assert ours.coverage_factor == pytest.approx(
        GTC.reporting.k_factor(math.floor(total.df)), rel=1e-6
    )


@pytest.mark.parametrize(
    "parts",
    [
        [(0.3, 4.0), (0.2, 9.0), (0.1, math.inf)],
        [(1.0, 1.0), (1.0, 2.0)],
        [(0.01, 3.0), (5.0, math.inf), (0.2, 60.0)],
    ],
)
def test_a_combination_of_contributions_agrees(
    parts: list[tuple[float, float]],
) -> None:
    ours = combine(
        [Contribution(std_uncertainty=u, degrees_of_freedom=nu) for u, nu in parts]
    )
    theirs = sum(GTC.ureal(0.0, u, nu) for u, nu in parts)
    assert ours.std_uncertainty == pytest.approx(theirs.u, rel=1e-12)
    assert ours.degrees_of_freedom == pytest.approx(theirs.df, rel=1e-9)
