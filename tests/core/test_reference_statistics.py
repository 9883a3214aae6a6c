"""Means, scatter and correlation against certified data; distributions and sums against closed forms."""

import json
import math
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.stats import (
    corrected_autocorrelation,
    estimate_mean,
    f_tail,
    incomplete_beta,
    lag_one_autocorrelation,
    normal_cdf,
    sample_mean,
    sample_std_dev,
    student_t_cdf,
)

VECTORS = Path(__file__).parent.parent / "vectors"
NIST = json.loads((VECTORS / "nist_univariate.json").read_text(encoding="utf-8"))
SETS: list[dict[str, Any]] = NIST["sets"]
STEADY = settings(derandomize=True, deadline=None, max_examples=100)

ROUNDING = {
    # What the decimals lose when they become binary: half an ulp of the level, over the standard deviation.
    "Mavro": 5.2e-13,
    "Michelso": 3.6e-13,
    "NumAcc2": 1.2e-15,
    "NumAcc3": 5.9e-10,
    "NumAcc4": 9.4e-9,
}
"""Relative error of standard deviation and correlation that binary numbers allow; for whole numbers a few ulps."""


def _arctan_of_inverse(x: int, scale: int) -> int:
    """Scaled arctan(1/x), by its series in whole numbers."""
    term = total = scale // x
    n, sign = 3, -1
    while term:
        term //= x * x
        total += sign * (term // n)
        n, sign = n + 2, -sign
    return total


@cache
def _digits_of_pi(count: int) -> list[str]:
    """The first digits, 3 included, by Machin's formula: pi/4 = 4 arctan(1/5) - arctan(1/239)."""
    scale = 10 ** (count + 20)
    rest = 4 * (4 * _arctan_of_inverse(5, scale) - _arctan_of_inverse(239, scale))
    digits = []
    for _ in range(count):
        digit, rest = divmod(rest, scale)
        digits.append(str(digit))
        rest *= 10
    return digits


def _texts(row: dict[str, Any]) -> list[str]:
    if row.get("data") == "pi":
        digits = list(_digits_of_pi(row["count"]))
        digits[row["index"]] = row["digit"]
        return digits
    if "data" in row:
        return list(row["data"])
    return [*row["first"], *(row["pair"] * row["times"])]


@pytest.fixture(params=SETS, ids=[row["id"] for row in SETS])
def certified(request: pytest.FixtureRequest) -> tuple[dict[str, Any], list[str]]:
    row: dict[str, Any] = request.param
    return row, _texts(row)


def _relative(got: float, certified_text: str) -> float:
    exact = Fraction(certified_text)
    return float(abs(Fraction(got) - exact) / abs(exact))


# ---- certified data


def test_the_data_are_as_many_as_certified(
    certified: tuple[dict[str, Any], list[str]],
) -> None:
    row, texts = certified
    assert len(texts) == row["count"]


def test_the_data_themselves_give_the_certified_figures(
    certified: tuple[dict[str, Any], list[str]],
) -> None:
    # Exact fractions of the decimals: what was copied is what NIST certified, to its last printed digit.
    row, texts = certified
    data = [Fraction(text) for text in texts]
    mean = sum(data) / len(data)
    squares = sum((x - mean) ** 2 for x in data)
    lag = sum((a - mean) * (b - mean) for a, b in pairwise(data))
    assert _relative(float(mean), row["mean"]) < 1e-14
    variance = squares / (len(data) - 1)
    assert _relative(math.sqrt(variance), row["std_dev"]) < 3e-15
    assert _relative(float(lag / squares), row["lag_one"]) < 3e-15


def test_the_mean_is_the_certified_one(
    certified: tuple[dict[str, Any], list[str]],
) -> None:
    row, texts = certified
    # One rounding of the data, one of the sum, one of the quotient; NIST prints fifteen digits where they do not end.
    mean = sample_mean([float(text) for text in texts])
    assert _relative(mean, row["mean"]) < 1e-15


def test_the_standard_deviation_is_the_certified_one(
    certified: tuple[dict[str, Any], list[str]],
) -> None:
    row, texts = certified
    std_dev = sample_std_dev([float(text) for text in texts])
    assert _relative(std_dev, row["std_dev"]) < ROUNDING.get(row["id"], 3e-15)


def test_the_lag_one_correlation_is_the_certified_one(
    certified: tuple[dict[str, Any], list[str]],
) -> None:
    row, texts = certified
    lag_one = lag_one_autocorrelation([float(text) for text in texts])
    assert _relative(lag_one, row["lag_one"]) < ROUNDING.get(row["id"], 3e-15)


def test_nothing_is_lost_beyond_what_the_binary_data_lost(
    certified: tuple[dict[str, Any], list[str]],
) -> None:
    # Second opinion in exact fractions of the binary data: an ulp or two, NumAcc4 included.
    data = [float(text) for text in certified[1]]
    exact = [Fraction(x) for x in data]
    mean = sum(exact) / len(exact)
    variance = sum((x - mean) ** 2 for x in exact) / (len(exact) - 1)
    assert sample_mean(data) == pytest.approx(float(mean), rel=3e-16)
    assert sample_std_dev(data) == pytest.approx(math.sqrt(variance), rel=1e-15)


@STEADY
@given(st.lists(st.integers(-1000, 1000), min_size=2, max_size=30), st.integers(0, 40))
def test_a_level_far_above_the_scatter_costs_no_digit(
    values: list[int], exponent: int
) -> None:
    # Whole numbers up to 2^41 are exact, so the scatter must be the same to the last bit or two.
    low = sample_std_dev([float(value) for value in values])
    high = sample_std_dev([float(value + 2**exponent) for value in values])
    assert high == pytest.approx(low, rel=1e-12, abs=1e-12)


def test_equal_values_have_no_scatter() -> None:
    # The mean of three times 0.1 is not 0.1; the correction takes that out.
    assert sample_std_dev([0.1] * 3) == 0.0


def test_too_few_values_for_mean_or_scatter_are_refused() -> None:
    with pytest.raises(ValueError, match="no values, expected at least 1"):
        sample_mean([])
    with pytest.raises(ValueError, match="1 values, expected at least 2"):
        sample_std_dev([1.0])


# ---- Snedecor's F


@pytest.mark.parametrize(
    ("numerator", "denominator", "upper_five_percent"),
    [
        # Printed tables of F, upper 5 % (NIST/SEMATECH e-Handbook, 1.3.6.7.3).
        (1, 1, 161.448),
        (1, 10, 4.965),
        (2, 10, 4.103),
        (3, 16, 3.239),
        (5, 20, 2.711),
        (10, 30, 2.165),
        (9, 40, 2.124),
    ],
)
def test_the_tail_of_f_is_that_of_the_table(
    numerator: int, denominator: int, upper_five_percent: float
) -> None:
    # Half of the last printed digit either way must straddle 5 %.
    assert f_tail(upper_five_percent + 5e-4, numerator, denominator) < 0.05
    assert f_tail(upper_five_percent - 5e-4, numerator, denominator) > 0.05


def test_two_degrees_of_freedom_above_have_a_closed_form() -> None:
    # nu1 = 2: Q = (1 + 2 F/nu2)^(-nu2/2), by integration of the density.
    for ratio in (0.01, 0.5, 1.0, 3.0, 40.0):
        for nu in (1.0, 2.5, 7.0, 300.0):
            closed = (1.0 + 2.0 * ratio / nu) ** (-nu / 2.0)
            assert f_tail(ratio, 2, nu) == pytest.approx(closed, rel=1e-10)


def test_one_degree_of_freedom_above_is_students_t_squared() -> None:
    # A&S 26.6.10: F with 1 and nu is the square of t with nu.
    for t in (0.1, 1.0, 2.5, 12.7):
        for nu in (1, 2, 9, 60):
            both_tails = 2.0 * (1.0 - student_t_cdf(t, nu))
            assert f_tail(t * t, 1, nu) == pytest.approx(both_tails, abs=1e-11)


def test_an_exact_variance_below_leaves_chi_squared() -> None:
    # nu2 without limit, nu1 = 1: the normal distribution's two tails; nu1 = 2: exp(-F).
    assert f_tail(4.0, 1, math.inf) == pytest.approx(2 * normal_cdf(-2.0), rel=1e-5)
    assert f_tail(3.0, 2, math.inf) == pytest.approx(math.exp(-3.0), rel=1e-5)


@STEADY
@given(st.floats(1e-3, 1e3), st.floats(1.0, 200.0), st.floats(1.0, 200.0))
def test_exchanging_the_variances_exchanges_the_tails(
    ratio: float, numerator: float, denominator: float
) -> None:
    # A&S 26.6.9: the lower tail of F is the upper one of 1/F with the degrees of freedom exchanged.
    both = f_tail(ratio, numerator, denominator) + f_tail(
        1.0 / ratio, denominator, numerator
    )
    assert both == pytest.approx(1.0, abs=1e-11)


def test_no_ratio_and_any_ratio_are_the_ends_of_f() -> None:
    assert f_tail(0.0, 3, 5) == 1.0
    assert f_tail(math.inf, 3, 5) == 0.0
    assert incomplete_beta(0.0, 2.0, 3.0) == 0.0
    assert incomplete_beta(1.0, 2.0, 3.0) == 1.0


@pytest.mark.parametrize(
    "arguments", [(-1.0, 3, 5), (math.nan, 3, 5), (1.0, 0, 5), (1.0, 3, 0)]
)
def test_impossible_arguments_of_f_are_refused(
    arguments: tuple[float, float, float],
) -> None:
    with pytest.raises(ValueError, match="degrees of freedom, expected F >= 0"):
        f_tail(*arguments)


# ---- the mean of a first-order autoregressive process


def _variance_of_the_mean(n: int, rho: float) -> float:
    """Of unit variance: the published sum, 1/n [1 + 2 sum (1 - k/n) rho^k] (Zhang, Metrologia 43 (2006) S276)."""
    return (1.0 + 2.0 * sum((1.0 - k / n) * rho**k for k in range(1, n))) / n


@pytest.mark.parametrize("n", [4, 30, 100])
@pytest.mark.parametrize("rho", [-0.5, 0.0, 0.3, 0.8, 0.95])
def test_the_published_sum_is_the_whole_covariance_matrix_added_up(
    n: int, rho: float
) -> None:
    lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    assert float(np.sum(rho**lags)) / n**2 == pytest.approx(
        _variance_of_the_mean(n, rho), rel=1e-12
    )
    # GUM (16) needs no more; the closed form of the geometric sums, n^2 (1 - rho)^2 over the bracket.
    closed = (n - 2.0 * rho - n * rho**2 + 2.0 * rho ** (n + 1)) / (
        n**2 * (1.0 - rho) ** 2
    )
    assert closed == pytest.approx(_variance_of_the_mean(n, rho), rel=1e-11)


def _record_of_correlation(n: int, rho: float) -> list[float]:
    """A record whose corrected lag-1 correlation is rho: white noise blended with its running sum."""
    white = np.random.default_rng(n).normal(size=n)
    wandering = np.cumsum(white - white.mean())
    wandering /= wandering.std()

    def blended(share: float) -> list[float]:
        return (share * wandering + (1.0 - share) * white).tolist()

    low, high = 0.0, 1.0
    for _ in range(60):
        share = 0.5 * (low + high)
        found = corrected_autocorrelation(
            lag_one_autocorrelation(blended(share)), n, parameters=1
        )
        low, high = (share, high) if found < rho else (low, share)
    return blended(low)


@pytest.mark.parametrize(
    ("n", "rho", "long_record", "exact"),
    [
        # n (1 - rho)/(1 + rho), and n over the bracket of the published sum.
        (100, 0.5, 33.3333, 33.7838),
        (60, 0.8, 6.6667, 7.2000),
        (300, 0.9, 15.7895, 16.3043),
    ],
)
def test_a_record_of_known_correlation_is_worth_no_more_than_the_closed_form(
    n: int, rho: float, long_record: float, exact: float
) -> None:
    record = _record_of_correlation(n, rho)
    estimate = estimate_mean(record)
    assert 1.0 / _variance_of_the_mean(n, rho) == pytest.approx(exact, abs=5e-5)
    assert estimate.effective_count == pytest.approx(long_record, abs=5e-5)
    assert estimate.effective_count < exact
    # And its uncertainty follows from the certified kind of standard deviation.
    assert estimate.std_uncertainty == pytest.approx(
        sample_std_dev(record) / math.sqrt(long_record), rel=1e-5
    )
