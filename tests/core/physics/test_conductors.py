"""Sizes and resistances of copper conductors, against printed tables."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.physics.conductors import (
    copper_factor,
    fixed_wiring_maximum,
    gauge_area_mm2,
    gauge_diameter_mm,
    jacket_of_area,
    jacket_of_gauge,
    resistance_per_m,
)

THOUSAND_FEET_M = 304.8
AREAS = (0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0)


@pytest.mark.parametrize(
    ("gauge", "printed"),
    # NBS Handbook 100 (1966), wire tables of annealed copper at 20 °C, ohm per 1000 ft.
    [(18, 6.385), (16, 4.016), (14, 2.525), (12, 1.588), (10, 0.9989)],
)
def test_solid_gauges_have_the_printed_resistance_at_20_degrees(
    gauge: int, printed: float
) -> None:
    ours = THOUSAND_FEET_M * jacket_of_gauge(gauge).nominal_ohm_per_m
    # The handbook prints four digits.
    assert ours == pytest.approx(printed, rel=2e-4)


@pytest.mark.parametrize(
    ("gauge", "solid", "stranded", "tinned"),
    # NFPA 70, chapter 9, table 8, uncoated solid, uncoated and coated stranded copper at 75 °C, ohm per 1000 ft, as
    # public reprints give it.
    [
        (18, 7.77, 7.95, 8.45),
        (16, 4.89, 4.99, 5.29),
        (14, 3.07, 3.14, 3.26),
        (12, 1.93, 1.98, 2.05),
        (10, 1.21, 1.24, 1.29),
    ],
)
def test_the_wiring_code_s_table_at_75_degrees_lies_within_what_a_jacket_allows(
    gauge: int, solid: float, stranded: float, tinned: float
) -> None:
    warm = THOUSAND_FEET_M * copper_factor(75.0)
    jacket = jacket_of_gauge(gauge)
    assert jacket.maximum_ohm_per_m is not None
    assert jacket.maximum_tinned_ohm_per_m is not None
    # Three printed digits, and the rounding of some sizes' areas to whole tens of circular mils.
    assert warm * jacket.nominal_ohm_per_m == pytest.approx(solid, abs=0.007)
    assert solid < stranded < warm * jacket.maximum_ohm_per_m
    assert stranded < tinned < warm * jacket.maximum_tinned_ohm_per_m


@pytest.mark.parametrize(
    ("area_mm2", "plain", "tinned", "fixed"),
    # IEC 60228:2004, tables 1 to 3: class 5 plain and tinned, class 1 and 2 plain, ohm per km at 20 °C, as public reprints
    # give it.
    [
        (0.5, 39.0, 40.1, 36.0),
        (0.75, 26.0, 26.7, 24.5),
        (1.0, 19.5, 20.0, 18.1),
        (1.5, 13.3, 13.7, 12.1),
        (2.5, 7.98, 8.21, 7.41),
        (4.0, 4.95, 5.09, 4.61),
        (6.0, 3.30, 3.39, 3.08),
        (10.0, 1.91, 1.95, 1.83),
    ],
)
def test_the_standard_s_maxima_are_given_for_each_area(
    area_mm2: float, plain: float, tinned: float, fixed: float
) -> None:
    jacket = jacket_of_area(area_mm2)
    assert jacket.maximum_ohm_per_m == pytest.approx(plain / 1000.0)
    assert jacket.maximum_tinned_ohm_per_m == pytest.approx(tinned / 1000.0)
    assert fixed_wiring_maximum(area_mm2) == pytest.approx(fixed / 1000.0)
    # Pure copper of the nominal area: 1/58 ohm mm²/m (IEC 60028).
    assert jacket.nominal_ohm_per_m == pytest.approx(1.0 / 58.0 / area_mm2)
    assert jacket.nominal_ohm_per_m < fixed / 1000.0


def test_an_area_that_the_standard_does_not_list_has_no_maximum() -> None:
    jacket = jacket_of_area(1.25)
    assert jacket.maximum_ohm_per_m is None
    assert jacket.maximum_tinned_ohm_per_m is None
    assert "does not list" in jacket.source
    with pytest.raises(ValueError, match=r"1\.25 mm² is not in IEC 60228"):
        fixed_wiring_maximum(1.25)


def test_a_conductor_one_size_thinner_lies_above_what_the_jacket_allows() -> None:
    # What finding a mislabelled lead rests on; even tinned strands do not reach the next size's pure copper.
    sizes = [jacket_of_area(area) for area in AREAS]
    sizes_awg = [jacket_of_gauge(gauge) for gauge in (18, 16, 14, 12, 10)]
    for ladder in (sizes, sizes_awg):
        for thinner, right in itertools.pairwise(ladder):
            assert right.maximum_tinned_ohm_per_m is not None
            assert thinner.nominal_ohm_per_m > 1.1 * right.maximum_tinned_ohm_per_m


def test_gauges_are_what_defines_them() -> None:
    # ASTM B258: 36 AWG is 0.005 inch, 0 AWG three steps below 0000 AWG, which is 0.46 inch; 39 steps in all.
    assert gauge_diameter_mm(36) == pytest.approx(0.127)
    assert gauge_diameter_mm(0) == pytest.approx(0.46 * 25.4 * 92.0 ** (-3 / 39))
    assert gauge_area_mm2(10) == pytest.approx(
        math.pi / 4.0 * gauge_diameter_mm(10) ** 2
    )


def test_copper_has_the_resistance_of_the_international_standard() -> None:
    # 10.371 ohm for a wire of a foot and one circular mil (a circle of 0.001 inch): 100 % IACS, IEC 60028.
    circular_mil_mm2 = math.pi / 4.0 * 0.0254**2
    assert 0.3048 * resistance_per_m(circular_mil_mm2) == pytest.approx(
        10.371, abs=0.001
    )


@pytest.mark.parametrize(
    ("celsius", "printed"),
    # IEC 60228, annex B, approximate factors to 20 °C; they follow 250/(230 + t), up to 0.3 % off.
    [(5, 1.064), (10, 1.042), (25, 0.980), (40, 0.926), (50, 0.893), (75, 0.820)],
)
def test_the_temperature_factor_is_near_the_table_s_and_not_the_same(
    celsius: float, printed: float
) -> None:
    assert 1.0 / copper_factor(celsius) == pytest.approx(printed, rel=0.004)


def test_the_temperature_factor_follows_the_coefficient_of_copper() -> None:
    # IEC 60028: 0.00393 per kelvin at 20 °C; NFPA 70, chapter 9, table 8, note 2: 0.00323 at 75 °C.
    for celsius in (5.0, 20.0, 50.0, 75.0):
        expected = 1.0 + 0.00393 * (celsius - 20.0)
        assert copper_factor(celsius) == pytest.approx(expected, abs=5e-5)
    slope = (copper_factor(76.0) - copper_factor(75.0)) / copper_factor(75.0)
    assert slope == pytest.approx(0.00323, abs=5e-6)


@pytest.mark.parametrize("area_mm2", [0.0, 0.05, 20.0, math.nan])
def test_an_area_that_is_no_lead_s_is_refused(area_mm2: float) -> None:
    with pytest.raises(ValueError, match=r"expected 0\.1 to 16 mm²"):
        jacket_of_area(area_mm2)


def test_gauges_and_temperatures_out_of_range_are_refused() -> None:
    for gauge in (4, 27):
        with pytest.raises(ValueError, match="AWG, expected 5 to 26"):
            jacket_of_gauge(gauge)
    with pytest.raises(ValueError, match="AWG, expected 0 to 40"):
        gauge_diameter_mm(41)
    with pytest.raises(ValueError, match="copper at 300 °C"):
        copper_factor(300.0)
    with pytest.raises(ValueError, match="area 0 mm²"):
        resistance_per_m(0.0)


@given(st.floats(0.1, 16.0), st.floats(0.1, 16.0))
def test_more_copper_has_less_resistance(one: float, other: float) -> None:
    thin, thick = sorted((one, other))
    assert resistance_per_m(thin) >= resistance_per_m(thick)
