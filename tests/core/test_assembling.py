"""What is compared of a stored session: which averages count, whose errors they carry, and what is said of the rest."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest

from daq.assembling import (
    BudgetedAverage,
    Meter,
    StoredSessionParts,
    session_figures,
)
from daq.comparison.observations import ErrorPart
from daq.comparison.rules import (
    Air,
    Airflow,
    Circuit,
    ComparisonRules,
    Nameplate,
    PlanFacts,
    Surroundings,
)
from daq.comparison.session import LeftOut, SessionFigures
from daq.export import StoredAverage, StoredTrial
from daq.physics.airflow import AirMeterKind
from daq.physics.atmosphere import PressureKind
from daq.records import Accuracy, Channel, Contribution, TrialState
from daq.units import unit_of

ORDER = ("bare", "filter", "bare", "filter")
DUCT = Surroundings(
    Air(temperature_c=20.0, pressure_hpa=1013.25, pressure_kind=PressureKind.STATION),
    (Airflow("airflow", "Airflow", "velocity", AirMeterKind.VANE, area_m2=0.01),),
)


def meter(name: str, unit: str, number: int = 1, **accuracy: float) -> Meter:
    return Meter(
        number,
        Channel(
            name=name,
            title=name.title(),
            quantity=unit_of(unit).quantity,
            unit=unit,
            place="machine end",
            instrument="meter",
            field_index=0,
            accuracy=Accuracy(**accuracy),
            interval_s=1.0,
        ),
    )


POWER = meter("power", "W", 1, gain_percent=1.0)
VELOCITY = meter("velocity", "m/s", 2, percent_of_reading=1.0)


def trial(number: int, **changes: object) -> StoredTrial:
    """The trial of one line of ORDER, 300 s after the one before."""
    condition = ORDER[number - 1]
    minutes, seconds = divmod(300 * (number - 1), 60)
    facts = StoredTrial(
        session=1,
        session_id="5e55",
        bench="bench",
        plan="plan",
        machine="Duct fan",
        trial=number,
        trial_id=f"7a{number}",
        position=number,
        condition=condition,
        repeat=(number + 1) // 2,
        attempt=1,
        baseline=condition == "bare",
        state=TrialState.FINISHED,
        started_utc=f"2026-01-05T10:{minutes:02}:{seconds:02}.000Z",
        duration_s=200.0,
        note="",
        speed=1.0,
        software="steadybench 0.1.0",
    )
    return replace(facts, **changes)  # type: ignore[arg-type]  # fields of the record


def average(
    of: StoredTrial,
    mean: float,
    by: Meter | None = POWER,
    *,
    contributions: Sequence[Contribution] = (),
    **changes: object,
) -> BudgetedAverage:
    channel = (by or POWER).channel
    row = StoredAverage(
        session=of.session,
        session_id=of.session_id,
        bench=of.bench,
        plan=of.plan,
        machine=of.machine,
        trial=of.trial,
        trial_id=of.trial_id,
        position=of.position,
        condition=of.condition,
        repeat=of.repeat,
        attempt=of.attempt,
        baseline=of.baseline,
        state=of.state,
        started_utc=of.started_utc,
        channel=channel.name,
        title=channel.title,
        quantity=channel.quantity,
        place=channel.place,
        unit=channel.unit,
        required=True,
        mean=mean,
        expanded_uncertainty=2.0,
        coverage_factor=2.0,
        std_uncertainty=1.0,
        std_uncertainty_type_a=0.1,
        std_uncertainty_type_b=0.7,
        degrees_of_freedom=math.inf,
        degrees_of_freedom_a=30.0,
        plain_mean=mean,
        count=60,
        effective_count=31.0,
        window_start_s=100.0,
        window_end_s=160.0,
        rule_json="{}",
        speed=of.speed,
        software=of.software,
    )
    return BudgetedAverage(
        replace(row, **changes),  # type: ignore[arg-type]  # fields of the record
        tuple(contributions),
        by,
    )


def parts(
    averages: Sequence[BudgetedAverage],
    trials: Sequence[StoredTrial] = (),
    *,
    rules: ComparisonRules | None = None,
    **changes: object,
) -> StoredSessionParts:
    found = StoredSessionParts(
        number=1,
        bench="bench",
        plan="plan",
        machine="Duct fan",
        started_utc="2026-01-05T10:00:00.000Z",
        software="steadybench 0.1.0",
        speed=1.0,
        analysis=0,
        baseline="bare",
        facts=PlanFacts(Nameplate(), (), Circuit(), rules or ComparisonRules()),
        surroundings=Surroundings(),
        limits=(),
        trials=tuple(trials),
        averages=tuple(averages),
    )
    return replace(found, **changes)  # type: ignore[arg-type]  # fields of the record


def figures(
    averages: Sequence[BudgetedAverage],
    trials: Sequence[StoredTrial] = (),
    **others: object,
) -> SessionFigures:
    return session_figures(parts(averages, trials, **others))  # type: ignore[arg-type]  # likewise


def four(by: Mapping[int, Meter] | None = None) -> list[BudgetedAverage]:
    """Power of all four trials, each by its meter."""
    meters = by or {}
    return [
        average(trial(n), 1400.0 - 10.0 * (n % 2), meters.get(n, POWER))
        for n in (1, 2, 3, 4)
    ]


# ---- observations


def test_an_average_becomes_an_observation_at_the_middle_of_its_window():
    found = figures([average(trial(1), 1400.0), average(trial(2), 1390.0)])
    first, second = found.observations["power"]
    assert (first.trial, first.condition, first.mean) == (1, "bare", 1400.0)
    assert (first.std_uncertainty_within, first.degrees_of_freedom_within) == (
        0.1,
        30.0,
    )
    # The window lasted from 100 to 160 s; the second trial began 300 s later.
    assert (first.at_s, second.at_s) == (130.0, 430.0)


def test_a_session_that_ran_faster_than_life_is_told_in_its_own_seconds():
    averages = [average(trial(n, speed=12.0), 1400.0) for n in (1, 2)]
    first, second = figures(averages, speed=12.0).observations["power"]
    assert second.at_s - first.at_s == 12.0 * 300.0


def test_a_quantity_is_described_as_it_was_stored():
    (quantity,) = figures([average(trial(1), 1400.0)]).quantities
    assert (quantity.name, quantity.title, quantity.unit) == ("power", "Power", "W")
    assert quantity.required


def test_observations_stand_in_order_of_time_and_not_of_number():
    late = average(trial(1, started_utc="2026-01-05T12:00:00.000Z"), 1400.0)
    found = figures([late, average(trial(2), 1390.0)])
    assert [o.trial for o in found.observations["power"]] == [2, 1]


# ---- the meters' errors


def test_a_gain_that_is_stated_apart_is_common_to_all_trials():
    budget = [Contribution(8.0, name="gain"), Contribution(0.5, name="resolution")]
    found = figures([average(trial(1), 1400.0, contributions=budget)])
    assert found.observations["power"][0].errors == (
        ErrorPart("power: gain", 8.0, is_common=True),
        ErrorPart("power: resolution", 0.5, is_common=False),
    )


def test_without_a_budget_the_profile_tells():
    # Stores of format 1. GUM, 4.3.7: limits of 1 % of 1400 W make 14 / sqrt(3).
    found = figures([average(trial(1), 1400.0)])
    (gain,) = found.observations["power"][0].errors
    assert gain.source == "power: gain"
    assert gain.std_uncertainty == pytest.approx(14.0 / math.sqrt(3.0))


def test_the_share_that_the_plan_states_is_used():
    def common(share: float) -> float:
        rules = ComparisonRules(common_share=share)
        found = figures([average(trial(1), 10.0, VELOCITY)], rules=rules)
        errors = found.observations["velocity"][0].errors
        return math.fsum(e.std_uncertainty for e in errors if e.is_common)

    # All of 0.1 / sqrt(3), the root of a quarter of it, nothing.
    assert common(1.0) == pytest.approx(0.1 / math.sqrt(3.0))
    assert common(0.25) == pytest.approx(0.05 / math.sqrt(3.0))
    assert common(0.0) == 0.0


def test_a_meter_that_nobody_described_shares_nothing():
    found = figures([average(trial(1), 1400.0, None)])
    assert found.observations["power"][0].errors == (
        ErrorPart("power: meter", 0.7, is_common=False),
    )


def test_a_meter_that_stays_keeps_the_name_of_its_errors():
    found = figures(four())
    sources = {e.source for o in found.observations["power"] for e in o.errors}
    assert sources == {"power: gain"}
    assert found.remarks == ()


def test_a_meter_changed_between_trials_has_errors_of_its_own_and_that_is_said():
    other = meter("power", "W", 7, gain_percent=0.5)
    found = figures(four({3: other, 4: other}))
    first, _, third, _ = found.observations["power"]
    assert first.errors[0].source == "power: gain"
    assert third.errors[0].source == "power (changed, 2): gain"
    assert found.remarks == (
        "the meter of power was changed or described anew before trial 3 (bare): what it is off by is not taken to be the"
        " same before and after",
    )


# ---- which averages count


def test_of_several_attempts_the_last_finished_one_counts():
    first, again = trial(1), trial(3, position=1, attempt=2)
    found = figures([average(first, 1400.0), average(again, 1410.0)], [first, again])
    assert [o.trial for o in found.observations["power"]] == [3]
    assert found.left_out == (
        LeftOut(
            1,
            "bare",
            "finished",
            "a later trial of the same line took its place, or it has no average",
        ),
    )


def test_a_trial_that_did_not_settle_is_left_out_with_its_reason():
    good = trial(1)
    bad = trial(2, state=TrialState.NOT_SETTLED, note="power: it still drifts")
    found = figures([average(good, 1400.0), average(bad, 1.0)], [good, bad])
    assert found.left_out == (
        LeftOut(2, "filter", "not settled", "power: it still drifts"),
    )
    assert len(found.observations["power"]) == 1


def test_with_nothing_settled_only_the_reasons_are_said():
    bad = trial(1, state=TrialState.NOT_SETTLED, note="power: it still drifts")
    found = figures([], [bad], surroundings=DUCT)
    assert (found.quantities, dict(found.observations), found.remarks) == ((), {}, ())
    assert len(found.left_out) == 1


def test_a_channel_missing_in_some_trials_is_said_once():
    averages = [*four(), average(trial(1), 10.0, VELOCITY)]
    assert figures(averages).remarks == (
        "velocity has no average in trials 2 (filter), 3 (bare), 4 (filter)",
    )


# ---- averages that are not of one kind


def test_an_average_taken_to_a_voltage_is_not_compared_with_one_that_was_not():
    averages = [
        average(trial(n), 1400.0, reference_v=None if n == 2 else 230.0)
        for n in (1, 2, 3, 4)
    ]
    found = figures(averages)
    assert [o.trial for o in found.observations["power"]] == [1, 3, 4]
    assert found.remarks == (
        "power of trial 2 (filter) is not compared: it is as it was read, that of trial 1 (bare) is taken to 230 V",
    )


def test_the_baseline_says_which_kind_is_compared_wherever_it_stands():
    averages = [
        average(trial(2), 1390.0, reference_v=230.0),
        average(trial(3), 1400.0),
        average(trial(4), 1390.0, reference_v=240.0),
    ]
    found = figures(averages)
    assert [o.trial for o in found.observations["power"]] == [3]
    assert len(found.remarks) == 2
    assert (
        "it is taken to 240 V, that of trial 3 (bare) is as it was" in found.remarks[1]
    )


def test_a_unit_that_was_changed_on_the_way_is_not_compared():
    averages = [*four()[:2], average(trial(3), 1.4, unit="kW")]
    found = figures(averages)
    assert [o.trial for o in found.observations["power"]] == [1, 2]
    assert found.remarks == (
        "power of trial 3 (bare) is not compared: it is in kW, that of trial 1 (bare) is in W",
    )


def test_nothing_is_derived_of_what_was_taken_to_a_voltage_and_what_was_not():
    averages = [
        average(trial(1), 1400.0, reference_v=230.0),
        average(trial(1), 230.0, meter("voltage", "V", 3)),
        average(trial(1), 6.5, meter("current", "A", 4)),
    ]
    found = figures(averages)
    assert "power_factor" not in found.observations
    assert "apparent_power" in found.observations
    assert found.remarks == (
        "power_factor is not derived: power was taken to a reference voltage, voltage and current were not",
    )


# ---- what is derived, and what the answer is about


def test_what_the_bench_says_of_air_and_duct_is_derived():
    found = figures([average(trial(1), 10.0, VELOCITY)], surroundings=DUCT)
    assert [q.name for q in found.quantities] == [
        "velocity",
        "airflow",
        "airflow_standard",
    ]
    # 10 m/s through 0.01 m² in an hour.
    assert found.observations["airflow"][0].mean == pytest.approx(360.0)


def test_an_answer_that_this_session_cannot_give_is_about_something_else():
    rules = ComparisonRules(answer="airflow", detect_percent=2.0)
    found = figures(four(), rules=rules)
    assert found.facts.rules == replace(rules, answer=None)
    assert found.remarks == (
        "the plan wants the answer about 'airflow', of which this session has no value: it is about something else;"
        " there are power",
    )


def test_an_answer_that_there_is_stays():
    rules = ComparisonRules(answer="power")
    assert figures(four(), rules=rules).facts.rules.answer == "power"


# ---- earlier sessions


def test_earlier_sessions_tell_the_spread_of_the_quantities_that_they_have_too():
    # Each condition twice and 20 W apart: s^2 = 200 W² in both, so sqrt(200) with 2 degrees of freedom.
    before = parts(
        [average(trial(n), 1400.0 + 10.0 * n) for n in (1, 2, 3, 4)], number=3
    )
    found = session_figures(parts(four(), number=5), earlier=[before])
    ((number, spread),) = found.earlier["power"]
    assert number == 3
    assert spread.std_dev == pytest.approx(math.sqrt(200.0))
    assert spread.degrees_of_freedom == 2


def test_an_earlier_session_without_repeats_or_in_another_unit_tells_nothing():
    once = parts([average(trial(1), 1400.0)], number=2)
    other = parts([average(trial(n), 1.4, unit="kW") for n in (1, 2, 3, 4)], number=3)
    found = session_figures(parts(four(), number=5), earlier=[once, other])
    assert found.earlier == {}
