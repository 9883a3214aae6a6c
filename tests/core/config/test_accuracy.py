"""What a profile may state of a meter's errors, and what of that is refused; the zero of a channel."""

import pytest

from daq.config.bench import Bench, parse_bench
from daq.errors import ConfigurationError
from daq.records import Accuracy

PROFILE = """\
format = 1
title = "Anemometer"
refresh_s = 1.0

[wire]
protocol = "streamed-lines"
pattern = 'V=(?P<velocity>[^ ]+) U=(?P<voltage>[^ ]+)'

[[field]]
name = "velocity"
quantity = "velocity"
unit = "m/s"
resolution = 0.01
full_scale = 40
accuracy = {{ {accuracy} }}

[[field]]
name = "voltage"
quantity = "voltage"
unit = "V"
resolution = 0.1
"""
ACCURACY_LINE = 15
BENCH = """\
format = 1
name = "bench"
[[instrument]]
name = "vane"
profile = "vane.toml"
port = "port"
[[instrument.channel]]
field = "velocity"
name = "duct_velocity"
{velocity}
[[instrument.channel]]
field = "voltage"
name = "battery"
{voltage}
"""


def _bench(accuracy: str = "", *, velocity: str = "", voltage: str = "") -> Bench:
    profile = PROFILE.format(accuracy=accuracy)
    return parse_bench(
        BENCH.format(velocity=velocity, voltage=voltage),
        file="bench.toml",
        find_profile=lambda name: (name, profile),
    )


def _faults(accuracy: str = "", *, velocity: str = "", voltage: str = "") -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        _bench(accuracy, velocity=velocity, voltage=voltage)
    return str(caught.value).split("\n")


@pytest.mark.parametrize(
    ("stated", "expected"),
    [
        (
            "percent_of_reading = 1, percent_of_range = 0.2, counts = 2, absolute = 0.1",
            Accuracy(1.0, 0.2, 2.0, 0.01, 40.0, 0.1),
        ),
        (
            "gain_percent = 0.8, offset = 0.05, linearity_percent = 0.3, counts = 1",
            Accuracy(
                counts=1.0,
                resolution=0.01,
                full_scale=40.0,
                gain_percent=0.8,
                offset=0.05,
                linearity_percent=0.3,
            ),
        ),
        (
            "percent_of_reading = 1, temperature_percent_per_k = 0.02, temperature_span_k = 5",
            Accuracy(
                1.0,
                resolution=0.01,
                full_scale=40.0,
                temperature_percent_per_k=0.02,
                temperature_span_k=5.0,
            ),
        ),
        (
            "certificate = { expanded_uncertainty = 0.06, coverage_factor = 2 }",
            Accuracy(
                resolution=0.01, full_scale=40.0, certificate_u=0.06, certificate_k=2.0
            ),
        ),
        (
            "counts = 1, certificate = { expanded_uncertainty_percent = 0.5,"
            " coverage_factor = 2.1, degrees_of_freedom = 20 }",
            Accuracy(
                counts=1.0,
                resolution=0.01,
                full_scale=40.0,
                certificate_u_percent=0.5,
                certificate_k=2.1,
                certificate_degrees_of_freedom=20.0,
            ),
        ),
    ],
)
def test_what_a_profile_states_reaches_the_channel(
    stated: str, expected: Accuracy
) -> None:
    velocity, _ = _bench(stated).channels
    assert velocity.accuracy == expected
    assert not velocity.subtract_idle


@pytest.mark.parametrize(
    ("stated", "key", "problem"),
    [
        (
            "percent_of_reading = 1, gain_percent = 1",
            "field[1].accuracy",
            "states the same error twice, in one piece and apart: percent_of_reading and gain_percent;"
            " expected one of each pair",
        ),
        (
            "absolute = 0.1, offset = 0.1, percent_of_range = 1, linearity_percent = 1",
            "field[1].accuracy",
            "absolute and offset, percent_of_range and linearity_percent",
        ),
        (
            "temperature_percent_per_k = 0.02",
            "field[1].accuracy",
            "temperature_percent_per_k and temperature_span_k belong together, expected both or none",
        ),
        (
            "certificate = { expanded_uncertainty = 0.06 }",
            "field[1].accuracy.certificate.coverage_factor",
            "missing, expected a value",
        ),
        (
            "certificate = { expanded_uncertainty = 0.06, expanded_uncertainty_percent = 0.5, coverage_factor = 2 }",
            "field[1].accuracy.certificate",
            "state the same, expected one of them",
        ),
        (
            "certificate = { coverage_factor = 2 }",
            "field[1].accuracy.certificate",
            "expected one of them",
        ),
        (
            "certificate = { expanded_uncertainty = 0.06, coverage_factor = 0.5 }",
            "field[1].accuracy.certificate.coverage_factor",
            "expected greater than or equal to 1",
        ),
        (
            "gain_percent = -1",
            "field[1].accuracy.gain_percent",
            "expected greater than or equal to 0",
        ),
        (
            "gain_percnt = 1",
            "field[1].accuracy.gain_percnt",
            "did you mean 'gain_percent'?",
        ),
    ],
)
def test_a_contradiction_is_told_with_file_line_and_key(
    stated: str, key: str, problem: str
) -> None:
    (fault,) = _faults(stated)
    assert fault.startswith(f"vane.toml:{ACCURACY_LINE}: {key}: ")
    assert problem in fault


def test_a_share_of_the_range_needs_the_range() -> None:
    profile = PROFILE.format(accuracy="linearity_percent = 1")
    profile = profile.replace("full_scale = 40\n", "")
    with pytest.raises(ConfigurationError) as caught:
        parse_bench(
            BENCH.format(velocity="", voltage=""),
            file="bench.toml",
            find_profile=lambda name: (name, profile),
        )
    assert "accuracy.linearity_percent needs full_scale" in str(caught.value)


def test_a_channel_may_have_its_idle_reading_subtracted() -> None:
    velocity, battery = _bench(velocity="subtract_idle = true").channels
    assert velocity.subtract_idle
    assert not battery.subtract_idle


def test_what_need_not_be_zero_with_the_machine_off_is_not_subtracted() -> None:
    (fault,) = _faults(voltage="subtract_idle = true")
    assert fault == (
        "bench.toml:14: instrument[1].channel[2].subtract_idle: a voltage need not be zero with the machine off,"
        " expected it for airflow, velocity, pressure only"
    )
