"""From the first baseline trial to the last: what drifted, and how well the session closes."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats  # type: ignore[import-untyped]  # ships no types

from daq.comparison.drift import DriftVerdict, baseline_drift, spread_about_drift
from tests.core.advice.sessions import (
    BARE,
    FLOW,
    MAINS,
    POWER,
    compared,
    known,
    observations,
)

_STEP_S = 600.0


def drifting(per_trial, *, rounds=2, noise=0.0, random=None, level=100.0):
    """Four conditions in turns; each trial is higher than the one before it by the same."""
    names = [BARE, "a", "b", "c"]
    means: dict[str, list[float]] = {name: [] for name in names}
    for number in range(rounds * len(names)):
        name = names[number % len(names)]
        mean = level - 2.0 * names.index(name) + per_trial * number
        if random is not None:
            mean += random.normal(0.0, noise)
        means[name].append(mean)
    return means


def test_an_even_drift_of_all_conditions_is_found():
    found = baseline_drift(compared({FLOW: drifting(0.5)}, within=0.05)).checks[0]
    assert found.verdict is DriftVerdict.DRIFTED
    # From trial 1 to trial 5, four steps of ten minutes.
    assert found.change == pytest.approx(2.0)
    assert found.hours == pytest.approx(4 * _STEP_S / 3600.0)
    assert found.per_hour == pytest.approx(3.0)
    assert (found.first_trial, found.last_trial) == (1, 5)


def test_what_stays_where_it_is_is_not_shown_to_drift():
    found = baseline_drift(compared({FLOW: drifting(0.0)}, within=0.05)).checks[0]
    assert found.verdict is DriftVerdict.NOT_SHOWN
    assert not found.is_closing_badly


def test_the_change_has_the_interval_of_two_trials():
    # By hand: changes from the first round to the second 1.0, 0.9, 1.1, 1.0 make the residuals' sum of squares
    # (0.1² + 0.1²)/2 = 0.01 with 8 - 4 - 1 = 3 degrees of freedom; t(0.975, 3) = 3.182 (GUM, table G.2).
    means = {
        BARE: [100.0, 101.0],
        "a": [90.0, 90.9],
        "b": [80.0, 81.1],
        "c": [70.0, 71.0],
    }
    found = baseline_drift(compared({FLOW: means})).checks[0]
    assert found.spread is not None
    assert found.spread.degrees_of_freedom == 3
    assert found.spread.std_dev == pytest.approx(math.sqrt(0.01 / 3.0))
    expected = 3.182 * math.sqrt(2.0 * 0.01 / 3.0)
    assert found.expanded_uncertainty == pytest.approx(expected, rel=1e-3)


def test_the_spread_about_a_drift_is_that_of_a_fitted_line():
    # One condition alone: residuals of the straight line by scipy.stats.linregress, whose standard error of the slope
    # is s over the root of the times' sum of squares.
    values = [100.0, 100.4, 100.3, 101.1, 101.0]
    seen = observations({BARE: values})
    times = np.array([o.at_s for o in seen])
    line = stats.linregress(times, values)
    expected = line.stderr * math.sqrt(np.sum((times - times.mean()) ** 2))
    found = spread_about_drift(seen)
    assert found is not None
    assert found.degrees_of_freedom == 3
    assert found.std_dev == pytest.approx(expected)


def test_nothing_tells_a_spread_where_every_trial_is_needed_for_the_drift():
    assert spread_about_drift(observations({BARE: [100.0, 101.0], "a": [90.0]})) is None
    assert spread_about_drift(()) is None


def test_without_a_known_spread_a_drift_is_undecided():
    means = {BARE: [100.0, 105.0], "a": [90.0]}
    found = baseline_drift(compared({FLOW: means})).checks[0]
    assert found.verdict is DriftVerdict.UNDECIDED
    assert found.spread is None


def test_a_spread_that_the_plan_states_decides():
    means = {BARE: [100.0, 105.0], "a": [90.0]}
    session = compared({FLOW: means}, spreads={"airflow": known(0.5)})
    found = baseline_drift(session).checks[0]
    assert found.verdict is DriftVerdict.DRIFTED
    # t(0.975, 30) = 2.042 (printed tables), 0.5 % of the baseline's mean of 102.5, twice.
    expected = 2.042 * 0.005 * 102.5 * math.sqrt(2.0)
    assert found.expanded_uncertainty == pytest.approx(expected, rel=1e-3)


def test_what_the_meter_is_off_by_takes_no_part_in_a_change():
    means = {FLOW: drifting(0.5)}
    exact = baseline_drift(compared(means, within=0.05)).checks[0]
    off = baseline_drift(compared(means, within=0.05, errors={"gain": 5.0})).checks[0]
    assert off.expanded_uncertainty == pytest.approx(exact.expanded_uncertainty)


def test_supply_and_machine_are_looked_at_the_answer_first():
    session = compared(
        {MAINS: drifting(-0.2), POWER: drifting(0.0), FLOW: drifting(0.1)}, within=0.01
    )
    found = baseline_drift(session)
    assert [c.quantity.name for c in found.checks] == ["airflow", "power", "mains"]
    assert [c.verdict for c in found.checks] == [
        DriftVerdict.DRIFTED,
        DriftVerdict.NOT_SHOWN,
        DriftVerdict.DRIFTED,
    ]


def test_a_session_closes_badly_where_it_changed_by_more_than_what_matters():
    # Not real, the spread being large, and still more than 1 %.
    means = {BARE: [100.0, 102.0], "a": [90.0, 88.0], "b": [80.0, 81.0]}
    session = compared(
        {FLOW: means}, detect_percent=1.0, spreads={"airflow": known(5.0)}
    )
    found = baseline_drift(session).checks[0]
    assert found.verdict is DriftVerdict.NOT_SHOWN
    assert found.allowance == pytest.approx(1.01)
    assert found.is_closing_badly


@pytest.mark.parametrize("change", [1.0, -1.0])
def test_a_change_of_just_the_allowance_is_no_error_to_warn_of(change):
    session = compared({FLOW: drifting(0.0)}, detect_percent=1.0, within=0.05)
    found = baseline_drift(session).checks[0]
    just = replace(found, change=change, allowance=1.0)
    assert not just.is_closing_badly
    assert replace(just, allowance=0.999).is_closing_badly
    assert not replace(just, allowance=None).is_closing_badly


def test_what_matters_of_a_suction_has_no_sign():
    # Half a percent of -800: 4, whichever way it changed.
    session = compared(
        {FLOW: {BARE: [-800.0, -800.0], "a": [-700.0]}}, detect_percent=0.5
    )
    (check,) = baseline_drift(session).checks
    assert check.allowance == pytest.approx(4.0)


def test_a_baseline_carried_out_once_tells_nothing_and_says_what_would():
    found = baseline_drift(compared({FLOW: {BARE: [100.0], "a": [90.0, 90.0]}}))
    assert found.checks == ()
    assert "averaged once" in found.absent
    assert "baseline first and last" in found.absent


def test_a_session_without_a_baseline_says_so():
    found = baseline_drift(compared({FLOW: {"a": [90.0, 90.0]}}))
    assert "no trial of the baseline" in found.absent


def test_a_quantity_that_the_baseline_has_once_is_left_out():
    session = compared({FLOW: drifting(0.0), POWER: {BARE: [1500.0]}}, within=0.05)
    assert [c.quantity.name for c in baseline_drift(session).checks] == ["airflow"]


@pytest.mark.slow
def test_intervals_hold_the_true_change_and_no_drift_is_seldom_called_one():
    random = np.random.default_rng(20)
    count, covered, alarms = 500, 0, 0
    for session in range(count):
        per_trial = 0.3 if session % 2 else 0.0
        means = drifting(per_trial, noise=0.4, random=random)
        found = baseline_drift(compared({FLOW: means}, within=0.05)).checks[0]
        covered += abs(found.change - 4.0 * per_trial) <= found.expanded_uncertainty
        alarms += per_trial == 0.0 and found.verdict is DriftVerdict.DRIFTED
    # At 95 %, 500 sessions hold the truth 463 times or more but for 1 in 100 runs (binomial quantile).
    assert covered >= stats.binom.ppf(0.01, count, 0.95)
    assert alarms <= stats.binom.ppf(0.99, count // 2, 0.05)
