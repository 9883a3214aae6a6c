"""Units against UCUM, NIST and the SenML registry."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.units import QUANTITIES, UNITS, senml_value, unit_of

STEADY = settings(derandomize=True, deadline=None, max_examples=100)

SENML_REGISTERED = frozenset(
    {
        # RFC 8428, section 12.1, the SenML units registry (those that a bench may use)
        *("m", "kg", "s", "A", "K", "Hz", "N", "Pa", "J", "W", "V", "Ohm", "Cel"),
        *("m2", "m3", "m/s", "m3/s", "W/m2", "%RH", "/", "%", "count", "1/s", "1/min"),
        # RFC 8798, section 2: additions to the same registry
        *("VA", "var", "VAs", "vars", "J/m"),
    }
)
"""Primary units only: RFC 8798's secondary units (kW, kWh, hPa, mA …) are converted to these before sending."""


@pytest.mark.parametrize(
    ("value", "symbol", "expected", "within"),
    [
        # UCUM: [cft_i] = [ft_i]^3, [ft_i] = 0.3048 m; hence 1 ft3/min = 0.471947443 L/s (0.3048^3/60).
        (1.0, "ft3/min", 0.471947443e-3, 1e-12),
        (1000.0, "ft/min", 5.08, 1e-12),
        # UCUM [in_i'H2O] = 249.08891 Pa; NIST SP 811, Appendix B: inch of water, conventional, 249.0889 Pa.
        (1.0, "inH2O", 249.0889, 5e-5),
        (-4.0, "inH2O", -996.35564, 1e-9),
        # Ice and boiling water, and where both scales meet.
        (32.0, "degF", 0.0, 1e-12),
        (212.0, "degF", 100.0, 1e-12),
        (-40.0, "degF", -40.0, 1e-12),
        (20.5, "Cel", 20.5, 0.0),
        # SI Brochure, table 8: 1 h = 3600 s, 1 L = 1e-3 m3; SI prefixes.
        (1.0, "kWh", 3.6e6, 0.0),
        (1.0, "Wh", 3600.0, 0.0),
        (3600.0, "m3/h", 1.0, 1e-12),
        (1.0, "L/s", 1e-3, 0.0),
        (2.0, "m3/s", 2.0, 0.0),
        (250.0, "mA", 0.25, 1e-15),
        (1.2, "kW", 1200.0, 1e-12),
        (1013.25, "hPa", 101325.0, 1e-9),
        (2.5, "kPa", 2500.0, 1e-12),
        (45.0, "%RH", 45.0, 0.0),
        (0.93, "1", 0.93, 0.0),
    ],
)
def test_a_value_becomes_what_the_registry_wants(
    value: float, symbol: str, expected: float, within: float
) -> None:
    assert senml_value(value, unit_of(symbol)) == pytest.approx(
        expected, abs=within, rel=0.0
    )


@pytest.mark.parametrize("symbol", UNITS)
def test_every_unit_is_sent_under_a_registered_symbol(symbol: str) -> None:
    assert UNITS[symbol].senml in SENML_REGISTERED


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_all_units_of_a_quantity_are_sent_under_one_symbol(quantity: str) -> None:
    symbols = [s for s, unit in UNITS.items() if unit.quantity == quantity]
    assert symbols
    assert len({UNITS[symbol].senml for symbol in symbols}) == 1
    # One of them is that unit itself, or the meters of this quantity could not be checked against the registry.
    plain = [s for s in symbols if (UNITS[s].factor, UNITS[s].offset) == (1.0, 0.0)]
    assert plain or quantity == "energy"


def test_every_unit_is_found_by_its_spelling_and_has_a_known_quantity() -> None:
    for symbol, unit in UNITS.items():
        assert unit.symbol == symbol
        assert unit_of(symbol) is unit
        assert unit.quantity in QUANTITIES


def test_column_suffixes_are_distinct_and_fit_into_a_column_name() -> None:
    suffixes = [unit.column_suffix for unit in UNITS.values()]
    assert len(set(suffixes)) == len(suffixes)
    assert all(re.fullmatch(r"[a-z][a-z0-9_]*", suffix) for suffix in suffixes)


@STEADY
@given(st.sampled_from(sorted(UNITS)), st.floats(-1e6, 1e6), st.floats(0.001, 1e6))
def test_conversion_keeps_the_order_of_values(
    symbol: str, value: float, more: float
) -> None:
    unit = unit_of(symbol)
    assert senml_value(value + more, unit) > senml_value(value, unit)


def test_an_unknown_unit_is_refused_with_those_that_are_known() -> None:
    with pytest.raises(ValueError, match=r"unknown unit 'psi', expected one of V, A, "):
        unit_of("psi")
