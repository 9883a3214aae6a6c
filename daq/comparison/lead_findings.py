"""What a session's readings say of each condition's supply lead: its resistance at 20 °C, and whether that fits its jacket.

Repeats of a condition are averaged; what they have in common does not shrink by it. With one voltmeter only, a lead is known
against the baseline's: what the plan enters of that one is added, otherwise the result is a least value.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from daq.comparison.lead_averaging import (
    RANDOM,
    SHARED_WITH_BASELINE,
    BaselineLoop,
    baseline_loop,
    copper_temperature,
    lead_alone,
    of_best_method,
    room_doubts,
)
from daq.comparison.lead_decisions import Finding, decide
from daq.comparison.lead_measuring import LoopMeasurement, Method, measure_loop
from daq.comparison.lead_ranges import lead_range
from daq.comparison.lead_readings import TrialEdges
from daq.comparison.lead_report import (
    LeadFinding,
    LeadReport,
    assumptions,
    label,
    sentence,
)
from daq.comparison.observations import ErrorPart, Observation, Quantity
from daq.comparison.rules import Air, ConditionFacts, LeadFacts
from daq.physics.lead_resistance import LoopResistance, Measured
from daq.records import Contribution
from daq.uncertainty import combine


def find_leads(
    trials: Sequence[TrialEdges],
    conditions: Sequence[ConditionFacts],
    *,
    baseline: str,
    air: Air | None = None,
) -> LeadReport:
    """Find what each condition's lead is, from the readings about all switchings of a session.

    Args:
        trials: Readings about the switching of each.
        conditions: What the plan says of them.
        baseline: Name of the condition that one voltmeter's results are relative to.
        air: What the bench says of the room's air.
    """
    leads = {each.name: each.lead for each in conditions}
    loops = [(each, measure_loop(each, leads.get(each.condition))) for each in trials]
    copper = copper_temperature(trials, air)
    measured = tuple(loop.measurement for _, loop in loops if loop.measurement)
    remarks = (
        *(text for _, loop in loops for text in loop.remarks),
        *room_doubts(trials),
    )
    against = baseline_loop(measured, baseline, leads.get(baseline))
    known = _Known(measured, against, copper, remarks)
    findings = tuple(
        _finding(each.name, each.lead, known) for each in conditions if each.lead
    )
    return LeadReport(
        findings, measured, copper, tuple(assumptions(measured, copper)), remarks
    )


def observed_resistances(
    measurements: Sequence[LoopMeasurement], like: Sequence[Observation]
) -> tuple[Quantity, tuple[Observation, ...]]:
    """Loop resistances as a quantity to compare: what differs from condition to condition, temperature and contacts included.

    Args:
        measurements: Of a session.
        like: Observations of any quantity of these trials, for their times.
    """
    quantity = Quantity(
        name="lead_resistance",
        title="Loop resistance",
        quantity="resistance",
        unit="ohm",
        place="lead",
        formula=(
            "drop under load, idle difference taken off, over the current with its power factor (Kirchhoff, rms phasors);"
            " with one voltmeter wiring and supply are in it"
        ),
    )
    by_trial = {o.trial: o for o in like}
    # Loops of two kinds do not compare: one has wiring and supply in it.
    between = [m for m in measurements if m.method is Method.TWO_VOLTMETERS]
    return quantity, tuple(
        _observation(each, by_trial[each.trial])
        for each in between or measurements
        if each.trial in by_trial
    )


def _observation(measured: LoopMeasurement, like: Observation) -> Observation:
    random = [c for c in measured.contributions if c.name in RANDOM]
    within = combine(random or [Contribution(0.0)])
    return replace(
        like,
        mean=measured.resistance_ohm,
        std_uncertainty_within=within.std_uncertainty,
        degrees_of_freedom_within=within.degrees_of_freedom,
        errors=tuple(
            ErrorPart(
                f"loop: {c.name}", c.std_uncertainty, c.name in SHARED_WITH_BASELINE
            )
            for c in measured.contributions
            if c.name not in RANDOM
        ),
    )


@dataclass(frozen=True, slots=True)
class _Known:
    """What a session knows of all its leads."""

    measured: Sequence[LoopMeasurement]
    baseline: BaselineLoop
    copper: Measured
    remarks: Sequence[str]


def _finding(condition: str, lead: LeadFacts, known: _Known) -> LeadFinding:
    mine = of_best_method(known.measured, condition)
    nothing = LeadFinding(
        condition=condition,
        lead=lead,
        trials=(),
        finding=Finding.CANNOT_TELL,
        doubt=None,
        resistance_ohm=None,
        uncertainty=None,
        contributions=(),
        stated=lead_range(lead),
        method=None,
        is_least=False,
        sentence=f"{label(condition, lead)}: cannot tell; {_why_nothing(condition, mine, known)}.",
    )
    loop = lead_alone(condition, mine, known.baseline, known.copper)
    return nothing if loop is None else _decided(nothing, mine, loop, known.baseline)


def _decided(
    nothing: LeadFinding,
    mine: Sequence[LoopMeasurement],
    loop: LoopResistance,
    baseline: BaselineLoop,
) -> LeadFinding:
    method = mine[0].method
    is_least = method is Method.STEP and baseline.lead is None
    uncertainty = combine(loop.contributions)
    decision = decide(
        loop.resistance_ohm, uncertainty, nothing.stated, is_least=is_least
    )
    found = replace(
        nothing,
        trials=tuple(m.trial for m in mine),
        finding=decision.finding,
        doubt=decision.doubt,
        resistance_ohm=loop.resistance_ohm,
        uncertainty=uncertainty,
        contributions=loop.contributions,
        method=method,
        is_least=is_least,
    )
    return replace(found, sentence=sentence(found, loop.resistance_ohm, uncertainty))


def _why_nothing(condition: str, mine: Sequence[LoopMeasurement], known: _Known) -> str:
    own = [text for text in known.remarks if f"({condition})" in text]
    if mine and condition == known.baseline.name:
        return "with one voltmeter the other leads are known against this one, a second voltmeter at the supply's end tells"
    if mine:
        return "with one voltmeter a lead is known against the baseline's, and no trial of the baseline tells of its own"
    return own[0].split(": ", 1)[1] if own else "no trial of it"
