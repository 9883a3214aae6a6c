"""Number forms of IEEE 488.2 and SCPI-1999, and the lines made of them."""

from decimal import Decimal

import pytest

from simulators.wires import query_lines, streamed_lines
from simulators.wires.query_lines import Field, nr3
from simulators.wires.streamed_lines import Labelled, encode_line


@pytest.mark.parametrize(
    ("value", "resolution", "text"),
    [
        # IEEE 488.2 NR3: sign, digits with a point, E, signed exponent; by hand.
        (230.12, "0.01", "+2.3012E+02"),
        (142.3, "0.1", "+1.423E+02"),
        (0.651, "0.001", "+6.51E-01"),
        (9.9996, "0.001", "+1.0000E+01"),
        (7.0, "0.001", "+7.000E+00"),
        (0.0, "0.001", "+0.000E+00"),
        (0.004, "0.001", "+4.0E-03"),
        (-0.651, "0.001", "-6.51E-01"),
        # SCPI-1999, volume 1: infinity and "not a number".
        (float("inf"), "0.1", "9.9E37"),
        (float("nan"), "0.1", "9.91E37"),
    ],
)
def test_a_value_takes_exponent_form(value: float, resolution: str, text: str) -> None:
    assert nr3(Field(value, Decimal(resolution))) == text


def test_a_measurement_is_one_line_of_fields_in_order() -> None:
    fields = [Field(230.12, Decimal("0.01")), Field(0.651, Decimal("0.001"))]
    for query in (b"MEAS?\n", b"meas?\r\n"):
        reply = query_lines.answer(query, identity=("A",), fields=fields)
        assert reply == b"+2.3012E+02,+6.51E-01\n"


def test_the_identity_is_four_fields() -> None:
    identity = ("BENCH", "ANALYSER", "0001", "1.0")
    reply = query_lines.answer(b"*IDN?\n", identity=identity, fields=())
    assert reply == b"BENCH,ANALYSER,0001,1.0\n"


def test_an_unknown_query_gets_no_reply() -> None:
    assert query_lines.answer(b"READ?\n", identity=("A",), fields=()) is None


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        # IEEE 488.2 NR2: sign, digits, point, digits; by hand.
        (12.34, 2, "+12.34"),
        (-0.5, 1, "-0.5"),
        (-0.01, 1, "+0.0"),
        (0.0, 2, "+0.00"),
        (float("inf"), 2, "OL"),
    ],
)
def test_a_streamed_number_has_a_sign_and_a_point(
    value: float, decimals: int, text: str
) -> None:
    assert streamed_lines.nr2(value, decimals=decimals) == text


def test_a_streamed_line_labels_its_numbers() -> None:
    numbers = [Labelled("V", 12.34, 2, "m/s"), Labelled("T", 21.6, 1, "C")]
    assert encode_line(numbers) == b"V=+12.34 m/s T=+21.6 C\r\n"
