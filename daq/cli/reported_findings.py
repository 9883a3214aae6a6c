"""What was found out besides the comparison, as a report shows it: nameplate, leads, prediction, conveying, price, drift, cautions."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from daq.advice.findings import SafetyFindings, Severity
from daq.advice.price_sentences import price_rows, price_sentences
from daq.advice.sentences import (
    conveying_rows,
    conveying_sentences,
    drift_sentences,
    nameplate_rows,
    nameplate_sentences,
)
from daq.cli.session_findings import lead_row, session_findings
from daq.comparison.conveying import ConveyingComparison
from daq.comparison.lead_decisions import Finding as LeadVerdict
from daq.comparison.lead_report import LeadFinding, LeadReport
from daq.comparison.nameplate import NameplateComparison
from daq.comparison.rules import LeadFacts
from daq.comparison.session import SessionComparison
from daq.physics.conductors import jacket_of_area, jacket_of_gauge
from daq.prediction.curves import Curve
from daq.prediction.lead import AskedLead, lead_of
from daq.prediction.leaving_out import leave_one_out
from daq.prediction.machine import Machine, machine_of
from daq.prediction.predicting import predict_each
from daq.prediction.selection import TooLittleMeasuredError
from daq.prediction_words import (
    assumption_sentences,
    basis_sentences,
    table_rows,
)
from daq.report.content import Caution, Finding, FittedCurve, Topic

_AREAS_MM2 = (1.0, 1.5, 2.5, 4.0)
_GAUGES = (16, 14, 12, 10)
_MOST_LENGTHS = 2
_USUAL_M = 25.0
_SHORTEST_M = 5.0
"""Shorter ones are no extension leads."""
_CURVE_POINTS = 41


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything that was found out besides the comparison itself."""

    by_topic: dict[Topic, Finding]
    cautions: tuple[Caution, ...]
    unchecked: tuple[str, ...]
    curves: tuple[FittedCurve, ...]


def findings_of(store: Path, comparison: SessionComparison) -> Findings:
    """Look into every topic.

    Raises:
        StoreError: If the file cannot be read any more.
    """
    found = session_findings(store, comparison)
    prediction, curves = _prediction(comparison)
    return Findings(
        by_topic={
            Topic.NAMEPLATE: _nameplate(found.nameplate),
            Topic.LEADS: _leads(found.leads),
            Topic.PREDICTION: prediction,
            Topic.CONVEYING: _conveying(found.conveying),
            Topic.PRICE: Finding(
                tuple(price_sentences(found.prices)), tuple(price_rows(found.prices))
            ),
            Topic.DRIFT: Finding(tuple(drift_sentences(found.drift))),
        },
        cautions=tuple(_cautions(found.safety, found.leads)),
        unchecked=found.safety.unchecked,
        curves=curves,
    )


def _nameplate(found: NameplateComparison) -> Finding:
    sentences = nameplate_sentences(found)
    # A sentence a rating says what the table shows.
    return Finding(tuple(sentences[len(found.checks) :]), tuple(nameplate_rows(found)))


def _conveying(found: ConveyingComparison) -> Finding:
    sentences = conveying_sentences(found)
    return Finding(
        tuple(sentences[len(found.conditions) :]), tuple(conveying_rows(found))
    )


# ---- leads


def _leads(report: LeadReport) -> Finding:
    if not report.findings:
        return Finding(
            absent="The plan describes no leads ([condition.lead]), so none is judged."
        )
    noteworthy = [
        each.sentence
        for each in report.findings
        if each.finding is not LeadVerdict.AS_IT_SHOULD_BE
    ]
    heading = ("condition", "loop at 20 °C ± U", "expected", "finding", "trials")
    return Finding(
        table=(heading, *map(_lead_row, report.findings)),
        notes=(*noteworthy, *report.remarks),
        sources=report.assumptions,
    )


def _lead_row(found: LeadFinding) -> tuple[str, ...]:
    condition, measured, expected, finding = lead_row(found)
    if found.stated is not None:
        expected += f", {found.lead.designation} ({found.stated.source})"
    trials = ", ".join(map(str, found.trials))
    return (condition, measured, expected, finding, trials)


# ---- what another lead would do


def _prediction(
    comparison: SessionComparison,
) -> tuple[Finding, tuple[FittedCurve, ...]]:
    try:
        machine = machine_of(comparison.figures)
    except TooLittleMeasuredError as exc:
        why = str(exc)
        return Finding(absent=f"Nothing is predicted: {why}."), ()
    table = table_rows(
        predict_each(machine, _usual_leads(comparison)),
        machine,
        wanted=comparison.figures.facts.rules.answer,
    )
    heading, *rows = table
    finding = Finding(
        table=((*heading[:-1], "measured voltages"), *rows),
        notes=tuple(basis_sentences(machine, leave_one_out(machine))),
        sources=tuple(assumption_sentences()),
    )
    return finding, tuple(_fitted(machine, comparison))


def _usual_leads(comparison: SessionComparison) -> list[AskedLead]:
    """The usual sizes, as long as the plan's leads are."""
    stated = [c.lead for c in comparison.figures.facts.conditions if c.lead]
    jackets = (
        [jacket_of_gauge(gauge) for gauge in _GAUGES]
        if any(lead.awg is not None for lead in stated)
        else [jacket_of_area(area) for area in _AREAS_MM2]
    )
    return [
        lead_of(jacket, length_m, shown_length=f"{length_m:.4g} m")
        for length_m in _lengths_m(stated)
        for jacket in jackets
    ]


def _lengths_m(stated: list[LeadFacts]) -> list[float]:
    found = {lead.length_m for lead in stated if lead.length_m is not None}
    long_enough = sorted(length for length in found if length >= _SHORTEST_M)
    return long_enough[-_MOST_LENGTHS:] or [_USUAL_M]


def _fitted(machine: Machine, comparison: SessionComparison) -> Iterator[FittedCurve]:
    """Curves of what is measured in the same unit as it is shown."""
    units = {q.name: q.unit for q in comparison.figures.quantities}
    for curve in machine.curves.values():
        if units.get(curve.quantity.name) == curve.quantity.unit:
            yield _curve(curve, machine.range_v)


def _curve(curve: Curve, range_v: tuple[float, float]) -> FittedCurve:
    voltages_v = [float(v) for v in np.linspace(*range_v, _CURVE_POINTS)]
    values = [curve.value(v) for v in voltages_v]
    half = [curve.expanded_uncertainty(v) for v in voltages_v]
    return FittedCurve(
        quantity=curve.quantity.name,
        voltages_v=tuple(voltages_v),
        values=tuple(values),
        low=tuple(y - u for y, u in zip(values, half, strict=True)),
        high=tuple(y + u for y, u in zip(values, half, strict=True)),
    )


# ---- cautions


def _cautions(safety: SafetyFindings, leads: LeadReport) -> Iterator[Caution]:
    for finding in safety.findings:
        is_warning = finding.severity is Severity.WARNING
        yield Caution(finding.text, finding.basis, is_warning)
    for lead in leads.findings:
        if lead.finding is LeadVerdict.TOO_HIGH:
            basis = lead.stated.source if lead.stated else ""
            yield Caution(lead.sentence, basis, is_warning=True)
