"""Leaving an inner condition out, and how often intervals hold the truth."""

from dataclasses import replace

import numpy as np
import pytest

from daq.physics.conductors import jacket_of_area
from daq.prediction.circuit import VOLTAGE
from daq.prediction.lead import lead_of
from daq.prediction.leaving_out import leave_one_out
from daq.prediction.machine import machine_of
from daq.prediction.predicting import predict
from tests.core.prediction.exact import exact_session, law
from tests.core.prediction.simulated import (
    LEADS,
    Scene,
    balanced,
    session,
    true_resistance,
)

SESSIONS = 60
# 93 in 100 is the goal. Of 60 sessions with 3 inner conditions a share that is truly 95 % stays above 90 % but for once in
# several hundred runs, conditions of one session counted as independent (binomial); the study has the large numbers.
LEAST_SHARE = 0.90


def test_the_inner_conditions_are_predicted_and_no_other() -> None:
    checks = leave_one_out(machine_of(exact_session(law(0.6))))
    assert {(check.name, check.condition) for check in checks} == {
        (name, condition) for name in ("current", "power", "flow") for condition in "bc"
    }


def test_a_machine_that_keeps_to_its_law_agrees() -> None:
    checks = leave_one_out(machine_of(exact_session(law(0.6), within=1e-4)))
    assert all(check.agrees for check in checks)
    assert [check.ratio for check in checks] == pytest.approx([1.0] * 6, abs=1e-6)


def test_a_condition_that_lies_beside_the_curve_is_found() -> None:
    volts = {
        "a": 230.0,
        "b": 228.0,
        "c": 226.0,
        "d": 224.0,
        "e": 222.0,
        "f": 220.0,
        "g": 217.0,
    }
    figures = exact_session(law(0.6), volts=volts, within=1e-4)
    flows = [
        replace(o, mean=1.03 * o.mean) if o.condition == "d" else o
        for o in figures.observations["flow"]
    ]
    observed = {**figures.observations, "flow": tuple(flows)}
    checks = leave_one_out(machine_of(replace(figures, observations=observed)))
    (found,) = [check for check in checks if not check.agrees]
    assert (found.name, found.condition) == ("flow", "d")
    assert found.ratio == pytest.approx(1.03, abs=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("repeats", [1, 3])
def test_left_out_conditions_fall_within_their_intervals(repeats: int) -> None:
    random = np.random.default_rng(20)
    agreed = [
        check.agrees
        for _ in range(SESSIONS)
        for check in leave_one_out(machine_of(session(Scene(repeats=repeats), random)))
    ]
    assert len(agreed) == SESSIONS * 3 * 3
    assert np.mean(agreed) >= LEAST_SHARE


@pytest.mark.slow
@pytest.mark.parametrize("asked", [(1.5, 32.0), (1.0, 75.0)], ids=["within", "beyond"])
def test_the_truth_behind_another_lead_is_within_the_interval(
    asked: tuple[float, float],
) -> None:
    random = np.random.default_rng(21)
    scene = Scene()
    covered = []
    for _ in range(SESSIONS):
        baseline_ohm = true_resistance(*LEADS["short"], random=random)
        machine = machine_of(session(scene, random, baseline_ohm=baseline_ohm))
        true = balanced(scene, true_resistance(*asked, random=random))
        base = balanced(scene, baseline_ohm)
        prediction = predict(machine, lead_of(jacket_of_area(asked[0]), asked[1]))
        assert (prediction.extrapolation is None) == (asked[1] < 50.0)
        for name, true_name in ((VOLTAGE, "machine_voltage"), ("flow", "flow")):
            figure = prediction.of(name)
            assert figure is not None
            assert figure.ratio is not None
            assert figure.ratio_expanded_uncertainty is not None
            error = figure.ratio - true[true_name] / base[true_name]
            covered += [
                abs(figure.value - true[true_name]) <= figure.expanded_uncertainty,
                abs(error) <= figure.ratio_expanded_uncertainty,
            ]
    assert np.mean(covered) >= LEAST_SHARE
