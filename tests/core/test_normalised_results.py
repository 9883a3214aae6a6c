"""How results tell that a mean was taken to a reference voltage: exports, messages, conditions, words."""

import csv
import io
import json
import math
from dataclasses import replace
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from daq.conditions import average_conditions
from daq.export import (
    StoredAverage,
    render_averages_json,
    render_averages_tidy_csv,
    render_averages_wide_csv,
    render_conditions_csv,
)
from daq.messages import render_result, result_schema
from daq.records import (
    Accuracy,
    Channel,
    NormalisedBy,
    PlannedTrial,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
)
from daq.settling.normalising import Normalising
from daq.settling.parameters import STANDARD
from daq.trials.judging import SessionRules
from daq.trials.switching import StartRule
from daq.wording import average_name, normalising_sentence

PLAIN = StoredAverage(
    session=1,
    session_id="5e5510",
    bench="leads",
    plan="leads",
    machine="blower",
    trial=1,
    trial_id="7a1",
    position=1,
    condition="25 m",
    repeat=1,
    attempt=1,
    baseline=False,
    state="finished",
    started_utc="2026-01-05T10:00:00.000Z",
    channel="power",
    title="Power",
    quantity="power",
    place="machine end",
    unit="W",
    required=True,
    mean=1172.25,
    expanded_uncertainty=8.0,
    coverage_factor=2.0,
    std_uncertainty=4.0,
    std_uncertainty_type_a=0.9,
    std_uncertainty_type_b=3.9,
    degrees_of_freedom=math.inf,
    degrees_of_freedom_a=30.5,
    plain_mean=1172.5,
    count=60,
    effective_count=31.5,
    window_start_s=30.0,
    window_end_s=90.0,
    rule_json="{}",
    speed=1.0,
    software="steadybench 0.1.0",
)
STORED = replace(
    PLAIN,
    mean=1200.25,
    normalised_by="supply",
    reference_v=230.0,
    exponent=1.8,
    exponent_std_uncertainty=0.05,
    exponent_degrees_of_freedom=40.5,
    mean_voltage_v=227.25,
)
BY = NormalisedBy("supply", 230.0, 1.8, 0.05, 40.5, 227.25)


def parsed(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


# ---- exports


def test_the_tidy_table_has_both_means_and_how_the_one_was_normalised() -> None:
    at_230, plain = parsed(render_averages_tidy_csv([STORED, PLAIN]))
    assert (at_230["mean"], at_230["plain_mean"]) == ("1200.25", "1172.5")
    names = (
        "normalised_by",
        "reference_v",
        "exponent",
        "exponent_std_uncertainty",
        "exponent_degrees_of_freedom",
        "mean_voltage_v",
    )
    assert [at_230[name] for name in names] == [
        *("supply", "230.0", "1.8", "0.05", "40.5", "227.25")
    ]
    assert [plain[name] for name in names] == [""] * 6


def test_json_has_null_where_nothing_was_normalised() -> None:
    document = json.loads(render_averages_json([STORED, PLAIN], tidy=True))
    at_230, plain = document["averages"]
    assert (at_230["normalised_by"], at_230["reference_v"]) == ("supply", 230.0)
    assert (plain["normalised_by"], plain["reference_v"]) == (None, None)


def test_wide_columns_say_that_they_are_normalised_and_share_nothing_with_plain_ones() -> (
    None
):
    second = replace(PLAIN, trial=2, trial_id="7a2")
    one, two = parsed(render_averages_wide_csv([STORED, second]))
    assert one["power_normalised_mean_w"] == "1200.25"
    assert one["power_normalised_expanded_uncertainty_w"] == "8.0"
    assert one["power_mean_w"] == ""
    assert (two["power_mean_w"], two["power_normalised_mean_w"]) == ("1172.25", "")


def test_a_condition_never_averages_normalised_means_with_plain_ones() -> None:
    again = replace(PLAIN, trial=2, position=2, repeat=2)
    normalised, plain = average_conditions([STORED, again])
    assert (normalised.reference_v, normalised.mean, normalised.trials) == (
        *(230.0, 1200.25),
        1,
    )
    assert (plain.reference_v, plain.mean, plain.trials) == (None, 1172.25, 1)
    first, second = parsed(render_conditions_csv([normalised, plain]))
    assert (first["reference_v"], second["reference_v"]) == ("230.0", "")


def test_normalised_means_of_one_condition_are_averaged() -> None:
    again = replace(STORED, trial=2, position=2, repeat=2, mean=1202.25)
    (row,) = average_conditions([STORED, again])
    assert (row.mean, row.trials, row.reference_v) == (1201.25, 2, 230.0)


# ---- messages

AVERAGE = TrialAverage(
    channel="power",
    unit="W",
    required=True,
    mean=1200.25,
    plain_mean=1172.5,
    std_uncertainty_type_a=0.5,
    degrees_of_freedom_a=29.5,
    std_uncertainty_type_b=4.0,
    std_uncertainty=4.03,
    degrees_of_freedom=math.inf,
    coverage_factor=1.96,
    expanded_uncertainty=7.9,
    count=60,
    effective_count=30.5,
    window=Window(130.0, 190.0),
    normalised=BY,
)


SESSION = SessionFacts(
    session_id="5b7f1c8e-93f4-4f5c-8a57-2e1f3f2ad901",
    number=3,
    bench="leads",
    plan="leads",
    machine="Drying blower",
    started_utc="2026-01-05T10:00:00Z",
    speed=1.0,
    software="steadybench 0.1.0",
)


def message(average: TrialAverage) -> dict[str, Any]:
    """A result message of that average alone."""
    result = TrialResult(
        trial_id="0b0e6a5e-3f6e-4f0e-9a51-0d6a0d1c2b3a",
        planned=PlannedTrial(2, "25 m", 1, baseline=False),
        attempt=1,
        state=TrialState.FINISHED,
        started_s=100.0,
        ended_s=200.0,
        averages=(average,),
    )
    text = render_result(
        result,
        SESSION,
        started_utc="2026-01-05T10:12:13.250Z",
        decided_utc="2026-01-05T10:13:48.250Z",
        revision=1,
    )
    payload: dict[str, Any] = json.loads(text)
    return payload


def told(average: TrialAverage) -> dict[str, Any]:
    """The average's part of a message that fits the schema and has no key beside it."""
    payload = message(average)
    # A reader lets keys pass that it does not know; ours are all in the schema.
    schema = json.dumps(result_schema())
    opened = '"additionalProperties": true'
    assert opened in schema
    closed = json.loads(schema.replace(opened, '"additionalProperties": false'))
    Draft202012Validator(closed).validate(payload)
    part: dict[str, Any] = payload["averages"][0]
    return part


def test_a_result_tells_both_means_and_how_the_one_was_normalised() -> None:
    part = told(AVERAGE)
    assert (part["mean"], part["plain_mean"]) == (1200.25, 1172.5)
    assert part["normalised"] == {
        "reference": "supply",
        "reference_v": 230.0,
        "exponent": 1.8,
        "std_uncertainty": 0.05,
        "degrees_of_freedom": 40.5,
        "mean_voltage_v": 227.25,
    }


def test_the_key_is_left_out_where_nothing_was_normalised() -> None:
    assert "normalised" not in told(replace(AVERAGE, normalised=None))


def test_infinite_degrees_of_freedom_of_the_exponent_are_null() -> None:
    exact = replace(AVERAGE, normalised=replace(BY, degrees_of_freedom=math.inf))
    assert told(exact)["normalised"]["degrees_of_freedom"] is None


def test_a_key_that_is_added_within_the_format_fits_an_older_schema() -> None:
    payload = message(AVERAGE) | {"added": 1}
    payload["session"] |= {"added": {"later": True}}
    payload["averages"][0] |= {"added": None}
    Draft202012Validator(result_schema()).validate(payload)
    assert "ignore those that you do not know" in str(result_schema()["description"])


def test_every_key_of_a_normalised_average_is_described_in_the_schema() -> None:
    schema: Any = result_schema()
    average = schema["properties"]["averages"]["items"]
    assert "normalised" not in average["required"]
    keys = average["properties"]["normalised"]["properties"]
    assert list(keys) == list(told(AVERAGE)["normalised"])
    assert all(key["description"] for key in keys.values())


# ---- words


def voltage(place: str) -> Channel:
    return Channel(
        *("supply", "Supply", "voltage", "V", place, "meter", 0), Accuracy(), 1.0
    )


def rules(place: str, normalising: Normalising | None = None) -> SessionRules:
    return SessionRules(
        channels=(voltage(place),),
        required=("supply",),
        tolerances={"supply": 0.005},
        start=StartRule(None, 0.0, 0.0, 2.0),
        limits=(),
        parameters=STANDARD,
        target=None,
        longest_s=900.0,
        normalising=normalising,
    )


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        (
            rules("supply end", Normalising("supply", ("power", "flow"), 230.0)),
            "Normalised to 230 V by supply: power, flow.",
        ),
        (
            rules("machine end"),
            "No voltage upstream of what the conditions change: nothing is normalised.",
        ),
        (
            rules("supply end"),
            "Nothing is normalised to a reference voltage: the plan does not ask for it (supply could serve).",
        ),
    ],
)
def test_one_line_says_whether_and_why_anything_is_normalised(
    asked: SessionRules, sentence: str
) -> None:
    assert normalising_sentence(asked) == sentence


def test_an_average_is_named_with_the_voltage_that_it_holds_for() -> None:
    assert average_name(AVERAGE) == "power at 230 V"
    assert average_name(replace(AVERAGE, normalised=None)) == "power"
