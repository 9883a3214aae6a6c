"""Power factor, apparent power and drop of each trial; what cannot be is said and not averaged."""

import math

import pytest

from daq.comparison.electrical import (
    electrical_derivations,
    expanded_uncertainty,
    load_channels,
)
from daq.comparison.observations import Observation
from daq.comparison.trial_inputs import Derivation, TrialInputs
from daq.records import Channel
from tests.core.comparison.observed import channel, error_of, observation

V = channel("machine_voltage", "V")
V_SUPPLY = channel("supply_voltage", "V", "supply end")
I = channel("current", "A")  # noqa: E741 - the symbol of a current
P = channel("power", "W")


def _inputs(
    *measured: tuple[Channel, Observation], normalised: tuple[str, ...] = ()
) -> TrialInputs:
    observations: dict[str, tuple[Observation, ...]] = {}
    for each, seen in measured:
        observations[each.name] = (*observations.get(each.name, ()), seen)
    channels = tuple(dict.fromkeys(each for each, _ in measured))
    return TrialInputs(channels, observations, normalised)


def _derived(inputs: TrialInputs) -> dict[str, Derivation]:
    return {d.quantity.name: d for d in electrical_derivations(inputs)}


def test_apparent_power_and_power_factor_are_those_of_the_reference_example() -> None:
    # 118.2 V times 11.1 A is 1312.02 VA; 1250 W over that: 0.95273 (by hand, to five digits).
    found = _derived(
        _inputs((V, observation(118.2)), (I, observation(11.1)), (P, observation(1250)))
    )
    assert found["apparent_power"].observations[0].mean == pytest.approx(1312.02)
    assert found["power_factor"].observations[0].mean == pytest.approx(
        0.95273, abs=5e-6
    )
    assert found["power_factor"].quantity.unit == "1"


def test_a_gain_that_power_and_current_share_falls_out_of_the_power_factor() -> None:
    # Relative sensitivities are +1, -1, -1 (GUM 5.1.6): a gain error of 1 % in P and in I cancels.
    found = _derived(
        _inputs(
            (V, observation(230.0, ("V: gain", 2.3))),
            (I, observation(5.0, ("shunt", 0.05))),
            (P, observation(1000.0, ("shunt", 10.0))),
        )
    )
    factor = found["power_factor"].observations[0]
    assert error_of(factor, "shunt") == pytest.approx(0.0, abs=1e-15)
    assert error_of(factor, "V: gain") == pytest.approx(-0.01 * factor.mean)


def test_scatter_within_the_trial_adds_up_in_squares() -> None:
    # Relative 0.3 %, 0.4 % and 0 make 0.5 %.
    found = _derived(
        _inputs(
            (V, observation(200.0, within=0.6, nu=9)),
            (I, observation(5.0, within=0.02, nu=9)),
        )
    )
    assert found["apparent_power"].observations[
        0
    ].std_uncertainty_within == pytest.approx(5.0)


def test_a_power_factor_above_one_within_its_uncertainty_counts_as_one() -> None:
    found = _derived(
        _inputs(
            (V, observation(230.0)),
            (I, observation(5.0)),
            (P, observation(1155.0, ("power: gain", 10.0))),
        )
    )
    assert found["power_factor"].observations[0].mean == 1.0
    assert found["power_factor"].remarks == ()


def test_a_power_factor_that_cannot_be_is_said_and_other_trials_still_count() -> None:
    found = _derived(
        _inputs(
            (V, observation(230.0)),
            (I, observation(5.0)),
            (P, observation(1250.0)),
            (V, observation(229.0, trial=2)),
            (I, observation(5.0, trial=2)),
            (P, observation(1100.0, trial=2)),
        )
    )
    factor = found["power_factor"]
    assert [o.trial for o in factor.observations] == [2]
    # 1250/1150 = 1.087.
    assert "trial 1 (short lead)" in factor.remarks[0]
    assert "1.087" in factor.remarks[0]
    assert "scaling" in factor.remarks[0]
    assert len(found["apparent_power"].observations) == 2


def test_a_current_of_zero_makes_no_power_factor() -> None:
    found = _derived(
        _inputs((V, observation(230.0)), (I, observation(0.0)), (P, observation(0.0)))
    )
    assert found["power_factor"].observations == ()
    assert "wiring" in found["power_factor"].remarks[0]
    assert found["apparent_power"].observations[0].mean == 0.0


def test_a_channel_that_measures_it_is_not_derived_again() -> None:
    meter = channel("meter_power_factor", "1")
    found = _derived(
        _inputs(
            (V, observation(230.0)),
            (I, observation(5.0)),
            (P, observation(1100.0)),
            (meter, observation(0.95)),
        )
    )
    assert "power_factor" not in found
    assert "apparent_power" in found


def test_the_drop_is_supply_end_less_machine_end_with_both_offsets() -> None:
    found = _derived(
        _inputs(
            (V_SUPPLY, observation(230.0, ("supply_voltage: offset", 0.1))),
            (V, observation(223.4, ("machine_voltage: offset", 0.1))),
        )
    )
    drop = found["voltage_drop"].observations[0]
    assert drop.mean == pytest.approx(6.6)
    assert error_of(drop, "machine_voltage: offset") == pytest.approx(-0.1)
    assert drop.std_uncertainty_systematic == pytest.approx(math.sqrt(0.02))


def test_a_trial_without_one_of_the_voltages_is_named_once() -> None:
    found = _derived(
        _inputs(
            (V_SUPPLY, observation(230.0)),
            (V, observation(223.4)),
            (V, observation(223.5, trial=2, condition="long lead")),
            (V, observation(223.6, trial=3, condition="long lead")),
        )
    )
    assert found["voltage_drop"].remarks == (
        "voltage_drop has no value in trials 2 (long lead), 3 (long lead): no average of supply_voltage there",
    )


def test_one_meter_at_the_supply_end_makes_figures_of_that_place() -> None:
    power = channel("power", "W", "supply end")
    inputs = _inputs(
        (V_SUPPLY, observation(230.0)), (I, observation(5.0)), (power, observation(900))
    )
    load = load_channels(inputs)
    assert load is not None
    assert load.place == "supply end"
    assert _derived(inputs)["power_factor"].quantity.place == "supply end"


def test_the_place_with_all_three_comes_before_the_machine_end_without_power() -> None:
    power = channel("power", "W", "supply end")
    inputs = _inputs(
        (V, observation(225.0)),
        (V_SUPPLY, observation(230.0)),
        (I, observation(5.0)),
        (power, observation(900)),
    )
    load = load_channels(inputs)
    assert load is not None
    assert load.place == "supply end"


def test_without_a_current_nothing_of_the_load_is_derived() -> None:
    assert _derived(_inputs((V, observation(225.0)))) == {}


def test_a_power_at_a_reference_voltage_makes_no_power_factor() -> None:
    found = _derived(
        _inputs(
            (V, observation(230.0)),
            (I, observation(5.0)),
            (P, observation(1100.0)),
            normalised=("power",),
        )
    )
    assert found["power_factor"].remarks == (
        "power_factor is not derived: power was taken to a reference voltage, machine_voltage and current were not",
    )


def test_milliamperes_and_kilowatts_make_the_same_power_factor() -> None:
    found = _derived(
        _inputs(
            (V, observation(118.2)),
            (channel("current", "mA"), observation(11_100.0)),
            (channel("power", "kW"), observation(1.25)),
        )
    )
    assert found["power_factor"].observations[0].mean == pytest.approx(
        0.95273, abs=5e-6
    )


def test_expanded_uncertainty_takes_students_factor_for_the_scatter() -> None:
    # t(0.975; 4) = 2.776 (GUM, table G.2).
    assert expanded_uncertainty(observation(1.0, within=1.0, nu=4)) == pytest.approx(
        2.776, abs=5e-4
    )
