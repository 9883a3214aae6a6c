"""What an operator may ask of a session beside switching, and why it cannot be done: plain words for the screen.

Changes records that have ended, and says what it will not change; the order is the itinerary's.
"""

from dataclasses import replace

from daq.errors import OperationRefusedError, Refusal
from daq.records import PlannedTrial, TrialResult, TrialState
from daq.trials.in_hand import TrialInHand
from daq.trials.itinerary import Itinerary


def set_aside(result: TrialResult, reason: str) -> TrialResult:
    """The trial as one that counts for nothing any more."""
    state, note = TrialState.SET_ASIDE, f"set aside: {reason}"
    return replace(result, state=state, note=_with_note(result, note))


def relabelled(result: TrialResult, line: PlannedTrial, reason: str) -> TrialResult:
    """The trial as one of another line; everything else stays as it was measured."""
    note = (
        f'relabelled from "{result.planned.condition}" to "{line.condition}": {reason}'
    )
    return replace(result, planned=line, note=_with_note(result, note))


def _with_note(result: TrialResult, note: str) -> str:
    return f"{result.note}; {note}" if result.note else note


def line_asked_for(itinerary: Itinerary, position: int) -> PlannedTrial:
    """The line with this position.

    Raises:
        OperationRefusedError: If there is none.
    """
    line = itinerary.line_at(position)
    if line is None:
        text = f"line {position} is not in the order, choose one that is"
        raise OperationRefusedError(Refusal.UNKNOWN_LINE, text)
    return line


def line_to_skip(itinerary: Itinerary, in_hand: TrialInHand | None) -> PlannedTrial:
    """The line that is called for.

    Raises:
        OperationRefusedError: If a trial runs, or nothing is called for.
    """
    if in_hand is not None:
        text = f'a trial of "{in_hand.planned.condition}" is running, switch off first, then leave the line out'
        raise OperationRefusedError(Refusal.TRIAL_IN_HAND, text)
    line = itinerary.next_line()
    if line is None:
        text = "the session is finished, there is nothing to leave out"
        raise OperationRefusedError(Refusal.NOTHING_CALLED_FOR, text)
    return line


def refuse_setting_aside(result: TrialResult, in_hand: TrialInHand | None) -> None:
    """Say why a trial cannot be measured again in its own place.

    Raises:
        OperationRefusedError: If its line is being measured, or it counts for nothing already.
    """
    if in_hand is not None and in_hand.planned.position == result.planned.position:
        text = f'"{in_hand.planned.condition}" is being measured now, switch off first, then repeat it'
        raise OperationRefusedError(Refusal.TRIAL_IN_HAND, text)
    _refuse_what_was_set_aside(result)


def refuse_relabelling(
    result: TrialResult,
    condition: str,
    itinerary: Itinerary,
    in_hand: TrialInHand | None,
) -> None:
    """Say why a trial cannot be given another condition.

    Raises:
        OperationRefusedError: If it still runs, counts for nothing, or the condition is its own or not in the order.
    """
    if in_hand is not None and in_hand.trial_id == result.trial_id:
        text = "the trial is still running, switch off first, then relabel it"
        raise OperationRefusedError(Refusal.TRIAL_IN_HAND, text)
    if condition not in itinerary.conditions:
        known = ", ".join(f'"{name}"' for name in itinerary.conditions)
        text = f'condition "{condition}" is not in the plan, choose one of {known}'
        raise OperationRefusedError(Refusal.UNKNOWN_CONDITION, text)
    if condition == result.planned.condition:
        text = (
            f'the trial is one of "{condition}" already, choose what was really fitted'
        )
        raise OperationRefusedError(Refusal.ALREADY_SO, text)
    _refuse_what_was_set_aside(result)


def refuse_pausing(*, is_paused: bool, is_finished: bool) -> None:
    """Say why there is nothing to pause.

    Raises:
        OperationRefusedError: If the session is paused or finished.
    """
    if is_paused:
        text = "the session is paused already, go on when ready"
        raise OperationRefusedError(Refusal.ALREADY_SO, text)
    if is_finished:
        text = "the session is finished, there is nothing to pause"
        raise OperationRefusedError(Refusal.NOTHING_CALLED_FOR, text)


def refuse_going_on(*, is_paused: bool) -> None:
    """Say why there is no pause to end.

    Raises:
        OperationRefusedError: If the session is not paused.
    """
    if not is_paused:
        text = "the session is not paused, it is going on"
        raise OperationRefusedError(Refusal.ALREADY_SO, text)


def refuse_acknowledging(*, is_overdue: bool) -> None:
    """Say why there is nothing to acknowledge.

    Raises:
        OperationRefusedError: If the machine has not run longer than it may.
    """
    if not is_overdue:
        text = "nothing to acknowledge: the machine has not run longer than the plan lets it"
        raise OperationRefusedError(Refusal.NOT_TAKEN, text)


def _refuse_what_was_set_aside(result: TrialResult) -> None:
    if result.state is TrialState.SET_ASIDE:
        text = "the trial is set aside already and counts for nothing, choose another"
        raise OperationRefusedError(Refusal.ALREADY_SO, text)
