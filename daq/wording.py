"""Sentences for the screens, the log and the alarms; numbers as people read them.

Takes values, gives text; decides nothing. Alarms say what happened, what it may mean, and what to do, ending at
the plug.
"""

import math
import re
from enum import StrEnum

from daq.records import PlannedTrial, TrialAverage, TrialState
from daq.settling.normalising import SUPPLY_END
from daq.settling.verdicts import HeldBackBy
from daq.trials.judging import SessionRules
from daq.trials.limits import Breach, broke_its_limit
from daq.trials.reasons import REASONS
from daq.trials.session import Occurrence
from daq.trials.stages import OVER, RUNNING, Happening, Stage


class Urgency(StrEnum):
    """What an instruction's colour means (IEC 60073): red, blue, green, and no special meaning."""

    DANGER = "danger"
    ACTION = "action"
    NORMAL = "normal"
    WAIT = "wait"


_UNIT_SYMBOLS = {
    "1": "",
    "Cel": "°C",
    "degF": "°F",
    "m3/h": "m³/h",
    "m3/s": "m³/s",
    "ft3/min": "ft³/min",
    "inH2O": "inH₂O",
}


def unit_symbol(unit: str) -> str:
    """A unit as people write it."""
    return _UNIT_SYMBOLS.get(unit, unit)


def decimals_of(resolution: float) -> int:
    """Decimals that a display of this resolution shows."""
    return max(0, math.ceil(-math.log10(resolution) - 1e-9)) if resolution > 0 else 3


def decimals_of_uncertainty(expanded: float) -> int:
    """Decimals at which an uncertainty shows two significant digits (GUM 7.2.6)."""
    if expanded <= 0.0:
        return 3
    # Rounding may carry into the next decade: 9.96 is 10, not 10.0.
    exponent = int(f"{expanded:.1e}".partition("e")[2])
    return max(0, 1 - exponent)


def shown_value(value: float, unit: str, decimals: int) -> str:
    """A value with its unit."""
    return f"{value:z.{decimals}f} {unit_symbol(unit)}".rstrip()


def shown_average(mean: float, expanded: float, unit: str) -> str:
    """A mean with its expanded uncertainty, both to the uncertainty's second digit."""
    decimals = decimals_of_uncertainty(expanded)
    # z: what rounds to nothing has no sign.
    return (
        f"{mean:z.{decimals}f} ± {expanded:.{decimals}f} {unit_symbol(unit)}".rstrip()
    )


def instruction(
    stage: Stage,
    fit: str,
    *,
    by_key: bool,
    switch_off_first: bool,
    seconds_left: float | None,
    hindrance: str | None,
) -> tuple[str, Urgency]:
    """The one sentence that the operator reads across the room.

    Args:
        stage: Where the session stands.
        fit: What to do for the condition called for, without a full stop.
        by_key: No channel tells that the machine is on; the operator's key does.
        switch_off_first: The machine was found running.
        seconds_left: As `shown_seconds_left` gives it [s]; None where nothing can be said.
        hindrance: What must be mended first, a whole sentence; None where nothing must.
    """
    if hindrance is not None and stage in {Stage.WAITING, *RUNNING}:
        return hindrance, Urgency.ACTION
    if stage is Stage.WAITING and switch_off_first:
        return "The machine is already running. Switch it off.", Urgency.ACTION
    if stage is Stage.WAITING:
        key = " and press Enter" if by_key else ""
        return f"{fit}, then switch on{key}.", Urgency.ACTION
    if stage in {Stage.SETTLING, Stage.AVERAGING} and seconds_left is not None:
        ready = "" if seconds_left else "ready "
        return f"Keep it running, {ready}{time_left(seconds_left)}.", Urgency.WAIT
    if stage in OVER and by_key:
        words, urgency = _INSTRUCTIONS[stage]
        return f"{words} Then press Enter.", urgency
    return _INSTRUCTIONS[stage]


_MOMENT_S = 5.0
"""What is nearer than this is not counted any more."""
_STEPS_S = ((60.0, 5.0), (180.0, 15.0), (math.inf, 30.0))
"""Below how much is told in which steps [s]."""
_STANDS = 0.75
"""A figure stands until the estimate is further from it than this many steps [1]: rounding would do with 0.5."""
_QUARTERS = ("", "¼", "½", "¾")


def shown_seconds_left(
    left_s: float, *, shown_s: float | None, at_most_s: float
) -> float:
    """How much longer it takes, as people are told: a round figure that does not jump to and fro.

    Args:
        left_s: Likely to take [s].
        shown_s: What they are told so far [s]; None where nothing.
        at_most_s: What they are told does not exceed it [s].

    Returns:
        In whole steps [s]; 0 is any moment now.
    """
    left_s = min(left_s, at_most_s)
    if left_s <= (2.0 * _MOMENT_S if shown_s == 0.0 else _MOMENT_S):
        return 0.0
    step_s = next(step for below, step in _STEPS_S if left_s < below)
    if shown_s and shown_s <= at_most_s and abs(left_s - shown_s) < _STANDS * step_s:
        return shown_s
    nearest_s = step_s * round(left_s / step_s)
    return nearest_s if nearest_s <= at_most_s else step_s * (left_s // step_s)


def time_left(seconds: float) -> str:
    """How much longer, in words; seconds as `shown_seconds_left` gives them."""
    if seconds == 0.0:
        return "any moment now"
    if seconds < 60.0:
        return f"about {seconds:.0f} s more"
    minutes, rest_s = divmod(round(seconds), 60)
    return f"about {minutes}{_QUARTERS[rest_s // 15]} min more"


def without_seconds(text: str) -> str:
    """An instruction without its running count of time, for those who are told of changes only."""
    return re.sub(
        r",? about \S+ (s|min) more|, ready any moment now|,? for \d+ s\b", "", text
    )


def silent_meter(title: str, seconds: float) -> str:
    """What to do about a meter that a trial waits for."""
    return f"{title}: its meter has been silent for {seconds:.0f} s. Check its plug."


DONE_WITH = (
    "It is done with and not asked for again by itself: the limit would break again until its cause is mended,"
    " or the plan's limit is right."
)
"""Said of a trial that a limit broke."""
WAS_BASELINE = "It was a trial of the baseline, which all others are compared with."
STORE_WAS_FAILING = "the store could not be written for a while"


def no_past_text(reason: str) -> str:
    """Why the charts do not begin with what was read before the service was started."""
    return f"The charts begin now: what was stored before could not be read ({reason})."


def no_load_yet(title: str) -> str:
    """What to do about a machine that was said to be on."""
    return f"{title}: nothing rises above rest. Switch the machine on."


def no_usable_value(title: str) -> str:
    """What to do about a meter that a trial waits for and that shows no usable value."""
    return f"{title} shows no usable value. See to its meter's range."


def unseen_machine(title: str) -> str:
    """What to do where the channel that tells whether the machine runs shows no usable value."""
    return f"{title} shows no usable value: the machine may run unseen. Switch off at the plug, then see to its range."


def no_reading_yet(title: str) -> str:
    """What to do where a trial would begin blind."""
    return f"Do not switch on yet: {title} has no reading. See to its meter."


def finished_instruction(
    total: int, without_average: int, *, skipped: int = 0
) -> tuple[str, Urgency]:
    """The last sentence; what went wrong is not hidden behind the end.

    Args:
        total: Lines of the order [1].
        without_average: Trials that did not settle or broke a limit [1].
        skipped: Lines that were left out [1].
    """
    if without_average:
        left_out = f"; {skipped} left out" if skipped else ""
        words = f"Finished, but {without_average} of {total} trials did not settle or broke a limit{left_out}."
        return f"{words} Unplug the machine.", Urgency.ACTION
    if skipped:
        words = f"Finished, {skipped} of {total} trials left out. Unplug the machine."
        return words, Urgency.NORMAL
    return _INSTRUCTIONS[Stage.FINISHED]


def asking_instruction(title: str, place: str) -> tuple[str, Urgency]:
    """The operator is to read a meter that has no port."""
    where = f", {place}," if place else ""
    return f"Read {title}{where} and type it.", Urgency.ACTION


def idle_instruction() -> tuple[str, Urgency]:
    """What is said across the room while no session is in hand."""
    words = "The bench is idle. Start a session when the machine is ready."
    return words, Urgency.WAIT


def limit_instruction(*, by_key: bool) -> tuple[str, Urgency]:
    """What is said of a broken limit, with or without a trial in hand."""
    words, urgency = _INSTRUCTIONS[Stage.LIMIT]
    return f"{words} Then press Enter." if by_key else words, urgency


def limit_at_rest_instruction() -> tuple[str, Urgency]:
    """What is said of a broken limit while nothing says that the machine runs."""
    return "Leave it off: a limit is broken.", Urgency.ACTION


def overdue_instruction() -> tuple[str, Urgency]:
    """What is said of a machine that runs too long without a trial."""
    return "Switch off at the plug: it has run too long.", Urgency.DANGER


def left_running_instruction() -> tuple[str, Urgency]:
    """What is said of a machine that runs on after its session was stopped."""
    return "Switch off at the plug: nothing watches it any more.", Urgency.DANGER


def paused_instruction() -> tuple[str, Urgency]:
    """What is said across the room during a pause."""
    return "Paused. Nothing is measured until you go on.", Urgency.WAIT


IDLE_SENTENCE = "No session is in hand. The meters are read and shown all the same."
PAUSED_SENTENCE = (
    "Switching on begins no trial; limits are still watched. "
    "Unplug before you change anything."
)
ANOTHER_DAY_QUESTION = (
    "was last worked on another day; are the machine, the meters with their ranges, and the room the same? "
    "Only then can its trials be compared, and the baseline is measured again first"
)
"""Goes on after the session's number."""
STORE_HINDRANCE = "Wait: the results file cannot be written. See the alarm."


_INSTRUCTIONS: dict[Stage, tuple[str, Urgency]] = {
    Stage.RUNNING_UP: ("Keep it running.", Urgency.WAIT),
    Stage.SETTLING: ("Keep it running.", Urgency.WAIT),
    Stage.AVERAGING: ("Keep it running a little longer.", Urgency.WAIT),
    Stage.DONE: ("Done. Switch off.", Urgency.ACTION),
    Stage.NOT_SETTLED: ("It did not settle in time. Switch off.", Urgency.ACTION),
    Stage.LIMIT: ("A limit is broken. Switch off at the plug.", Urgency.DANGER),
    Stage.FINISHED: ("All trials are done. Unplug the machine.", Urgency.NORMAL),
}


def stage_sentence(
    stage: Stage,
    *,
    by_key: bool,
    switch_off_first: bool = False,
) -> str:
    """What happens in a stage, and what ends it.

    Args:
        stage: Where the session stands.
        by_key: No channel tells that the machine is on; the operator's key does.
        switch_off_first: The machine was found running.
    """
    if switch_off_first:
        return "Nobody saw it switched on; a trial begins only with a machine that was off."
    if by_key and stage is Stage.WAITING:
        return (
            "Unplug before you change anything. Enter at the terminal starts the trial."
        )
    if by_key and stage is Stage.DONE:
        return "Settled and averaged. Enter at the terminal ends the trial."
    return _STAGE_SENTENCES[stage]


_STAGE_SENTENCES: dict[Stage, str] = {
    Stage.WAITING: "Unplug before you change anything. Switching on starts the trial by itself.",
    Stage.RUNNING_UP: "Running up: nothing counts until inrush and run-up are over.",
    Stage.SETTLING: "Settling: averaging begins once the drift that is still possible fits the tolerance.",
    Stage.AVERAGING: "Averaging, provisional until later readings confirm it.",
    Stage.DONE: "Settled and averaged. Switching off ends the trial.",
    Stage.NOT_SETTLED: "Not settled within the plan's longest time; the trial has no averages.",
    Stage.LIMIT: "A limit of the plan ended the trial, which is marked; only you can stop the machine.",
    Stage.FINISHED: "The session is finished and everything is stored.",
}


def running_state(*, is_averaging: bool, is_confirmed: bool) -> str:
    """State of the line in hand; settled is said once that is confirmed, and not before.

    Args:
        is_averaging: There is a stretch over which it is averaged.
        is_confirmed: Later readings have confirmed it.
    """
    if not is_averaging:
        return "running"
    return "settled, still running" if is_confirmed else "averaging, provisional"


def trial_name(planned: PlannedTrial) -> str:
    """A line of the order as people say it."""
    return (
        planned.condition
        if planned.repeat == 1
        else f"{planned.condition}, repeat {planned.repeat}"
    )


def average_name(average: TrialAverage) -> str:
    """Name of the channel, and the voltage that its mean holds for where it was normalised."""
    by = average.normalised
    return f"{average.channel} at {by.reference_v:g} V" if by else average.channel


def normalising_sentence(rules: SessionRules) -> str:
    """Which readings are taken to a reference voltage, or why none are."""
    asked = rules.normalising
    if asked is not None:
        return f"Normalised to {asked.reference_v:g} V by {asked.reference}: {', '.join(asked.channels)}."
    upstream = [
        c.name
        for c in rules.channels
        if c.quantity == "voltage" and c.place == SUPPLY_END
    ]
    if not upstream:
        return (
            "No voltage upstream of what the conditions change: nothing is normalised."
        )
    return (
        "Nothing is normalised to a reference voltage: the plan does not ask for it"
        f" ({', '.join(upstream)} could serve)."
    )


def held_back(reason: HeldBackBy) -> str:
    """What keeps a channel from being settled."""
    return REASONS[reason].now


def held_back_advice(reason: HeldBackBy) -> str:
    """What keeps a channel from being settled now, and what the operator can do about it."""
    return f"{REASONS[reason].now}: {REASONS[reason].do_now}"


def why_not_settled(reason: HeldBackBy) -> str:
    """Why a whole record or trial has no settled average, and what can be done about it: two sentences."""
    words = REASONS[reason]
    return f"{sentence(words.seen)} {sentence(words.remedy)}"


def sentence(phrase: str) -> str:
    """A phrase, such as the text of an error, as a sentence."""
    return f"{phrase[:1].upper()}{phrase[1:]}."


def shown_percent(share: float) -> str:
    """A share in percent with two significant digits, rounded up: what is shown as enough is enough."""
    percent = 100.0 * share
    if percent <= 0.0:
        return "0 %"
    digits = decimals_of_uncertainty(percent)
    # A figure that is exact to those digits must not be pushed up by its last bit.
    steps = math.ceil(percent * 10.0**digits - 1e-6)
    return f"{steps / 10.0**digits:.{digits}f} %"


def occurrence_text(occurrence: Occurrence) -> str:
    """One line for the list of events and the log."""
    planned = occurrence.planned
    name = trial_name(planned) if planned else ""
    if occurrence.happening is Happening.WITHDRAWN and occurrence.reason is not None:
        channels = " and ".join(occurrence.channels)
        return f"{name}: {channels} not settled after all, {held_back(occurrence.reason)}; settling goes on."
    if occurrence.happening in {Happening.OFF_MORE_TO_COME, Happening.OFF_LAST}:
        return _ended_text(occurrence, name)
    if occurrence.missed:
        return (
            f"{name}: {occurrence.missed} was not typed in time;"
            " it is asked for again if there is time."
        )
    if occurrence.breach is not None:
        return _limit_text(occurrence, occurrence.breach, name)
    again = f" (attempt {occurrence.attempt})" if occurrence.attempt > 1 else ""
    texts = {
        Happening.SWITCHED_ON: f"{name}: switched on, the trial begins{again}.",
        Happening.RUN_UP_OVER: f"{name}: run-up is over.",
        Happening.DECLARED: f"{name}: averaging begins, provisionally.",
        Happening.CONFIRMED: f"{name}: settled and confirmed.",
        Happening.TIME_UP: _given_up_text(occurrence, name),
        Happening.SKIPPED_LAST: f"{name}: left out, nothing is left to do.",
        Happening.ASKED_AGAIN: f"{name}: called for again, the session goes on.",
    }
    if occurrence.happening is None:
        return "The machine was switched off, by the operator's word."
    return texts.get(occurrence.happening, "")


def _limit_text(occurrence: Occurrence, breach: Breach, name: str) -> str:
    what = (
        f"{name or 'No trial runs'}: {broke_its_limit(breach)} ({breach.limit.reason})."
    )
    if occurrence.happening is not Happening.LIMIT_BROKEN:
        return what
    is_baseline = occurrence.planned is not None and occurrence.planned.baseline
    return f"{what} {DONE_WITH}{f' {WAS_BASELINE}' if is_baseline else ''}"


def _given_up_text(occurrence: Occurrence, name: str) -> str:
    if occurrence.reason is not None:
        words = f"given up, {held_back(occurrence.reason)}"
    else:
        words = "not settled within the longest time"
    return f"{name}: {words}.{_why(occurrence)}"


def _why(occurrence: Occurrence) -> str:
    """What is noted of a trial that ended without averages, as a sentence of its own."""
    note = occurrence.result.note if occurrence.result else ""
    return f" {note}." if note else ""


def _ended_text(occurrence: Occurrence, name: str) -> str:
    state = occurrence.result.state if occurrence.result else TrialState.UNFINISHED
    if state is TrialState.UNFINISHED:
        return (
            f"{name}: switched off before it had settled; its readings are kept and it will be asked for again."
            f"{_why(occurrence)}"
        )
    if state is TrialState.FINISHED:
        return f"{name}: switched off, the trial is complete."
    again = " and not asked for again by itself"
    limit = again if state is TrialState.LIMIT_BROKEN else ""
    return f"{name}: switched off, marked {state.value}{limit}."
