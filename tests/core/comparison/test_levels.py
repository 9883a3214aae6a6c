"""What each condition averaged to: from its own spread, a pooled one, or the scatter within a single trial."""

import math
from dataclasses import replace

import pytest

from daq.comparison.levels import condition_levels
from daq.comparison.observations import ErrorPart
from daq.repeats import Basis
from tests.core.comparison.sessions import in_turns


def test_a_condition_repeated_often_enough_goes_by_its_own_spread():
    (level,) = condition_levels("flow", in_turns({"bare": [9.0, 10.0, 11.0, 10.0]}))
    assert level.trials == (1, 2, 3, 4)
    assert level.basis is Basis.OWN_SPREAD
    # s^2 = 2/3 from four means; Student's t for 3 degrees of freedom is 3.182 (GUM, table G.2: 3.18).
    assert level.mean == pytest.approx(10.0)
    assert level.expanded_uncertainty == pytest.approx(
        3.182 * math.sqrt(2.0 / 3.0 / 4.0), rel=1e-3
    )
    assert level.degrees_of_freedom == pytest.approx(3.0)


def test_few_repeats_borrow_the_spread_of_the_other_conditions():
    first, second = condition_levels(
        "flow", in_turns({"bare": [9.0, 11.0], "filter": [5.0, 7.0]})
    )
    assert first.basis is second.basis is Basis.POOLED_SPREAD
    # Each s^2 is 2; pooled s^2 = 2 with 2 degrees of freedom, t = 4.303 (GUM, table G.2: 4.30).
    assert first.expanded_uncertainty == pytest.approx(4.303, rel=1e-3)


def test_a_single_trial_says_that_it_was_not_repeated():
    (level,) = condition_levels("flow", in_turns({"bare": [10.0]}, within=0.5))
    assert level.basis is Basis.NOT_REPEATED
    # t for the 30 degrees of freedom within is 2.042 (GUM, table G.2: 2.04).
    assert level.expanded_uncertainty == pytest.approx(0.5 * 2.042, rel=1e-3)


def test_conditions_come_as_they_were_first_carried_out():
    levels = condition_levels("flow", in_turns({"b": [1.0, 1.0], "a": [2.0, 2.0]}))
    assert [level.condition for level in levels] == ["b", "a"]


def test_what_the_meter_is_off_by_does_not_shrink_with_repeats():
    def expanded(repeats):
        trials = in_turns({"bare": [10.0, 10.001] * repeats}, within=1e-6, own=1.0)
        return condition_levels("flow", trials)[0].expanded_uncertainty

    # Normal distribution, 95 %: 1.96.
    assert expanded(2) == pytest.approx(1.96, rel=1e-3)
    assert expanded(8) == pytest.approx(1.96, rel=1e-3)


def test_what_trials_share_counts_with_what_they_do_not():
    (trial,) = in_turns({"bare": [10.0]}, within=1e-9, own=3.0)
    shared = ErrorPart("vane: gain", 4.0, is_common=True)
    (level,) = condition_levels(
        "flow", [replace(trial, errors=(*trial.errors, shared))]
    )
    assert level.expanded_uncertainty == pytest.approx(5.0 * 1.96, rel=1e-3)


def test_trials_without_any_scatter_have_a_level_all_the_same():
    (level,) = condition_levels("flow", in_turns({"bare": [0.0, 0.0]}, within=0.0))
    assert (level.mean, level.expanded_uncertainty) == (0.0, 0.0)


def test_without_trials_there_is_no_level():
    assert condition_levels("flow", []) == ()
