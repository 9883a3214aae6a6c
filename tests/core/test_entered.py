"""What people type for a lead, a current, a temperature."""

import contextlib
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.entered import (
    parse_area_mm2,
    parse_current_a,
    parse_gauge,
    parse_length_m,
    parse_power_factor,
    parse_several,
    parse_temperature_c,
    parse_voltage_v,
)

Parse = Callable[[str], float]


@pytest.mark.parametrize(
    ("parse", "text", "value"),
    [
        (parse_area_mm2, "2.5mm2", 2.5),
        (parse_area_mm2, "2.5 mm²", 2.5),
        (parse_area_mm2, " .75 MM^2 ", 0.75),
        (parse_area_mm2, "4㎟", 4.0),
        (parse_length_m, "40m", 40.0),
        (parse_length_m, "40 metres", 40.0),
        (parse_length_m, "100ft", 30.48),  # the foot is 0.3048 m by definition
        (parse_length_m, "50 Feet", 15.24),
        (parse_current_a, "9.5A", 9.5),
        (parse_current_a, "9.5", 9.5),
        (parse_current_a, "850 mA", 0.85),
        (parse_voltage_v, "230V", 230.0),
        (parse_voltage_v, "120 volts", 120.0),
        (parse_temperature_c, "20C", 20.0),
        (parse_temperature_c, "20 ℃", 20.0),
        (parse_temperature_c, "-5 °C", -5.0),
        (parse_temperature_c, "\N{MINUS SIGN}5 °C", -5.0),
        (parse_temperature_c, "68F", 20.0),
        (parse_temperature_c, "-40 °F", -40.0),  # where both scales meet
        (parse_power_factor, "0.95", 0.95),
        (parse_gauge, "12", 12),
        (parse_gauge, "12 AWG", 12),
        (parse_gauge, "AWG 12", 12),
    ],
)
def test_quantities_are_read_as_people_type_them(
    parse: Parse, text: str, value: float
) -> None:
    assert parse(text) == pytest.approx(value)


@pytest.mark.parametrize(
    ("parse", "text", "said"),
    [
        (parse_area_mm2, "2.5", "an area|area with its unit, like 2.5mm2"),
        (parse_area_mm2, "12awg", "area with its unit"),
        (parse_area_mm2, "2,5mm2", "decimals take a point"),
        (parse_area_mm2, "250mm2", "expected 0.1 to 16 mm²"),
        (parse_length_m, "40", "length with its unit, like 25m or 100ft"),
        (parse_length_m, "40cm", "length with its unit"),
        (parse_length_m, "0m", "expected 0.1 to 1000 m"),
        (parse_length_m, "-3m", "expected 0.1 to 1000 m"),
        (parse_current_a, "", "like 9.5A"),
        (parse_current_a, "nan", "like 9.5A"),
        (parse_current_a, "inf A", "like 9.5A"),
        (parse_current_a, "1e3A", "like 9.5A"),
        (parse_current_a, "9" * 400, "expected 0.001 to 200 A"),
        (parse_voltage_v, "230A", "like 230V"),
        (parse_voltage_v, "0V", "expected 1 to 1000 V"),
        (parse_temperature_c, "20", "like 20C or 68F"),
        (parse_temperature_c, "300C", "expected -40 to 120 °C"),
        (parse_power_factor, "1.05", "expected 0.01 to 1"),
        (parse_power_factor, "95%", "like 0.95"),
        (parse_gauge, "12.5", "a whole wire gauge from 5 to 26"),
        (parse_gauge, "40", "a whole wire gauge from 5 to 26"),
        (parse_gauge, "2.5mm2", "a whole wire gauge from 5 to 26"),
    ],
)
def test_what_is_unclear_is_refused_with_what_was_expected(
    parse: Parse, text: str, said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        parse(text)


def test_several_are_parted_by_commas() -> None:
    assert parse_several("1.5mm2, 2.5mm2", parse_area_mm2) == (1.5, 2.5)
    assert parse_several("12", parse_gauge) == (12,)


@pytest.mark.parametrize("text", ["1,5mm2", "1.5,2.5mm2", "1.5mm2,", ","])
def test_a_comma_that_parts_what_it_should_not_is_explained(text: str) -> None:
    with pytest.raises(ValueError, match="commas part the entries of a list"):
        parse_several(text, parse_area_mm2)


@given(st.text(max_size=12))
def test_rubbish_is_refused_or_read_and_never_anything_else(text: str) -> None:
    for parse in (parse_area_mm2, parse_length_m, parse_temperature_c, parse_gauge):
        value: float | None = None
        with contextlib.suppress(ValueError):
            value = parse(text)
        assert value is None or -40.0 <= value <= 1000.0


@given(st.floats(0.1, 1000.0))
def test_a_length_that_was_printed_is_read_back(length_m: float) -> None:
    assert parse_length_m(f"{length_m:.6f} m") == pytest.approx(length_m, abs=1e-6)
