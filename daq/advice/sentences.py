"""What nameplate, drift, conveying and safety come to, in sentences and tables for people.

Tables are rows of texts with the heading first; sentences are whole, each with its figure and what that leaves open.
"""

from collections.abc import Iterator

from daq.advice.cautions import DEFERENCE
from daq.advice.findings import SafetyFindings
from daq.advice.shown import as_sentence, enumerated, signed_average
from daq.comparison.conveying import ConditionIndex, ConveyingComparison
from daq.comparison.drift import BaselineDrift, DriftVerdict, SessionDrift
from daq.comparison.nameplate import NameplateComparison, RatingCheck, RatingVerdict
from daq.comparison.verdicts import Verdict
from daq.comparison_words import quoted, verdict_words
from daq.wording import shown_average, unit_symbol

Row = tuple[str, ...]


# ---- nameplate


def nameplate_sentences(found: NameplateComparison) -> list[str]:
    """How the baseline stands to the nameplate, a sentence a rating, then what is to be kept in mind."""
    return [
        *map(_rating_sentence, found.checks),
        *map(as_sentence, found.remarks),
    ]


def nameplate_rows(found: NameplateComparison) -> list[Row]:
    """The same as a table; empty where nothing was checked."""
    rows = [
        (
            check.quantity.title,
            f"{check.rated:.5g} {unit_symbol(check.quantity.unit)}",
            _measured(check),
            shown_average(check.percent_of_rating, check.expanded_percent, "%"),
            f"± {check.tolerance_percent:g} %",
            _found(check),
        )
        for check in found.checks
    ]
    heading = ("figure", "rating", "baseline ± U", "of it", "allowed", "found")
    return [heading, *rows] if rows else []


def _found(check: RatingCheck) -> str:
    """The verdict as a table has it; of an interval across an edge, what it may be either way."""
    if check.verdict is not RatingVerdict.WITHIN_UNCERTAINTY:
        return check.verdict.value
    tolerance = check.tolerance_percent
    if not tolerance:
        return "as rated, within U"
    reach = check.expanded_percent
    is_short = check.percent_of_rating - reach < 100.0 - tolerance
    is_exceeded = check.percent_of_rating + reach > 100.0 + tolerance
    if is_short and is_exceeded:
        return "not told: U is wider than what is allowed"
    return "short or met" if is_short else "met or exceeded"


def _rating_sentence(check: RatingCheck) -> str:
    share = shown_average(check.percent_of_rating, check.expanded_percent, "%")
    rated = f"{check.rated:.5g} {unit_symbol(check.quantity.unit)}"
    return f"{check.quantity.title}: {_measured(check)}, {share} of the rated {rated}; {_rating_verdict(check)}."


def _measured(check: RatingCheck) -> str:
    level = check.level
    return shown_average(level.mean, level.expanded_uncertainty, check.quantity.unit)


def _rating_verdict(check: RatingCheck) -> str:
    tolerance = check.tolerance_percent
    by = f"by more than the {tolerance:g} % allowed" if tolerance else "surely"
    if check.verdict is RatingVerdict.MET:
        return f"met, within the {tolerance:g} % allowed" if tolerance else "met"
    if check.verdict is RatingVerdict.EXCEEDED:
        return f"exceeded, {by}"
    if check.verdict is RatingVerdict.SHORT:
        return f"short of it, {by}"
    edge = f"the {tolerance:g} % allowed" if tolerance else "the rating"
    return f"within the uncertainty: the interval reaches across the edge of {edge}"


# ---- drift


def drift_sentences(found: SessionDrift) -> list[str]:
    """What drifted, what was not shown to, and whether the session closes well."""
    if found.absent:
        return [as_sentence(found.absent)]
    return [
        *(_drifted(c) for c in found.checks if c.verdict is DriftVerdict.DRIFTED),
        *_together(found, DriftVerdict.NOT_SHOWN, "Not shown to drift"),
        *_together(found, DriftVerdict.UNDECIDED, "Undecided"),
        *_undecided_because(found),
        *_closing(found),
        "Each quantity is judged by itself: of twenty that do not drift, one is called drifted.",
    ]


def _drifted(check: BaselineDrift) -> str:
    rate = f", {_per_hour(check)} per hour" if check.hours > 0.0 else ""
    return (
        f"{check.quantity.title} drifted: {_change(check)} from baseline trial {check.first_trial} to"
        f" {check.last_trial}{rate}."
    )


def _together(found: SessionDrift, verdict: DriftVerdict, head: str) -> Iterator[str]:
    those = [
        f"{c.quantity.title} ({_change(c)})"
        for c in found.checks
        if c.verdict is verdict
    ]
    if those:
        yield f"{head}: {'; '.join(those)}."


def _undecided_because(found: SessionDrift) -> Iterator[str]:
    if any(check.verdict is DriftVerdict.UNDECIDED for check in found.checks):
        yield (
            "Undecided, because what changes from one switch-on to the next is known from fewer than 3 degrees of freedom"
            " once an even drift is taken out; the uncertainties hold the scatter within the trials only."
        )


def _closing(found: SessionDrift) -> Iterator[str]:
    """A warning where the baseline did not come back to where it was."""
    badly = [check for check in found.checks if check.is_closing_badly]
    if not badly:
        return
    titles = enumerated([check.quantity.title for check in badly])
    handled = (
        "an even drift is taken out of every difference, as the plan says; one that is not even stays in"
        if found.is_corrected
        else "differences to the baseline hold it ([comparison] bracketing takes an even drift out; decide on it before the"
        " session)"
    )
    yield f"The session does not close: with {quoted(found.baseline)}, {titles} did not come back; {handled}."
    for check in badly:
        if check.allowance is not None and abs(check.change) > check.allowance:
            size = f"{check.allowance:.3g} {unit_symbol(check.quantity.unit)}"
            yield f"{check.quantity.title} changed by more than the {size} that the plan says would matter."


def _change(check: BaselineDrift) -> str:
    return signed_average(check.change, check.expanded_uncertainty, check.quantity.unit)


def _per_hour(check: BaselineDrift) -> str:
    rate, expanded = check.per_hour, check.per_hour_expanded_uncertainty
    if rate is None or expanded is None:
        return ""
    return signed_average(rate, expanded, check.quantity.unit)


# ---- conveying


def conveying_sentences(found: ConveyingComparison) -> list[str]:
    """What each condition keeps of the carrying ability, and the standing of that rule."""
    sentences = [_kept(each, found) for each in found.conditions]
    sentences += map(as_sentence, found.remarks)
    if found.conditions and found.quantity:
        sentences += [index_meaning(found), _INDEX_PROMISES]
    return sentences


def index_meaning(found: ConveyingComparison) -> str:
    """What the index is; it is never shown without that. Empty where there is none."""
    if not found.conditions or not found.quantity:
        return ""
    return (
        f"Index: what is left of the ability to carry material, the ratio of {quoted(found.quantity.title)} to the power"
        f" {found.exponent:g} ({found.standing}). It is no airflow."
    )


_INDEX_PROMISES = "The index compares one duct and one material with themselves; it promises nothing about what is carried."


def conveying_rows(found: ConveyingComparison) -> list[Row]:
    """The same as a table; empty where there is no index."""
    rows = [
        (
            each.condition,
            shown_average(
                100.0 * each.flow_ratio,
                100.0 * each.flow_ratio_expanded_uncertainty,
                "%",
            ),
            f"{100.0 * each.index:.0f} %",
            _index_interval(each),
            verdict_words(each.verdict),
        )
        for each in found.conditions
    ]
    heading = ("condition", "flow ± U", "index", "interval", "flow's difference")
    return [heading, *rows] if rows else []


def _kept(each: ConditionIndex, found: ConveyingComparison) -> str:
    doubt = {
        Verdict.REAL: "",
        Verdict.NOT_SHOWN: "; the flow's difference is not shown",
        Verdict.UNDECIDED: "; not repeated: the interval holds the scatter within the trials only",
    }[each.verdict]
    return (
        f"{each.condition}: {100.0 * each.index:.0f} % ({_index_interval(each)}) of the carrying ability with"
        f" {quoted(found.baseline)}{doubt}."
    )


def _index_interval(each: ConditionIndex) -> str:
    return f"{100.0 * each.low:.0f} to {100.0 * each.high:.0f} %"


# ---- safety


def safety_sentences(found: SafetyFindings) -> list[str]:
    """What to beware of, warnings first, then what could not be checked, and whose word counts."""
    findings = [
        f"{each.severity.value.capitalize()}: {each.text} Basis: {each.basis}."
        for each in found.findings
    ]
    if not findings:
        findings = ["Nothing that could be checked is beyond a limit."]
    unchecked = [f"Not checked: {each}." for each in found.unchecked]
    return [*findings, *unchecked, DEFERENCE]
