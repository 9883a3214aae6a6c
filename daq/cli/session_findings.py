"""What a stored session says beyond its comparison: nameplate, leads, prices, cautions, conveying index, drift."""

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from daq.advice.findings import SafetyFindings
from daq.advice.price import PriceComparison, compare_prices
from daq.advice.price_sentences import price_rows, price_sentences
from daq.advice.safety import safety_findings
from daq.advice.sentences import (
    conveying_rows,
    conveying_sentences,
    drift_sentences,
    index_meaning,
    nameplate_rows,
    nameplate_sentences,
    safety_sentences,
)
from daq.comparison.conveying import ConveyingComparison, compare_conveying
from daq.comparison.drift import DriftVerdict, SessionDrift, baseline_drift
from daq.comparison.lead_decisions import Finding as LeadVerdict
from daq.comparison.lead_report import (
    LeadFinding,
    LeadReport,
    range_words,
    resistance_words,
)
from daq.comparison.nameplate import NameplateComparison, compare_nameplate
from daq.comparison.session import SessionComparison
from daq.comparison_tables import Paragraph
from daq.runtime.store.compared import read_leads

_LEAD_HEADING = ("condition", "loop at 20 °C ± U", "expected", "finding")


@dataclass(frozen=True, slots=True)
class SessionFindings:
    """Everything that follows from a session besides the comparison itself."""

    safety: SafetyFindings
    nameplate: NameplateComparison
    leads: LeadReport
    prices: PriceComparison
    conveying: ConveyingComparison
    drift: SessionDrift


def session_findings(store: Path, comparison: SessionComparison) -> SessionFindings:
    """Look into every topic.

    Args:
        store: Where the session's readings are.
        comparison: Of the session.

    Raises:
        StoreError: If the file cannot be read any more.
    """
    safety = safety_findings(comparison, limits=comparison.figures.limits)
    return SessionFindings(
        safety=safety,
        nameplate=compare_nameplate(comparison),
        leads=read_leads(store, comparison.figures),
        prices=compare_prices(comparison, warned=safety.warned),
        conveying=compare_conveying(comparison),
        drift=baseline_drift(comparison),
    )


def paragraphs(found: SessionFindings) -> Iterator[Paragraph]:
    """The same in words, in the order in which people ask; a topic that the session has nothing of is left out."""
    yield Paragraph("Cautions", tuple(safety_sentences(found.safety)))
    if found.nameplate.checks:
        yield Paragraph(
            "Against the nameplate",
            tuple(nameplate_sentences(found.nameplate)[len(found.nameplate.checks) :]),
            tuple(nameplate_rows(found.nameplate)),
        )
    if found.leads.findings:
        yield Paragraph(
            "Leads",
            tuple(_lead_sentences(found.leads, LeadVerdict.TOO_HIGH)),
            (_LEAD_HEADING, *map(lead_row, found.leads.findings)),
            details=(
                *_lead_sentences(found.leads, LeadVerdict.CANNOT_TELL),
                *found.leads.remarks,
                *found.leads.assumptions,
            ),
        )
    if found.prices.priced:
        yield Paragraph(
            "Prices",
            tuple(price_sentences(found.prices)),
            tuple(price_rows(found.prices)),
        )
    if found.conveying.conditions:
        sentences = conveying_sentences(found.conveying)
        meaning = index_meaning(found.conveying)
        yield Paragraph(
            "Conveying",
            (meaning,),
            tuple(conveying_rows(found.conveying)),
            details=tuple(
                each
                for each in sentences[len(found.conveying.conditions) :]
                if each != meaning
            ),
        )
    if found.drift.checks:
        yield Paragraph(
            "Drift between repeated baselines",
            tuple(drift_sentences(found.drift)),
            is_detail=not any(
                each.verdict is DriftVerdict.DRIFTED or each.is_closing_badly
                for each in found.drift.checks
            ),
        )


def lead_row(found: LeadFinding) -> tuple[str, str, str, str]:
    """A condition's lead, its loop at 20 °C, what that may be, and what was found."""
    measured = ""
    if found.resistance_ohm is not None and found.uncertainty is not None:
        measured = resistance_words(
            found, found.resistance_ohm, found.uncertainty, unit="Ω"
        )
    expected = range_words(found.stated, unit="Ω") if found.stated else ""
    return (found.condition, measured, expected, found.finding.value)


def _lead_sentences(leads: LeadReport, finding: LeadVerdict) -> Iterator[str]:
    return (each.sentence for each in leads.findings if each.finding is finding)


def findings_content(found: SessionFindings) -> dict[str, object]:
    """The same as plain values, for a JSON document."""
    return {
        field.name: _plain(getattr(found, field.name))
        for field in dataclasses.fields(found)
    }


def _plain(value: object) -> object:
    if isinstance(value, Enum):
        return value.value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: _plain(getattr(value, field.name))
            for field in dataclasses.fields(value)
        }
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
