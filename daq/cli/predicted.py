"""What `daq predict` says: one lead as a list, several as a table, then what it rests on; JSON for programs."""

import textwrap
from collections.abc import Iterator
from dataclasses import asdict, dataclass

from daq.comparison.session import SessionFigures
from daq.comparison_tables import texts_aligned
from daq.export import json_document
from daq.physics.ampacity import NEVER_PERMISSION
from daq.prediction.leaving_out import LeftOutCheck
from daq.prediction.machine import Machine
from daq.prediction.predicting import NotPredicted, Prediction
from daq.prediction_words import (
    Outcome,
    assumption_sentences,
    basis_sentences,
    figure_rows,
    shown_extrapolation,
    table_rows,
)

_WIDTH = 100
_CAUTIONS = (
    NEVER_PERMISSION,
    "A prediction does not say that a lead may carry the current: see its marking and `daq lead`. Low voltage can"
    " overheat a motor.",
)


@dataclass(frozen=True, slots=True)
class Answer:
    """Everything that was asked of a session."""

    figures: SessionFigures
    machine: Machine
    outcomes: tuple[Outcome, ...]
    checks: tuple[LeftOutCheck, ...]


# ---- for people


def render_words(answer: Answer) -> str:
    """Render for people."""
    return "\n".join(_lines(answer)) + "\n"


def _lines(answer: Answer) -> Iterator[str]:
    figures = answer.figures
    yield f"{figures.machine}: session {figures.number}, plan {figures.plan}, against {figures.baseline!r}"
    yield ""
    if len(answer.outcomes) == 1:
        yield from _one(answer.outcomes[0])
    else:
        wanted = figures.facts.rules.answer
        yield from texts_aligned(
            table_rows(answer.outcomes, answer.machine, wanted=wanted)
        )
    yield ""
    for sentence in (
        *basis_sentences(answer.machine, answer.checks),
        *assumption_sentences(),
        *_CAUTIONS,
    ):
        yield from textwrap.wrap(sentence, _WIDTH, subsequent_indent="  ")


def _one(outcome: Outcome) -> Iterator[str]:
    yield outcome.lead.designation
    if isinstance(outcome, NotPredicted):
        yield f"  {outcome.reason}"
        return
    rows = [("", "predicted ± U", "against the baseline"), *figure_rows(outcome)]
    yield from (f"  {line}" for line in texts_aligned(rows))
    yield f"  {shown_extrapolation(outcome.extrapolation)}"


# ---- for programs


def render_json(answer: Answer) -> str:
    """Render for programs."""
    machine = answer.machine
    low, high = machine.range_v
    return json_document(
        {
            **_session(answer.figures),
            "conditions": [
                {"condition": name, "machine_voltage_v": voltage_v}
                for name, voltage_v in machine.voltages.items()
            ],
            "range_v": [low, high],
            "supply": {
                "voltage_v": machine.supply.voltage(machine.supply.centre_a),
                "current_a": machine.supply.centre_a,
                "origin": machine.supply.origin,
            },
            "predictions": [_prediction(each) for each in answer.outcomes],
            "left_out": [
                {**asdict(check), "agrees": check.agrees} for check in answer.checks
            ],
            "remarks": list(machine.remarks),
            "assumptions": assumption_sentences(),
            "cautions": list(_CAUTIONS),
            "missing": None,
        }
    )


def render_missing(figures: SessionFigures, missing: str) -> str:
    """Render for programs why nothing is predicted."""
    return json_document({**_session(figures), "predictions": [], "missing": missing})


def _session(figures: SessionFigures) -> dict[str, object]:
    return {
        "session": figures.number,
        "analysis": figures.analysis,
        "bench": figures.bench,
        "plan": figures.plan,
        "machine": figures.machine,
        "baseline": figures.baseline,
    }


def _prediction(outcome: Outcome) -> dict[str, object]:
    lead = outcome.lead
    facts: dict[str, object] = {
        "lead": lead.designation,
        "length_m": lead.length_m,
        "loop_ohm": lead.resistance_ohm,
        "loop_std_uncertainty_ohm": lead.std_uncertainty_ohm,
    }
    if isinstance(outcome, NotPredicted):
        return {**facts, "figures": [], "extrapolated": None, "reason": outcome.reason}
    return {**facts, **_predicted(outcome), "reason": ""}


def _predicted(prediction: Prediction) -> dict[str, object]:
    beyond = prediction.extrapolation
    return {
        "figures": [asdict(figure) for figure in prediction.figures],
        "extrapolated": asdict(beyond) if beyond else None,
    }
