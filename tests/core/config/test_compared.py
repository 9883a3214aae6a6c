"""What a plan says beyond its trials: nameplate, leads, prices, circuit, how to compare; and what is said of mistakes."""

import pytest

from daq.comparison.rules import (
    Circuit,
    ComparisonRules,
    ConditionFacts,
    LeadFacts,
    Nameplate,
    PlanFacts,
)
from daq.comparison.spread import StatedSpread
from daq.config.plan import parse_plan, parse_stored_plan
from daq.errors import ConfigurationError
from tests.core.comparison.bench_texts import AIRFLOW, BENCH, PLAN, compared_bench


def facts(
    more: str = "", *, plan: str = PLAN, bench: str = BENCH + AIRFLOW
) -> PlanFacts:
    text = plan + more
    return parse_plan(text, file="plan.toml", bench=compared_bench(bench)).facts


def faults(more: str, *, plan: str = PLAN, bench: str = BENCH + AIRFLOW) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        facts(more, plan=plan, bench=bench)
    return str(caught.value).split("\n")


def fault(more: str, **others: str) -> str:
    (only,) = faults(more, **others)
    return only


def with_condition(lines: str) -> str:
    """The plan with more lines in the long lead's table."""
    return PLAN.replace('name = "long lead"\n', f'name = "long lead"\n{lines}\n')


def lead_of(lines: str) -> LeadFacts | None:
    return facts(plan=with_condition(f"lead = {{ {lines} }}")).conditions[1].lead


# ---- what becomes of it


def test_a_plan_that_says_nothing_more_has_facts_all_the_same():
    found = facts()
    assert found.nameplate == Nameplate()
    assert found.circuit == Circuit()
    assert found.rules == ComparisonRules()
    assert found.conditions[0] == ConditionFacts("short lead")


def test_the_nameplate_is_taken_over():
    found = facts(
        "[machine.nameplate]\nvoltage_v = 230\npower_w = 1500\nairflow = 200\n"
        'airflow_unit = "m3/h"\ntolerance_percent = 5\n'
    )
    assert found.nameplate == Nameplate(
        voltage_v=230.0,
        power_w=1500.0,
        airflow=200.0,
        airflow_unit="m3/h",
        tolerance_percent=5.0,
    )


def test_a_lead_is_as_its_jacket_has_it():
    found = lead_of(
        "area_mm2 = 1.5, length_m = 25, rated_current_a = 16, coiled = true"
    )
    assert found == LeadFacts(
        area_mm2=1.5, length_m=25.0, rated_current_a=16.0, is_coiled=True
    )
    assert found.designation == "1.5 mm², 25 m"


def test_feet_become_metres():
    # 1 ft = 0.3048 m exactly (international foot, 1959).
    found = lead_of("awg = 12, length_ft = 100")
    assert found is not None
    assert found.length_m == pytest.approx(30.48)
    assert found.awg == 12


def test_a_lead_may_be_known_by_its_resistance_alone():
    found = lead_of("loop_ohm = 0.6, loop_expanded_uncertainty_ohm = 0.02")
    assert found == LeadFacts(loop_ohm=0.6, loop_expanded_uncertainty_ohm=0.02)
    assert found.designation == ""


def test_a_price_has_its_currency():
    found = facts('[prices]\ncurrency = "EUR"\n', plan=with_condition("price = 49"))
    assert [c.price for c in found.conditions] == [None, 49.0, None]
    assert found.rules.currency == "EUR"


def test_the_rules_are_those_that_the_plan_states_beforehand():
    found = facts(
        '[comparison]\nanswer = "power"\nbracketing = true\ncommon_share = 0.5\nearlier_sessions = false\n'
        "conveying_exponent = 4\ndetect_percent = 1\n"
        '[comparison.spread.power]\npercent = 0.3\ndegrees_of_freedom = 7\nsource = "eight starts"\n'
    )
    assert found.rules == ComparisonRules(
        answer="power",
        bracketing=True,
        common_share=0.5,
        earlier_sessions=False,
        conveying_exponent=4.0,
        detect_percent=1.0,
        spreads={"power": StatedSpread(0.3, 7.0, "eight starts")},
    )


# ---- an answer, or a spread, of something that there is


@pytest.mark.parametrize(
    "name",
    [
        "velocity",
        "airflow",
        "airflow_standard",
        "apparent_power",
        "power_factor",
        "voltage_drop",
        "lead_resistance",
    ],
)
def test_the_answer_may_be_about_a_channel_or_what_is_derived(name):
    assert facts(f'[comparison]\nanswer = "{name}"\n').rules.answer == name


def test_an_answer_about_nothing_is_a_fault_with_its_line():
    line = len(PLAN.splitlines()) + 2
    assert fault('[comparison]\nanswer = "airflow_standart"\n') == (
        f"plan.toml:{line}: comparison.answer: nothing of the name 'airflow_standart' is compared,"
        " did you mean 'airflow_standard'?"
    )


def test_a_name_like_none_of_them_is_told_what_there_is():
    told = fault('[comparison]\nanswer = "zzz"\n')
    assert told.endswith(
        "expected one of machine_voltage, current, power, velocity, airflow, airflow_standard, apparent_power,"
        " power_factor, voltage_drop, lead_resistance"
    )


def test_without_the_rooms_air_nothing_is_standard():
    bench = (
        BENCH + AIRFLOW.partition("[air]")[0] + AIRFLOW[AIRFLOW.index("[[airflow") :]
    )
    assert facts('[comparison]\nanswer = "airflow"\n', bench=bench).rules.answer
    told = fault('[comparison]\nanswer = "airflow_standard"\n', bench=bench)
    assert "did you mean 'airflow'?" in told


def test_a_spread_of_nothing_is_a_fault_too():
    told = fault(
        '[comparison.spread.powr]\npercent = 1\ndegrees_of_freedom = 5\nsource = "May"\n'
    )
    assert "comparison.spread.powr: nothing of the name 'powr'" in told
    assert told.endswith("did you mean 'power'?")


def test_all_names_that_lead_nowhere_are_told_together():
    told = faults(
        '[comparison]\nanswer = "zzz"\n[comparison.spread.yyy]\npercent = 1\ndegrees_of_freedom = 5\nsource = "May"\n'
        '[[limit]]\nchannel = "xxx"\nabove = 1\nreason = "no"\n'
    )
    assert len(told) == 3


def test_a_stored_plan_is_read_whatever_its_answer_is_about():
    # Which channels a session had its averages tell; the bench is no longer asked.
    text = PLAN + '[comparison]\nanswer = "gone"\n'
    channels = compared_bench().channels
    assert parse_stored_plan(text, session=1, channels=channels).facts.rules.answer


# ---- mistakes within a table


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("[machine.nameplate]\nairflow = 200\n", "airflow and airflow_unit belong"),
        (
            '[machine.nameplate]\nairflow = 200\nairflow_unit = "m/s"\n',
            "airflow_unit 'm/s', expected one of ",
        ),
        ("[machine.nameplate]\npower_w = 0\n", "greater than 0"),
        ("[circuit]\ndrop_percent = 30\n", "less than or equal to 20"),
        ("[circuit]\nrating = 16\n", "unknown key"),
        ("[comparison]\ncommon_share = 1.2\n", "less than or equal to 1"),
        ("[comparison]\ndetect_percent = -1\n", "greater than 0"),
        ("[comparison.spread.power]\npercent = 1\n", "missing, expected a value"),
        (
            '[comparison.spread.power]\npercent = 1\ndegrees_of_freedom = 5\nsource = ""\n',
            "source",
        ),
        ('[prices]\ncurrency = ""\n', "prices.currency"),
    ],
)
def test_a_mistake_in_a_table_is_told_with_its_line(more, words):
    told = faults(more)
    assert any(words in each for each in told), told
    assert all(each.startswith("plan.toml:") for each in told)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("area_mm2 = 1.5, awg = 12, length_m = 25", "area_mm2 and awg state the same"),
        (
            "area_mm2 = 1.5, length_m = 25, length_ft = 80",
            "length_m and length_ft state the same",
        ),
        ("area_mm2 = 1.5", "size and length belong together"),
        ("length_m = 25", "size and length belong together"),
        ("loop_expanded_uncertainty_ohm = 0.1", "without loop_ohm, expected both"),
        ('area_mm2 = 1.5, length_m = 25, conductor = "silver"', "expected 'flexible'"),
    ],
)
def test_a_lead_that_cannot_be_is_refused(lines, words):
    assert words in fault("", plan=with_condition(f"lead = {{ {lines} }}"))


def test_a_price_without_a_currency_is_refused():
    told = fault("", plan=with_condition("price = 49"))
    assert "a price of 'long lead' without a currency" in told


def test_a_value_of_ten_thousand_characters_is_not_said_whole():
    unit = "|" * 10_000
    said = fault(f'[machine.nameplate]\nairflow = 200\nairflow_unit = "{unit}"\n')
    assert "airflow_unit '|||" in said
    assert said.endswith("expected one of m3/s, m3/h, L/s, ft3/min")
    assert len(said) < 1200
