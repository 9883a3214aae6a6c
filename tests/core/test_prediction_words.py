"""What a prediction says: figures to the digits that their uncertainty allows, and how far it goes beyond."""

from dataclasses import replace

import pytest

from daq.comparison_words import MINUS
from daq.physics.conductors import jacket_of_area
from daq.prediction.lead import lead_of
from daq.prediction.leaving_out import LeftOutCheck, leave_one_out
from daq.prediction.machine import Machine, machine_of
from daq.prediction.predicting import (
    Extrapolation,
    NotPredicted,
    Predicted,
    predict,
    predict_each,
)
from daq.prediction_words import (
    answer_curve,
    assumption_sentences,
    basis_sentences,
    curve_words,
    figure_rows,
    shown_change,
    shown_extrapolation,
    table_rows,
)
from tests.core.prediction.exact import CURRENT as AMPERES
from tests.core.prediction.exact import (
    FLOW,
    MACHINE,
    SUPPLY,
    exact_lead,
    exact_session,
    law,
)


def machine(power: float = 1.0, **others) -> Machine:
    return machine_of(exact_session(law(power), **others), supply_v=232.0)


def figure(ratio: float | None, expanded: float | None) -> Predicted:
    return Predicted("flow", "Airflow", "m3/h", 1.0, 0.1, {}, ratio, expanded)


@pytest.mark.parametrize(
    ("ratio", "expanded", "shown"),
    [
        (0.9567, 0.0123, f"{MINUS}4.3 ± 1.2 %"),
        (1.0312, 0.002, "+3.12 ± 0.20 %"),
        (0.5, 0.25, f"{MINUS}50 ± 25 %"),
        (None, None, ""),
    ],
)
def test_a_change_has_the_digits_of_its_uncertainty(ratio, expanded, shown) -> None:
    assert shown_change(figure(ratio, expanded)) == shown


def test_how_far_beyond_is_told_in_volts_and_of_the_range() -> None:
    assert shown_extrapolation(None) == "within the measured voltages"
    assert shown_extrapolation(Extrapolation("below", 3.56, 27.4)) == (
        "extrapolated, 3.6 V below the measured voltages (27 % of their range)"
    )


def test_one_leads_rows_begin_with_its_loop() -> None:
    rows = figure_rows(predict(machine(), lead_of(jacket_of_area(1.5), 25.0)))
    assert rows[0][0] == "Loop resistance, warm, with contacts"
    assert rows[0][1].startswith("0.671 ± ")
    assert rows[0][1].endswith(" Ω")
    changes = {title: change for title, _, change in rows}
    # A drop has no ratio to the baseline's: nobody knows what that lead had.
    assert changes["Voltage drop in the lead"] == ""
    assert changes["Airflow"].endswith(" %")


def test_a_table_has_a_row_a_lead_and_says_why_one_is_not_predicted() -> None:
    # At constant power 2300 W from 232 V nothing goes through 6 ohm: 232² / (4 * 2300) = 5.85 ohm.
    weak = machine(-1.0)
    outcomes = predict_each(weak, [exact_lead(1.0), exact_lead(6.0)])
    heading, good, bad = table_rows(outcomes, weak, wanted=None)
    assert heading == (
        *("lead", "drop", "at the machine", "current", "power", "Airflow"),
        *("against the baseline", ""),
    )
    assert len(good) == len(bad) == len(heading)
    assert good[-1].startswith("extrapolated") or good[-1] == "within"
    assert isinstance(outcomes[1], NotPredicted)
    assert bad[-1] == outcomes[1].reason
    assert set(bad[1:-1]) == {""}


def test_a_table_that_answers_with_a_circuit_figure_says_whose_change_it_is() -> None:
    few = machine(quantities=(SUPPLY, MACHINE, AMPERES))
    heading, row = table_rows([predict(few, exact_lead(1.0))], few, wanted=None)
    assert heading == ("lead", "drop", "at the machine", "current", *heading[4:])
    assert heading[4] == "against the baseline"
    full = machine()
    heading, row = table_rows([predict(full, exact_lead(1.0))], full, wanted="current")
    assert heading[-2] == "current against the baseline"
    # 232 * 23 / 24 of 230 V: the resistor's current goes like the voltage.
    assert row[-2].startswith(f"{MINUS}3.3")


def test_the_answer_is_the_plans_or_the_standard_airflow() -> None:
    standard = replace(FLOW, name="flow_standard")
    quantities = (SUPPLY, MACHINE, AMPERES, FLOW, standard)
    figures = exact_session(law(1.0), quantities=quantities[:4])
    observed = {**figures.observations, "flow_standard": figures.observations["flow"]}
    both = machine_of(replace(figures, quantities=quantities, observations=observed))
    assert answer_curve(both, None) == "flow_standard"
    assert answer_curve(both, "flow") == "flow"
    assert answer_curve(both, "nothing of it") == "flow_standard"
    assert answer_curve(machine(quantities=(SUPPLY, MACHINE, AMPERES)), None) is None


def test_a_curve_is_told_by_its_power_and_bend() -> None:
    words = curve_words(machine(0.7).curves["current"])
    assert words.startswith("Current: goes with the voltage to the power 0.70")
    assert f"bend {MINUS}0" not in words


def test_what_it_rests_on_names_conditions_supply_and_the_check() -> None:
    found = machine()
    text = " ".join(basis_sentences(found, leave_one_out(found)))
    assert "Fitted to 4 conditions from 217.0 to 230.0 V at the machine." in text
    # Two inner conditions of three curves.
    assert "6 of 6 figures within their intervals" in text
    assert "The leads are fed from 232.0 V, as stated." in text


def test_a_check_that_failed_is_not_kept_quiet() -> None:
    checks = [
        LeftOutCheck("flow", "b", 226.0, 1.001, 0.002),
        LeftOutCheck("flow", "c", 222.0, 0.97, 0.002),
    ]
    text = " ".join(basis_sentences(machine(), checks))
    assert (
        "1 of 2 figures within their intervals, the farthest off by 3.00 % (flow, c)"
        in text
    )


def test_no_check_is_said_too() -> None:
    text = " ".join(basis_sentences(machine(), []))
    assert "No inner condition could be left out" in text


def test_assumptions_name_where_they_are_from() -> None:
    text = " ".join(assumption_sentences())
    assert "IEC 60228" in text
    assert "common practice, no published source" in text
    assert "our assumption" in text
