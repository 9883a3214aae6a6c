"""The files that a search writes: they parse as they are, and say what was found and what was not."""

import tomllib
from typing import Any

import pytest

from daq.config.bench import parse_bench, parse_profile
from daq.recognising.candidates import Candidate
from daq.recognising.choosing import FieldFound, Standing
from daq.recognising.files import (
    NamedColumn,
    numbering,
    render_bench,
    render_query,
    render_registers,
    render_streamed,
)
from daq.recognising.framings import parse_framing
from daq.recognising.lines import line_shape
from daq.recognising.shown import parse_shown

FRAMING = parse_framing(19_200, "7E1")


def parsed(text: str) -> Any:
    return parse_profile(text, file="meter.toml")


def test_a_profile_of_lines_keeps_pattern_framing_and_pace() -> None:
    shape = line_shape(['it\'s "V"=\t12.34 m/s \\ 5'])
    assert shape is not None
    columns = [NamedColumn(1, "velocity", "m/s", 2)]
    text = render_streamed(
        shape, columns, framing=FRAMING, terminator=b"\r", interval_s=0.4998
    )
    profile = parsed(text)
    assert profile.wire.terminator == "\r"
    assert (profile.line.baud, profile.line.data_bits) == (19_200, 7)
    assert (profile.line.parity, profile.refresh_s) == ("even", 0.5)
    assert profile.field[0].resolution == pytest.approx(0.01)


def test_a_pace_that_is_not_known_is_left_to_be_written() -> None:
    shape = line_shape(["12.34 m/s"])
    assert shape is not None
    text = render_streamed(
        shape,
        [NamedColumn(1, "velocity", "m/s", 2)],
        framing=FRAMING,
        terminator=b"\n",
        interval_s=None,
    )
    assert "refresh_s" not in tomllib.loads(text)
    completed = text.replace("# refresh_s = 1.0", "refresh_s = 1.0")
    assert "# CHANGE: how often the meter makes a new value" in completed
    assert parsed(completed).refresh_s == 1.0


def test_a_profile_of_a_query_keeps_what_is_sent_and_how_parts_are_set_apart() -> None:
    text = render_query(
        [NamedColumn(2, "current", "A", 3)],
        framing=FRAMING,
        request="MEAS?\r\n",
        parts=2,
        separator="\t",
        terminator=b"\n",
        echo=True,
        example="1\t2",
    )
    wire = parsed(text).wire
    assert (wire.request, wire.separator, wire.echo) == ("MEAS?\r\n", "\t", True)
    assert parsed(text).field[0].position == 1


def test_a_profile_of_registers_keeps_place_type_order_scale_and_limit() -> None:
    found = FieldFound(
        parse_shown("power=812.4 W"),
        Standing.FOUND,
        (Candidate(3, 107, "u32", "CDAB", 0.001),),
        high=65.535,
        notes=("one thing was taken for granted",),
    )
    text = render_registers([found], framing=parse_framing(9600, "8N1"))
    (field,) = parsed(text).field
    assert (field.function, field.address, field.type) == (3, 107, "u32")
    assert (field.byte_order, field.scale, field.high) == ("CDAB", 0.001, 65.535)
    # No finer than the display, with which it was compared.
    assert field.resolution == pytest.approx(0.1)
    assert "# One thing was taken for granted." in text


def test_both_ways_of_counting_are_told() -> None:
    # Modbus Application Protocol V1.1b3, 4.4: register X is addressed X-1.
    said = numbering(Candidate(3, 107, "u16", "ABCD", 1.0))
    assert "address 107 counted from zero" in said
    assert "counts from one has 108, or 40108" in said
    assert "30001" in numbering(Candidate(4, 0, "u16", "ABCD", 1.0))


@pytest.mark.parametrize("unit", [7, None])
def test_a_bench_names_port_profile_and_unit(unit: int | None) -> None:
    registers = render_registers(
        [
            FieldFound(
                parse_shown("voltage=230.4 V"),
                Standing.FOUND,
                (Candidate(4, 0, "f32", "ABCD", 1.0),),
            )
        ],
        framing=parse_framing(9600, "8N1"),
    )
    shape = line_shape(["1.5 V"])
    assert shape is not None
    lines = render_streamed(
        shape,
        [NamedColumn(1, "voltage", "V", 1)],
        framing=FRAMING,
        terminator=b"\n",
        interval_s=1.0,
    )
    text = render_bench(profile="meter.toml", port='/dev/a "b"', unit=unit)
    bench = parse_bench(
        text,
        file="bench.toml",
        find_profile=lambda name: (name, registers if unit else lines),
    )
    (instrument,) = bench.instruments
    assert (instrument.port.url, instrument.unit) == ('/dev/a "b"', unit)
