"""The shape of lines: columns, units, and a pattern that the streamed protocol reads."""

import re

import pytest

from daq.protocols.streamed_lines import StreamedLines, StreamField
from daq.recognising.lines import (
    columns_of_numbers,
    decimals_of,
    line_shape,
    numbers_by_separator,
    pattern_for,
)
from daq.recognising.unit_words import field_names, unit_symbol_of
from daq.records import Reading


def units(*lines: str) -> list[str | None]:
    shape = line_shape(lines)
    assert shape is not None
    return [column.unit for column in shape.columns]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("V=+12.34 m/s T=+21.6 C", ["m/s", "Cel"]),
        ("230.1 V;1.204 A;-5.2 W", ["V", "A", "W"]),
        ("230.1VAC\t50.00HZ", ["V", "Hz"]),
        ("T: 21.6 degC, RH: 45.0 %RH, 998 hPa", ["Cel", "%RH", "hPa"]),
        ("[230.1] V (0.95)", [None, None]),
        ("CH1=230.1 V CH2=1.2 A", ["V", "A"]),
        ("FLOW 120 m3/h", ["m3/h"]),
    ],
)
def test_units_behind_their_numbers_are_recognised(
    line: str, expected: list[str | None]
) -> None:
    assert units(line, line) == expected


def test_a_bare_per_cent_sign_is_no_unit_for_it_can_mean_several() -> None:
    assert units("45.0 %", "45.1 %") == [None]


def test_units_before_their_numbers_are_left_open() -> None:
    # Whether 230.1 is volts or amperes cannot be told from this line alone.
    assert units("V 230.1 A 1.2", "V 230.2 A 1.3") == [None, None]


def test_the_label_of_the_next_number_is_not_the_unit_of_this_one() -> None:
    assert units("U=230.1 A=1.2", "U=230.1 A=1.2") == [None, None]


def test_labels_are_hints() -> None:
    shape = line_shape(["U=230.1 PF=0.95 X=1"])
    assert shape is not None
    assert [c.hint for c in shape.columns] == ["voltage", "power factor", None]


def test_a_unit_is_known_by_its_spelling_alone() -> None:
    assert unit_symbol_of("kW") == "kW"
    assert unit_symbol_of("KW") == "kW"
    assert unit_symbol_of("mV") is None
    assert unit_symbol_of("1") is None


def test_fields_of_one_quantity_are_numbered() -> None:
    assert field_names(["V", "A", "V"]) == ["voltage_1", "current", "voltage_2"]


@pytest.mark.parametrize(
    "lines",
    [
        ["V=+12.34 m/s T=+21.6 C", "V= -2.34 m/s T=   OL C"],
        ["  1,230.4, 1.20", " 10,  9.4,-0.20"],
        ["+2.304E+02;1.0E+00", "-2.304E-02;9.0E+00"],
        ["12:00:01\t230.1", "12:00:02\t 30.1"],
        ["a.b*(c) 1.5 [V]", "a.b*(c) 11.5 [V]"],
    ],
)
def test_the_pattern_reads_the_lines_it_was_made_of_and_no_spoiled_ones(
    lines: list[str],
) -> None:
    shape = line_shape(lines)
    assert shape is not None
    last = len(shape.columns)
    pattern = re.compile(pattern_for(shape, {last: "value"}))
    for line in lines:
        assert pattern.fullmatch(line.strip()) is not None
        assert pattern.fullmatch(line.strip()[:-1] + "~") is None
        assert pattern.fullmatch("x" + line.strip()) is None


def test_a_lost_decimal_point_does_not_match() -> None:
    shape = line_shape(["12.34 V", "12.35 V"])
    assert shape is not None
    pattern = pattern_for(shape, {1: "voltage"})
    assert re.fullmatch(pattern, "1234 V") is None
    # Another range of the same meter does.
    assert re.fullmatch(pattern, "123.4 V") is not None


def test_the_daemons_protocol_reads_the_proposed_pattern() -> None:
    shape = line_shape(["U= 230.1 V", "U=  30.2 V"])
    assert shape is not None
    meter = StreamedLines(
        instrument="meter",
        pattern=pattern_for(shape, {1: "voltage"}),
        fields=[StreamField("voltage")],
        silence_s=1.0,
        char_s=0.001,
    )
    meter.query(0.0)
    meter.feed(b"U= 2\nU= 230.4 V\r\n", 0.1)
    reading = meter.next_reading()
    assert isinstance(reading, Reading)
    assert reading.values == (230.4,)


def test_lines_without_a_number_have_no_shape() -> None:
    assert line_shape(["hello", "world"]) is None


@pytest.mark.parametrize(
    ("figure", "decimals"),
    [("12", 0), ("12.340", 3), ("+2.304E+02", 1), ("1.5E-01", 2), ("1.5E+03", 0)],
)
def test_decimals_count_the_exponent(figure: str, decimals: int) -> None:
    assert decimals_of(figure) == decimals


def test_bare_numbers_are_set_apart_by_one_character() -> None:
    assert numbers_by_separator("+1.0E+00;2") == (";", ("+1.0E+00", "2"))
    assert numbers_by_separator("1\t2") == ("\t", ("1", "2"))
    assert numbers_by_separator("230.1") == (",", ("230.1",))
    assert numbers_by_separator("230.1 V,2 A") is None
    assert [c.decimals for c in columns_of_numbers(("1.25", " 3"))] == [2, 0]
