"""What a comparison says of what it cannot tell or doubts, each sentence whole."""

import re
from dataclasses import replace
from typing import Any

import pytest

from daq.comparison.air_states import air_states
from daq.comparison.lead_findings import observed_resistances
from daq.comparison.lead_measuring import measure_loop
from daq.comparison.lead_watch import LeadWatch
from daq.comparison.nameplate import compare_nameplate, rating_verdict
from daq.comparison.rules import Air, ConditionFacts, LeadFacts, Nameplate
from daq.comparison.trial_inputs import TrialInputs
from daq.physics.atmosphere import PressureKind
from daq.records import Accuracy, Channel
from tests.core.advice.sessions import (
    BARE,
    CURRENT,
    FLOW,
    MAINS,
    POWER,
    STANDARD,
    VOLTS,
    compared,
)
from tests.core.comparison import lead_runs
from tests.core.comparison.observed import channel, observation

# ---- leads

LEVELS = lead_runs.levels_of(6.65)
LABEL = "trial 1 (long lead)"


@pytest.mark.parametrize(
    ("missing", "told"),
    [
        (
            {lead_runs.CURRENT},
            "the lead's resistance cannot be told without a current channel",
        ),
        (
            {lead_runs.SUPPLY, lead_runs.MACHINE},
            "the lead's resistance cannot be told without a voltmeter at the machine's end",
        ),
        (
            {lead_runs.MACHINE},
            "a voltage at the supply's end alone says nothing of the lead, put a voltmeter at the machine's end"
            " (place = 'machine end')",
        ),
    ],
)
def test_which_meter_is_missing_for_a_lead_is_said(
    missing: set[Channel], told: str
) -> None:
    there = {each: shown for each, shown in LEVELS.items() if each not in missing}
    loop = measure_loop(lead_runs.edges_of(there), lead_runs.LEAD)
    assert (loop.measurement, loop.remarks) == (None, (f"{LABEL}: {told}",))


def test_a_run_without_current_or_with_too_few_readings_is_said() -> None:
    still = lead_runs.edges_of({**LEVELS, lead_runs.CURRENT: (0.0, 0.0)})
    assert measure_loop(still, lead_runs.LEAD).remarks == (
        f"{LABEL}: no current before switch-off, the lead's resistance cannot be told",
    )
    alone = {each: LEVELS[each] for each in (lead_runs.MACHINE, lead_runs.CURRENT)}
    short = lead_runs.edges_of(alone, idle_s=2.0, after_s=2.0)
    assert measure_loop(short, lead_runs.LEAD).remarks == (
        f"{LABEL}: too few readings about its switching to tell the lead's resistance",
    )


def test_a_lead_without_idle_readings_or_whose_meters_moved_is_said() -> None:
    bare = lead_runs.edges_of(LEVELS, idle_s=3.0, after_s=3.0)
    assert measure_loop(bare, lead_runs.LEAD).remarks == (
        (
            f"{LABEL}: what the two voltmeters differ by with the machine off is not known, their"
            " whole accuracy counts;"
            " leave the lead connected with the machine off for half a minute before switching on"
        ),
    )
    # 230 V against 230 V before, against 230.2 V after.
    moved = lead_runs.edges_of(LEVELS, after={lead_runs.MACHINE: 230.2})
    (said,) = measure_loop(moved, lead_runs.LEAD).remarks
    assert re.fullmatch(
        re.escape(
            f"{LABEL}: what the two voltmeters differ by with the machine off moved from +0.000 V to"
            " -0.200 V during the"
            " trial, more than its uncertainty of "
        )
        + r"0\.0\d\d V",
        said,
    )


def test_a_loop_s_resistance_says_how_it_is_made() -> None:
    loop = measure_loop(lead_runs.edges_of(LEVELS), lead_runs.LEAD).measurement
    assert loop is not None
    quantity, (seen,) = observed_resistances([loop], [observation(230.0)])
    assert (quantity.name, quantity.title) == ("lead_resistance", "Loop resistance")
    assert (quantity.quantity, quantity.unit) == ("resistance", "ohm")
    assert quantity.place == "lead"
    assert quantity.formula == (
        "drop under load, idle difference taken off, over the current with its power factor (Kirchhoff, rms phasors);"
        " with one voltmeter wiring and supply are in it"
    )
    assert seen.mean == loop.resistance_ohm


AREAS = (
    ConditionFacts("thick", ("lead",), lead=LeadFacts(area_mm2=2.5, length_m=25.0)),
    ConditionFacts("thin", ("lead",), lead=LeadFacts(area_mm2=1.0, length_m=40.0)),
)


@pytest.mark.parametrize("late_s", [0, 15])
def test_a_wrong_lead_is_told_with_what_it_has_what_was_expected_and_what_to_do(
    late_s: int,
) -> None:
    # The operator's key may come after the current: what is idle ends where that rose.
    accuracy = Accuracy(percent_of_reading=0.2, counts=1, resolution=0.01)

    def meter(name: str, quantity: str, unit: str, place: str) -> Channel:
        return Channel(name, name, quantity, unit, place, "meter", 0, accuracy, 1.0)

    meters = (
        meter("supply", "voltage", "V", "supply end"),
        meter("machine", "voltage", "V", "machine end"),
        meter("current", "current", "A", "machine end"),
        meter("factor", "power factor", "1", "machine end"),
    )
    watch = LeadWatch(meters, AREAS, baseline="thick")
    said = None
    for second in range(120):
        if second == 40 + late_s:
            watch.machine_on("thick", float(second))
        amperes = 8.0 if second >= 40 else 0.0
        supply_v = 230.0 + 0.01 * (second % 3)
        shown = (supply_v, supply_v - 1.38 * amperes, amperes, 1.0)
        for each, value in zip(meters, shown, strict=True):
            watch.feed(each.name, float(second), value)
        said = said or watch.warning(float(second))
    assert said is not None
    assert said.seen == "the lead of 'thin' seems to be fitted instead of 'thick'"
    found = re.fullmatch(
        r"The lead of 'thin' seems to be fitted instead of 'thick': its loop has (\d\.\d{3}) ±"
        r" (\d\.\d{3}) ohm at 20 °C, "
        + re.escape(
            "where 0.345 to 0.419 ohm are expected. The trial goes on; it is for you to decide. If"
            " so, switch off, pull the"
            " plug, change the lead and switch on again: the trial is then asked for once more. If"
            " the right one is fitted,"
            " its conductors, plugs or joints are in doubt, and may get hot: switch off at the plug and look at them."
        ),
        said.text,
    )
    assert found is not None
    # 1.38 ohm as warm as a loaded lead in a room is: 30 °C, of which 20 °C has 3.9 % less (IEC 60028).
    ohm, expanded_ohm = map(float, found.groups())
    assert ohm == pytest.approx(1.38 / 1.039, rel=0.01)
    assert 0.0 < expanded_ohm < 0.2 * ohm


# ---- the nameplate


def test_how_a_figure_stands_to_its_rating_has_its_words() -> None:
    assert {
        rating_verdict(mean, 1.0, 100.0, tolerance_percent=5.0).value
        for mean in (100.0, 110.0, 90.0, 105.0)
    } == {"met", "exceeded", "short", "within the uncertainty"}


def test_what_cannot_be_held_against_a_rating_is_said_for_each() -> None:
    nameplate = Nameplate(230.0, 6.5, 1500.0, 200.0, "m3/h", tolerance_percent=5.0)
    found = compare_nameplate(
        compared({MAINS: {BARE: [230.0]}}, nameplate=nameplate),
    )
    assert found.remarks == (
        (
            "the rated voltage is held against nothing: no voltage was averaged at the machine's end under the baseline"
            " (one at the supply's end leaves out what the lead takes)"
        ),
        "the rated current is held against nothing: no current was averaged under the baseline",
        "the rated power is held against nothing: no power was averaged under the baseline",
        (
            "the rated airflow is held against nothing: no airflow was averaged or derived under the"
            " baseline ([[airflow]]"
            " of the bench makes one of a velocity)"
        ),
    )


def test_what_is_to_be_kept_in_mind_of_ratings_is_said() -> None:
    values = {
        VOLTS: {BARE: [210.0]},
        CURRENT: {BARE: [6.5]},
        POWER: {BARE: [1500.0]},
        FLOW: {BARE: [201.0]},
        STANDARD: {BARE: [182.0]},
    }
    nameplate = Nameplate(230.0, 6.5, 1500.0, 200.0, "m3/h", tolerance_percent=5.0)
    assert compare_nameplate(compared(values, nameplate=nameplate)).remarks == (
        (
            "the nameplate does not say of what air its airflow is: the flow as it was and that of"
            " standard air are both"
            " held against it"
        ),
        "the other ratings hold at 230 V, and the machine did not have that",
    )
    # Nothing else is rated: nothing else is doubted.
    alone = compared({VOLTS: {BARE: [210.0]}}, nameplate=Nameplate(voltage_v=230.0))
    assert compare_nameplate(alone).remarks == ()


# ---- the air


def test_what_is_to_be_doubted_of_the_air_is_said() -> None:
    room = channel("room", "Cel", "room")
    seen = observation(21.0)
    inputs = TrialInputs(
        (room, channel("power", "W")),
        {"room": (seen,), "power": (seen, observation(1000.0, trial=2))},
        (),
    )
    air = Air(
        temperature_c=20.0,
        temperature_channel="room",
        humidity_channel="damp",
        pressure_hpa=1013.0,
        pressure_kind=PressureKind.STATION,
        altitude_m=500.0,
    )
    found = air_states(inputs, air)
    assert found.remarks == (
        (
            "[air] pressure_hpa = 1013 is stated as the bench's own, but at 500 m it looks like one"
            " reduced to sea level:"
            ' check pressure_kind, expected "sea level" for what a weather service gives'
        ),
        "[air] humidity_channel: damp has no average in this session",
        (
            "the air's temperature in trial 2 (short lead) is the figure of [air]: no average of room there"
        ),
    )
    assert (found.of(1).temperature_c, found.of(2).temperature_c) == (21.0, 20.0)


@pytest.mark.parametrize(
    ("air", "told"),
    [
        (
            Air(altitude_m=0.0),
            "the air's temperature is not known: no channel with averages, and no figure in [air] of the bench",
        ),
        (
            Air(temperature_c=20.0),
            "the air's pressure is not known: no channel with averages, and no figure in [air] of the bench",
        ),
    ],
)
def test_what_is_not_known_of_the_air_is_said(air: Air, told: str) -> None:
    power = channel("power", "W")
    inputs = TrialInputs((power,), {"power": (observation(1000.0),)}, ())
    with pytest.raises(ValueError, match="not known") as refused:
        air_states(inputs, air).of(1)
    assert str(refused.value) == told


@pytest.mark.parametrize("kind", ["temperature", "pressure", "humidity"])
def test_a_figure_of_the_air_that_takes_an_average_s_place_is_named(kind: str) -> None:
    quantities = {"temperature": "Cel", "pressure": "hPa", "humidity": "%RH"}
    shown = channel(kind, quantities[kind], "room")
    power = channel("power", "W")
    seen = observation(50.0)
    inputs = TrialInputs(
        (shown, power),
        {kind: (seen,), "power": (seen, observation(1000.0, trial=2))},
        (),
    )
    place: dict[str, Any] = {f"{kind}_channel": kind}
    air = Air(
        temperature_c=20.0,
        pressure_hpa=1013.25,
        pressure_kind=PressureKind.STATION,
        **place,
    )
    assert air_states(inputs, air).remarks == (
        (
            f"the air's {kind} in trial 2 (short lead) is the figure of [air]: no average of {kind} there"
        ),
    )


def test_what_the_air_s_density_is_uncertain_by_is_named() -> None:
    power = channel("power", "W")
    inputs = TrialInputs((power,), {"power": (observation(1000.0),)}, ())
    air = Air(
        temperature_c=20.0,
        temperature_u_k=1.0,
        humidity_u_percent=10.0,
        pressure_hpa=1013.25,
        pressure_u_hpa=1.0,
        pressure_kind=PressureKind.STATION,
    )
    errors = {e.source: e.std_uncertainty for e in air_states(inputs, air).of(1).errors}
    # One kelvin of 293 K and a little for the vapour; one hectopascal of 1013; dry air is heavier than moist.
    assert errors == pytest.approx(
        {
            "air temperature as stated": -0.0036,
            "air pressure as stated": 0.00099,
            "air humidity as stated": -0.0009,
            "formula of the air's density": 0.00002,
        },
        rel=0.05,
        abs=1e-5,
    )
    altitude = replace(air, pressure_hpa=None, pressure_kind=None, altitude_m=0.0)
    assert [e.source for e in air_states(inputs, altitude).of(1).errors] == [
        "air temperature as stated",
        "air pressure from the altitude",
        "air humidity as stated",
        "formula of the air's density",
    ]
