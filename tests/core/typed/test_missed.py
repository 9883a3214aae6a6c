"""A reading that is not typed in time: told once, kept in mind until the next call, and no time runs out under the fingers."""

import pytest

from daq.typed import Askings
from daq.typed.askings import ANSWER_WITHIN_S, LEAST_PACE_S


@pytest.fixture
def askings() -> Askings:
    """A velocity is asked for."""
    askings = Askings(["velocity"], seed="x")
    askings.begin(0.0, span_s=60.0)
    askings.tick(20.0, {})
    return askings


def test_what_is_not_typed_in_time_is_told_once(askings: Askings) -> None:
    asking = askings.open
    assert asking is not None
    assert askings.tick(asking.until_s - 0.1, {}) is None
    assert askings.tick(asking.until_s, {}) == asking
    assert askings.tick(asking.until_s + 0.1, {}) is None


def test_it_is_remembered_until_something_is_asked_for_again(askings: Askings) -> None:
    asking = askings.open
    assert asking is not None
    askings.tick(asking.until_s, {})
    assert askings.missed == asking
    askings.tick(asking.until_s + 2.0 * LEAST_PACE_S, {})
    assert askings.open is not None
    assert askings.missed is None


def test_nothing_is_missed_once_the_averaging_is_over(askings: Askings) -> None:
    askings.tick(20.0 + ANSWER_WITHIN_S, {})
    askings.stop()
    assert askings.missed is None


def test_what_cannot_be_read_was_not_missed(askings: Askings) -> None:
    askings.put_off(25.0)
    assert askings.missed is None


def test_while_somebody_types_the_time_begins_anew(askings: Askings) -> None:
    asking = askings.open
    assert asking is not None
    askings.still_typing(45.0)
    assert askings.tick(asking.until_s, {}) is None
    assert askings.open is not None
    assert askings.open.since_s == asking.since_s
    assert askings.tick(45.0 + ANSWER_WITHIN_S, {}) is not None


def test_typing_opens_no_call_that_is_over(askings: Askings) -> None:
    askings.tick(20.0 + ANSWER_WITHIN_S, {})
    askings.still_typing(21.0 + ANSWER_WITHIN_S)
    assert askings.open is None
