"""The settling rule in a plan: a preset, single parameters, and what is said of those that cannot be."""

import dataclasses
import json
from pathlib import Path

import pytest

from daq.config.models import PlanModel
from daq.config.plan import Plan, check_plan_alone, parse_stored_plan
from daq.errors import ConfigurationError
from daq.records import Accuracy, Channel
from daq.settling.options import parameter_kinds
from daq.settling.parameters import STANDARD, Parameters
from daq.settling.presets import PRESETS

PLAN = """\
format = 1
name = "filters"
baseline = "none"
[machine]
title = "Extractor fan"
[[condition]]
name = "none"
[settling]
required = ["power"]
"""
CHANNELS = (
    Channel("power", "Power", "power", "W", "", "meter", 0, Accuracy(), interval_s=1.0),
)
A_NUMBER = next(
    name
    for name, kind in parameter_kinds().items()
    if kind == "a number" and name not in {"least_s", "longest_s"}
)
BEFORE = getattr(STANDARD, A_NUMBER)


def plan(added: str = "", *, settling: str = "") -> Plan:
    text = PLAN.replace("[settling]\n", f"[settling]\n{settling}") + added
    return parse_stored_plan(text, session=1, channels=CHANNELS)


def parameters(added: str = "", *, settling: str = "") -> Parameters:
    return plan(added, settling=settling).rules.parameters


def faults(added: str = "", *, settling: str = "") -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        plan(added, settling=settling)
    return str(caught.value).replace("plan of session 1:", "").split("\n")


# ---- presets


def test_without_a_word_the_rule_is_the_standard_preset() -> None:
    assert parameters() == PRESETS["standard"].parameters


@pytest.mark.parametrize("name", list(PRESETS))
def test_a_plan_names_any_preset(name: str) -> None:
    assert parameters(settling=f'preset = "{name}"\n') == PRESETS[name].parameters


def test_plans_from_before_there_were_presets_are_still_read() -> None:
    assert parameters(settling='rule = "standard"\n') == PRESETS["standard"].parameters


def test_an_unknown_preset_is_told_with_those_there_are() -> None:
    (fault,) = faults(settling='preset = "standart"\n')
    assert fault.startswith(
        "9: settling.preset: no preset 'standart', expected one of "
    )
    assert all(name in fault for name in PRESETS)
    assert fault.endswith("did you mean 'standard'?")


# ---- single parameters


def test_any_parameter_is_set_by_its_name() -> None:
    changed = parameters(f"[settling.rule]\n{A_NUMBER} = {BEFORE * 1.25!r}\n")
    assert changed == dataclasses.replace(STANDARD, **{A_NUMBER: BEFORE * 1.25})


def test_parameters_start_from_the_preset() -> None:
    for name, preset in PRESETS.items():
        changed = parameters(
            f"[settling.rule]\n{A_NUMBER} = {BEFORE * 1.25!r}\n",
            settling=f'preset = "{name}"\n',
        )
        expected = dataclasses.replace(preset.parameters, **{A_NUMBER: BEFORE * 1.25})
        assert changed == expected


def test_averaging_has_its_own_table_and_else_the_presets_times() -> None:
    changed = parameters("[averaging]\nleast_s = 80\n")
    assert changed == dataclasses.replace(PRESETS["standard"].parameters, least_s=80.0)


@pytest.mark.parametrize(
    ("added", "fault"),
    [
        (f"{A_NUMBER}x = 1.0", f"11: settling.rule.{A_NUMBER}x: unknown parameter, did you mean {A_NUMBER!r}? The rule has "),
        (f"{A_NUMBER} = -1.0", f"11: settling.rule.{A_NUMBER}: got -1.0, expected finite numbers above 0"),
        (f"{A_NUMBER} = nan", f"11: settling.rule.{A_NUMBER}: got nan, expected finite numbers above 0"),
        (f'{A_NUMBER} = "much"', f"11: settling.rule.{A_NUMBER}: got 'much', expected a number"),
        (f"{A_NUMBER} = true", f"11: settling.rule.{A_NUMBER}: got true, expected a number"),
    ],
)  # fmt: skip
def test_a_parameter_that_cannot_be_is_told_with_its_line(
    added: str, fault: str
) -> None:
    (told,) = faults(f"[settling.rule]\n{added}\n")
    assert told.startswith(fault)


def test_every_fault_is_told_at_once() -> None:
    told = faults("[settling.rule]\nnone_such = 1\nleast_s = 0\n")
    assert [line.split(": ")[:2] for line in told] == [
        ["11", "settling.rule.none_such"],
        ["12", "settling.rule.least_s"],
    ]


def test_one_parameter_is_not_set_in_two_places() -> None:
    (told,) = faults("[settling.rule]\nleast_s = 80\n[averaging]\nleast_s = 90\n")
    assert told == (
        "11: settling.rule.least_s: set in [averaging] too, expected least_s in one place"
    )


def test_parameters_that_do_not_go_together_are_told() -> None:
    (told,) = faults("[averaging]\nleast_s = 5000\n")
    assert told.startswith("10: averaging: longest_s ")
    assert "expected at least least_s, 5000" in told


def test_parameters_that_go_together_need_not_go_with_the_presets() -> None:
    changed = parameters("[settling.rule]\nleast_s = 5000\nlongest_s = 6000\n")
    assert (changed.least_s, changed.longest_s) == (5000.0, 6000.0)


def test_a_plan_by_itself_is_checked_for_them_too() -> None:
    with pytest.raises(ConfigurationError, match="unknown parameter"):
        check_plan_alone(PLAN + "[settling.rule]\nnone_such = 1\n", file="plan.toml")


def test_a_rule_that_is_no_table_is_told() -> None:
    (told,) = faults(settling='rule = "hasty"\n')
    assert told == "9: settling.rule: got 'hasty', expected a table"


def test_the_schema_for_editors_knows_the_parameters() -> None:
    schema = PlanModel.model_json_schema()
    rule = schema["$defs"]["SettlingModel"]["properties"]["rule"]
    assert rule["propertyNames"] == {"enum": list(parameter_kinds())}
    json.dumps(schema)


def test_a_shipped_plan_with_a_changed_rule_still_fits_its_bench() -> None:
    text = (Path(__file__).parents[3] / "configs/leads/plan.toml").read_text("utf-8")
    assert 'preset = "standard"' in text
    check_plan_alone(text, file="plan.toml")
    with pytest.raises(ConfigurationError, match=r"settling\.preset: no preset"):
        check_plan_alone(text.replace('"standard"', '"none"', 1), file="plan.toml")
