"""Normalising to a reference voltage in a plan: what becomes of it, and where it is refused."""

from dataclasses import replace

import pytest

from daq.config.plan import Plan, parse_stored_plan
from daq.errors import ConfigurationError
from daq.records import Accuracy, Channel
from daq.settling.normalising import Normalising
from daq.trials.judging import render_rule, with_recorded_rule

PLAN = """\
format = 1
name = "leads"
baseline = "at the outlet"
[machine]
title = "Drying blower"
[[condition]]
name = "at the outlet"
[[condition]]
name = "25 m"
changes = ["lead"]
[settling]
required = ["power", "flow"]
[settling.normalise]
reference = "supply"
channels = ["power", "flow"]
voltage = 230.0
"""


def channel(
    name: str, quantity: str, unit: str, place: str, *, interval_s: float = 1.0
) -> Channel:
    return Channel(
        *(name, name.title(), quantity, unit, place, "meter", 0),
        accuracy=Accuracy(),
        interval_s=interval_s,
    )


SUPPLY = channel("supply", "voltage", "V", "supply end")
CHANNELS = (
    SUPPLY,
    channel("machine", "voltage", "V", "machine end"),
    channel("power", "power", "W", "machine end"),
    channel("flow", "airflow", "m3/h", "outlet"),
    channel("room", "temperature", "Cel", "room"),
)


def plan(text: str = PLAN, channels: tuple[Channel, ...] = CHANNELS) -> Plan:
    return parse_stored_plan(text, session=1, channels=channels)


def faults(*changes: tuple[str, str], supply: Channel = SUPPLY) -> list[str]:
    text = PLAN
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    with pytest.raises(ConfigurationError) as caught:
        plan(text, (supply, *CHANNELS[1:]))
    return str(caught.value).replace("plan of session 1:", "").split("\n")


def test_a_plan_asks_for_channels_at_one_voltage() -> None:
    asked = plan().rules.normalising
    assert asked == Normalising("supply", ("power", "flow"), 230.0)


def test_without_the_table_nothing_is_normalised() -> None:
    text = PLAN.partition("[settling.normalise]")[0]
    assert plan(text).rules.normalising is None
    # Only normalising depends on what a condition changes.
    assert plan(text.replace('changes = ["lead"]\n', "")).rules.normalising is None


def test_the_rule_of_a_trial_is_recorded_with_it() -> None:
    rules = plan().rules
    plain = replace(rules, normalising=None)
    assert (
        with_recorded_rule(plain, render_rule(rules)).normalising == rules.normalising
    )
    assert with_recorded_rule(rules, render_rule(plain)).normalising is None


def test_the_reference_is_a_voltage() -> None:
    assert faults(('reference = "supply"', 'reference = "flow"')) == [
        "14: settling.normalise.reference: 'flow' measures airflow, expected a voltage"
    ]


def test_a_voltage_behind_the_leads_is_refused_because_it_would_delete_their_effect() -> (
    None
):
    (fault,) = faults(('reference = "supply"', 'reference = "machine"'))
    assert fault == (
        "14: settling.normalise.reference: 'machine' is measured at 'machine end', expected a voltage"
        " with place = 'supply end': behind the leads, to normalise to it would delete what they do;"
        " without one leave [settling.normalise] out"
    )


def test_the_machines_own_voltage_is_refused_where_hoses_are_compared_too() -> None:
    (fault,) = faults(
        ('reference = "supply"', 'reference = "machine"'), ('["lead"]', '["hose"]')
    )
    assert "the machine's own current moves the voltage there" in fault


def test_a_voltage_of_which_nobody_says_where_it_is_measured_is_refused() -> None:
    (fault,) = faults(supply=replace(SUPPLY, place=""))
    assert "is measured nobody knows where, expected a voltage with place" in fault


def test_a_condition_that_changes_the_supply_voltage_forbids_it() -> None:
    assert faults(('["lead"]', '["lead", "supply voltage"]')) == [
        "10: condition[2].changes: the supply voltage is what is compared, to normalise to it would"
        " delete the effect; leave [settling.normalise] out"
    ]


def test_every_condition_but_the_baseline_must_say_what_it_changes() -> None:
    (fault,) = faults(('changes = ["lead"]\n', ""))
    assert fault.startswith("8: condition[2]: changes missing, expected changes = [")
    assert "'25 m' changes" in fault


def test_what_a_condition_changes_is_one_of_a_list() -> None:
    (fault,) = faults(('["lead"]', '["leed"]'))
    assert fault.startswith("10: condition[2].changes[1]: got 'leed', expected ")
    assert fault.endswith("did you mean 'lead'?")


def test_a_voltage_is_not_normalised_to_itself() -> None:
    assert faults(
        ('channels = ["power", "flow"]', 'channels = ["power", "machine"]')
    ) == [
        "15: settling.normalise.channels[2]: 'machine' is a voltage itself, expected what follows from one"
    ]


def test_what_follows_no_power_of_the_voltage_is_refused() -> None:
    (fault,) = faults(('channels = ["power", "flow"]', 'channels = ["room"]'))
    assert "'room' measures temperature, expected one of airflow, " in fault


def test_only_what_trials_wait_for_is_normalised() -> None:
    (fault,) = faults(('required = ["power", "flow"]', 'required = ["flow"]'))
    assert fault == (
        "15: settling.normalise.channels[1]: 'power' is not in settling.required, expected a channel"
        " that trials wait for"
    )


def test_unknown_channels_are_told_with_what_was_meant() -> None:
    assert faults(
        ('reference = "supply"', 'reference = "suply"'),
        ('channels = ["power", "flow"]', 'channels = ["powr"]'),
    ) == [
        "14: settling.normalise.reference: the session has no channel 'suply', did you mean 'supply'?",
        "15: settling.normalise.channels[1]: the session has no channel 'powr', did you mean 'power'?",
    ]


def test_a_reference_that_is_polled_too_seldom_is_refused() -> None:
    # Bins are 2 s long with channels that are read every second: two readings each.
    (fault,) = faults(supply=replace(SUPPLY, interval_s=1.5))
    assert fault == (
        "14: settling.normalise.reference: 'supply' is read every 1.5 s, expected at most every 1 s"
        " beside these required channels; set interval_s of instrument 'meter'"
    )


@pytest.mark.parametrize(
    ("written", "instead", "fault"),
    [
        (
            "voltage = 230.0",
            "voltage = 0.0",
            "16: settling.normalise.voltage: got 0.0, ",
        ),
        ("voltage = 230.0", "", "13: settling.normalise.voltage: missing, "),
        (
            '["power", "flow"]\nvolt',
            "[]\nvolt",
            "15: settling.normalise.channels: got [], ",
        ),
        (
            '["power", "flow"]\nvolt',
            '["power", "power"]\nvolt',
            "15: settling.normalise.channels: named more than once: power",
        ),
    ],
)
def test_a_fault_of_the_table_says_where_it_is(
    written: str, instead: str, fault: str
) -> None:
    assert faults((written, instead))[0].startswith(fault)


def test_all_faults_are_told_at_once() -> None:
    spoiled = faults(
        ('reference = "supply"', 'reference = "machine"'),
        ('channels = ["power", "flow"]', 'channels = ["supply"]'),
        ('changes = ["lead"]\n', ""),
    )
    assert [fault.split(": ")[1] for fault in spoiled] == [
        "condition[2]",
        "settling.normalise.reference",
        "settling.normalise.channels[1]",
    ]
