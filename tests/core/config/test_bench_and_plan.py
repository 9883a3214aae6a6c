"""Benches and plans: what becomes of good ones, and what is said of bad ones."""

import dataclasses

import pytest

from daq.config.bench import Bench, parse_bench
from daq.config.plan import check_plan_alone, parse_plan
from daq.errors import ConfigurationError
from daq.records import PlannedTrial, Reading
from daq.trials.order import OrderKind
from daq.trials.session import Session
from daq.trials.stages import Stage

METER = """\
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
accuracy = { percent_of_range = 0.5 }
full_scale = 300
[[field]]
name = "current"
quantity = "current"
unit = "A"
address = 2
resolution = 0.01
"""
VANE = """\
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
BENCH = """\
format = 1
name = "fan-bench"

[[instrument]]
name = "meter-a"
profile = "meter"
port = "ports/mains"
unit = 1
place = "supply end"

[[instrument.channel]]
field = "voltage"
name = "supply_voltage"

[[instrument]]
name = "meter-b"
profile = "meter"
port = "ports/mains"
unit = 2

[[instrument]]
name = "vane"
profile = "vane"
port = "ports/air"
"""
PLAN = """\
format = 1
name = "filters"
baseline = "none"

[machine]
title = "Extractor fan"

[[condition]]
name = "none"
instruction = "Leave the frame empty"

[[condition]]
name = "fine"

[start]
channel = "meter_b_current"
on_above = 0.8
off_below = 0.4

[settling]
required = [
  "meter_b_current",
  "vane_velocity",
]

[[limit]]
channel = "meter_b_current"
above = 3.0
reason = "rating of the fan"
"""


def _find_profile(name: str) -> tuple[str, str] | None:
    texts = {"meter": METER, "vane": VANE, "spoiled": METER.replace("0.5", "-0.5", 1)}
    return (f"{name}.toml", texts[name]) if name in texts else None


def _bench(text: str = BENCH) -> Bench:
    return parse_bench(text, file="bench.toml", find_profile=_find_profile)


def _bench_faults(text: str) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        _bench(text)
    return str(caught.value).split("\n")


def _plan_faults(text: str) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        parse_plan(text, file="plan.toml", bench=_bench())
    return str(caught.value).split("\n")


# ---- a good bench


def test_a_channel_is_what_bench_and_profile_say_together() -> None:
    channel = _bench().channels[0]
    assert (channel.name, channel.title) == ("supply_voltage", "Supply voltage")
    assert (channel.quantity, channel.unit, channel.place) == (
        "voltage",
        "V",
        "supply end",
    )
    assert channel.accuracy.percent_of_range == 0.5
    assert channel.accuracy.full_scale == 300.0
    assert channel.accuracy.resolution == 0.1
    assert channel.interval_s == 0.5


def test_an_instrument_without_channels_gives_all_its_fields() -> None:
    names = [channel.name for channel in _bench().channels]
    assert names == [
        "supply_voltage",
        "meter_b_voltage",
        "meter_b_current",
        "vane_velocity",
    ]


def test_the_bench_may_poll_more_slowly_and_set_the_line() -> None:
    slower = BENCH.replace("unit = 2", 'unit = 2\ninterval_s = 4.0\nparity = "even"')
    slower = slower.replace("unit = 1", 'unit = 1\nparity = "even"')
    meter = _bench(slower).instruments[1]
    assert meter.interval_s == meter.channels[0].interval_s == 4.0
    # Start, eight data bits, parity, stop.
    assert meter.port.char_bits == 11


def test_a_meter_that_talks_by_itself_keeps_its_own_interval() -> None:
    vane = _bench(BENCH + "interval_s = 9.0\n").instruments[2]
    assert vane.is_streamed
    assert vane.interval_s == 0.5


def test_the_silence_before_a_request_is_that_of_the_line() -> None:
    meter, _, vane = _bench().instruments
    # Modbus over Serial Line V1.02, 2.5.1.1: 3.5 characters; 10 bits each at 9600 bit/s.
    assert meter.silence_before_s == pytest.approx(35.0 / 9600.0)
    assert vane.silence_before_s == 0.0


def test_channels_are_grouped_by_instrument() -> None:
    bench = _bench()
    grouped = bench.channels_by_instrument()
    assert list(grouped) == ["meter-a", "meter-b", "vane"]
    assert grouped["vane"] == bench.instruments[2].channels


# ---- a bad bench


@pytest.mark.parametrize(
    ("written", "instead", "fault"),
    [
        ('name = "meter-b"', 'name = "meter b"', ":16: instrument[2].name: got 'meter b', "
         "expected letters, digits, - and _, a letter first"),
        ('name = "meter-b"', 'name = "meter-a"', ":16: instrument[2].name: "
         "two instruments are named 'meter-a'"),
        ('profile = "vane"', 'profile = "wane"', ":23: instrument[3].profile: "
         "no profile 'wane', expected the name of a shipped profile or a file beside the bench"),
        ('field = "voltage"', 'field = "tension"', ":12: instrument[1].channel[1].field: "
         "profile 'meter' has no field 'tension', expected one of voltage, current, or drop this table"),
        ('name = "supply_voltage"', 'name = "supply-voltage"', ":13: "
         "instrument[1].channel[1].name: got 'supply-voltage', "
         "expected small letters, digits and _, a letter first"),
        ('place = "supply end"', "place = 1", ":9: instrument[1].place: got 1, "
         "expected a text in quotes"),
        ("unit = 2", "", ":15: instrument[2]: unit missing, expected the Modbus unit 1 to 247"),
        ("unit = 2", "unit = 248", ":19: instrument[2].unit: got 248, "
         "expected less than or equal to 247"),
        ("unit = 2", "unit = 1", ":19: instrument[2].unit: "
         "unit 1 on port 'ports/mains' is 'meter-a' already, expected another unit"),
        ("unit = 2", "unit = 2\nbaud = 19200", ":18: instrument[2].port: "
         "line settings differ from those of 'meter-a' on the same port"),
        ("unit = 2", "unit = 2\nbaud = 96.5", ":20: instrument[2].baud: got 96.5, "
         "expected a whole number"),
        ("unit = 2", 'unit = 2\nparity = "evn"', ":20: instrument[2].parity: got 'evn', "
         "expected 'none', 'even', 'odd', 'mark' or 'space', did you mean 'even'?"),
        ('port = "ports/air"', 'port = "ports/air"\nunit = 3', ":25: instrument[3].unit: "
         "streamed-lines has no units, expected no such key"),
        ('port = "ports/air"', 'port = "ports/mains"', ":24: instrument[3].port: port "
         "'ports/mains' is used by 'meter-a' too, only meters with units share a line"),
        ('name = "fan-bench"', 'name = "fan-bench"\nbroker = { port = 1883 }', ":3: broker.host: "
         "missing, expected a value"),
        ('name = "fan-bench"', 'name = "fan-bench"\n[page]\nprot = 1', ":4: page.prot: "
         "unknown key, did you mean 'port'? expected one of port, share_port, certificate, key"),
    ],
    ids=lambda value: value if value.startswith(":") else "",
)  # fmt: skip
def test_a_fault_of_a_bench_says_where_it_is(
    written: str, instead: str, fault: str
) -> None:
    assert written in BENCH
    assert _bench_faults(BENCH.replace(written, instead)) == ["bench.toml" + fault]


def test_two_channels_of_one_name_are_refused_also_where_the_name_is_made() -> None:
    twice = BENCH.replace('name = "supply_voltage"', 'name = "meter_b_voltage"')
    assert _bench_faults(twice) == [
        "bench.toml:15: instrument[2].channel[1].name: two channels are named "
        "'meter_b_voltage', the other is of instrument 'meter-a'"
    ]


def test_instruments_that_differ_only_in_capitals_give_two_channels_of_one_name() -> (
    None
):
    alike = BENCH.replace('name = "vane"', 'name = "Meter_B"').replace(
        'profile = "vane"\nport = "ports/air"',
        'profile = "meter"\nport = "ports/mains"\nunit = 3',
    )
    assert [fault.split(": ", 2)[2] for fault in _bench_faults(alike)] == [
        "two channels are named 'meter_b_voltage', the other is of instrument 'meter-b'",
        "two channels are named 'meter_b_current', the other is of instrument 'meter-b'",
    ]


def test_a_meter_that_talks_by_itself_shares_its_line_with_nobody() -> None:
    # Whichever of the two is written first.
    vane = BENCH[BENCH.index('[[instrument]]\nname = "vane"') :]
    first = BENCH.replace(vane, "").replace(
        "[[instrument]]",
        vane.replace("ports/air", "ports/mains") + "\n[[instrument]]",
        1,
    )
    faults = _bench_faults(first)
    assert len(faults) == 2
    assert all("used by 'vane' too" in fault for fault in faults)


def test_faults_of_bench_and_profile_are_told_together() -> None:
    spoiled = BENCH.replace('profile = "vane"', 'profile = "spoiled"').replace(
        'field = "voltage"', 'field = "tension"'
    )
    assert _bench_faults(spoiled) == [
        "spoiled.toml:3: refresh_s: got -0.5, expected greater than 0",
        "bench.toml:12: instrument[1].channel[1].field: "
        "profile 'meter' has no field 'tension', expected one of voltage, current, or drop this table",
    ]


def test_the_faults_of_a_profile_are_told_once_however_many_instruments_have_it() -> (
    None
):
    spoiled = BENCH.replace('profile = "meter"', 'profile = "spoiled"')
    assert spoiled.count('"spoiled"') == 2
    assert _bench_faults(spoiled) == [
        "spoiled.toml:3: refresh_s: got -0.5, expected greater than 0"
    ]


def test_an_absent_profile_is_told_wherever_it_is_named() -> None:
    absent = BENCH.replace('profile = "meter"', 'profile = "metre"')
    assert [fault.split(": ")[1] for fault in _bench_faults(absent)] == [
        "instrument[1].profile",
        "instrument[2].profile",
    ]


# ---- a good plan


def test_a_plan_becomes_the_rules_of_a_session() -> None:
    plan = parse_plan(PLAN, file="plan.toml", bench=_bench())
    rules = plan.rules
    assert (plan.machine, plan.baseline) == ("Extractor fan", "none")
    assert plan.instructions == {"none": "Leave the frame empty", "fine": "Fit fine"}
    assert rules.required == ("meter_b_current", "vane_velocity")
    assert (rules.start.on_above, rules.start.off_below) == (0.8, 0.4)
    assert [(m.channel, m.above, m.below) for m in rules.limits] == [
        ("meter_b_current", 3.0, None)
    ]
    assert rules.target is None


def test_airflow_and_velocity_have_twice_the_tolerance_unless_the_plan_says_otherwise() -> (
    None
):
    plain = parse_plan(PLAN, file="plan.toml", bench=_bench()).rules.tolerances
    assert (plain["meter_b_current"], plain["vane_velocity"]) == (0.005, 0.01)
    said = PLAN.replace("[settling]", "[settling]\ntolerance = 0.004")
    all_alike = parse_plan(said, file="plan.toml", bench=_bench()).rules.tolerances
    assert set(all_alike.values()) == {0.004}
    one = PLAN.replace(
        "[settling]", "[settling]\ntolerances = { vane_velocity = 0.02 }"
    )
    by_name = parse_plan(one, file="plan.toml", bench=_bench()).rules.tolerances
    assert (by_name["meter_b_current"], by_name["vane_velocity"]) == (0.005, 0.02)


def test_a_plan_may_leave_switching_on_to_the_operator() -> None:
    start = PLAN[PLAN.index("[start]") : PLAN.index("[settling]")]
    plan = parse_plan(PLAN.replace(start, ""), file="plan.toml", bench=_bench())
    assert plan.rules.start.channel is None


def test_averaging_and_order_are_those_of_the_plan() -> None:
    text = PLAN + (
        "[averaging]\nleast_s = 80\nlongest_s = 200\ntarget_percent = 0.2\n"
        '[order]\nkind = "randomised"\nrepeats = 3\nseed = 5\n'
    )
    plan = parse_plan(text, file="plan.toml", bench=_bench())
    assert plan.rules.parameters.least_s == 80.0
    assert plan.rules.parameters.longest_s == 200.0
    assert plan.rules.target == pytest.approx(0.002)
    assert (plan.order_kind, plan.seed) == (OrderKind.RANDOMISED, 5)
    assert len(plan.order(seed=5)) == 6
    assert plan.order(seed=5) == plan.order(seed=5)


# ---- a bad plan


@pytest.mark.parametrize(
    ("written", "instead", "fault"),
    [
        ('baseline = "none"\n', "", ":1: baseline: missing, expected a value"),
        ('baseline = "none"', 'baseline = "nothing"', ":3: baseline: "
         "no condition 'nothing', expected one of 'none', 'fine'"),
        ('title = "Extractor fan"', "", ":5: machine.title: missing, expected a value"),
        ('name = "fine"', 'name = "none"', ":13: condition[2].name: condition[1] is named 'none' too, "
         "expected another name, or one condition and repeats in [order] for more trials of it"),
        ('channel = "meter_b_current"\non', 'channel = "meter_b_curent"\non', ":16: start.channel: "
         "the bench has no channel 'meter_b_curent', did you mean 'meter_b_current'?"),
        ('channel = "meter_b_current"\non', 'channel = "xyz"\non', ":16: start.channel: "
         "the bench has no channel 'xyz', expected one of supply_voltage, meter_b_voltage, "
         "meter_b_current, vane_velocity"),
        ('"vane_velocity",', '"vane_velocit",', ":21: settling.required[2]: "
         "the bench has no channel 'vane_velocit', did you mean 'vane_velocity'?"),
        ('channel = "meter_b_current"\nab', 'channel = "meter_c_current"\nab',
         ":27: limit[1].channel: the bench has no channel 'meter_c_current', "
         "did you mean 'meter_b_current'?"),
        ("on_above = 0.8", "on_above = 0.3", ":15: start: off_below 0.4 is above on_above 0.3, "
         "expected it at or below"),
        ("on_above = 0.8\n", "", ":15: start: channel, on_above and off_below belong together, "
         "expected all three or none"),
        ("above = 3.0\n", "", ":26: limit[1]: neither above nor below, expected at least one"),
        ('reason = "rating of the fan"\n', "", ":26: limit[1].reason: missing, expected a value"),
        ('"vane_velocity",', '"meter_b_current",', ":21: settling.required: "
         "named more than once: meter_b_current"),
        ("[settling]", "[settling]\ntolerance = 0.5", ":21: settling.tolerance: got 0.5, "
         "expected less than or equal to 0.1"),
        ("[settling]", "[settling]\ntolerances = { velocity = 0.01 }", ":21: "
         "settling.tolerances.velocity: the bench has no channel 'velocity', "
         "did you mean 'vane_velocity'?"),
        ("[settling]", "[averaging]\nleast_s = 130\nlongest_s = 120\n\n[settling]", ":20: averaging: "
         "longest_s 120.0, expected at least least_s, 130"),
        ("[settling]", "[averaging]\nleast_s = 5\n\n[settling]", ":21: averaging.least_s: got 5, "
         "expected greater than or equal to 30"),
        ("[settling]", '[order]\nkind = "randomized"\n\n[settling]', ":21: order.kind: "
         "got 'randomized', expected 'as written', 'randomised' or 'baseline first and last', "
         "did you mean 'randomised'?"),
        ("[settling]", "[order]\nrepeats = true\n\n[settling]", ":21: order.repeats: got True, "
         "expected a whole number"),
    ],
    ids=lambda value: value if value.startswith(":") else "",
)  # fmt: skip
def test_a_fault_of_a_plan_says_where_it_is(
    written: str, instead: str, fault: str
) -> None:
    assert PLAN.count(written) == 1
    assert _plan_faults(PLAN.replace(written, instead)) == ["plan.toml" + fault]


def _slow_bench(interval_s: float) -> Bench:
    return _bench(BENCH.replace("unit = 2", f"unit = 2\ninterval_s = {interval_s}"))


def test_a_required_channel_read_too_seldom_for_the_settling_rule_is_a_fault() -> None:
    with pytest.raises(ConfigurationError) as caught:
        parse_plan(PLAN, file="plan.toml", bench=_slow_bench(40.0))
    # A bin is two intervals, a window at least 7.5 bins, rounded up to 8; the longest window is 240 s:
    # 240 / 7.5 / 2 = 16.
    assert str(caught.value) == (
        "plan.toml:21: settling.required[1]: 'meter_b_current' is read every 40 s, "
        "expected at most every 16 s: the settling rule has no longer window; "
        "set interval_s of instrument 'meter-b', or take another channel"
    )


def test_a_channel_read_as_seldom_as_the_settling_rule_allows_can_be_required() -> None:
    rules = parse_plan(PLAN, file="plan.toml", bench=_slow_bench(16.0)).rules
    session = Session(rules, [PlannedTrial(1, "none", 1, baseline=True)])
    # The machine is switched on, so the settling rule begins its work.
    for at_s, current in ((0.0, 0.0), (16.0, 1.0), (32.0, 1.0)):
        session.feed(Reading("meter-b", at_s, (230.0, current)))
    assert session.stage is Stage.RUNNING_UP


def test_a_meter_whose_readings_come_later_than_the_rule_waits_cannot_be_waited_for() -> (
    None
):
    late = tuple(dataclasses.replace(i, lag_s=30.0) for i in _bench().instruments)
    with pytest.raises(ConfigurationError) as caught:
        parse_plan(
            PLAN,
            file="plan.toml",
            bench=dataclasses.replace(_bench(), instruments=late),
        )
    assert "is 30 s old when it comes (lag_s of its profile), expected at most" in str(
        caught.value
    )


def test_a_channel_that_no_trial_waits_for_may_be_read_as_seldom_as_one_likes() -> None:
    text = PLAN.replace('  "meter_b_current",\n', "", 1)
    assert parse_plan(text, file="plan.toml", bench=_slow_bench(600.0)).rules.required


def test_all_faults_between_plan_and_bench_are_told_at_once() -> None:
    spoiled = PLAN.replace('baseline = "none"', 'baseline = "x"').replace(
        "meter_b_current", "meter_d_current"
    )
    assert [fault.split(": ")[1] for fault in _plan_faults(spoiled)] == [
        "baseline",
        "start.channel",
        "settling.required[1]",
        "limit[1].channel",
    ]


def test_a_plan_can_be_checked_where_its_bench_cannot_be_read() -> None:
    check_plan_alone(PLAN, file="plan.toml")
    with pytest.raises(ConfigurationError, match=r"^plan\.toml:2: name: got 7, "):
        check_plan_alone(PLAN.replace('"filters"', "7"), file="plan.toml")
