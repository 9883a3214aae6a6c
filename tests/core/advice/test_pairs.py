"""Any two conditions against each other: as the comparison has them, and as often right as they say."""

import numpy as np
import pytest
from scipy import stats  # type: ignore[import-untyped]  # ships no types

from daq.advice.pairs import pairwise
from daq.comparison.verdicts import Verdict
from tests.core.advice.sessions import BARE, FLOW, compared, known

MEANS = {
    BARE: [100.0, 101.0, 102.0],
    "a": [95.0, 96.2, 96.9],
    "b": [90.1, 91.0, 92.2],
}


def pairs_of(session):
    found = session.of("airflow")
    seen = session.figures.observations["airflow"]
    conditions = list(dict.fromkeys(o.condition for o in seen))
    return pairwise(found, seen, conditions), found


@pytest.mark.parametrize("bracketing", [False, True])
def test_a_pair_with_the_baseline_has_the_comparisons_own_difference(bracketing):
    pairs, found = pairs_of(compared({FLOW: MEANS}, bracketing=bracketing))
    for difference in found.differences:
        pair = pairs.of(difference.condition, BARE)
        assert pair.difference == pytest.approx(difference.difference)
        assert pair.expanded_uncertainty == pytest.approx(
            difference.expanded_uncertainty
        )


@pytest.mark.parametrize("bracketing", [False, True])
def test_any_pair_is_the_difference_of_two_differences(bracketing):
    pairs, found = pairs_of(compared({FLOW: MEANS}, bracketing=bracketing))
    a, b = found.differences
    expected = a.difference - b.difference
    assert pairs.of("a", "b").difference == pytest.approx(expected)
    assert pairs.of("b", "a").difference == pytest.approx(-expected)


def test_one_pair_alone_is_students_comparison():
    # The 95 % interval by scipy.stats.ttest_ind on the same data, variances pooled.
    means = {BARE: [101.2, 100.8, 101.5, 100.9], "a": [99.8, 100.1, 99.5, 99.9]}
    session = compared({FLOW: means}, within=1e-6)
    pairs, _ = pairs_of(session)
    interval = stats.ttest_ind(means["a"], means[BARE]).confidence_interval(0.95)
    pair = pairs.of("a", BARE)
    assert pair.least == pytest.approx(interval.low)
    assert pair.most == pytest.approx(interval.high)
    assert pair.is_less
    assert pairs.of(BARE, "a").is_more


def test_what_two_conditions_share_does_not_count():
    shared = pairs_of(compared({FLOW: MEANS}, errors={"offset": 20.0}))[0]
    exact = pairs_of(compared({FLOW: MEANS}))[0]
    assert shared.of("a", "b").expanded_uncertainty == pytest.approx(
        exact.of("a", "b").expanded_uncertainty
    )


def test_without_a_known_spread_every_pair_is_undecided():
    means = {BARE: [100.0], "a": [50.0], "b": [10.0]}
    pairs, _ = pairs_of(compared({FLOW: means}))
    assert pairs.of("a", "b").verdict is Verdict.UNDECIDED
    assert not pairs.of("a", "b").is_more


def test_a_pair_that_was_not_looked_at_is_no_pair():
    pairs, _ = pairs_of(compared({FLOW: MEANS}))
    with pytest.raises(KeyError):
        pairs.of("a", "hose")


def test_more_pairs_ask_more_of_each():
    # 1.00 apart with a spread of 0.316 and 30 degrees of freedom: the standard error is 0.447, t(0.975, 30) = 2.04
    # makes 0.913; for fifteen pairs Sidak's level is 0.9966, t about 3.2 (scipy below) makes 1.4.
    level = 1.0 - (1.0 - 0.95 ** (1.0 / 15.0)) / 2.0
    assert stats.t.ppf(level, 30) * 0.447 > 1.0 > stats.t.ppf(0.975, 30) * 0.447
    spreads = {"airflow": known(0.316)}
    two = {BARE: [100.0], "a": [99.0]}
    six = {**two, **{name: [99.5] for name in "bcde"}}
    for means, verdict in [(two, Verdict.REAL), (six, Verdict.NOT_SHOWN)]:
        pairs, _ = pairs_of(compared({FLOW: means}, spreads=spreads))
        assert pairs.of("a", BARE).verdict is verdict


@pytest.mark.slow
@pytest.mark.parametrize("bracketing", [False, True])
def test_where_nothing_differs_seldom_is_any_pair_called_real(bracketing):
    random = np.random.default_rng(3)
    count, alarms, covered = 200, 0, 0
    for _ in range(count):
        means = {n: list(random.normal(100.0, 0.5, 3)) for n in (BARE, "a", "b", "c")}
        session = compared({FLOW: means}, within=0.05, bracketing=bracketing)
        pairs, _ = pairs_of(session)
        alarms += any(p.verdict is Verdict.REAL for p in pairs.found.values())
        covered += pairs.of("a", "b").least <= 0.0 <= pairs.of("a", "b").most
    # 95 % each, with the chance of 1 in 100 for the count itself (binomial quantiles).
    assert alarms <= stats.binom.ppf(0.99, count, 0.05)
    assert covered >= stats.binom.ppf(0.01, count, 0.95)
