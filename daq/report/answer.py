"""The first sentences of the page: one that says it all, then one a condition."""

from collections.abc import Sequence
from dataclasses import dataclass

from daq.comparison.session import SessionComparison
from daq.comparison.verdicts import Difference, QuantityComparison, Verdict
from daq.comparison_words import (
    MINUS,
    answer_sentences,
    impossible_answer,
    quoted,
    share_of_baseline,
    shown_difference,
    shown_percentage,
)

NO_BREAK = "\N{NO-BREAK SPACE}"
_SHORT = 20


@dataclass(frozen=True, slots=True)
class Headline:
    """The answer in a sentence, and what has to be said with it."""

    sentence: str
    addition: str = ""


def headline(comparison: SessionComparison) -> Headline:
    """The answer in a sentence or two."""
    answer = comparison.of(comparison.answer) if comparison.answer else None
    if answer is None or not answer.differences or impossible_answer(comparison):
        first, *others = answer_sentences(comparison)
        return Headline(first, " ".join(others))
    real = [d for d in answer.differences if d.verdict is Verdict.REAL]
    if real:
        return _real(real, answer)
    if answer.spread is None:
        return _undecided(answer)
    return _nothing_shown(answer)


def further_sentences(comparison: SessionComparison) -> list[str]:
    """What there is to say of each condition; nothing where the headline said it."""
    sentences = answer_sentences(comparison)
    return [] if sentences[0] == headline(comparison).sentence else sentences


def _real(real: Sequence[Difference], answer: QuantityComparison) -> Headline:
    most = max(real, key=lambda d: abs(d.difference))
    words = f"{_change(most, answer)}, and that is real."
    total = len(answer.differences)
    if total == 1:
        return Headline(words)
    if len(real) == total:
        return Headline(
            words, f"All {total} conditions really differ from the baseline."
        )
    others = "differ" if len(real) > 1 else "differs"
    rest = f"Of {total} conditions {len(real)} really {others} from the baseline in this; of the others that is not shown."
    return Headline(words, rest)


def _undecided(answer: QuantityComparison) -> Headline:
    most = max(answer.differences, key=lambda d: abs(d.difference))
    return Headline(
        f"{_change(most, answer)}: measured, but undecided.",
        "Too little was repeated to tell a difference from what changes between one switch-on and the next.",
    )


def _nothing_shown(answer: QuantityComparison) -> Headline:
    words = (
        f"{answer.quantity.title}: no difference to {_name(answer.baseline)} is shown."
    )
    found = [d.detectable for d in answer.differences if d.detectable is not None]
    if len(found) < len(answer.differences):
        return Headline(words)
    size = share_of_baseline(max(found), answer)
    return Headline(words, f"One of {size} would have been found 4 times in 5.")


def _change(difference: Difference, answer: QuantityComparison) -> str:
    shown = shown_percentage(difference) or shown_difference(
        difference, answer.quantity.unit
    )
    change = (
        difference.difference if difference.ratio is None else difference.ratio - 1.0
    )
    word = "less" if change < 0.0 else "more"
    return (
        f"{answer.quantity.title}: {shown.lstrip(f'+{MINUS}')} {word} with"
        f" {_name(difference.condition)} than with {_name(answer.baseline)}"
    )


def _name(condition: str) -> str:
    """A name between quotation marks; a short one stays on one line."""
    together = len(condition) <= _SHORT
    return quoted(condition.replace(" ", NO_BREAK) if together else condition)
