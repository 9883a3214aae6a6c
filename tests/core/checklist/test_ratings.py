"""A plan's limits and leads against nameplate and ratings."""

from dataclasses import replace

import pytest

from daq.checklist.items import Item, ItemVerdict
from daq.checklist.ratings import judge_ratings, lead_rating_a
from daq.comparison.rules import (
    Circuit,
    ComparisonRules,
    ConditionFacts,
    LeadFacts,
    Nameplate,
    PlanFacts,
)
from daq.records import Accuracy, Channel
from daq.trials.limits import Limit

THIN = LeadFacts(area_mm2=1.0, length_m=40.0, rated_current_a=10.0)
FACTS = PlanFacts(
    Nameplate(voltage_v=230.0, current_a=6.5, power_w=1500.0),
    (ConditionFacts("bare"), ConditionFacts("thin", ("lead",), lead=THIN)),
    Circuit(rating_a=16.0, plug_rating_a=13.0),
    ComparisonRules(),
)
UNRATED = PlanFacts(
    Nameplate(), (ConditionFacts("bare"),), Circuit(), ComparisonRules()
)


def channel(name: str, quantity: str, unit: str, place: str = "machine end") -> Channel:
    return Channel(name, name, quantity, unit, place, "meter", 0, Accuracy(), 1.0)


CHANNELS = (
    channel("current", "current", "A"),
    channel("milliamps", "current", "mA"),
    channel("volts", "voltage", "V"),
    channel("supply", "voltage", "V", "supply end"),
    channel("power", "power", "kW"),
    channel("velocity", "velocity", "m/s"),
)


def items(
    *limits: Limit, facts: PlanFacts = FACTS, channels: tuple[Channel, ...] = CHANNELS
) -> dict[str, Item]:
    return {item.name: item for item in judge_ratings(limits, facts, channels)}


def limit_item(
    name: str,
    *,
    above: float | None = None,
    below: float | None = None,
    facts: PlanFacts = FACTS,
) -> Item:
    return items(Limit(name, above, below, 5.0, "rating"), facts=facts)[f"limit:{name}"]


def lead_item(lead: LeadFacts, *, nameplate: Nameplate = FACTS.nameplate) -> Item:
    conditions = (ConditionFacts("long", lead=lead),)
    facts = replace(FACTS, nameplate=nameplate, conditions=conditions)
    return items(facts=facts)["lead:long"]


@pytest.mark.parametrize(
    ("name", "above", "verdict", "words"),
    [
        ("current", 10.0, ItemVerdict.DONE, "within the 10 A of the lead of 'thin'"),
        ("current", 10.5, ItemVerdict.REFUSED, "the lead of 'thin' is rated 10 A only"),
        ("current", 6.0, ItemVerdict.TO_DO, "the nameplate says 6.5 A"),
        ("milliamps", 10500.0, ItemVerdict.REFUSED, "write above = 10000"),
        ("milliamps", 9000.0, ItemVerdict.DONE, "within the 10 A"),
        ("power", 1.4, ItemVerdict.TO_DO, "the nameplate says 1500 W"),
        ("power", 1.6, ItemVerdict.DONE, "leaves room"),
        ("volts", 253.0, ItemVerdict.DONE, "fits the nameplate's 230 V"),
        ("volts", 260.0, ItemVerdict.TO_DO, "write above = 253"),
        ("velocity", 30.0, ItemVerdict.NOT_APPLICABLE, "no rating"),
    ],
)
def test_an_upper_limit_is_held_against_the_ratings(
    name: str, above: float, verdict: ItemVerdict, words: str
) -> None:
    item = limit_item(name, above=above)
    assert item.verdict is verdict, item.finding
    assert words in item.finding


@pytest.mark.parametrize(
    ("name", "below", "verdict", "words"),
    [
        ("volts", 207.0, ItemVerdict.DONE, "fits"),
        ("volts", 200.0, ItemVerdict.TO_DO, "write below = 207"),
        ("volts", 231.0, ItemVerdict.TO_DO, "every trial breaks it"),
        # The machine's voltage is what a motor suffers from.
        ("supply", 200.0, ItemVerdict.DONE, "fits"),
        ("milliamps", 1.0, ItemVerdict.NOT_APPLICABLE, "no rating"),
    ],
)
def test_a_lower_limit_is_held_against_the_nameplate(
    name: str, below: float, verdict: ItemVerdict, words: str
) -> None:
    item = limit_item(name, below=below)
    assert item.verdict is verdict, item.finding
    assert words in item.finding


def test_the_lowest_of_lead_plug_and_circuit_counts() -> None:
    bare = replace(FACTS, conditions=(ConditionFacts("bare"),))
    item = limit_item("current", above=14.0, facts=bare)
    assert "the plug is rated 13 A only" in item.finding
    no_plug = replace(bare, circuit=Circuit(rating_a=16.0))
    item = limit_item("current", above=17.0, facts=no_plug)
    assert "the circuit is rated 16 A only" in item.finding


def test_a_plan_without_ratings_is_asked_for_them() -> None:
    current = limit_item("current", above=10.0, facts=UNRATED)
    assert current.verdict is ItemVerdict.TO_DO
    assert "rates neither lead nor plug nor circuit" in current.finding
    volts = limit_item("volts", below=207.0, facts=UNRATED)
    assert volts.verdict is ItemVerdict.TO_DO
    assert "write voltage_v in [machine.nameplate]" in volts.finding


def test_a_plan_that_rates_something_and_watches_no_current_is_told() -> None:
    found = items(Limit("volts", None, 207.0, 5.0, "least"))
    missing = found["limit:current"]
    assert missing.verdict is ItemVerdict.TO_DO
    assert "the lead of 'thin' is rated 10 A" in missing.finding
    assert "above = 10" in missing.finding
    milliamps = items(channels=CHANNELS[1:2])["limit:milliamps"]
    assert "above = 10000" in milliamps.finding
    assert "limit:current" not in items(channels=CHANNELS[2:])


def test_a_plan_with_neither_ratings_nor_a_limit_on_a_current_is_told() -> None:
    missing = items(facts=UNRATED)["limit:current"]
    assert missing.verdict is ItemVerdict.TO_DO
    assert "rates neither lead nor plug nor circuit" in missing.finding
    assert 'channel = "current" and above = the lowest' in missing.finding
    assert "limit:volts" not in items(channels=CHANNELS[2:], facts=UNRATED)


@pytest.mark.parametrize(
    ("lead", "verdict", "words"),
    [
        (THIN, ItemVerdict.DONE, "rated 10 A, the machine draws 6.5 A"),
        (
            replace(THIN, rated_current_a=6.0),
            ItemVerdict.REFUSED,
            "do not run it on this lead",
        ),
        (replace(THIN, rated_current_a=None), ItemVerdict.TO_DO, "no rating"),
        (replace(THIN, is_coiled=True), ItemVerdict.TO_DO, "unroll all of it"),
    ],
)
def test_a_lead_is_held_against_what_the_machine_draws(
    lead: LeadFacts, verdict: ItemVerdict, words: str
) -> None:
    item = lead_item(lead)
    assert item.verdict is verdict
    assert words in item.finding


def test_a_lead_of_a_machine_without_a_nameplate_is_open() -> None:
    item = lead_item(THIN, nameplate=Nameplate())
    assert item.verdict is ItemVerdict.TO_DO
    assert "write current_a in [machine.nameplate]" in item.finding


def test_a_gauge_has_the_lower_of_its_published_figures() -> None:
    # 16 AWG: 13 A with two loaded cores (NFPA 70, table 400.5(A)(1)), 10 A as a cord set of 100 ft.
    assert lead_rating_a(LeadFacts(awg=16, length_m=30.48)) == 10.0
    assert lead_rating_a(LeadFacts(awg=16)) == 13.0
    assert lead_rating_a(LeadFacts(awg=16, rated_current_a=8.0)) == 8.0
    assert lead_rating_a(LeadFacts(area_mm2=1.5, length_m=25.0)) is None
