"""Meters without a port in bench files, and what a plan may not ask of their channels."""

import pytest

from daq.config.bench import Bench, parse_bench
from daq.config.plan import parse_plan
from daq.errors import ConfigurationError

METER = """\
format = 1
title = "Meter"
refresh_s = 1.0
[wire]
protocol = "streamed-lines"
pattern = '(?P<power>[^ ]+) (?P<current>[^ ]+)'
[[field]]
name = "power"
quantity = "power"
unit = "W"
resolution = 0.1
[[field]]
name = "current"
quantity = "current"
unit = "A"
resolution = 0.01
"""
BENCH = """\
format = 1
name = "fan-bench"
[[instrument]]
name = "meter"
profile = "meter"
port = "ports/mains"
[[typed]]
name = "velocity"
title = "Outlet velocity"
quantity = "velocity"
unit = "m/s"
resolution = 0.01
low = 0.4
high = 40
place = "outlet"
accuracy = { percent_of_reading = 2.0, absolute = 0.1 }
[[airflow]]
name = "airflow"
channel = "velocity"
meter = "vane"
diameter_mm = 60
"""
PLAN = """\
format = 1
name = "filters"
baseline = "none"
[machine]
title = "Extractor fan"
[[condition]]
name = "none"
[start]
channel = "meter_current"
on_above = 0.8
off_below = 0.4
[settling]
required = ["meter_power"]
[[limit]]
channel = "meter_current"
above = 3.0
reason = "rating of the fan"
"""


def _bench(text: str = BENCH) -> Bench:
    return parse_bench(
        text, file="bench.toml", find_profile={"meter": ("meter.toml", METER)}.get
    )


def _faults(bench: str = BENCH, plan: str = PLAN) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        parse_plan(plan, file="plan.toml", bench=_bench(bench))
    return [str(fault) for fault in caught.value.faults]


def test_a_typed_meter_is_an_instrument_of_one_channel_that_nobody_polls() -> None:
    bench = _bench()
    assert [i.name for i in bench.instruments] == ["meter"]
    channel = bench.channels[-1]
    assert (channel.name, channel.title, channel.place) == (
        "velocity",
        "Outlet velocity",
        "outlet",
    )
    assert channel.accuracy.resolution == 0.01
    assert channel.accuracy.percent_of_reading == 2.0
    assert bench.channels_by_instrument()["velocity"] == (channel,)
    display = bench.typed[0].display
    assert (display.low, display.high, display.decimals) == (0.4, 40.0, 2)


def test_every_trial_of_a_plan_waits_for_typed_channels() -> None:
    rules = parse_plan(PLAN, file="plan.toml", bench=_bench()).rules
    assert rules.typed == ("velocity",)
    assert rules.required == ("meter_power",)
    assert rules.waited_for == ("meter_power", "velocity")


@pytest.mark.parametrize(
    ("written", "instead", "fault"),
    [
        ('place = "outlet"', 'port = "ports/air"', "port in a meter that is typed: nothing is read from it by wire, expected no such key, or an [[instrument]]"),
        ('place = "outlet"', 'profile = "meter"', "profile in a meter that is typed"),
        ('place = "outlet"', "resolutoin = 0.1", "unknown key, did you mean 'resolution'?"),
        ("resolution = 0.01\nlow", "low", "missing, expected a value"),
        ('unit = "m/s"', 'unit = "W"', "unit 'W' measures power, expected a unit of velocity"),
        ("low = 0.4", "low = 50", "low 50.0 is not below high 40.0"),
        ('port = "ports/mains"', 'port = "ports/mains"\ntyped = true', "typed in an instrument with a port, expected a table [[typed]] of its own"),
        ('name = "velocity"\ntitle', 'name = "meter_power"\ntitle', "there is channel 'meter_power' already, expected another name"),
        ('name = "velocity"\ntitle', 'name = "meter"\ntitle', "there is instrument 'meter' already, expected another name"),
    ],
)  # fmt: skip
def test_what_contradicts_itself_in_a_typed_meter_is_refused(
    written: str, instead: str, fault: str
) -> None:
    assert written in BENCH
    (found,) = _faults(bench=BENCH.replace(written, instead, 1))
    assert found.startswith("bench.toml:")
    assert fault in found


def test_two_typed_meters_of_one_name_are_refused() -> None:
    start = BENCH.index("[[typed]]")
    twice = BENCH + BENCH[start : BENCH.index("[[airflow]]")]
    (found,) = _faults(bench=twice)
    assert "there is channel 'velocity' already" in found


@pytest.mark.parametrize(
    ("written", "instead", "fault"),
    [
        ('required = ["meter_power"]', 'required = ["meter_power", "velocity"]', "'velocity' is typed by the operator: every trial waits for its readings anyway"),
        ('[start]\nchannel = "meter_current"', '[start]\nchannel = "velocity"', "it cannot tell when the machine is on"),
        ('[[limit]]\nchannel = "meter_current"', '[[limit]]\nchannel = "velocity"', "it cannot be watched"),
        ("[[limit]]", "[averaging]\nlongest_s = 50\nleast_s = 30\n[[limit]]", "longest_s is 50 s, expected at least 90 s"),
        ('required = ["meter_power"]', 'preset = "quick"\nrequired = ["meter_power"]\n[averaging]\nlongest_s = 89', "longest_s is 89 s, expected at least 90 s"),
    ],
)  # fmt: skip
def test_what_a_typed_channel_cannot_do_is_refused(
    written: str, instead: str, fault: str
) -> None:
    assert written in PLAN
    (found,) = _faults(plan=PLAN.replace(written, instead))
    assert found.startswith("plan.toml:")
    assert fault in found


def test_more_typed_channels_than_a_preset_has_time_for_are_told_what_to_write() -> (
    None
):
    start, end = BENCH.index("[[typed]]"), BENCH.index("[[airflow]]")
    meters = [
        BENCH[start:end].replace("velocity", f"velocity_{i}", 1) for i in range(4)
    ]
    text = BENCH + "".join(meters)
    (found,) = _faults(bench=text)
    assert "settling.preset: longest_s is 300 s, expected at least 358 s" in found
    assert "write longest_s = 358 under [averaging]" in found
    plan = PLAN.replace("[[limit]]", "[averaging]\nlongest_s = 358\n[[limit]]")
    assert len(parse_plan(plan, file="plan.toml", bench=_bench(text)).rules.typed) == 5


def test_a_plan_without_any_channel_that_is_read_by_wire_is_refused() -> None:
    found = _faults(plan=PLAN.replace('["meter_power"]', '["velocity"]'))
    assert any("a few of them cannot tell when it is settled" in each for each in found)


@pytest.mark.parametrize("instruments", ["", "instrument = []\n"])
def test_a_bench_of_typed_meters_alone_is_told_what_else_it_needs(
    instruments: str,
) -> None:
    head, _, rest = BENCH.partition("[[instrument]]")
    typed = "[[typed]]" + rest.partition("[[typed]]")[2]
    with pytest.raises(ConfigurationError) as caught:
        _bench(head + instruments + typed)
    (fault,) = caught.value.faults
    assert "instrument: missing, expected at least one [[instrument]]" in str(fault)
    assert "a meter that is read over a line" in str(fault)
    assert "daq import --plan" in str(fault)


def test_a_table_in_single_brackets_is_told_to_take_double_ones() -> None:
    text = BENCH.replace("[[typed]]", "[typed]")
    with pytest.raises(ConfigurationError, match=r"typed: one table, .* double brackets"):  # fmt: skip
        _bench(text)
