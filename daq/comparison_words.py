"""What a comparison says, in words that a person can act on; figures to the digits that their uncertainty allows."""

import math
from collections.abc import Iterator

from daq.comparison.observations import Quantity
from daq.comparison.session import LeftOut, SessionComparison, SessionFigures
from daq.comparison.spread import LEAST_DEGREES_OF_FREEDOM, SpreadSource
from daq.comparison.standing_still import StoodStill
from daq.comparison.verdicts import Difference, QuantityComparison, Verdict
from daq.records import TrialState
from daq.wording import decimals_of_uncertainty, shown_average, unit_symbol

_ABOVE_ZERO = frozenset({"airflow", "velocity", "current", "power"})
"""Quantities that a running machine has some of."""
MINUS = "\N{MINUS SIGN}"
_SMALL = 1e-5
"""What is smaller is shown with an exponent."""
VERDICT_WORDS = {
    Verdict.REAL: "real",
    Verdict.NOT_SHOWN: "not shown",
    Verdict.UNDECIDED: "undecided: not repeated",
}


def verdict_words(verdict: Verdict) -> str:
    """The verdict as it stands in a table."""
    return VERDICT_WORDS[verdict]


def shown_level(mean: float, expanded: float, unit: str) -> str:
    """A condition's mean with its uncertainty and unit; below zero with the sign that differences have."""
    return shown_average(mean, expanded, unit).replace("-", MINUS, 1)


def shown_difference(difference: Difference, unit: str) -> str:
    """A difference with its sign, uncertainty and unit."""
    expanded = difference.expanded_uncertainty
    decimals = decimals_of_uncertainty(expanded)
    value = _signed(difference.difference, decimals)
    return f"{value} ± {expanded:.{decimals}f} {unit_symbol(unit)}".rstrip()


def shown_percentage(difference: Difference) -> str:
    """The difference in percent of the baseline, with its uncertainty; empty where there is no ratio."""
    if difference.ratio is None or difference.ratio_expanded_uncertainty is None:
        return ""
    expanded = 100.0 * difference.ratio_expanded_uncertainty
    decimals = decimals_of_uncertainty(expanded)
    percent = _signed(100.0 * (difference.ratio - 1.0), decimals)
    return f"{percent} ± {expanded:.{decimals}f} %"


def is_relative(comparison: QuantityComparison) -> bool:
    """Whether percents of the baseline mean anything: it is clearly different from zero."""
    differences = comparison.differences
    has_ratio = not differences or any(d.ratio is not None for d in differences)
    return has_ratio and comparison.baseline_mean != 0.0


def share_of_baseline(size: float, comparison: QuantityComparison) -> str:
    """The size of a difference, in percent of the baseline too where that means anything."""
    shown = f"{_two_digits(size)} {unit_symbol(comparison.quantity.unit)}".rstrip()
    if not is_relative(comparison):
        return shown
    percent = 100.0 * size / abs(comparison.baseline_mean)
    return f"{_two_digits(percent)} % ({shown})"


def verdict_sentence(difference: Difference, comparison: QuantityComparison) -> str:
    """What the verdict on one condition says, with what it leaves open."""
    title = _inside(comparison.quantity.title)
    change = shown_percentage(difference) or shown_difference(
        difference, comparison.quantity.unit
    )
    if difference.verdict is Verdict.REAL:
        return (
            f"{difference.condition}: {_unsigned(change)} {_less_or_more(difference)} {title} than with"
            f" {quoted(comparison.baseline)}; the difference is real."
        )
    if difference.verdict is Verdict.NOT_SHOWN:
        found = _detectable(difference, comparison)
        least = _together(difference, comparison)
        return f"{difference.condition}: no difference in {title} shown ({change}{least}).{found}"
    return (
        f"{difference.condition}: {change} in {title}, undecided because it was not repeated enough."
        f" {_vanishing(difference, comparison)}"
    )


def _together(difference: Difference, comparison: QuantityComparison) -> str:
    """Why it is not shown although its own interval leaves zero out; empty where that holds zero."""
    if difference.least_real is None:
        return ""
    if abs(difference.difference) <= difference.expanded_uncertainty:
        return ""
    size = share_of_baseline(difference.least_real, comparison)
    return f"; looked at together with the others it would have to exceed {size}"


def _less_or_more(difference: Difference) -> str:
    """Of the size: a suction that grows is more, though its figure falls."""
    change = difference.difference
    if difference.ratio is not None:
        change = difference.ratio - 1.0
    return "less" if change < 0.0 else "more"


def basis_sentence(comparison: QuantityComparison) -> str:
    """What the verdicts on one quantity rest on."""
    spread = comparison.spread
    if spread is None:
        name = comparison.quantity.name
        return (
            "How much trials of one condition differ from one switch-on to the next is known from fewer than"
            f" {LEAST_DEGREES_OF_FREEDOM} degrees of freedom, so nothing is called real. Carry out each condition"
            f" {times(least_repeats(comparison))} ([order] repeats in the plan), or state a spread that is known from"
            f" elsewhere, with its source ([comparison.spread.{name}])."
        )
    return (
        f"Trials of one condition spread by {share_of_baseline(spread.std_dev, comparison)} (standard deviation;"
        f" {spread.detail}). {REAL_MEANS}"
    )


REAL_MEANS = (
    "Real: exceeds what Dunnett's comparison with one baseline allows in 19 of 20 sessions without any difference,"
    " all conditions together."
)


def rests_on(comparison: QuantityComparison) -> str:
    """What the verdicts on one quantity rest on, and what they can tell, in a line."""
    spread = comparison.spread
    if spread is None:
        return "spread between trials not known: nothing is called real"
    degrees = f"{spread.degrees_of_freedom:.3g} degrees of freedom"
    line = f"spread {_briefly(spread.std_dev, comparison)}, {degrees}{_ELSEWHERE[spread.source]}"
    found = [d.detectable for d in comparison.differences if d.detectable is not None]
    if not found:
        return line
    return f"{line}; found 4 times in 5: {_briefly(max(found), comparison)}"


def _briefly(size: float, comparison: QuantityComparison) -> str:
    """A size in percent of the baseline, or in its unit where percents mean nothing."""
    return share_of_baseline(size, comparison).partition(" (")[0]


_ELSEWHERE = {
    SpreadSource.SESSION: "",
    SpreadSource.EARLIER: " with earlier sessions",
    SpreadSource.STATED: " by the plan",
}


def least_repeats(comparison: QuantityComparison) -> int:
    """Repeats of each condition from which on their own spread makes a verdict possible."""
    groups = len(comparison.differences) + 1
    return 1 + math.ceil(LEAST_DEGREES_OF_FREEDOM / groups)


def times(number: int) -> str:
    """How often, in words."""
    return "twice" if number == 2 else f"{number} times"


def correction_sentence(comparison: QuantityComparison) -> str:
    """Both figures of every condition, whichever the plan chose; empty where only one baseline trial is there."""
    if not comparison.other_differences or not comparison.differences:
        return ""
    is_corrected = comparison.differences[0].is_corrected
    chosen, other = ("taken out", "left in")[:: 1 if is_corrected else -1]
    figures = "; ".join(
        f"{d.condition}: {shown_difference(d, comparison.quantity.unit)}"
        for d in comparison.other_differences
    )
    return (
        f"The drift between repeated baselines was {chosen}, as the plan has it ([comparison] bracketing). With it {other} the differences"
        f" would be: {figures}."
    )


def answer_sentences(comparison: SessionComparison) -> list[str]:
    """The answer, a sentence a condition; why there is none, where there is none."""
    answer = comparison.of(comparison.answer) if comparison.answer else None
    if answer is None:
        return list(_why_no_answer(comparison))
    if not answer.differences:
        return [_baseline_alone(comparison, answer)]
    if impossible := impossible_answer(comparison):
        return [impossible]
    return [verdict_sentence(each, answer) for each in answer.differences]


def impossible_answer(comparison: SessionComparison) -> str:
    """Why nothing follows from what the answer is about; empty where something does."""
    answer = comparison.of(comparison.answer) if comparison.answer else None
    if answer is None or answer.quantity.quantity not in _ABOVE_ZERO:
        return ""
    observed = comparison.figures.observations[answer.quantity.name]
    trials = [str(o.trial) for o in observed if not o.mean > 0.0]
    if not trials:
        return ""
    which = "trial" if len(trials) == 1 else "trials"
    return (
        f"{answer.quantity.title} is not above zero in {which} {', '.join(trials)}, so nothing can be said of what was lost:"
        " check the meter, and the way that it faces. The figures stand below."
    )


def _why_no_answer(comparison: SessionComparison) -> Iterator[str]:
    baseline = quoted(comparison.figures.baseline)
    if not comparison.levels:
        yield "No trial of this session was averaged: there is nothing to compare."
    elif comparison.comparisons:
        title = _title_of(comparison, comparison.answer)
        yield (
            f"{_capital(_inside(title))} was not averaged with the baseline {baseline}, so there is no answer about it;"
            " what else was measured is compared below."
        )
    else:
        yield (
            f"No trial of the baseline {baseline} was averaged, so nothing can be held against it; the averages of the"
            " other conditions stand below. Carry out the baseline to compare."
        )


def _title_of(comparison: SessionComparison, name: str | None) -> str:
    return next(q.title for q in comparison.figures.quantities if q.name == name)


def _baseline_alone(comparison: SessionComparison, answer: QuantityComparison) -> str:
    baseline = quoted(answer.baseline)
    if any(each.differences for each in comparison.comparisons):
        return (
            f"{_capital(_inside(answer.quantity.title))} was averaged with the baseline {baseline} only: there is no"
            " answer about it; what else was measured is compared below."
        )
    return f"Only the baseline {baseline} was averaged: there is nothing to compare it with yet."


def share_sentence(common_share: float) -> str:
    """What was assumed of the meters' errors."""
    return (
        f"Of a meter's percent-of-reading error {100 * common_share:g} % is taken to be the same in two trials (share of"
        " its variance; our assumption, [comparison] common_share); gain and offset stated apart are the same, all else is"
        " not."
    )


def accuracy_caution(comparison: SessionComparison) -> str:
    """What U leaves out; empty where the accuracy of every channel is stated."""
    figures = comparison.figures
    titles = [q.title for q in figures.quantities if q.name in figures.unstated]
    if not titles:
        return ""
    return (
        f"Accuracy is not stated for {', '.join(map(_inside, titles))}: their U, and that of what is derived from them,"
        " holds scatter and display only."
    )


def salvage_caution(comparison: SessionComparison) -> str:
    """What is lost of a session; empty where nothing is."""
    trials = comparison.figures.lost_something
    if not trials:
        return ""
    shown = ", ".join(map(str, trials))
    if len(trials) == 1:
        return f"1 trial of this session ({shown}) lost something when the file was salvaged; its note says what."
    return f"{len(trials)} trials of this session ({shown}) lost something when the file was salvaged; their notes say what."


def standing_still_cautions(comparison: SessionComparison) -> list[str]:
    """Which channels stood still in a trial, unlike in the others; one sentence a channel."""
    figures = comparison.figures
    by_channel: dict[str, list[StoodStill]] = {}
    for each in figures.stood_still:
        by_channel.setdefault(each.channel, []).append(each)
    titles = {quantity.name: quantity.title for quantity in figures.quantities}
    conditions = {
        observation.trial: observation.condition
        for name in by_channel
        for observation in figures.observations[name]
    }
    return [
        f"{titles[channel]} stood still in "
        + ", ".join(
            f"trial {each.trial} ({conditions[each.trial]}: {each.equal} of {each.count} readings in a row were equal,"
            f" {each.usual} are usual)"
            for each in found
        )
        + f". {_STOOD_STILL_MEANS}"
        for channel, found in by_channel.items()
    ]


_STOOD_STILL_MEANS = (
    "A meter with HOLD pressed, or one that hangs, looks like this; so does a supply far steadier than in the other"
    " trials. Look whether its display follows the machine, and repeat what it read before you believe a difference."
)


def doubts_ahead(comparison: SessionComparison) -> list[str]:
    """What makes the figures doubtful: what is lost of the session, what stood still."""
    found = (salvage_caution(comparison), *standing_still_cautions(comparison))
    return [doubt for doubt in found if doubt]


def cautions_ahead(comparison: SessionComparison) -> list[str]:
    """What is to be known before the figures are read: what makes them doubtful, what U leaves out."""
    found = (*doubts_ahead(comparison), accuracy_caution(comparison))
    return [caution for caution in found if caution]


def taken_words(quantity: Quantity) -> str:
    """Which channels a quantity is derived from where others could be; empty where none could."""
    return f"made from {quantity.choice}" if quantity.choice else ""


def below_table(comparison: SessionComparison, quantity: Quantity) -> list[str]:
    """What stands below the table of a quantity: what its verdicts rest on, and which channels it is made from."""
    compared = comparison.of(quantity.name)
    rests = rests_on(compared) if compared and compared.differences else ""
    return [line for line in (rests, taken_words(quantity)) if line]


U_MEANS = (
    "U: expanded uncertainty, 95 %, with what is stated of the meters' errors; of a difference without what both have in"
    " common."
)


def explanations(comparison: SessionComparison, *, is_brief: bool = False) -> list[str]:
    """How to read the figures: what the answer's verdicts rest on, drift, what was assumed.

    Args:
        comparison: Of a session.
        is_brief: Without drift and assumptions.
    """
    found = []
    answer = comparison.of(comparison.answer) if comparison.answer else None
    if answer and answer.differences:
        found.append(basis_sentence(answer))
        if not is_brief:
            found.append(correction_sentence(answer))
    if not is_brief and any(each.differences for each in comparison.comparisons):
        found.append(share_sentence(comparison.figures.facts.rules.common_share))
    if comparison.levels:
        spread = "Spread: standard deviation between trials of one condition."
        found.append(f"{U_MEANS} {spread}")
    return [each for each in found if each]


def left_out_sentence(each: LeftOut) -> str:
    """A trial that is not compared, and why."""
    why = f": {each.note}" if each.note else ""
    return f"trial {each.trial}, {each.condition}, {each.state}{why}"


def left_out_sentences(figures: SessionFigures) -> Iterator[str]:
    """Trials that are not compared, and which conditions have no average because a limit broke their trials."""
    compared = {
        each.condition for found in figures.observations.values() for each in found
    }
    for each in figures.left_out:
        yield left_out_sentence(each)
    broken = (
        x.condition for x in figures.left_out if x.state == TrialState.LIMIT_BROKEN
    )
    for condition in dict.fromkeys(broken):
        if condition not in compared:
            baseline = ", the baseline," if condition == figures.baseline else ""
            yield (
                f"{condition}{baseline} has no average, for a limit broke its trial: it is not asked for again by itself"
            )


def _detectable(difference: Difference, comparison: QuantityComparison) -> str:
    if not difference.least_real:
        # Every trial showed the very same figure: there is nothing to tell a size by.
        return ""
    if difference.detectable is None:
        return " No size of difference would have been found 4 times in 5."
    size = share_of_baseline(difference.detectable, comparison)
    return f" One of {size} would have been found 4 times in 5."


def _vanishing(difference: Difference, comparison: QuantityComparison) -> str:
    if difference.vanishing_spread is None:
        return "It does not exceed the uncertainty within the trials."
    size = share_of_baseline(difference.vanishing_spread, comparison)
    return f"It vanishes if trials of one condition spread by {size} or more."


def _signed(value: float, decimals: int) -> str:
    text = f"{value:+.{decimals}f}".replace("-", MINUS)
    # Nothing is neither more nor less.
    return text[1:] if not text.strip(f"+{MINUS}0.") else text


def _unsigned(change: str) -> str:
    return change.lstrip(f"+{MINUS}")


def _two_digits(value: float) -> str:
    if 0.0 < abs(value) < _SMALL:
        return f"{value:.1e}"
    return f"{value:.{decimals_of_uncertainty(abs(value))}f}"


def quoted(name: str) -> str:
    """A condition's name in the middle of a sentence."""
    return f"\N{LEFT DOUBLE QUOTATION MARK}{name}\N{RIGHT DOUBLE QUOTATION MARK}"


def _inside(title: str) -> str:
    """A title in the middle of a sentence: abbreviations stay as they are, what follows a comma stands in brackets."""
    text = title[:1].lower() + title[1:] if title[1:2].islower() else title
    head, comma, addition = text.partition(", ")
    return f"{head} ({addition})" if comma else text


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
