"""A session's averages put together by condition, and as CSV and JSON."""

import csv
import io
import json
import math
from dataclasses import replace

import pytest

from daq.conditions import average_conditions
from daq.export import (
    ConditionRow,
    StoredAverage,
    render_conditions_csv,
    render_conditions_json,
)

POWER = StoredAverage(
    session=1,
    session_id="5e5510",
    bench="leads",
    plan="leads",
    machine="blower",
    trial=1,
    trial_id="7a1",
    position=1,
    condition="short lead",
    repeat=1,
    attempt=1,
    baseline=True,
    state="finished",
    started_utc="2026-01-05T10:00:00.000Z",
    channel="power",
    title="Power",
    quantity="power",
    place="machine end",
    unit="W",
    required=True,
    mean=1400.0,
    expanded_uncertainty=8.1,
    coverage_factor=1.96,
    std_uncertainty=math.hypot(0.5, 4.0),
    std_uncertainty_type_a=0.5,
    std_uncertainty_type_b=4.0,
    # Welch and Satterthwaite by hand: 30 (0.25 + 16)^2/0.25^2.
    degrees_of_freedom=126_750.0,
    degrees_of_freedom_a=30.0,
    plain_mean=1400.0,
    count=60,
    effective_count=31.0,
    window_start_s=30.0,
    window_end_s=90.0,
    rule_json="{}",
    speed=1.0,
    software="steadybench 0.1.0",
)


def average(trial: int, condition: str, mean: float, **more: object) -> StoredAverage:
    """A finished average of power, on the line of the order that has the trial's number."""
    row = replace(
        POWER,
        trial=trial,
        position=trial,
        condition=condition,
        mean=mean,
        baseline=condition == "short lead",
    )
    return replace(row, **more)  # type: ignore[arg-type]  # fields of any type, named by the tests below


# Short lead: 1400, 1402, 1398 (s = 2). Long lead: 1350, 1354 (s^2 = 8). Pooled: (2 x 4 + 8)/3 = 16/3.
SESSION = [
    average(1, "short lead", 1400.0),
    average(2, "long lead", 1350.0),
    average(3, "short lead", 1402.0),
    average(4, "long lead", 1354.0),
    average(5, "short lead", 1398.0),
]


def by_name(rows: list[ConditionRow]) -> dict[str, ConditionRow]:
    return {row.condition: row for row in rows}


def test_each_condition_has_the_mean_of_its_trials() -> None:
    short, long = average_conditions(SESSION)
    assert (short.condition, short.baseline, short.trials) == ("short lead", True, 3)
    assert (long.condition, long.baseline, long.trials) == ("long lead", False, 2)
    assert (short.mean, long.mean) == (1400.0, 1352.0)
    assert (short.trial_numbers, long.trial_numbers) == ("1 3 5", "2 4")
    assert (short.machine, short.channel, short.unit) == ("blower", "power", "W")


def test_the_spread_is_told_apart_and_pooled_over_the_session() -> None:
    for row, own in zip(average_conditions(SESSION), (4.0, 8.0), strict=True):
        assert row.std_dev_of_trials == pytest.approx(math.sqrt(own))
        assert row.std_dev_within == pytest.approx(0.5)
        assert row.std_dev_between == pytest.approx(math.sqrt(own - 0.25))
        assert row.between_is_hidden is False
        assert row.f_ratio == pytest.approx(own / 0.25)
        assert row.pooled_std_dev == pytest.approx(math.sqrt(16.0 / 3.0))
        assert row.pooled_degrees_of_freedom == 3


def test_type_a_shrinks_with_the_trials_and_the_meters_accuracy_does_not() -> None:
    short = average_conditions(SESSION)[0]
    assert short.basis == "spread pooled over conditions"
    assert short.std_uncertainty_type_a == pytest.approx(4.0 / 3.0)
    assert short.degrees_of_freedom_a == 3
    assert short.std_uncertainty_type_b == 4.0
    assert short.std_uncertainty == pytest.approx(math.hypot(4.0 / 3.0, 4.0))
    # Welch and Satterthwaite, type A being a third of type B: 3 (1 + 9)^2 = 300; Student's t there: 1.968 (any table).
    assert short.degrees_of_freedom == pytest.approx(300.0)
    assert short.coverage_factor == pytest.approx(1.968, abs=5e-4)
    assert short.expanded_uncertainty == pytest.approx(
        short.coverage_factor * short.std_uncertainty
    )


def test_a_session_without_repeats_says_so() -> None:
    rows = average_conditions(SESSION[:2])
    for row in rows:
        assert row.basis == "not repeated: scatter within one trial"
        assert row.std_uncertainty_type_a == pytest.approx(0.5)
        assert row.std_dev_of_trials is None
        assert row.std_dev_between is None
        assert row.pooled_std_dev is None


def test_the_degrees_of_freedom_of_a_certificate_are_kept() -> None:
    # Type B with 8 degrees of freedom: (0.25 + 16)^2 over 0.25^2/30 + 16^2/8 for one trial; with three, type A is 4/3 with 3.
    certified = [
        replace(row, degrees_of_freedom=16.25**2 / (0.25**2 / 30.0 + 16.0**2 / 8.0))
        for row in SESSION
    ]
    once = average_conditions(certified[:1])[0]
    assert once.degrees_of_freedom == pytest.approx(certified[0].degrees_of_freedom)
    short = average_conditions(certified)[0]
    both = (16.0 / 9.0) ** 2 / 3.0 + 16.0**2 / 8.0
    assert short.degrees_of_freedom == pytest.approx((16.0 / 9.0 + 16.0) ** 2 / both)


@pytest.mark.parametrize("state", ["unfinished", "not settled", "limit broken"])
def test_only_finished_trials_count(state: str) -> None:
    spoiled = average(6, "short lead", 900.0, state=state)
    assert average_conditions([*SESSION, spoiled]) == average_conditions(SESSION)


def test_a_condition_without_a_finished_trial_is_not_there() -> None:
    rows = average_conditions([SESSION[0], replace(SESSION[1], state="unfinished")])
    assert [row.condition for row in rows] == ["short lead"]


def test_of_several_attempts_at_one_line_the_last_counts() -> None:
    again = average(6, "short lead", 1396.0, position=5, attempt=2)
    short = by_name(average_conditions([*SESSION, again]))["short lead"]
    assert (short.trials, short.trial_numbers) == (3, "1 3 6")
    assert short.mean == pytest.approx((1400.0 + 1402.0 + 1396.0) / 3.0)


def test_an_attempt_that_did_not_finish_leaves_the_one_before() -> None:
    again = average(6, "short lead", 900.0, position=5, attempt=2, state="unfinished")
    assert average_conditions([*SESSION, again]) == average_conditions(SESSION)


def test_each_channel_and_unit_is_averaged_for_itself() -> None:
    draught = [
        replace(row, channel="draught", unit="Pa", mean=-210.0) for row in SESSION
    ]
    in_kilowatts = average(6, "short lead", 1.4, unit="kW")
    rows = average_conditions([*SESSION, *draught, in_kilowatts])
    assert [(row.condition, row.channel, row.unit, row.trials) for row in rows] == [
        ("short lead", "power", "W", 3),
        ("short lead", "draught", "Pa", 3),
        ("short lead", "power", "kW", 1),
        ("long lead", "power", "W", 2),
        ("long lead", "draught", "Pa", 2),
    ]


def test_an_average_whose_uncertainty_is_without_limit_is_left_out() -> None:
    unknown = average(
        6,
        "short lead",
        900.0,
        std_uncertainty_type_a=math.inf,
        std_uncertainty=math.inf,
    )
    assert average_conditions([*SESSION, unknown]) == average_conditions(SESSION)


def parsed(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_conditions_as_csv_leave_a_cell_empty_for_what_is_not_known() -> None:
    (once,) = parsed(render_conditions_csv(average_conditions(SESSION[:1])))
    assert (once["trials"], once["std_dev_between"], once["f_ratio"]) == ("1", "", "")
    short, long = parsed(render_conditions_csv(average_conditions(SESSION)))
    assert (short["mean"], short["baseline"]) == ("1400.0", "1")
    assert (long["mean"], long["between_is_hidden"]) == ("1352.0", "0")
    assert render_conditions_csv([]).startswith("session,session_id,bench,")


def test_conditions_as_json_keep_what_is_not_known_as_null() -> None:
    document = json.loads(render_conditions_json(average_conditions(SESSION[:1])))
    assert document["format"] == 1
    (row,) = document["conditions"]
    assert (row["mean"], row["trials"], row["std_dev_between"]) == (1400.0, 1, None)
    assert row["baseline"] is True
