"""What `daq predict` says: one lead as a list, several as a table, then what it rests on; JSON for programs."""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

from daq.comparison.session import SessionFigures
from daq.comparison.trial_inputs import MACHINE_END
from daq.comparison_tables import texts_aligned
from daq.export import json_document
from daq.physics.ampacity import NEVER_PERMISSION
from daq.prediction.circuit import VOLTAGE
from daq.prediction.leaving_out import LeftOutCheck
from daq.prediction.machine import CURRENT, Machine
from daq.prediction.predicting import NotPredicted, Predicted, Prediction
from daq.prediction_words import (
    Outcome,
    assumption_sentences,
    basis_sentences,
    figure_rows,
    shown_extrapolation,
    table_rows,
)
from daq.wording import shown_average

_WIDTH = 80
_NOT_PREDICTED = "not predicted"
_WATCHED = {("voltage", "V"): VOLTAGE, ("current", "A"): CURRENT}
"""Which prediction a limit of the plan is held against, by its channel's quantity and unit."""
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
    yield f"{figures.machine}: session {figures.number}, plan {figures.plan}, against “{figures.baseline}”"
    yield ""
    if len(answer.outcomes) == 1:
        yield from _one(answer.outcomes[0])
    else:
        yield from _several(answer)
    for sentence in _beyond_limits(answer):
        yield from _wrapped(f"Caution: {sentence}")
    yield ""
    for sentence in (
        *basis_sentences(answer.machine, answer.checks),
        *assumption_sentences(),
        *_CAUTIONS,
    ):
        yield from _wrapped(sentence)


def _one(outcome: Outcome) -> Iterator[str]:
    yield outcome.lead.designation
    if isinstance(outcome, NotPredicted):
        yield from _wrapped(f"{outcome.reason}.", indent="  ")
        return
    rows = [("", "predicted ± U", "against the baseline"), *figure_rows(outcome)]
    yield from (f"  {line}" for line in texts_aligned(rows))
    yield f"  {shown_extrapolation(outcome.extrapolation)}"


def _several(answer: Answer) -> Iterator[str]:
    heading, *rows = table_rows(
        answer.outcomes, answer.machine, wanted=answer.figures.facts.rules.answer
    )
    reasons = [o.reason for o in answer.outcomes if isinstance(o, NotPredicted)]
    shown = [
        (*row[:-1], _NOT_PREDICTED) if isinstance(outcome, NotPredicted) else row
        for row, outcome in zip(rows, answer.outcomes, strict=True)
    ]
    yield from _side_by_side([(*heading[:-1], "measured voltages"), *shown])
    for reason in reasons:
        yield from _wrapped(f"{_NOT_PREDICTED.capitalize()}: {reason}.")


def _beyond_limits(answer: Answer) -> Iterator[str]:
    """What the session's plan would have alarmed of."""
    figures = answer.figures
    watched = {q.name: q for q in figures.quantities}
    for outcome in answer.outcomes:
        for limit in figures.limits:
            quantity = watched.get(limit.channel)
            name = (
                _WATCHED.get((quantity.quantity, quantity.unit)) if quantity else None
            )
            if name is None or isinstance(outcome, NotPredicted):
                continue
            if name == VOLTAGE and quantity and quantity.place != MACHINE_END:
                continue
            found = outcome.of(name)
            if found is None:
                continue
            value, expanded = found.value, found.expanded_uncertainty
            if limit.below is not None and value - expanded < limit.below:
                word = "is" if value + expanded < limit.below else "may be"
                yield _beyond(
                    outcome, found, f"{word} below", limit.below, limit.reason
                )
            if limit.above is not None and value + expanded > limit.above:
                word = "is" if value - expanded > limit.above else "may be"
                yield _beyond(
                    outcome, found, f"{word} above", limit.above, limit.reason
                )


def _beyond(
    outcome: Prediction, found: Predicted, words: str, bound: float, reason: str
) -> str:
    shown = shown_average(found.value, found.expanded_uncertainty, found.unit)
    return (
        f"{outcome.lead.designation}: {shown} {words} the plan's limit of {bound:g} {found.unit} ({reason})."
        " The local code and licensed practice decide what may be fitted."
    )


def _side_by_side(rows: Sequence[tuple[str, ...]]) -> Iterator[str]:
    """A table, continued below under the same leads as often as the terminal is too narrow for the next column."""
    leads, *columns = zip(*rows, strict=True)
    *circuit, answer, change, measured = columns
    taken: list[tuple[str, ...]] = [leads]
    # A change is told beside the figure that changes.
    for group in (*([each] for each in circuit), [answer, change], [measured]):
        tried = texts_aligned(list(zip(*taken, *group, strict=True)))
        if len(taken) > 1 and max(map(len, tried)) > _WIDTH:
            yield from texts_aligned(list(zip(*taken, strict=True)))
            yield ""
            taken = [leads]
        taken += group
    yield from texts_aligned(list(zip(*taken, strict=True)))


def _wrapped(sentence: str, *, indent: str = "") -> list[str]:
    return textwrap.wrap(
        sentence, _WIDTH, initial_indent=indent, subsequent_indent="  "
    )


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
            "cautions": [*_beyond_limits(answer), *_CAUTIONS],
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
