"""Statistics of short, autocorrelated records, against tables, certified data and closed forms."""

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daq.stats import (
    corrected_autocorrelation,
    estimate_mean,
    lag_one_autocorrelation,
    normal_cdf,
    normal_quantile,
    student_t_cdf,
    student_t_quantile,
    undithered_half_step,
)

VECTORS = json.loads(
    (Path(__file__).parent.parent / "vectors" / "statistics.json").read_text(
        encoding="utf-8"
    )
)
STEADY = settings(derandomize=True, deadline=None, max_examples=100)


# ---- Student's t and the normal distribution


@pytest.mark.parametrize(
    "row", VECTORS["t_factors"]["factors"], ids=lambda r: f"{r['percent']}-{r['nu']}"
)
def test_the_t_factors_are_those_of_the_table(row: dict[str, float]) -> None:
    upper = 0.5 + row["percent"] / 200.0
    factor = student_t_quantile(upper, row["nu"])
    assert factor == pytest.approx(row["t"], abs=VECTORS["t_factors"]["tolerance"])


def test_one_and_two_degrees_of_freedom_have_a_closed_form() -> None:
    # nu = 1 is Cauchy's distribution: F = 1/2 + atan(x)/pi; nu = 2: F = 1/2 + x/(2 sqrt(2 + x^2)).
    for x in (-3.0, -0.5, 0.0, 1.0, 12.0):
        cauchy = 0.5 + math.atan(x) / math.pi
        assert student_t_cdf(x, 1) == pytest.approx(cauchy, abs=1e-14)
        two = 0.5 + x / (2.0 * math.sqrt(2.0 + x * x))
        assert student_t_cdf(x, 2) == pytest.approx(two, abs=1e-14)


@STEADY
@given(st.floats(0.5, 0.999), st.integers(1, 200))
def test_the_quantile_undoes_the_distribution(probability: float, nu: int) -> None:
    assert student_t_cdf(student_t_quantile(probability, nu), nu) == pytest.approx(
        probability, abs=1e-12
    )


@STEADY
@given(st.floats(-30.0, 30.0), st.integers(1, 60))
def test_the_t_distribution_is_symmetric(x: float, nu: int) -> None:
    assert student_t_cdf(x, nu) + student_t_cdf(-x, nu) == pytest.approx(1.0, abs=1e-12)


def test_fractional_degrees_of_freedom_are_truncated_as_the_gum_advises() -> None:
    # JCGM 100:2008, G.4.1: interpolate or truncate to the next lower integer.
    assert student_t_quantile(0.975, 16.99) == student_t_quantile(0.975, 16)


def test_less_than_one_degree_of_freedom_counts_as_one() -> None:
    assert student_t_quantile(0.975, 0.3) == student_t_quantile(0.975, 1)


def test_the_normal_quantile_is_the_limit_of_many_degrees_of_freedom() -> None:
    # Any table of the normal distribution: 1.644854, 1.959964, 2.575829.
    assert student_t_quantile(0.95, math.inf) == pytest.approx(1.644854, abs=1e-6)
    assert student_t_quantile(0.975, math.inf) == pytest.approx(1.959964, abs=1e-6)
    assert normal_quantile(0.995) == pytest.approx(2.575829, abs=1e-6)


def test_beyond_the_exact_series_the_quantile_goes_on_smoothly() -> None:
    exact, expanded = student_t_quantile(0.975, 200), student_t_quantile(0.975, 200.5)
    assert 0.0 < exact - expanded < 1e-4
    # Printed tables of Student's t: 1.9623 at 1000 degrees of freedom.
    assert student_t_quantile(0.975, 1000) == pytest.approx(1.9623, abs=5e-5)
    assert student_t_quantile(0.975, 1e12) == pytest.approx(1.959964, abs=1e-6)


def test_the_normal_distribution_is_that_of_the_table() -> None:
    # Abramowitz and Stegun, Table 26.1: P(1) = 0.841344746, P(2) = 0.977249868.
    assert normal_cdf(0.0) == 0.5
    assert normal_cdf(1.0) == pytest.approx(0.841344746, abs=5e-10)
    assert normal_cdf(-2.0) == pytest.approx(1.0 - 0.977249868, abs=5e-10)


def test_impossible_arguments_of_the_distributions_are_refused() -> None:
    with pytest.raises(ValueError, match="degrees of freedom 0, expected at least 1"):
        student_t_cdf(0.0, 0)
    for probability in (0.4, 0.9999, math.nan):
        with pytest.raises(ValueError, match=r"expected 0\.5 to 0\.999"):
            student_t_quantile(probability, 5)


# ---- certified data


def _certified_data(row: dict[str, Any]) -> list[float]:
    return [float(x) for x in row["first"] + row["pair"] * row["times"]]


@pytest.mark.parametrize("row", VECTORS["certified"]["sets"], ids=lambda r: r["id"])
def test_the_lag_one_correlation_is_the_certified_one(row: dict[str, Any]) -> None:
    data = _certified_data(row)
    # The decimals of NumAcc3 and NumAcc4 cannot be held exactly: what the mean misses is some 1e-10 of a step.
    assert lag_one_autocorrelation(data) == pytest.approx(row["lag_one"], abs=1e-8)


@pytest.mark.parametrize(
    "row",
    [row for row in VECTORS["certified"]["sets"] if row["id"] != "NumAcc1"],
    ids=lambda r: r["id"],
)
def test_mean_and_scatter_are_the_certified_ones(row: dict[str, Any]) -> None:
    estimate = estimate_mean(_certified_data(row))
    assert estimate.mean == pytest.approx(row["mean"], rel=1e-15)
    # Undo s sqrt((1 + rho)/(1 - rho))/sqrt(n): s^2 = u^2 n_eff.
    std_dev = estimate.std_uncertainty * math.sqrt(estimate.effective_count)
    assert std_dev == pytest.approx(row["std_dev"], rel=row["std_dev_tolerance"])


def test_an_alternating_record_is_not_credited_with_more_than_its_count() -> None:
    # r1 = -0.999 would give n_eff of two million from 1001 values.
    estimate = estimate_mean([1.2] + [1.1, 1.3] * 500)
    assert estimate.effective_count == estimate.count == 1001


@pytest.mark.parametrize(
    ("values", "text"), [([1.0], "1 values"), ([2.0, 2.0, 2.0], "all values are equal")]
)
def test_no_correlation_without_scatter(values: list[float], text: str) -> None:
    with pytest.raises(ValueError, match=text):
        lag_one_autocorrelation(values)


def test_the_corrected_correlation_stays_between_none_and_nineteen_twentieths() -> None:
    assert corrected_autocorrelation(-0.9, 50, 1) == 0.0
    assert corrected_autocorrelation(0.99, 50, 1) == 0.95
    # By hand: 50 times 0.4 plus 1, over 50 less 3.
    assert corrected_autocorrelation(0.4, 50, 1) == pytest.approx(21.0 / 47.0)
    # And with two parameters 50 times 0.4 plus 2, over 50 less 4.
    assert corrected_autocorrelation(0.4, 50, 2) == pytest.approx(22.0 / 46.0)


# ---- the mean of an autocorrelated record


def _autoregressive(
    generator: np.random.Generator, n: int, phi: float
) -> NDArray[np.float64]:
    """A stationary first-order autoregressive record of unit variance."""
    noise = generator.normal(0.0, math.sqrt(1.0 - phi * phi), n)
    record = np.empty(n)
    record[0] = generator.normal()
    for i in range(1, n):
        record[i] = phi * record[i - 1] + noise[i]
    return record


def _effective_count(n: int, phi: float) -> float:
    """Closed form for the mean of a first-order process of known coefficient."""
    return n**2 * (1.0 - phi) ** 2 / (n - 2.0 * phi - n * phi**2 + 2.0 * phi ** (n + 1))


@pytest.mark.parametrize(
    "row", VECTORS["autoregressive"]["effective_counts"], ids=lambda r: f"{r['phi']}"
)
def test_the_closed_form_used_below_is_the_published_sum(row: dict[str, float]) -> None:
    n, phi = int(row["n"]), row["phi"]
    bracket = 1.0 + 2.0 * sum((1.0 - k / n) * phi**k for k in range(1, n))
    assert n / bracket == pytest.approx(row["n_eff"], abs=5e-5)
    assert _effective_count(n, phi) == pytest.approx(row["n_eff"], abs=5e-5)


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.5, 0.8])
def test_the_effective_count_of_a_long_record_nears_the_closed_form(phi: float) -> None:
    n = 20_000
    record = _autoregressive(np.random.default_rng(41), n, phi)
    estimate = estimate_mean(record.tolist())
    # r1 scatters by sqrt((1 - phi^2)/n) (Bartlett); n_eff/n = (1 - phi)/(1 + phi) by 2/(1 - phi^2) times as much, relatively.
    scatter = 2.0 / math.sqrt((1.0 - phi * phi) * n)
    expected = _effective_count(n, phi)
    assert estimate.effective_count == pytest.approx(expected, rel=4.0 * scatter)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "phi"), [(60, 0.0), (60, 0.4), (60, 0.7), (120, 0.8)])
def test_the_interval_covers_the_mean_of_a_correlated_record_often_enough(
    n: int, phi: float
) -> None:
    generator = np.random.default_rng(20_260)
    runs, covered = 1500, 0
    for _ in range(runs):
        estimate = estimate_mean(_autoregressive(generator, n, phi).tolist())
        half = estimate.std_uncertainty * student_t_quantile(
            0.975, estimate.degrees_of_freedom
        )
        covered += abs(estimate.mean) <= half
    # True coverage of 93 % at least: the count may fall short of it by 3.1 binomial standard deviations (99.9 %).
    least = 0.93 - 3.1 * math.sqrt(0.93 * 0.07 / runs)
    assert covered / runs >= least


def test_independent_values_have_the_standard_error_of_the_textbook() -> None:
    # 1, 2, 3, 4, shuffled so that r1 < 0: s/sqrt(n) = sqrt(5/3)/2 (GUM 4.2.3, equation (5)).
    estimate = estimate_mean([2.0, 4.0, 1.0, 3.0])
    assert estimate.mean == 2.5
    assert estimate.std_uncertainty == pytest.approx(math.sqrt(5.0 / 3.0) / 2.0)
    assert estimate.degrees_of_freedom == 3.0


def test_equal_values_have_a_mean_and_no_scatter() -> None:
    estimate = estimate_mean([0.1] * 6)
    assert estimate.mean == pytest.approx(0.1)
    # Not exactly 0: the mean of six times 0.1 is rounded.
    assert estimate.std_uncertainty < 1e-16
    # No correlation seen, corrected for six values: 1/(6 - 3), so 6 (1 - 1/3)/(1 + 1/3).
    assert estimate.effective_count == pytest.approx(3.0)


def test_three_values_are_too_few_for_a_mean() -> None:
    with pytest.raises(ValueError, match="3 values, expected at least 4"):
        estimate_mean([1.0, 2.0, 3.0])


@STEADY
@given(
    st.lists(st.integers(-1000, 1000), min_size=4, max_size=40),
    st.integers(-(10**6), 10**6),
)
def test_a_shift_of_all_values_shifts_the_mean_alone(
    values: Sequence[int], shift: int
) -> None:
    plain = estimate_mean([float(v) for v in values])
    shifted = estimate_mean([float(v + shift) for v in values])
    assert shifted.mean - shift == pytest.approx(plain.mean, abs=1e-8)
    assert shifted.std_uncertainty == pytest.approx(plain.std_uncertainty, abs=1e-6)


# ---- rounding that noise does not dither


@pytest.mark.parametrize(
    ("scatter", "expected"),
    [
        (0.0, 0.05),  # nothing dithers: half a step
        (0.045, 0.05),  # 0.45 steps
        (0.0525, 0.025),  # half-way between 0.45 and 0.60 steps
        (0.06, 0.0),  # 0.60 steps
        (1.0, 0.0),
    ],
)
def test_half_a_step_may_hide_unless_noise_dithers_it(
    scatter: float, expected: float
) -> None:
    assert undithered_half_step(scatter, 0.1) == pytest.approx(expected, abs=1e-12)


def test_a_display_without_steps_hides_nothing() -> None:
    assert undithered_half_step(0.0, 0.0) == 0.0


def test_degrees_of_freedom_just_under_a_whole_number_are_that_number() -> None:
    assert student_t_quantile(0.975, 2.0 - 1e-12) == student_t_quantile(0.975, 2.0)
