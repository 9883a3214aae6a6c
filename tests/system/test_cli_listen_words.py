"""What `daq listen` says of numbers that stand for none, and of meters that it does not look for."""

import pytest

from daq.cli.listen_words import asked_name, column_lines, silent_lines
from daq.recognising.framings import parse_framing
from daq.recognising.lines import columns_of_numbers


@pytest.mark.parametrize("text", ["9.91E37", "+9.90000000E+37", "-9.9E37"])
def test_a_number_that_stands_for_none_is_told(text: str) -> None:
    (column,) = columns_of_numbers([text])
    assert column_lines([column])[0].endswith(
        "no value: too large, or nothing measured"
    )
    assert "stands for no value" in asked_name(column)


def test_any_other_number_is_a_value() -> None:
    (column,) = columns_of_numbers(["9.8E37"])
    assert "no value" not in column_lines([column])[0]
    assert "no value" not in asked_name(column)


def test_what_was_not_looked_for_is_told_where_nothing_answers() -> None:
    said = " ".join(silent_lines([parse_framing(9600, "8N1")], (1,)))
    assert "lines with an address" in said
    assert "binary frames of their own, are not looked for" in said
