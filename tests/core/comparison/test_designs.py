"""What a plan would show, against tables of power and against simulated sessions."""

import math

import numpy as np
import pytest

from daq.comparison.designs import difference_shown, repeats_to_show
from daq.comparison.verdicts import Verdict
from tests.core.comparison.simulated import (
    BASELINE,
    POWER,
    Bench,
    comparison_of,
    session,
)


# Two-sided t test at 0.05 with power 0.8: 16.71, 11.09, 8.06, 5.09 a group for these standardised differences (statsmodels,
# TTestIndPower.solve_power; J. Cohen, Statistical Power Analysis, 2nd ed. (1988), table 2.4.1 prints 17, -, -, 6).
@pytest.mark.parametrize(
    ("standardised", "repeats"), [(1.0, 17), (1.25, 12), (1.5, 9), (2.0, 6)]
)
def test_with_a_known_spread_the_repeats_are_those_of_the_t_test(standardised, repeats):
    found = repeats_to_show(
        standardised, std_dev=1.0, degrees_of_freedom=math.inf, conditions=1
    )
    assert found == repeats


def test_a_spread_known_from_few_repeats_asks_for_more():
    def needed(degrees):
        return repeats_to_show(
            1.5, std_dev=1.0, degrees_of_freedom=degrees, conditions=1
        )

    assert needed(4) > needed(20) >= needed(math.inf)


def test_what_the_meter_cannot_tell_no_repeats_show():
    found = repeats_to_show(
        1.0, std_dev=0.1, degrees_of_freedom=10, conditions=2, systematic=1.0
    )
    assert found is None


def test_more_repeats_show_less():
    def shown(repeats):
        return difference_shown(
            [repeats] * 3, baseline_repeats=repeats, std_dev=1.0, degrees_of_freedom=8
        )

    assert shown(2) > shown(3) > shown(6)


def test_repeats_and_size_agree():
    size = difference_shown(
        [5] * 3, baseline_repeats=5, std_dev=1.0, degrees_of_freedom=8
    )
    assert size is not None
    needed = repeats_to_show(
        size * 1.001, std_dev=1.0, degrees_of_freedom=8, conditions=3
    )
    assert needed == 5


@pytest.mark.parametrize("wrong", [([], 3, 1.0), ([3], 0, 1.0), ([3], 3, 0.0)])
def test_a_plan_without_trials_or_spread_shows_nothing(wrong):
    repeats, baseline, std_dev = wrong
    assert (
        difference_shown(
            repeats, baseline_repeats=baseline, std_dev=std_dev, degrees_of_freedom=8
        )
        is None
    )


@pytest.mark.slow
def test_the_size_stated_is_found_four_times_in_five():
    random = np.random.default_rng(21)
    nothing = {BASELINE: 1000.0, "first": 1000.0, "second": 1000.0, "third": 1000.0}
    found = 0
    for _ in range(300):
        before = comparison_of(
            POWER, session(nothing, Bench(), random), baseline=BASELINE
        )
        stated = before.differences[0].detectable
        assert stated is not None
        truth = {**nothing, "first": 1000.0 - stated}
        after = comparison_of(POWER, session(truth, Bench(), random), baseline=BASELINE)
        found += after.differences[0].verdict is Verdict.REAL
    # 75 to 85 %, and three standard deviations of 300 draws about it.
    assert 0.73 <= found / 300 <= 0.87
