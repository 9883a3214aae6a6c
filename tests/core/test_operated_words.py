"""What is said of a bench without a session, of a pause, and to an operator who asks for something."""

from collections.abc import Callable

import pytest

from daq.answer_words import (
    ACKNOWLEDGED_ANSWER,
    NOTED_ANSWER,
    gone_on_answer,
    paused_answer,
    relabelled_answer,
    repeated_answer,
    set_aside_answer,
    skipped_answer,
    stopped_answer,
    switched_answer,
)
from daq.records import PlannedTrial
from daq.trials.session import Occurrence
from daq.trials.stages import RUNNING, Happening, Stage
from daq.wording import (
    ANOTHER_DAY_QUESTION,
    IDLE_SENTENCE,
    PAUSED_SENTENCE,
    Urgency,
    finished_instruction,
    idle_instruction,
    occurrence_text,
    paused_instruction,
    sentence,
)

FIRST = PlannedTrial(1, "fine filter", 1, baseline=False)
SECOND = PlannedTrial(5, "fine filter", 2, baseline=False)


def test_an_idle_bench_says_that_a_session_can_be_started() -> None:
    text, urgency = idle_instruction()
    assert text == "The bench is idle. Start a session when the machine is ready."
    assert urgency is Urgency.WAIT
    assert IDLE_SENTENCE.startswith("No session is in hand.")


def test_a_pause_says_what_ends_it_and_that_limits_are_still_watched() -> None:
    text, urgency = paused_instruction()
    assert text == "Paused. Nothing is measured until you go on."
    assert urgency is Urgency.WAIT
    assert "Switching on begins no trial" in PAUSED_SENTENCE
    assert "limits are still watched" in PAUSED_SENTENCE


@pytest.mark.parametrize("told", [idle_instruction, paused_instruction])
def test_what_is_read_across_the_room_is_short(
    told: Callable[[], tuple[str, Urgency]],
) -> None:
    # Two short sentences: two lines of about 30 characters are read from five metres.
    assert len(told()[0]) <= 64


@pytest.mark.parametrize(
    ("without_average", "skipped", "says", "urgency"),
    [
        (0, 0, "All trials are done.", Urgency.NORMAL),
        (0, 2, "Finished, 2 of 6 trials left out.", Urgency.NORMAL),
        (
            *(1, 0, "Finished, but 1 of 6 trials did not settle or broke a limit."),
            Urgency.ACTION,
        ),
        (
            *(1, 2),
            "Finished, but 1 of 6 trials did not settle or broke a limit; 2 left out.",
            Urgency.ACTION,
        ),
    ],
)
def test_the_last_instruction_hides_nothing_that_is_missing(
    without_average: int, skipped: int, says: str, urgency: Urgency
) -> None:
    told = finished_instruction(6, without_average, skipped=skipped)
    assert told == (f"{says} Unplug the machine.", urgency)


# ---- what an operator is answered


def test_a_session_of_another_day_asks_what_must_be_the_same_and_says_why() -> None:
    asked = f"session 3 {ANOTHER_DAY_QUESTION}"
    for word in ("another day", "machine", "meters", "room", "compared", "baseline"):
        assert word in asked
    # It goes on after the session's number and becomes a sentence as an error does.
    assert sentence(asked).startswith("Session 3 was last worked on another day")
    assert not asked.endswith(".")


def test_a_phrase_becomes_a_sentence_and_its_names_stay_as_they_are() -> None:
    assert sentence("line 7 is not in the order") == "Line 7 is not in the order."
    assert sentence('"PVC" is running') == '"PVC" is running.'


def test_a_pause_is_answered_with_when_it_begins_to_hold() -> None:
    held = "witching on begins no trial until you go on."
    assert paused_answer(None) == f"Paused. S{held}"
    assert paused_answer(FIRST) == f"fine filter is finished first. Then s{held}"


def test_going_on_is_answered_with_what_comes() -> None:
    assert gone_on_answer(FIRST) == "The session goes on with fine filter."
    assert gone_on_answer(None) == "The session goes on."
    running = gone_on_answer(FIRST, switch_off_first=True)
    assert running == (
        "The session goes on. The machine is running: switch it off first."
    )


def test_leaving_out_is_answered_with_what_comes_instead() -> None:
    left_out = skipped_answer(FIRST, SECOND)
    assert left_out == "fine filter is left out; fine filter, repeat 2 comes next."
    last = skipped_answer(FIRST, None)
    assert last == "fine filter is left out; nothing is left to do."


def test_asking_again_is_answered_with_which_trials_count() -> None:
    assert repeated_answer(SECOND) == (
        "fine filter, repeat 2, is added to the plan's order and called for next; all trials of this condition count."
    )
    assert set_aside_answer(FIRST) == (
        "fine filter: its trial is set aside and counts no more. It is called for again."
    )


def test_relabelling_is_answered_with_both_conditions() -> None:
    other = PlannedTrial(2, "no filter", 1, baseline=True)
    assert relabelled_answer(other, SECOND) == (
        "The trial counts as fine filter, repeat 2. no filter is called for again."
    )


def test_stopping_is_answered_with_how_to_take_it_up_again() -> None:
    assert stopped_answer(3) == (
        "Session 3 is left as it stands. Start its plan again to go on with it."
    )


def test_the_word_that_the_machine_was_switched_is_answered_with_what_it_did() -> None:
    for stage in Stage:
        answer = switched_answer(stage)
        assert ("begins" in answer) == (stage in RUNNING)
        assert ("over" in answer) == (stage not in RUNNING)


def test_a_note_and_an_acknowledgement_are_answered() -> None:
    assert NOTED_ANSWER == "Noted."
    assert "Do not leave it alone." in ACKNOWLEDGED_ANSWER


def test_what_an_operator_ends_or_opens_again_is_told_as_that() -> None:
    finished = Occurrence(Stage.FINISHED, Happening.SKIPPED_LAST, 9.0, FIRST)
    assert occurrence_text(finished) == (
        "fine filter: left out, nothing is left to do."
    )
    again = Occurrence(Stage.WAITING, Happening.ASKED_AGAIN, 9.0, SECOND, attempt=2)
    assert occurrence_text(again) == (
        "fine filter, repeat 2: called for again, the session goes on."
    )
