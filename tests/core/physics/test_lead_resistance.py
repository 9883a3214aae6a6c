"""Loop resistance from a measured drop: round trips, and its uncertainty against the GUM and an independent library."""

import cmath
import math

import GTC  # type: ignore[import-untyped]  # carries no types
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.physics.lead_resistance import (
    LoopResistance,
    Measured,
    at_20c,
    loop_resistance,
    resistance_from_drop,
)
from daq.physics.leads import loaded_lead
from daq.records import Contribution
from daq.uncertainty import combine

EXACT = Measured(0.0)


@given(
    st.floats(100.0, 250.0),
    st.floats(0.5, 16.0),
    st.floats(0.0, 1.5),
    st.floats(0.0, 0.05),
    st.floats(0.3, 1.0),
)
def test_the_drop_of_a_resistance_gives_that_resistance_back(
    supply_v: float, current_a: float, r: float, x: float, factor: float
) -> None:
    lead = loaded_lead(
        supply_v=supply_v,
        current_a=current_a,
        resistance_ohm=r,
        reactance_ohm=x,
        power_factor=factor,
    )
    back = resistance_from_drop(
        lead.drop_v,
        machine_v=lead.machine_v,
        current_a=current_a,
        power_factor=factor,
        reactance_ohm=x,
    )
    assert back == pytest.approx(r, abs=1e-8)


def test_volts_over_amperes_would_be_too_small_on_a_lagging_load() -> None:
    # 115 V at the machine, 12 A at 0.95 lagging through 0.3177 + j0.0108 ohm, added as phasors.
    current = cmath.rect(12.0, -math.acos(0.95))
    drop_v = abs(115.0 + current * complex(0.3177, 0.0108)) - 115.0
    assert drop_v / 12.0 == pytest.approx(0.962 * 0.3177, rel=1e-3)
    assert resistance_from_drop(
        drop_v,
        machine_v=115.0,
        current_a=12.0,
        power_factor=0.95,
        reactance_ohm=0.0108,
    ) == pytest.approx(0.3177, rel=1e-9)


def test_a_drop_below_zero_gives_a_resistance_below_zero() -> None:
    # Noise around nothing must not be bent upwards.
    assert resistance_from_drop(-0.12, machine_v=230.0, current_a=10.0) == (
        pytest.approx(-0.012)
    )


def test_the_uncertainty_of_a_plain_quotient_is_the_gum_s() -> None:
    # JCGM 100:2008, 5.1.6, equation (12): relative parts add in squares. Two voltmeters of 0.1 V each, 0.2 % of current:
    # sqrt(2) 0.1/3.8 = 3.722 %, with 0.2 % 3.727 %.
    loop = loop_resistance(
        drop_v=Measured(3.8, math.sqrt(2.0) * 0.1),
        machine_v=Measured(116.2),
        current_a=Measured(12.0, 0.024),
        power_factor=Measured(1.0),
        reactance_ohm=EXACT,
    )
    assert loop.resistance_ohm == pytest.approx(3.8 / 12.0)
    relative = loop.std_uncertainty_ohm / loop.resistance_ohm
    assert relative == pytest.approx(0.03727, abs=1e-5)
    assert [part.name for part in loop.contributions] == ["voltage drop", "current"]


def test_every_input_is_propagated_as_an_independent_library_does() -> None:
    inputs = {
        "drop_v": Measured(5.6, 0.08, 9.0),
        "machine_v": Measured(224.0, 0.6),
        "current_a": Measured(9.5, 0.03, 20.0),
        "power_factor": Measured(0.94, 0.008, 15.0),
        "reactance_ohm": Measured(0.0064, 0.002),
    }
    loop = loop_resistance(**inputs)
    d, v, i, c, x = (
        GTC.ureal(each.value, each.std_uncertainty, each.degrees_of_freedom)
        for each in inputs.values()
    )
    r = (GTC.sqrt((v + d) ** 2 - (v * GTC.sqrt(1 - c**2) + i * x) ** 2) - v * c) / i
    assert loop.resistance_ohm == pytest.approx(r.x, rel=1e-12)
    combined = combine(loop.contributions)
    # Differences over +-u beside derivatives: they part in the third order.
    assert combined.std_uncertainty == pytest.approx(r.u, rel=1e-4)
    assert combined.degrees_of_freedom == pytest.approx(r.df, rel=1e-3)


def test_a_power_factor_near_one_is_not_moved_beyond_it() -> None:
    loop = loop_resistance(
        drop_v=Measured(5.0),
        machine_v=Measured(225.0),
        current_a=Measured(10.0),
        power_factor=Measured(1.0, 0.02),
        reactance_ohm=EXACT,
    )
    (part,) = loop.contributions
    # One-sided: the loop that makes the same drop at 0.98.
    at_098 = resistance_from_drop(
        5.0, machine_v=225.0, current_a=10.0, power_factor=0.98
    )
    assert part.std_uncertainty == pytest.approx(abs(at_098 - 0.5))


def test_a_warm_lead_is_referred_to_20_degrees() -> None:
    # IEC 60028: 10 K are 3.93 %; u(t) of 5 K is 5/264.5 of R20.
    warm = LoopResistance(0.5197, (Contribution(0.01, 12.0, name="voltage drop"),))
    cold = at_20c(warm, Measured(30.0, 5.0))
    assert cold.resistance_ohm == pytest.approx(0.5, rel=2e-4)
    drop, temperature = cold.contributions
    assert drop.std_uncertainty == pytest.approx(0.01 / 1.0393, rel=1e-4)
    assert drop.degrees_of_freedom == 12.0
    assert temperature.std_uncertainty == pytest.approx(0.5 * 5.0 / 264.5, rel=1e-3)
    assert cold.std_uncertainty_ohm == pytest.approx(
        math.hypot(drop.std_uncertainty, temperature.std_uncertainty)
    )


def test_without_current_there_is_no_resistance() -> None:
    with pytest.raises(ValueError, match="expected both above 0"):
        resistance_from_drop(1.0, machine_v=230.0, current_a=0.0)


def test_a_drop_that_no_resistance_makes_is_refused() -> None:
    # Almost wattless load: the machine's voltage at right angles alone is more than the supply's.
    with pytest.raises(ValueError, match="no resistance makes it"):
        resistance_from_drop(-60.0, machine_v=230.0, current_a=10.0, power_factor=0.1)


def test_an_uncertainty_lost_in_a_float_s_digits_counts_as_none() -> None:
    # 1e-16 V beside 6.65 V, of two steady displays: the sum is 6.65 V again.
    loop = loop_resistance(
        drop_v=Measured(6.65, 1e-16),
        machine_v=Measured(222.35),
        current_a=Measured(10.0),
        power_factor=Measured(1.0),
        reactance_ohm=EXACT,
    )
    assert loop.resistance_ohm == pytest.approx(0.665)
    assert loop.std_uncertainty_ohm == 0.0
