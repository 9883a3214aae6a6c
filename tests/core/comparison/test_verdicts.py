"""Real, not shown, undecided: what each rests on, and that it is as often right as it says."""

import math

import numpy as np
import pytest
from scipy import stats  # type: ignore[import-untyped]  # ships no types

from daq.comparison.observations import Observation, Quantity
from daq.comparison.spread import SpreadSource, StatedSpread
from daq.comparison.verdicts import Verdict, compare_quantity
from daq.repeats import Spread
from tests.core.comparison.simulated import (
    BASELINE,
    POWER,
    Bench,
    comparison_of,
    session,
)

FLOW = Quantity("airflow", "Airflow", "airflow", "m3/h")
KNOWN = StatedSpread(percent=0.5, degrees_of_freedom=12, source="twelve starts in May")


def trials(values, *, within=0.05):
    """Observations from lists of means by condition, carried out in turns."""
    rows = [
        (condition, mean)
        for turn in range(max(map(len, values.values())))
        for condition, means in values.items()
        if turn < len(means)
        for mean in [means[turn]]
    ]
    return [
        Observation(n, condition, 300.0 * n, mean, within, 30.0)
        for n, (condition, mean) in enumerate(rows, 1)
    ]


def compared(values, **options):
    return comparison_of(FLOW, trials(values), baseline="bare", **options)


def test_dunnetts_own_data_are_judged_as_he_judged_them():
    # C. W. Dunnett, J. Amer. Statist. Assoc. 50 (1955) 1096, blood counts: A is not shown to differ, B is.
    counts = {
        "bare": [7.40, 8.50, 7.20, 8.24, 9.84, 8.32],
        "A": [9.76, 8.80, 7.68, 9.36],
        "B": [12.80, 9.68, 12.16, 9.20, 10.55],
    }
    found = comparison_of(FLOW, trials(counts, within=1e-6), baseline="bare")
    assert found.spread is not None
    assert [d.verdict for d in found.differences] == [Verdict.NOT_SHOWN, Verdict.REAL]
    assert found.spread.degrees_of_freedom == 12
    # The paper's allowances, 1.90 for A and 1.90 * ... differ by group size; by his formula with d = 2.57 (printed
    # table, cited from memory): 2.57 s sqrt(1/4 + 1/6) = 1.94.
    assert found.differences[0].least_real == pytest.approx(1.94, abs=0.06)


def test_a_small_comparison_has_welchs_pooled_kin():
    # Two groups of four: Student's two-sample interval, by scipy.stats.ttest_ind(equal_var=True) on the same data.
    one, other = [101.2, 100.8, 101.5, 100.9], [99.8, 100.1, 99.5, 99.9]
    found = compared({"bare": one, "filter": other}).differences[0]
    interval = stats.ttest_ind(other, one).confidence_interval(0.95)
    assert found.difference - found.expanded_uncertainty == pytest.approx(interval.low)
    assert found.difference + found.expanded_uncertainty == pytest.approx(interval.high)
    assert found.least_real == pytest.approx(found.expanded_uncertainty, rel=1e-5)
    assert found.verdict is Verdict.REAL


def test_one_trial_a_condition_is_never_real():
    found = compared({"bare": [100.0], "filter": [60.0]}).differences[0]
    assert found.verdict is Verdict.UNDECIDED
    assert (found.least_real, found.detectable) == (None, None)


def test_undecided_says_at_which_spread_it_would_vanish():
    found = compared({"bare": [100.0], "filter": [99.0]}).differences[0]
    # 1.0 less what the scatter within allows, over 1.96 sqrt(2).
    expanded = found.expanded_uncertainty
    expected = math.sqrt(1.0 - expanded**2) / (1.959964 * math.sqrt(2.0))
    assert found.vanishing_spread == pytest.approx(expected, rel=1e-5)


def test_what_the_scatter_within_explains_has_vanished_already():
    found = compared({"bare": [100.0], "filter": [99.95]}).differences[0]
    assert found.vanishing_spread is None


def test_repeats_with_too_few_degrees_of_freedom_stay_undecided():
    values = {"bare": [100.0, 100.2], "filter": [90.0, 90.1]}
    assert compared(values).differences[0].verdict is Verdict.UNDECIDED


def test_earlier_sessions_of_the_machine_can_tell_the_spread():
    values = {"bare": [100.0, 100.2], "filter": [90.0]}
    found = compared(values, earlier=[(2, Spread(0.2, 5))])
    assert found.spread.source is SpreadSource.EARLIER
    # JCGM 100:2008 (GUM), 4.2.4: pooled over 1 and 5 degrees of freedom.
    own = 0.2 / math.sqrt(2.0)
    pooled = math.sqrt((own**2 + 5 * 0.2**2) / 6)
    assert found.spread.std_dev == pytest.approx(pooled)
    assert found.differences[0].verdict is Verdict.REAL


def test_a_stated_spread_is_of_the_baselines_mean_and_named_with_its_source():
    found = compared({"bare": [200.0], "filter": [190.0]}, stated=KNOWN)
    assert found.spread.std_dev == pytest.approx(1.0)
    assert "twelve starts in May" in found.spread.detail
    assert found.differences[0].verdict is Verdict.REAL


def test_this_sessions_repeats_come_before_all_others():
    values = {"bare": [100.0, 100.2, 99.9], "filter": [90.0, 90.3, 90.1]}
    found = compared(values, earlier=[(1, Spread(5.0, 40))], stated=KNOWN)
    assert found.spread.source is SpreadSource.SESSION
    assert found.spread.degrees_of_freedom == 4


def test_not_shown_comes_with_what_would_have_been_found():
    values = {"bare": [100.0, 100.4, 99.8], "filter": [100.1, 99.9, 100.3]}
    found = compared(values).differences[0]
    assert found.verdict is Verdict.NOT_SHOWN
    assert found.detectable > found.least_real > abs(found.difference)


def test_many_readings_do_not_make_a_difference_real():
    # Trials that spread by 0.8 with hardly any scatter within: u of the mean of 4 is 0.4, not 0.025.
    random = np.random.default_rng(3)
    values = {
        "bare": list(random.normal(100, 0.8, 4)),
        "filter": list(random.normal(100, 0.8, 4)),
    }
    found = compared(values)
    expected = (
        2.447 * found.spread.std_dev * math.sqrt(0.5)
    )  # t for 6 (GUM, table G.2: 2.45)
    assert found.differences[0].expanded_uncertainty == pytest.approx(
        expected, rel=1e-3
    )


def test_a_baseline_that_may_be_zero_makes_no_ratio():
    found = compared({"bare": [0.01, -0.02, 0.02], "filter": [5.0, 5.1, 5.05]})
    assert found.differences[0].ratio is None
    assert found.differences[0].verdict is Verdict.REAL


def test_both_figures_are_there_whichever_way_the_plan_says():
    values = {"bare": [100.0, 101.0, 102.0], "filter": [90.3, 91.3, 92.3]}
    left_in, taken_out = (compared(values, bracketing=b) for b in (False, True))
    assert taken_out.differences[0].is_corrected
    assert not left_in.differences[0].is_corrected
    assert (
        left_in.other_differences[0].difference == taken_out.differences[0].difference
    )
    assert (
        taken_out.other_differences[0].difference == left_in.differences[0].difference
    )
    # An even drift is all that these trials vary by: with it taken out hardly anything is left.
    assert (
        taken_out.differences[0].expanded_uncertainty
        < left_in.differences[0].expanded_uncertainty
    )


def test_a_single_baseline_trial_cannot_bracket():
    found = compared({"bare": [100.0], "filter": [90.0, 90.2]}, bracketing=True)
    assert not found.differences[0].is_corrected
    assert found.other_differences == ()


def test_without_a_baseline_trial_nothing_is_compared():
    assert compare_quantity(FLOW, trials({"filter": [1.0]}), baseline="bare") is None


# ---- with known truth: small honest versions of tests/benchmarks/comparison.py


def verdicts(truth, bench, *, seed, sessions):
    random = np.random.default_rng(seed)
    for _ in range(sessions):
        found = comparison_of(POWER, session(truth, bench, random), baseline=BASELINE)
        yield found.differences


NOTHING_LOST = {BASELINE: 1000.0, "first": 1000.0, "second": 1000.0, "third": 1000.0}


@pytest.mark.slow
def test_with_nothing_lost_real_is_said_in_one_session_of_twenty_at_most():
    said = sum(
        any(d.verdict is Verdict.REAL for d in found)
        for found in verdicts(NOTHING_LOST, Bench(), seed=11, sessions=300)
    )
    # At 5 % 300 sessions show more than 27 once in a thousand (binomial).
    assert said <= 27


@pytest.mark.slow
def test_intervals_cover_the_true_differences():
    truth = {BASELINE: 1000.0, "first": 950.0, "second": 1020.0, "third": 870.0}
    inside = [
        abs(d.difference - (truth[d.condition] - 1000.0)) <= d.expanded_uncertainty
        for found in verdicts(truth, Bench(), seed=12, sessions=300)
        for d in found
    ]
    assert np.mean(inside) >= 0.93


@pytest.mark.slow
def test_a_hidden_spread_of_twice_the_scatter_within_never_makes_real():
    truth = {BASELINE: 1000.0, "first": 950.0, "second": 1020.0, "third": 870.0}
    bench = Bench(spread=0.2, within=0.1, repeats=1)
    for found in verdicts(truth, bench, seed=13, sessions=100):
        assert all(d.verdict is Verdict.UNDECIDED for d in found)
