"""Air power, its inch-pound form, and efficiency."""

import math

import pytest

from daq.physics.air_power import air_power, air_power_us_customary, efficiency
from daq.units import UNITS, senml_value


def test_litres_a_second_times_kilopascals_are_watts() -> None:
    # By hand: 30 L/s x 10 kPa.
    assert air_power(0.030, 10e3) == pytest.approx(300.0)


def test_the_inch_pound_formula_gives_its_published_figure() -> None:
    # ASTM F558, AP = 0.117354 F S as publicly quoted: 60 ft³/min, 40 inches of water.
    assert air_power_us_customary(60.0, 40.0) == pytest.approx(281.65, abs=5e-4)


def test_the_conventional_inch_gives_a_sixth_of_a_percent_more() -> None:
    # By hand from the exact foot and UCUM's inch of 249.08891 Pa: 282.136 W, 0.173 % above 281.650 W.
    flow = senml_value(60.0, UNITS["ft3/min"])
    pressure = senml_value(40.0, UNITS["inH2O"])
    assert air_power(flow, pressure) == pytest.approx(282.136, abs=1e-3)
    ratio = air_power(flow, pressure) / air_power_us_customary(60.0, 40.0)
    assert ratio == pytest.approx(1.00173, abs=1e-5)


def test_the_constants_inch_is_of_water_near_68_degrees() -> None:
    # 0.117354 W over 1 ft³/min is 248.659 Pa; water of 68 °F: 248.642 Pa, of 60 °F: 248.84 Pa.
    implied = air_power_us_customary(1.0, 1.0) / senml_value(1.0, UNITS["ft3/min"])
    assert implied == pytest.approx(248.642, abs=0.03)


def test_efficiency_is_what_comes_out_over_what_goes_in() -> None:
    # By hand: 281.65/1200.
    assert efficiency(281.65, 1200.0).value == pytest.approx(0.234708, abs=5e-7)


def test_relative_uncertainties_add_in_quadrature() -> None:
    # GUM equation (12): 2 % and 1 % make sqrt(5) %.
    found = efficiency(300.0, 1200.0, air_power_u_w=6.0, input_power_u_w=12.0)
    assert found.std_uncertainty / found.value == pytest.approx(math.sqrt(5.0) / 100.0)


def test_no_airflow_is_an_efficiency_of_zero_with_its_uncertainty() -> None:
    found = efficiency(0.0, 1000.0, air_power_u_w=5.0, input_power_u_w=10.0)
    assert (found.value, found.std_uncertainty) == (0.0, 0.005)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: air_power(-0.1, 1.0), "flow -0.1 m³/s"),
        (lambda: air_power(0.1, math.nan), "pressure nan Pa"),
        (lambda: air_power_us_customary(-1.0, 1.0), "flow -1 ft³/min"),
        (lambda: air_power_us_customary(1.0, -1.0), "suction -1 inH2O"),
        (lambda: efficiency(1.0, 0.0), "power put in 0 W"),
        (lambda: efficiency(1300.0, 1200.0), "expected at most the 1200 W put in"),
        (lambda: efficiency(1.0, 2.0, air_power_u_w=-1.0), "of the air power -1 W"),
    ],
)
def test_impossible_powers_are_refused(call, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
