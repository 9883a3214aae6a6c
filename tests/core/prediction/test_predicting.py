"""The circuit solved with the machine's curves: closed forms, shared errors, how far beyond."""

import math
from dataclasses import replace

import pytest

from daq.comparison.rules import LeadFacts
from daq.prediction.circuit import DROP, LOST, VOLTAGE, LeadTooWeakError
from daq.prediction.machine import CURRENT, POWER, Machine, machine_of
from daq.prediction.predicting import (
    NotPredicted,
    Predicted,
    Prediction,
    predict,
    predict_each,
)
from daq.records import Contribution
from tests.core.prediction.exact import (
    CURRENT as AMPERES,
)
from tests.core.prediction.exact import (
    FLOW,
    MACHINE,
    SUPPLY,
    VOLTS,
    exact_lead,
    exact_session,
    law,
)


def figure(prediction: Prediction, name: str) -> Predicted:
    found = prediction.of(name)
    assert found is not None
    return found


def resistor() -> Machine:
    """23 ohm: 10 A at 230 V."""
    return machine_of(exact_session(law(1.0)), supply_v=232.0)


def test_a_machine_like_a_resistor_divides_the_voltage() -> None:
    # By hand: 232 V * 23 / (23 + 1) = 222.333 V, 9.6667 A, 2149.2 W.
    prediction = predict(resistor(), exact_lead(1.0))
    assert figure(prediction, VOLTAGE).value == pytest.approx(232.0 * 23.0 / 24.0)
    assert figure(prediction, CURRENT).value == pytest.approx(232.0 / 24.0)
    assert figure(prediction, POWER).value == pytest.approx((232.0 / 24.0) ** 2 * 23.0)
    assert figure(prediction, DROP).value == pytest.approx(232.0 / 24.0)
    assert figure(prediction, LOST).value == pytest.approx((232.0 / 24.0) ** 2)


def test_a_machine_that_keeps_its_power_draws_more_behind_a_lead() -> None:
    # By hand: V^2 - V_s V + P R = 0 with P = 2300 W, R = 1 ohm, V_s = 232 V.
    machine = machine_of(exact_session(law(-1.0)), supply_v=232.0)
    prediction = predict(machine, exact_lead(1.0))
    voltage_v = 116.0 + math.sqrt(116.0**2 - 2300.0)
    assert figure(prediction, VOLTAGE).value == pytest.approx(voltage_v)
    assert figure(prediction, CURRENT).value == pytest.approx(2300.0 / voltage_v)


def test_a_lead_that_the_machine_cannot_run_behind_is_said_to_be_one() -> None:
    # No solution beyond R = V_s^2 / 4P = 5.85 ohm.
    machine = machine_of(exact_session(law(-1.0)), supply_v=232.0)
    with pytest.raises(LeadTooWeakError, match="would not run behind 6 ohm"):
        predict(machine, exact_lead(6.0))


def test_one_impossible_lead_leaves_the_others_be() -> None:
    machine = machine_of(exact_session(law(-1.0)), supply_v=232.0)
    good, bad = predict_each(machine, [exact_lead(1.0), exact_lead(6.0)])
    assert isinstance(good, Prediction)
    assert isinstance(bad, NotPredicted)
    assert "6 ohm" in bad.reason


def test_the_loss_is_taken_against_the_baselines_voltage() -> None:
    # The airflow goes like the voltage: its ratio is that of the voltages.
    prediction = predict(resistor(), exact_lead(1.0))
    ratio = 232.0 * 23.0 / 24.0 / 230.0
    assert figure(prediction, "flow").ratio == pytest.approx(ratio)
    assert figure(prediction, VOLTAGE).ratio == pytest.approx(ratio)


def test_a_gain_of_the_airflow_meter_is_in_the_figure_and_not_in_the_loss() -> None:
    # 1 % standard uncertainty: U = 1.96 % of the airflow, nothing of a ratio.
    plain = machine_of(exact_session(law(1.0)), supply_v=232.0)
    gained = machine_of(exact_session(law(1.0), gains={"flow": 0.01}), supply_v=232.0)
    before, after = (
        figure(predict(each, exact_lead(1.0)), "flow") for each in (plain, gained)
    )
    added = math.sqrt(after.expanded_uncertainty**2 - before.expanded_uncertainty**2)
    assert added == pytest.approx(0.0196 * after.value, rel=1e-3)
    assert after.ratio_expanded_uncertainty == pytest.approx(
        before.ratio_expanded_uncertainty
    )


def test_a_gain_of_the_machines_voltmeter_hardly_touches_the_loss() -> None:
    # The supply is reckoned back over the baseline's lead by the same meter: the drop in 1 ohm alone is left in doubt,
    # 10 V of 230: 1 % of gain makes about 0.04 of 1 % of the ratio.
    leads = {"a": LeadFacts(loop_ohm=0.2, length_m=5.0)}
    quantities = (MACHINE, AMPERES, FLOW)
    machine = machine_of(
        exact_session(
            law(1.0), quantities=quantities, gains={"at_machine": 0.01}, leads=leads
        )
    )
    prediction = predict(machine, exact_lead(1.0))
    level, change = figure(prediction, VOLTAGE), figure(prediction, "flow")
    assert level.parts["meters"] == pytest.approx(0.0196 * level.value, rel=0.1)
    plain = machine_of(exact_session(law(1.0), quantities=quantities, leads=leads))
    before = figure(predict(plain, exact_lead(1.0)), "flow")
    assert change.ratio_expanded_uncertainty is not None
    assert before.ratio_expanded_uncertainty is not None
    added = math.sqrt(
        change.ratio_expanded_uncertainty**2 - before.ratio_expanded_uncertainty**2
    )
    assert added < 0.1 * 0.0196


def test_what_is_known_badly_of_the_lead_is_in_the_drop() -> None:
    # Drop = V_s R / (23 + R): by 0.01 ohm of 1 ohm it changes by V_s * 23 / 24^2 * 0.01.
    part = Contribution(0.01, name="conductor")
    doubtful = replace(exact_lead(1.0), contributions=(part,))
    drop = figure(predict(resistor(), doubtful), DROP)
    assert drop.parts["lead"] == pytest.approx(
        1.96 * 232.0 * 23.0 / 24.0**2 * 0.01, rel=1e-3
    )


def test_within_the_measured_voltages_nothing_is_extrapolated() -> None:
    assert predict(resistor(), exact_lead(1.0)).extrapolation is None


def test_beyond_the_lowest_voltage_it_says_how_far() -> None:
    # By hand: 232 * 23 / 25 = 213.44 V, 3.56 V below 217 V, of a range of 13 V.
    beyond = predict(resistor(), exact_lead(2.0)).extrapolation
    assert beyond is not None
    assert beyond.side == "below"
    assert beyond.beyond_v == pytest.approx(217.0 - 213.44)
    assert beyond.beyond_percent == pytest.approx(100.0 * 3.56 / 13.0)


def test_above_the_highest_voltage_it_says_so_too() -> None:
    machine = machine_of(exact_session(law(1.0)), supply_v=240.0)
    beyond = predict(machine, exact_lead(0.1)).extrapolation
    assert beyond is not None
    assert beyond.side == "above"


def test_the_farther_beyond_the_wider_the_interval() -> None:
    shares = [
        _fit_share(predict(resistor(), exact_lead(ohm))) for ohm in (1.0, 2.0, 4.0, 8.0)
    ]
    assert shares == sorted(shares)
    # The bend is known to 1.0 where the points say nothing: far out it grows like the square of the distance.
    assert shares[-1] > 5.0 * shares[0]


def _fit_share(prediction: Prediction) -> float:
    flow = figure(prediction, "flow")
    return flow.parts["fit"] / flow.value


def test_every_figure_has_an_interval() -> None:
    prediction = predict(
        machine_of(exact_session(law(0.5), within=1e-3)), exact_lead(1.0)
    )
    assert {f.name for f in prediction.figures} == {
        *(VOLTAGE, DROP, LOST, CURRENT, POWER),
        "flow",
    }
    assert all(f.expanded_uncertainty > 0.0 for f in prediction.figures)


def test_without_a_power_the_power_factor_is_left_open() -> None:
    machine = machine_of(exact_session(law(1.0), quantities=(SUPPLY, MACHINE, AMPERES)))
    assert any("power factor is taken as 0.8 to 1" in r for r in machine.remarks)
    drop = figure(predict(machine, exact_lead(1.0)), DROP)
    # Anywhere in 0.8 to 1 has a standard uncertainty of 0.2 / sqrt(12); the drop goes with it.
    assert drop.parts["power factor"] == pytest.approx(
        1.96 * 0.2 / math.sqrt(12.0) / 0.9 * drop.value, rel=0.1
    )


def test_a_session_without_a_baseline_predicts_and_compares_nothing() -> None:
    figures = exact_session(law(1.0), volts={"x": 233.0, **VOLTS})
    kept = {
        name: tuple(o for o in found if o.condition != "x")
        for name, found in figures.observations.items()
    }
    without = replace(figures, observations=kept)
    prediction = predict(machine_of(without), exact_lead(1.0))
    assert figure(prediction, "flow").ratio is None
