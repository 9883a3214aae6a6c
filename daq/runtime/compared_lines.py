"""A session's comparison as far as it has come, as the screens show it; words and verdicts are those of `daq compare`.

Reads the store, and calculates for a good while: for the process of comparing.py, not for the service's own.
"""

from collections.abc import Iterator
from pathlib import Path

from daq.comparison.session import SessionComparison, compare_session
from daq.comparison.verdicts import Difference, QuantityComparison, Verdict
from daq.comparison_words import (
    answer_sentences,
    standing_still_cautions,
    verdict_sentence,
)
from daq.errors import InputError
from daq.records import TrialState
from daq.runtime.growing import not_made
from daq.runtime.snapshot import ComparisonLine, DifferenceLine
from daq.runtime.store import read_trials
from daq.runtime.store.compared import read_session_figures
from daq.wording import decimals_of_uncertainty

_VERDICTS = {
    Verdict.REAL: "real",
    Verdict.NOT_SHOWN: "none found",
    Verdict.UNDECIDED: "undecided",
}


def compared_so_far(path: Path, session: int) -> ComparisonLine | None:
    """Compare what there is of a session; None where no trial was begun.

    Args:
        path: Of the store.
        session: Its number.

    Raises:
        InputError: If there is no such session.
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    trials = read_trials(path, session)
    if not trials:
        return None
    # Counted before the averages are read: never more than are compared.
    counted = sum(trial.state == TrialState.FINISHED for trial in trials)
    try:
        comparison = compare_session(read_session_figures(path, session))
    except (InputError, ValueError) as exc:
        # The session's own plan or bench: trying again would not help.
        return not_made(counted, reason_of(path, exc))
    return ComparisonLine(
        after_trials=counted,
        differences=tuple(_differences(comparison)),
        answer=(
            *standing_still_cautions(comparison),
            *answer_sentences(comparison),
        ),
    )


def _differences(comparison: SessionComparison) -> Iterator[DifferenceLine]:
    """Of the quantity that the answer is about, then of the channels that the trials waited for."""
    for compared in comparison.comparisons:
        quantity = compared.quantity
        if quantity.required or quantity.name == comparison.answer:
            for difference in compared.differences:
                yield _difference(difference, compared)


def _difference(difference: Difference, compared: QuantityComparison) -> DifferenceLine:
    ratio = difference.ratio
    return DifferenceLine(
        condition=difference.condition,
        channel=compared.quantity.name,
        difference=difference.difference,
        expanded_uncertainty=difference.expanded_uncertainty,
        unit=compared.quantity.unit,
        decimals=decimals_of_uncertainty(difference.expanded_uncertainty),
        percent=None if ratio is None else 100.0 * (ratio - 1.0),
        verdict=_VERDICTS[difference.verdict],
        words=verdict_sentence(difference, compared),
    )


def reason_of(path: Path, exc: Exception) -> str:
    """The first line of an error's text; where the file lies is nothing for a page that others see."""
    first = next(iter(str(exc).splitlines()), type(exc).__name__)
    return first.removeprefix(f"{path}: ")
