"""What is answered to those who ask something of a session, on the page, at the terminal, by command or over the broker."""

from daq.records import PlannedTrial
from daq.trials.stages import RUNNING, Stage
from daq.wording import trial_name


def paused_answer(in_hand: PlannedTrial | None) -> str:
    """What a pause means, to whoever asked for it."""
    if in_hand is None:
        return "Paused. Switching on begins no trial until you go on."
    return f"{trial_name(in_hand)} is finished first. Then switching on begins no trial until you go on."


def gone_on_answer(
    called_for: PlannedTrial | None, *, switch_off_first: bool = False
) -> str:
    """What comes after a pause."""
    if switch_off_first:
        return "The session goes on. The machine is running: switch it off first."
    return f"The session goes on{_with_what(called_for)}."


def _with_what(line: PlannedTrial | None) -> str:
    return f" with {trial_name(line)}" if line else ""


def skipped_answer(skipped: PlannedTrial, called_for: PlannedTrial | None) -> str:
    """A line is left out, and what comes instead."""
    following = (
        f"{trial_name(called_for)} comes next"
        if called_for
        else "nothing is left to do"
    )
    return f"{trial_name(skipped)} is left out; {following}."


def repeated_answer(added: PlannedTrial) -> str:
    """A condition is measured once more than the plan has it, whether its other trials were made or are to come."""
    return f"{trial_name(added)}, is added to the plan's order and called for next; all trials of this condition count."


def set_aside_answer(line: PlannedTrial) -> str:
    """A trial counts no more."""
    return f"{trial_name(line)}: its trial is set aside and counts no more. It is called for again."


def relabelled_answer(before: PlannedTrial, after: PlannedTrial) -> str:
    """A trial was made under another condition."""
    return f"The trial counts as {trial_name(after)}. {trial_name(before)} is called for again."


def stopped_answer(session: int) -> str:
    """A session is left."""
    return f"Session {session} is left as it stands. Start its plan again to go on with it."


def typed_answer(shown: str, number: int, least: int) -> str:
    """A reading is kept."""
    return f"{shown}, {reading_number(number, least)}."


def reading_number(number: int, least: int) -> str:
    """Which of the typed readings of a channel it is, and how many an average takes."""
    if number > least:
        return f"reading {number} ({least} are enough)"
    return f"reading {number} of {least}"


def taken_back_answer(shown: str, count: int, least: int) -> str:
    """A reading counts no more."""
    left = f"{count} of {least} readings are left"
    if count > least:
        left = f"{count} readings are left ({least} are enough)"
    return f"{shown} is taken back and counts no more; {left}."


def put_off_answer(title: str) -> str:
    """What cannot be read now."""
    return f"{title} is asked for again later."


NOTED_ANSWER = "Noted."
MACHINE_OFF_ANSWER = "The machine was switched off."
ACKNOWLEDGED_ANSWER = "The machine may run on for as long again. Do not leave it alone."


def switched_answer(stage: Stage) -> str:
    """The operator's word that the machine was switched is taken."""
    return (
        "Taken: switched on, the trial begins."
        if stage in RUNNING
        else "Taken: switched off, the trial is over."
    )
