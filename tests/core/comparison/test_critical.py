"""Dunnett's comparison with one baseline and the chance to find a difference, against tables, closed forms and scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]  # ships no types

from daq.comparison.critical import (
    LeastReal,
    chance_to_find,
    difference_found,
    dunnett_probability,
    dunnett_quantile,
)

EQUAL = math.sqrt(0.5)
"""Correlation factor where every condition is repeated as often as the baseline."""

# C. W. Dunnett, J. Amer. Statist. Assoc. 50 (1955) 1096, table 2b (two-sided, 95 %) as corrected in Biometrics 20 (1964)
# 482: conditions, degrees of freedom, printed value. The printed values are cited from memory; scipy agrees with them below.
PRINTED = [(2, 10, 2.57), (3, 16, 2.59), (4, 20, 2.65), (5, 30, 2.66)]


@pytest.mark.parametrize(("conditions", "nu", "printed"), PRINTED)
def test_the_printed_table_is_reproduced(conditions, nu, printed):
    found = dunnett_quantile([EQUAL] * conditions, nu)
    assert found == pytest.approx(printed, abs=0.0051)


@pytest.mark.slow
@pytest.mark.parametrize(("conditions", "nu"), [(2, 10), (3, 16), (4, 4), (6, 3)])
def test_scipys_multivariate_t_gives_the_same_probability(conditions, nu):
    ratio = 2.5
    shape = np.full((conditions, conditions), 0.5) + 0.5 * np.eye(conditions)
    expected = stats.multivariate_t(shape=shape, df=nu, seed=1).cdf(
        np.full(conditions, ratio),
        lower_limit=np.full(conditions, -ratio),
        maxpts=200_000,
    )
    # scipy integrates by random points: good to about 1e-4 here.
    found = dunnett_probability(ratio, [EQUAL] * conditions, nu)
    assert found == pytest.approx(float(expected), abs=5e-4)


def test_dunnetts_blood_counts_come_out_as_he_found_them():
    # Data of Dunnett (1955); the p-values 0.6201 and 0.0059 are those of scipy's documentation of stats.dunnett.
    control = [7.40, 8.50, 7.20, 8.24, 9.84, 8.32]
    a, b = [9.76, 8.80, 7.68, 9.36], [12.80, 9.68, 12.16, 9.20, 10.55]
    groups = [control, a, b]
    nu = sum(len(g) - 1 for g in groups)
    s = math.sqrt(sum((len(g) - 1) * np.var(g, ddof=1) for g in groups) / nu)
    factors = [math.sqrt(len(g) / (len(g) + len(control))) for g in (a, b)]
    found = []
    for group in (a, b):
        error = s * math.sqrt(1 / len(group) + 1 / len(control))
        t = float(abs(np.mean(group) - np.mean(control)) / error)
        found.append(1.0 - dunnett_probability(t, factors, nu))
    assert found == pytest.approx([0.6201, 0.0059], abs=1e-3)


@pytest.mark.parametrize(
    ("nu", "printed"), [(1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (50, 2.01)]
)
def test_a_single_condition_is_students_t(nu, printed):
    # JCGM 100:2008 (GUM), table G.2.
    assert dunnett_quantile([EQUAL], nu) == pytest.approx(printed, abs=0.0051)


@pytest.mark.parametrize("nu", [30.0, 1000.0, 100_000.0])
@pytest.mark.parametrize("ratio", [0.5, 2.0, 4.0])
def test_a_well_known_spread_is_integrated_where_it_lies(nu, ratio):
    # Of one condition it is Student's t, however narrow the distribution of the spread.
    expected = 2.0 * stats.t.cdf(ratio, nu) - 1.0
    assert dunnett_probability(ratio, [EQUAL], nu) == pytest.approx(expected, abs=1e-6)


def test_independent_conditions_with_a_known_spread_are_sidaks():
    # Z. Sidak, J. Amer. Statist. Assoc. 62 (1967) 626: each at 0.95^(1/m).
    expected = stats.norm.ppf(0.5 + 0.5 * 0.95 ** (1 / 3))
    assert dunnett_quantile([0.0] * 3, math.inf) == pytest.approx(expected, abs=1e-5)


@given(st.integers(1, 8), st.integers(1, 60))
def test_more_conditions_ask_for_a_larger_difference(conditions, nu):
    fewer = dunnett_quantile([EQUAL] * conditions, nu)
    assert dunnett_quantile([EQUAL] * (conditions + 1), nu) > fewer


@pytest.mark.parametrize("nu", [3, 8, 30])
def test_with_a_spread_taken_as_true_the_chance_is_that_of_the_noncentral_t(nu):
    factor = float(stats.t.ppf(0.975, nu))
    least = LeastReal(factor, 0.0, 0.0, 1.96)
    for difference in (0.5, 2.0, 4.0):
        found = chance_to_find(
            difference,
            std_error=1.0,
            degrees_of_freedom=nu,
            known_degrees_of_freedom=math.inf,
            threshold=least.of,
        )
        expected = stats.nct.sf(factor, nu, difference) + stats.nct.cdf(
            -factor, nu, difference
        )
        assert found == pytest.approx(float(expected), abs=2e-5)


def test_a_spread_that_is_only_estimated_promises_less():
    least = LeastReal(3.18, 0.0, 0.0, 1.96)

    def chance(known):
        return chance_to_find(
            5.0,
            std_error=1.0,
            degrees_of_freedom=3,
            known_degrees_of_freedom=known,
            threshold=least.of,
        )

    assert chance(3.0) < chance(30.0) < chance(math.inf)


def test_the_difference_found_so_often_is_found_so_often():
    def chance(difference):
        return float(stats.norm.cdf(difference - 1.96))

    found = difference_found(0.8, scale=1.0, chance_of=chance)
    assert found == pytest.approx(1.96 + 0.8416, rel=1e-3)


def test_where_nothing_is_ever_found_there_is_no_such_difference():
    assert difference_found(0.8, scale=1.0, chance_of=lambda _: 0.1) is None


@pytest.mark.parametrize(
    "wrong",
    [(-1.0, [0.5], 5.0), (1.0, [], 5.0), (1.0, [1.0], 5.0), (1.0, [0.5], 0.0)],
)
def test_figures_out_of_range_are_refused(wrong):
    with pytest.raises(ValueError, match="expected"):
        dunnett_probability(*wrong)
