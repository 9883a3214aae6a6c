"""What is found of leads, as records, and the sentences that say it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daq.comparison.lead_averaging import FROM_TRIAL_TO_TRIAL
from daq.comparison.lead_decisions import WORST_RELATIVE_U, Doubt, Finding
from daq.comparison.lead_drops import DISPLAY, GAIN, IDLE, LIMITS, SCATTER, WANDER
from daq.comparison.lead_measuring import (
    ASSUMED_POWER_FACTOR,
    LoopMeasurement,
    Method,
)
from daq.comparison.lead_ranges import CONTACTS_OHM, LeadRange
from daq.comparison.rules import LeadFacts
from daq.physics.lead_resistance import Measured
from daq.records import Contribution
from daq.uncertainty import Combined

_REMEDIES: Mapping[str, str] = {
    IDLE: "half a minute with the lead connected before and after each run, or repeats",
    SCATTER: "repeats, or a longer run",
    WANDER: "repeats, or a second voltmeter at the supply's end",
    DISPLAY: "voltmeters with a finer display",
    GAIN: "calibrated voltmeters",
    LIMITS: "half a minute with the lead connected and the machine off before each run",
    "current": "a more accurate ammeter",
    "power factor": "a power meter at the machine's end",
    "copper's temperature": "the lead's own temperature, or a run with the lead still cool",
    "baseline's lead": "the resistance of the baseline's lead (loop_ohm)",
    FROM_TRIAL_TO_TRIAL: "more repeats; contacts that change are a cause",
}


@dataclass(frozen=True, slots=True)
class LeadFinding:
    """What is found of one condition's lead.

    Attributes:
        condition: Name.
        lead: As the plan describes it.
        trials: Numbers of those that it rests on; empty where none tells of it.
        finding: As it should be, too high, or cannot tell.
        doubt: Why it cannot be told; None where it can.
        resistance_ohm: Of the loop at 20 °C, contacts included [ohm]; None where nothing was measured.
        uncertainty: Of that [ohm]; None likewise.
        contributions: What it is uncertain by [ohm].
        stated: What size and length allow [ohm]; None where the plan does not state them.
        method: How it was measured; None where it was not.
        is_least: It is known against the baseline's lead alone, which comes on top.
        sentence: All of it in words, with what could tell where it cannot be told.
    """

    condition: str
    lead: LeadFacts
    trials: tuple[int, ...]
    finding: Finding
    doubt: Doubt | None
    resistance_ohm: float | None
    uncertainty: Combined | None
    contributions: tuple[Contribution, ...]
    stated: LeadRange | None
    method: Method | None
    is_least: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class LeadReport:
    """What a session says of its leads.

    Attributes:
        findings: One a condition whose lead the plan describes, in the plan's order.
        measurements: One a trial that tells of its lead, at the copper's temperature.
        copper: Temperature that the copper was taken to have [°C].
        assumptions: What was assumed, in sentences; to be printed with the findings.
        remarks: What could not be told of single trials, or is to be doubted.
    """

    findings: tuple[LeadFinding, ...]
    measurements: tuple[LoopMeasurement, ...]
    copper: Measured
    assumptions: tuple[str, ...]
    remarks: tuple[str, ...]


def label(condition: str, lead: LeadFacts) -> str:
    """A condition with what stands on its lead."""
    said = lead.designation
    # "2.5 mm2, 25 m" says it already.
    is_said = said.replace("²", "2") in condition.replace("²", "2")
    return condition if is_said else f"{condition} ({said})"


def sentence(found: LeadFinding, resistance_ohm: float, uncertainty: Combined) -> str:
    """What was found of a lead, in words."""
    shown = resistance_words(found, resistance_ohm, uncertainty, unit="ohm")
    measured = (
        f"{label(found.condition, found.lead)}: {shown} in the loop at 20 °C{_allowed(found.stated)}:"
        f" {found.finding.value}."
    )
    if found.finding is Finding.TOO_HIGH:
        return (
            f"{measured} Conductors thinner than the jacket says, a bad contact in plug, socket or joint, or more length than"
            " the plan states. Unplug it, look for loose or discoloured contacts, and have it checked by a qualified person"
            " before it carries a load again."
        )
    if found.doubt is None:
        return measured
    return f"{measured} {_doubt_words(found, found.doubt, resistance_ohm, uncertainty)}"


def resistance_words(
    found: LeadFinding, resistance_ohm: float, uncertainty: Combined, *, unit: str
) -> str:
    """A lead's resistance as people read it; a least value that may be nothing at all is said to be none."""
    expanded_ohm = uncertainty.expanded_uncertainty
    value = f"{resistance_ohm:z.3f}".replace("-", "\N{MINUS SIGN}")
    shown = f"{value} ± {expanded_ohm:.3f} {unit}"
    if not found.is_least:
        return shown
    if resistance_ohm > expanded_ohm:
        return f"at least {shown}"
    return f"not told from zero ({shown})"


def range_words(stated: LeadRange, *, unit: str) -> str:
    """What a lead of its size and length may have, as people read it."""
    high = "" if stated.high_ohm is None else f" to {stated.high_ohm:.3f}"
    return f"{stated.low_ohm:.3f}{high} {unit}"


def _allowed(stated: LeadRange | None) -> str:
    if stated is None:
        return ""
    shown = range_words(stated, unit="ohm")
    if stated.high_ohm is None:
        return f", copper of its size has {shown}"
    return f", where {shown} are expected ({stated.source})"


def _doubt_words(
    found: LeadFinding, doubt: Doubt, resistance_ohm: float, uncertainty: Combined
) -> str:
    if doubt in {Doubt.TOO_UNCERTAIN, Doubt.TOO_COARSE}:
        greatest = max(found.contributions, key=lambda c: c.std_uncertainty)
        remedy = _REMEDIES.get(greatest.name, "a longer lead")
        known = (
            f"It is known to {100.0 * uncertainty.std_uncertainty / resistance_ohm:.0f} % (standard uncertainty;"
            f" {100.0 * WORST_RELATIVE_U:g} % is the worst that decides)"
            if resistance_ohm > uncertainty.std_uncertainty
            else "The drop drowns in its uncertainty"
        )
        missed = (
            ", and conductors one size smaller might be missed"
            if doubt is Doubt.TOO_COARSE
            else ""
        )
        return f"{known}{missed}; most of that is the {greatest.name}. What could tell: {remedy}, or more current."
    return {
        Doubt.NOTHING_STATED: "State its size and length in the plan ([condition.lead]).",
        Doubt.NOT_LISTED: "No standard read here lists a greatest resistance for this size.",
        Doubt.TOO_LOW: (
            "That is less than copper of this size and length has: check the length in the plan and the ammeter's scaling, or"
            " another lead was fitted."
        ),
        Doubt.RELATIVE: (
            "With one voltmeter the baseline's own lead comes on top: enter that one's loop_ohm, or its size and length."
        ),
    }[doubt]


def assumptions(measured: Sequence[LoopMeasurement], copper: Measured) -> list[str]:
    """What findings rest on without being measured, in sentences."""
    if not measured:
        return []
    said = [
        (
            f"Copper at {copper.value:.0f} °C with a standard uncertainty of {copper.std_uncertainty:.1f} K: the room's"
            " temperature and 0 to 20 K of warming under load (common practice, no published source)."
        ),
        (
            f"Contacts of plugs and sockets are in the loop; {CONTACTS_OHM:g} ohm on top of the standard's maximum are taken to"
            " be sound (common practice, no published source)."
        ),
    ]
    if any(m.power_factor_is_assumed for m in measured):
        said.append(
            f"Power factor {ASSUMED_POWER_FACTOR.value:g} with a standard uncertainty of"
            f" {ASSUMED_POWER_FACTOR.std_uncertainty:g}: taken where none that can be was measured (common practice, no published source)."
        )
    if any(m.method is Method.STEP for m in measured):
        said.append(
            "With one voltmeter, wiring and supply are taken to be the same under every condition."
        )
    return said
