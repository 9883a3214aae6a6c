"""Sentences about typed readings and about the line in hand."""

import pytest

from daq.answer_words import (
    reading_number,
    taken_back_answer,
    typed_answer,
)
from daq.records import PlannedTrial
from daq.trials.session import Occurrence
from daq.trials.stages import Stage
from daq.wording import (
    occurrence_text,
    running_state,
)

LINE = PlannedTrial(1, "fine filter", 1, baseline=False)


@pytest.mark.parametrize(
    ("number", "told"),
    [
        (1, "reading 1 of 5"),
        (5, "reading 5 of 5"),
        (6, "reading 6 (5 are enough)"),
    ],
)
def test_a_reading_beyond_the_least_is_not_called_the_last_of_them(
    number: int, told: str
) -> None:
    assert reading_number(number, 5) == told
    assert (
        typed_answer("Velocity: 12.3 m/s", number, 5) == f"Velocity: 12.3 m/s, {told}."
    )


@pytest.mark.parametrize(
    ("count", "told"),
    [(4, "4 of 5 readings are left."), (6, "6 readings are left (5 are enough).")],
)
def test_what_is_left_is_told_beside_what_is_enough(count: int, told: str) -> None:
    assert taken_back_answer("Velocity: 12.3 m/s", count, 5).endswith(told)


def test_a_reading_that_was_missed_is_promised_again_only_if_there_is_time() -> None:
    missed = Occurrence(Stage.AVERAGING, None, 100.0, LINE, missed="Velocity")
    assert occurrence_text(missed) == (
        "fine filter: Velocity was not typed in time; it is asked for again if there is time."
    )


@pytest.mark.parametrize(
    ("is_averaging", "is_confirmed", "told"),
    [
        (False, False, "running"),
        (True, False, "averaging, provisional"),
        (True, True, "settled, still running"),
    ],
)
def test_the_line_in_hand_is_called_settled_once_that_is_confirmed(
    told: str, *, is_averaging: bool, is_confirmed: bool
) -> None:
    shown = running_state(is_averaging=is_averaging, is_confirmed=is_confirmed)
    assert shown == told
