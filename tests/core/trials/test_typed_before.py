"""What is said of readings that were typed before a trial had to settle anew."""

import pytest

from daq.trials.stages import Happening, Occurrence, Stage
from daq.trials.typed_before import typed_before_text


def text(happening: Happening, typed: int, counting: int) -> str:
    occurrence = Occurrence(
        Stage.SETTLING, happening, 9.0, None, typed=(typed, counting)
    )
    return typed_before_text(occurrence)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        (0, ""),
        (1, " The reading typed before does not count for now."),
        (2, " The 2 readings typed before do not count for now."),
    ],
)
def test_a_withdrawn_declaration_says_that_what_was_typed_does_not_count(
    typed: int, says: str
) -> None:
    assert text(Happening.WITHDRAWN, typed, 0) == says


@pytest.mark.parametrize(
    ("typed", "counting", "says"),
    [
        (0, 0, ""),
        (2, 0, " Averaging begins anew: the 2 readings typed before do not count."),
        (1, 1, " The reading typed before counts again."),
        (3, 1, " Of the 3 readings typed before 1 counts again."),
        (3, 3, " The 3 readings typed before count again."),
    ],
)
def test_averaging_anew_says_which_of_what_was_typed_counts(
    typed: int, counting: int, says: str
) -> None:
    assert text(Happening.DECLARED, typed, counting) == says


def test_a_settled_trial_says_nothing_of_what_was_typed() -> None:
    assert text(Happening.CONFIRMED, 5, 5) == ""
