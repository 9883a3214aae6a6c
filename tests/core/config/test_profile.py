"""What a profile may hold, and what is said of one that holds something else."""

import pytest

from daq.config.bench import parse_profile
from daq.errors import ConfigurationError

FILE = "meter.toml"
MODBUS = """\
format = 1
title = "Meter"
refresh_s = 0.5

[wire]
protocol = "modbus-rtu"

[[field]]
name = "voltage"
quantity = "voltage"
unit = "V"
address = 0
resolution = 0.1
accuracy = { percent_of_reading = 0.5, counts = 2 }
"""
STREAMED = """\
format = 1
title = "Anemometer"
refresh_s = 0.5

[wire]
protocol = "streamed-lines"
pattern = 'V=(?P<velocity>[^ ]+)'

[[field]]
name = "velocity"
quantity = "velocity"
unit = "m/s"
resolution = 0.01
"""
UNITS = (
    "V, A, mA, W, kW, VA, 1, Hz, rpm, Wh, kWh, m/s, ft/min, m3/s, m3/h, L/s, ft3/min, "
    "Pa, hPa, mbar, kPa, inH2O, Cel, degF, %RH"
)
TOP_KEYS = "format, title, refresh_s, lag_s, line, wire, field"
ACCURACY_KEYS = (
    "percent_of_reading, percent_of_range, counts, absolute, gain_percent, offset, linearity_percent, "
    "temperature_percent_per_k, temperature_span_k, certificate"
)


def _faults(text: str) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        parse_profile(text, file=FILE)
    assert caught.value.exit_code == 2
    return str(caught.value).split("\n")


@pytest.mark.parametrize("text", [MODBUS, STREAMED])
def test_a_whole_profile_is_taken(text: str) -> None:
    profile = parse_profile(text, file=FILE)
    assert profile.refresh_s == 0.5
    assert profile.field[0].resolution in {0.1, 0.01}


@pytest.mark.parametrize(
    ("written", "instead", "fault"),
    [
        (
            "refresh_s = 0.5",
            "refresh_s = 0,5",
            ":3: no valid TOML: expected newline or end of document after a statement; "
            "numbers have a point, not a comma: 0.5",
        ),
        (
            "refresh_s = 0.5",
            "refresh_s = 0.5\nlagg_s = 0.1",
            ":4: lagg_s: unknown key, did you mean 'lag_s'? "
            f"expected one of {TOP_KEYS}",
        ),
        (
            "refresh_s = 0.5",
            "refresh_s = 0.5\nzzz = 1",
            f":4: zzz: unknown key, expected one of {TOP_KEYS}",
        ),
        ("refresh_s = 0.5\n", "", ":1: refresh_s: missing, expected a value"),
        (
            "refresh_s = 0.5",
            'refresh_s = "0.5"',
            ":3: refresh_s: got '0.5', expected a number without quotes: 0.5",
        ),
        (
            "refresh_s = 0.5",
            "refresh_s = 0",
            ":3: refresh_s: got 0, expected greater than 0",
        ),
        (
            "refresh_s = 0.5",
            "refresh_s = inf",
            ":3: refresh_s: got inf, expected a finite number",
        ),
        ("format = 1", "format = 2", ":1: format: got 2, expected 1"),
        (
            'title = "Meter"',
            'title = ""',
            ":2: title: got '', expected at least 1 character",
        ),
        (
            'protocol = "modbus-rtu"',
            'protocol = "modbus-tcp"',
            ":5: wire: unknown protocol 'modbus-tcp', "
            "expected fixed-frames, modbus-ascii, modbus-rtu, query-lines, streamed-lines",
        ),
        (
            'protocol = "modbus-rtu"',
            "",
            ":5: wire: protocol missing, expected fixed-frames, modbus-ascii, modbus-rtu, query-lines, streamed-lines",
        ),
        (
            'protocol = "modbus-rtu"',
            'protocol = "modbus-rtu"\nreply_timeout = 0.1',
            ":7: wire.reply_timeout: unknown key, did you mean 'reply_timeout_s'? "
            "expected one of protocol, reply_timeout_s, worst_reply_s",
        ),
        (
            'unit = "V"',
            'unit = "Volt"',
            f":11: field[1].unit: unknown unit 'Volt', expected one of {UNITS}",
        ),
        (
            'unit = "V"',
            'unit = "A"',
            ":8: field[1]: unit 'A' measures current, expected a unit of voltage",
        ),
        (
            'quantity = "voltage"',
            'quantity = "tension"',
            ":10: field[1].quantity: unknown quantity 'tension', expected one of voltage, "
            "current, power, apparent power, power factor, frequency, rotational speed, energy, velocity, "
            "airflow, pressure, temperature, humidity",
        ),
        (
            'name = "voltage"',
            'name = "Voltage"',
            ":9: field[1].name: got 'Voltage', expected small letters, digits and _, "
            "a letter first",
        ),
        (
            "address = 0",
            "address = 65536",
            ":12: field[1].address: got 65536, expected less than or equal to 65535",
        ),
        (
            "address = 0",
            'address = 0\ntype = "f16"',
            ":13: field[1].type: got 'f16', expected 'u8', 's8', 'u16', 's16', 'u24', "
            "'s24', 'u32', 's32', 'f32' or 'bcd', did you mean 'u16'?",
        ),
        (
            "address = 0\n",
            "",
            ":1: address missing in field voltage, expected one for modbus-rtu",
        ),
        (
            "percent_of_reading = 0.5",
            "percent_of_range = 0.5",
            ":8: field[1]: accuracy.percent_of_range needs full_scale, "
            "expected full_scale = end of the range",
        ),
        (
            "percent_of_reading = 0.5",
            "percent_of_reading = -0.5",
            ":14: field[1].accuracy.percent_of_reading: got -0.5, "
            "expected greater than or equal to 0",
        ),
        (
            "percent_of_reading = 0.5",
            "percent_reading = 0.5",
            ":14: field[1].accuracy.percent_reading: unknown key, "
            f"did you mean 'percent_of_reading'? expected one of {ACCURACY_KEYS}",
        ),
        (
            "resolution = 0.1",
            "resolution = 0.1\nlow = 300\nhigh = 300",
            ":8: field[1]: low 300.0 is not below high 300.0",
        ),
    ],
    ids=lambda value: value if value.startswith(":") else "",
)
def test_a_fault_says_where_it_is_and_what_was_expected(
    written: str, instead: str, fault: str
) -> None:
    assert written in MODBUS
    assert _faults(MODBUS.replace(written, instead)) == [FILE + fault]


def test_two_fields_of_one_name_are_refused() -> None:
    again = MODBUS[MODBUS.index("[[field]]") :]
    assert _faults(MODBUS + again) == [f"{FILE}:1: two fields of one name: voltage"]


def test_a_profile_without_fields_is_refused() -> None:
    bare = MODBUS[: MODBUS.index("[[field]]")]
    assert _faults(bare) == [f"{FILE}:1: field: missing, expected a value"]
    assert _faults("field = []\n" + bare) == [
        f"{FILE}:1: field: got [], expected at least 1 item"
    ]


def test_a_value_where_a_table_is_expected_is_called_that() -> None:
    assert _faults("line = 9600\n" + MODBUS) == [
        f"{FILE}:1: line: got 9600, expected a table"
    ]


@pytest.mark.parametrize(
    ("pattern", "says"),
    [
        ("V=([^ ]+)", "velocity"),
        ("V=(?P<speed>[^ ]+)", "velocity"),
        ("V=(?P<velocity>[^ ]+", "pattern"),
    ],
    ids=["no name", "another name", "not closed"],
)
def test_a_pattern_must_be_an_expression_with_a_group_for_every_field(
    pattern: str, says: str
) -> None:
    (fault,) = _faults(STREAMED.replace("V=(?P<velocity>[^ ]+)", pattern))
    assert fault.startswith(f"{FILE}:5: wire: ")
    assert says in fault


def test_all_faults_of_a_file_are_told_at_once_in_its_order() -> None:
    spoiled = (
        MODBUS.replace("format = 1", "format = 7")
        .replace("refresh_s = 0.5", 'refresh_s = "often"')
        .replace("resolution = 0.1", "resolution = 0")
        .replace("counts = 2", "count = 2")
    )
    assert _faults(spoiled) == [
        f"{FILE}:1: format: got 7, expected 1",
        f"{FILE}:3: refresh_s: got 'often', expected a number",
        f"{FILE}:13: field[1].resolution: got 0, expected greater than 0",
        f"{FILE}:14: field[1].accuracy.count: unknown key, did you mean 'counts'? "
        f"expected one of {ACCURACY_KEYS}",
    ]


def _with_fields(count: int) -> str:
    head, field = MODBUS.split("[[field]]")
    fields = [
        f"[[field]]{field}".replace('"voltage"\nq', f'"voltage_{number}"\nq')
        for number in range(count)
    ]
    return head + "\n".join(fields)


def test_as_many_fields_are_taken_as_a_reading_has_flags_for() -> None:
    # 64 bits with a sign (SQLite, "Datatypes In SQLite", section 2), one of which says that the line was drained.
    assert len(parse_profile(_with_fields(62), file=FILE).field) == 62


def test_one_field_more_is_refused_where_it_stands() -> None:
    text = _with_fields(63)
    line = text[: text.rindex("[[field]]")].count("\n") + 1
    assert _faults(text) == [
        f"meter.toml:{line}: field[63]: got 63 fields, expected at most 62: leave out those that no channel of a bench needs"
    ]
