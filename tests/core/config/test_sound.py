"""What is told beside the faults of single keys: everything that can be judged, and nothing that may only follow from them."""

import pytest

from daq.config.bench import named_channels, parse_bench
from daq.config.plan import check_plan_alone, parse_plan
from daq.errors import ConfigurationError

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
"""
BENCH = """\
format = 1
name = "bench"
[page]
port = 8000
[[instrument]]
name = "near"
profile = "meter"
port = "ports/mains"
unit = 1
[[instrument.channel]]
field = "voltage"
name = "supply"
[[instrument]]
name = "far"
profile = "meter"
port = "ports/mains"
unit = 2
"""
PLAN = """\
format = 1
name = "plan"
baseline = "short"
[machine]
title = "Blower"
[[condition]]
name = "short"
[[condition]]
name = "long"
[order]
repeats = 2
[settling]
required = ["supply"]
[[limit]]
channel = "far_voltage"
below = 200
reason = "its plate"
"""


def _profile(name: str) -> tuple[str, str] | None:
    return ("meter.toml", METER) if name == "meter" else None


def _refused(*edits: tuple[str, str]) -> ConfigurationError:
    text = BENCH
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    with pytest.raises(ConfigurationError) as caught:
        parse_bench(text, file="bench.toml", find_profile=_profile)
    return caught.value


def _plan_refused(*edits: tuple[str, str]) -> ConfigurationError:
    text = PLAN
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    bench = parse_bench(BENCH, file="bench.toml", find_profile=_profile)
    with pytest.raises(ConfigurationError) as caught:
        parse_plan(text, file="plan.toml", bench=bench)
    return caught.value


def _places(error: ConfigurationError) -> list[tuple[int, str]]:
    return [(fault.line, fault.key) for fault in error.faults]


def _notes(error: ConfigurationError) -> list[str]:
    return getattr(error, "__notes__", [])


def test_wrong_keys_and_unknown_names_are_told_together_in_the_order_of_their_lines() -> (
    None
):
    refused = _plan_refused(
        ("baseline", "baselin"),
        ("repeats", "repeat"),
        ('"supply"', '"suply"'),
        ("below = 200", "below = 200\ncolour = 1"),
    )
    assert _places(refused) == [
        (1, "baseline"),
        (3, "baselin"),
        (11, "order.repeat"),
        (13, "settling.required[1]"),
        (17, "limit[1].colour"),
    ]
    assert _notes(refused) == []


def test_faults_of_a_bench_are_told_beside_its_wrong_keys() -> None:
    refused = _refused(
        ("port = 8000", "prot = 8000"),
        ('field = "voltage"', 'field = "tension"'),
        ("unit = 2", "unti = 1"),
    )
    # The unit as it was meant is the other meter's; that is told where it was to stand.
    assert _places(refused) == [
        (4, "page.prot"),
        (11, "instrument[1].channel[1].field"),
        (13, "instrument[2].unit"),
        (17, "instrument[2].unti"),
    ]


def test_a_number_in_quotes_is_taken_as_a_number_for_what_else_can_be_said() -> None:
    refused = _plan_refused(
        ("repeats = 2", 'repeats = "2"'), ('channel = "far', 'channel = "fare')
    )
    assert [str(fault).split(": ", 2)[2] for fault in refused.faults] == [
        "got '2', expected a number without quotes: 2",
        "the bench has no channel 'fare_voltage', did you mean 'far_voltage'?",
    ]


@pytest.mark.parametrize(
    ("quoted", "told"),
    [
        ("-4", "got -4, expected greater than or equal to 1"),
        ("2,5", "got 2.5, expected a whole number"),
        ("1234567", "got 1234567, expected less than or equal to 100"),
        ("many", "got 'many', expected a whole number"),
        ("1e999", "got '1e999', expected a whole number"),
        ("nan", "got 'nan', expected a whole number"),
    ],
)
def test_no_number_is_advised_that_would_be_refused_in_its_turn(
    quoted: str, told: str
) -> None:
    refused = _plan_refused(("repeats = 2", f'repeats = "{quoted}"'))
    assert [(f.key, f.problem) for f in refused.faults] == [("order.repeats", told)]


def test_a_number_is_advised_with_all_its_digits() -> None:
    refused = _plan_refused(("below = 200", 'below = "1234567,25"'))
    assert [fault.problem for fault in refused.faults] == [
        "got '1234567,25', expected a number without quotes: 1234567.25"
    ]


def test_what_may_follow_from_a_fault_alone_is_not_told_beside_it() -> None:
    # Without its unit, 300, the second meter would be told to lack one.
    assert _places(_refused(("unit = 2", "unit = 300"))) == [(17, "instrument[2].unit")]
    # Left out for what is wrong in it, a table is not missing.
    start = ("[settling]", '[start]\nchannel = "sup"\non_above = 5\n[settling]')
    assert _places(_plan_refused(start)) == [(12, "start")]


@pytest.mark.parametrize(
    ("old", "new"),
    [("format = 1", "format = "), ('name = "long"', ""), ('"long"', "7")],
)
def test_where_nothing_more_can_be_judged_it_is_said_that_more_may_follow(
    old: str, new: str
) -> None:
    refused = _plan_refused((old, new), ('"supply"', '"suply"'))
    assert len(refused.faults) == 1
    assert _notes(refused) == ["more may follow once this is mended"]


def test_a_fault_that_shows_only_when_a_key_is_mended_is_told_with_it() -> None:
    both = ("below = 200", "below = 200\nabove = 100\nfor_s = -1")
    start = ("[settling]", "[start]\non_above = 5\n[settling]")
    refused = _plan_refused(both, start)
    assert (15 + 5, "limit[1].for_s") in _places(refused)
    assert (12, "start") in _places(refused)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("port = 8000", "prot = 8000"),
        ("unit = 2", "unit = 300"),
        ("unit = 2", "unit = 1"),
        ('field = "voltage"', 'field = "tension"'),
    ],
)
def test_channels_of_a_bench_with_faults_are_known_by_their_names(
    old: str, new: str
) -> None:
    text = BENCH.replace(old, new, 1)
    names = named_channels(text, file="bench.toml", find_profile=_profile)
    assert names is not None
    assert set(names) == {"supply", "far_voltage"}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("format = 1", "format = "),
        ('name = "far"\n', ""),
        ('name = "far"\nprofile = "meter"', 'name = "far"\nprofile = "metre"'),
        ("[[instrument.channel]]", "[[instrument.colours]]"),
    ],
)
def test_where_a_fault_may_hide_a_channel_no_name_is_held_against_a_plan(
    old: str, new: str
) -> None:
    assert old in BENCH
    text = BENCH.replace(old, new, 1)
    assert named_channels(text, file="bench.toml", find_profile=_profile) is None
    check_plan_alone(PLAN.replace("supply", "suply"), file="plan.toml", channels=None)


def test_a_plan_without_its_bench_is_held_against_the_channels_names() -> None:
    with pytest.raises(ConfigurationError) as caught:
        check_plan_alone(
            PLAN.replace('baseline = "short"', 'baseline = "shirt"'),
            file="plan.toml",
            channels=["supply"],
        )
    assert _places(caught.value) == [(3, "baseline"), (15, "limit[1].channel")]
