"""Drop and loss of leads, against phasors, the wiring rules' formula and figures of the trade."""

import cmath
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.physics.conductors import jacket_of_area, jacket_of_gauge
from daq.physics.leads import (
    REACTANCE_OHM_PER_M,
    lagging_sine,
    loaded_lead,
    loop_ohm,
    voltage_drop,
)

HUNDRED_FEET_M = 30.48
FACTORS = st.floats(0.3, 1.0)
LENGTHS = st.floats(0.5, 100.0)
CURRENTS = st.floats(0.1, 16.0)


@pytest.mark.parametrize(
    ("gauge", "current_a", "lost_v"),
    # Common practice, no published source: what 100 ft of copper cost a blower in volts.
    [(10, 11.8, 2.5), (12, 11.6, 3.8), (14, 11.3, 5.5)],
)
def test_a_hundred_feet_cost_what_the_trade_says_within_ten_percent(
    gauge: int, current_a: float, lost_v: float
) -> None:
    loop = loop_ohm(HUNDRED_FEET_M, jacket_of_gauge(gauge).nominal_ohm_per_m)
    assert current_a * loop == pytest.approx(lost_v, rel=0.1)


@pytest.mark.parametrize(
    ("gauge", "feet", "ohm", "percent", "lost_w"),
    # By hand from NBS Handbook 100's ohm per 1000 ft at 20 °C (4.016, 2.525, 1.588, 0.9989): 12 A, 120 V.
    [
        (16, 100.0, 0.8032, 8.03, 115.7),
        (14, 50.0, 0.2525, 2.53, 36.4),
        (12, 50.0, 0.1588, 1.59, 22.9),
        (12, 100.0, 0.3176, 3.18, 45.7),
        (10, 100.0, 0.19978, 2.00, 28.8),
    ],
)
def test_leads_of_wire_gauge_lose_what_the_wire_tables_give(
    gauge: int, feet: float, ohm: float, percent: float, lost_w: float
) -> None:
    jacket = jacket_of_gauge(gauge)
    lead = loaded_lead(
        supply_v=120.0,
        current_a=12.0,
        resistance_ohm=loop_ohm(0.3048 * feet, jacket.nominal_ohm_per_m),
    )
    assert lead.resistance_ohm == pytest.approx(ohm, rel=3e-4)
    assert lead.drop_percent == pytest.approx(percent, abs=0.006)
    assert lead.lost_w == pytest.approx(lost_w, abs=0.06)


def test_a_metric_lead_at_the_standard_s_maximum() -> None:
    # IEC 60228:2004, class 5: 13.3 ohm/km; 25 m there and back are 0.665 ohm, 10 A lose 6.65 V of 230 V and 66.5 W.
    maximum = jacket_of_area(1.5).maximum_ohm_per_m
    assert maximum is not None
    lead = loaded_lead(
        supply_v=230.0, current_a=10.0, resistance_ohm=loop_ohm(25.0, maximum)
    )
    assert lead.drop_v == pytest.approx(6.65)
    assert lead.machine_v == pytest.approx(223.35)
    assert lead.drop_percent == pytest.approx(100.0 * 6.65 / 230.0)
    assert lead.lost_w == pytest.approx(66.5)


def test_the_wiring_rules_formula_gives_its_own_example() -> None:
    # u = 2 (0.0225 · 25/1.5 · 0.95 + 0.00008 · 25 · sin) · 10, IEC 60364-5-52:2009, annex G, by hand with
    # sin = sqrt(1 - 0.95²) = 0.312250: 2 (0.356250 + 0.000624) 10.
    drop = voltage_drop(
        10.0,
        loop_ohm(25.0, 0.0225 / 1.5),
        reactance_ohm=loop_ohm(25.0, REACTANCE_OHM_PER_M),
        power_factor=0.95,
    )
    assert drop == pytest.approx(7.13749, abs=1e-5)


@given(
    st.floats(100.0, 250.0), CURRENTS, st.floats(0.0, 1.5), st.floats(0.0, 0.1), FACTORS
)
def test_the_exact_solution_adds_up_as_phasors(
    machine_v: float, current_a: float, r: float, x: float, factor: float
) -> None:
    current = cmath.rect(current_a, -math.acos(factor))
    supply_v = abs(machine_v + current * complex(r, x))
    lead = loaded_lead(
        supply_v=supply_v,
        current_a=current_a,
        resistance_ohm=r,
        reactance_ohm=x,
        power_factor=factor,
    )
    assert lead.machine_v == pytest.approx(machine_v, rel=1e-9)
    assert lead.drop_v + lead.machine_v == pytest.approx(supply_v)
    assert lead.lost_w == pytest.approx(current_a**2 * r)


@given(LENGTHS, LENGTHS, CURRENTS, FACTORS)
def test_a_longer_lead_never_drops_less(
    one_m: float, other_m: float, current_a: float, factor: float
) -> None:
    ohm_per_m = jacket_of_area(1.5).nominal_ohm_per_m
    drops = [
        loaded_lead(
            supply_v=230.0,
            current_a=current_a,
            resistance_ohm=loop_ohm(length_m, ohm_per_m),
            reactance_ohm=loop_ohm(length_m, REACTANCE_OHM_PER_M),
            power_factor=factor,
        ).drop_v
        for length_m in sorted((one_m, other_m))
    ]
    assert drops[0] <= drops[1] + 1e-9


@given(LENGTHS, CURRENTS, st.floats(0.8, 1.0))
def test_the_approximate_formula_agrees_for_leads(
    length_m: float, current_a: float, factor: float
) -> None:
    r = loop_ohm(length_m, jacket_of_area(2.5).nominal_ohm_per_m)
    x = loop_ohm(length_m, REACTANCE_OHM_PER_M)
    exact = loaded_lead(
        supply_v=230.0,
        current_a=current_a,
        resistance_ohm=r,
        reactance_ohm=x,
        power_factor=factor,
    ).drop_v
    # What is left out is V_s - sqrt(V_s² - a²), a = I (X cos - R sin), about a²/(2 V_s).
    across_v = current_a * (x * factor - r * lagging_sine(factor))
    left_out = across_v**2 / (2.0 * 230.0)
    ours = voltage_drop(current_a, r, reactance_ohm=x, power_factor=factor)
    assert exact - ours >= -1e-9
    assert exact - ours <= 1.2 * left_out + 1e-9


def test_a_current_that_the_lead_cannot_carry_is_refused() -> None:
    with pytest.raises(ValueError, match="leaves no voltage"):
        loaded_lead(supply_v=230.0, current_a=16.0, resistance_ohm=20.0)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"supply_v": 0.0}, "supply 0 V, expected above 0"),
        ({"current_a": -1.0}, "current -1 A"),
        ({"resistance_ohm": -0.1}, r"resistance -0\.1 ohm"),
        ({"reactance_ohm": math.nan}, "reactance nan ohm"),
        ({"power_factor": 1.1}, r"power factor 1\.1, expected 0 to 1"),
    ],
)
def test_what_no_lead_can_have_is_refused(changed: dict[str, float], said: str) -> None:
    usual = {"supply_v": 230.0, "current_a": 10.0, "resistance_ohm": 0.5}
    with pytest.raises(ValueError, match=said):
        loaded_lead(**(usual | changed))


def test_a_negative_length_is_refused() -> None:
    with pytest.raises(ValueError, match="length -1 m"):
        loop_ohm(-1.0, 0.01)
    with pytest.raises(ValueError, match="resistance per metre"):
        loop_ohm(1.0, -0.01)
