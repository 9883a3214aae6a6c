"""What the machine draws against what lead, plug and circuit are rated for."""

from collections.abc import Iterator, Sequence

from daq.advice import cautions
from daq.advice.findings import Finding, Hazard, found, shown_worst
from daq.advice.measured import Measured, averaged_leads, beyond, machine_currents
from daq.comparison.rules import LeadFacts
from daq.comparison.session import SessionComparison
from daq.comparison_words import quoted
from daq.physics.ampacity import (
    ReferenceAmpacity,
    circuit_limit_a,
    cord_ampacity,
    cord_set_ampacity,
)


def current_findings(comparison: SessionComparison) -> Iterator[Finding]:
    """What the machine draws more of than it should.

    Args:
        comparison: Of the session.
    """
    currents = machine_currents(comparison)
    yield from _lead_ratings(comparison, currents)
    yield from _plug(comparison, currents)
    yield from _circuit(comparison, currents)


def _lead_ratings(
    comparison: SessionComparison, currents: Sequence[Measured]
) -> Iterator[Finding]:
    rated_a = comparison.figures.facts.nameplate.current_a
    for condition, lead in averaged_leads(comparison).items():
        over = [*_over_lead(lead, [m for m in currents if m.condition == condition])]
        yield from over
        rating_a = lead.rated_current_a
        if not over and rating_a and rated_a and rating_a < rated_a:
            words = cautions.below_own_current(f"{rating_a:g} A", f"{rated_a:g} A")
            yield found(
                Hazard.LEAD_RATING,
                (),
                rated_a,
                text=f"The lead of {quoted(condition)} {words}",
                basis="common practice, no published source: a lead is rated at least for the tool's own current",
                conditions=(condition,),
            )


def _over_lead(lead: LeadFacts, drawn: Sequence[Measured]) -> Iterator[Finding]:
    rating = lead.rated_current_a
    reference = None if rating is not None else _reference(lead)
    limit_a = reference.current_a if reference else rating
    for is_sure, figures in beyond(drawn, limit_a) if limit_a else ():
        shown = shown_worst(figures)
        if reference:
            name = f"{limit_a:g} A, a reference figure for {lead.designation} ({reference.holds_for})"
            words = cautions.over_reference(shown, name, is_sure=is_sure)
            basis = f"{reference.source}, {reference.edition}; {reference.evidence}"
        else:
            words = cautions.over_lead_rating(shown, f"{limit_a:g} A", is_sure=is_sure)
            basis = "the lead's rating as the plan states it"
        yield found(
            Hazard.LEAD_RATING,
            figures,
            limit_a,
            text=words,
            basis=basis,
            is_warning=is_sure and not reference,
        )


def _reference(lead: LeadFacts) -> ReferenceAmpacity | None:
    """The lower of the published figures for a size that has some."""
    if lead.awg is None:
        return None
    published = [cord_ampacity(lead.awg)]
    if lead.length_m:
        published.append(cord_set_ampacity(lead.awg, lead.length_m))
    return min((p for p in published if p), key=lambda p: p.current_a, default=None)


def _plug(
    comparison: SessionComparison, currents: Sequence[Measured]
) -> Iterator[Finding]:
    rating = comparison.figures.facts.circuit.plug_rating_a
    if rating is None:
        return
    for is_sure, figures in beyond(currents, rating):
        yield found(
            Hazard.PLUG_RATING,
            figures,
            rating,
            text=cautions.over_plug_rating(
                shown_worst(figures), f"{rating:g} A", is_sure=is_sure
            ),
            basis="the rating of plug and socket as the plan states it",
            is_warning=is_sure,
        )


def _circuit(
    comparison: SessionComparison, currents: Sequence[Measured]
) -> Iterator[Finding]:
    rating = comparison.figures.facts.circuit.rating_a
    if rating is None:
        return
    for is_sure, figures in beyond(currents, rating):
        yield found(
            Hazard.CIRCUIT,
            figures,
            rating,
            text=cautions.over_circuit_rating(
                shown_worst(figures), f"{rating:g} A", is_sure=is_sure
            ),
            basis="the circuit's rating as the plan states it",
            is_warning=is_sure,
        )
        # Whoever may be over the rating is over the share of it: once is enough.
        told = {m.condition for m in figures}
        currents = [m for m in currents if m.condition not in told]
    share = circuit_limit_a(rating)
    for is_sure, figures in beyond(currents, share):
        yield found(
            Hazard.CIRCUIT_SHARE,
            figures,
            share,
            text=cautions.over_circuit_share(
                shown_worst(figures), f"{share:g} A", f"{rating:g} A", is_sure=is_sure
            ),
            basis=(
                "NFPA 70, 210.23(A)(1) in editions to 2020, as public pages quote it: a rule where that code applies,"
                " common practice elsewhere"
            ),
        )
