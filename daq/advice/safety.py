"""What to beware of, by what was measured: ratings, the circuit, drop, low voltage, heat in leads.

A figure is surely beyond a limit only where its whole interval is; where the interval straddles the limit it may be, and
that is said too. Averages are looked at here; single readings were watched while the session ran. No finding is no approval:
what could not be checked is told.
"""

from collections.abc import Iterator, Sequence

from daq.advice.currents import current_findings
from daq.advice.findings import SafetyFindings, Severity
from daq.advice.measured import (
    averaged_leads,
    lead_drops,
    machine_currents,
    machine_voltages,
    measured,
)
from daq.advice.volts import (
    drop_findings,
    heat_findings,
    limit_findings,
    low_voltage_findings,
)
from daq.comparison.session import SessionComparison
from daq.comparison_words import quoted
from daq.trials.limits import Limit


def safety_findings(
    comparison: SessionComparison, *, limits: Sequence[Limit] = ()
) -> SafetyFindings:
    """Find what to beware of in a session's averages.

    Args:
        comparison: Of the session.
        limits: Of its plan.
    """
    findings = [
        *current_findings(comparison),
        *limit_findings(comparison, limits),
        *low_voltage_findings(comparison, limits),
        *drop_findings(comparison),
        *heat_findings(comparison),
    ]
    # A stable sort: within a severity as they were looked for.
    findings.sort(key=lambda each: each.severity is not Severity.WARNING)
    return SafetyFindings(tuple(findings), tuple(_unchecked(comparison, limits)))


def _unchecked(comparison: SessionComparison, limits: Sequence[Limit]) -> Iterator[str]:
    facts = comparison.figures.facts
    if not machine_currents(comparison):
        yield "no current was averaged, so nothing was held against the ratings of lead, plug and circuit"
    elif facts.circuit.rating_a is None or facts.circuit.plug_rating_a is None:
        yield "the plan does not rate both circuit and plug ([circuit] rating_a, plug_rating_a)"
    unrated = [
        quoted(name)
        for name, lead in averaged_leads(comparison).items()
        if lead.rated_current_a is None and lead.awg is None
    ]
    if unrated:
        yield f"no rating is stated for the lead of {', '.join(unrated)} (rated_current_a of its lead)"
    if not machine_voltages(comparison):
        yield "no voltage was averaged at the machine's end, so whether it had enough is not known"
    if averaged_leads(comparison) and not lead_drops(comparison):
        yield "what the leads take of the voltage is not known: it needs a voltmeter at the machine's end"
    for limit in limits:
        if not measured(comparison, limit.channel):
            yield f"{limit.channel} has no average to hold against the plan's limit"
