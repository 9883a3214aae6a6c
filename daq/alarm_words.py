"""Words of alarms: what happened, what it may mean and what to do, ending at the plug.

A program that only reads can do no more than say so; each sentence stands by itself, wherever it is shown or sent.
"""

from daq.records import Channel
from daq.trials.limits import Breach
from daq.wording import decimals_of, shown_value

NOBODY_WATCHES = (
    "If the machine runs, nobody may be watching its limits: switch off at the plug."
)
"""Goes on after whatever tells that the service is not heard."""


_SAY_SO = "Enter at the terminal, the page's button or daq session BENCH switched"
"""How the operator says that the machine was switched off, where nothing else tells."""

LEFT_RUNNING_TEXT = (
    "The machine was running when its session was stopped, and nothing watches its limits or its time since then."
    f" It may overheat unseen. Switch off at the plug; where this is still shown then, say so: {_SAY_SO}."
)
"""The alarm of a machine that runs on after its session was stopped."""

SEEN_RUNNING_TEXT = (
    "The machine runs and no session is in hand: nothing watches its limits or its time. It may overheat unseen."
    f" Switch off at the plug; where this is still shown then, say so: {_SAY_SO}."
)
"""The alarm of a machine that was running already when the program was started."""

MAY_RUN_TEXT = (
    "The machine was running when this program last ended, and nothing tells whether it runs still. It may overheat unseen."
    f" Switch off at the plug, then say so: {_SAY_SO}."
)
"""The alarm of a machine of which nobody knows since the program was started."""


def lost_meter_text(
    name: str, why: str, *, was_missed: bool = False, by_word: bool = False
) -> str:
    """The alarm of a meter that is not heard while the machine runs.

    Args:
        name: Of the meter.
        why: What is known of it, without a full stop.
        was_missed: It was not asked, for the line or this computer was busy or asleep: the meter has no part in it.
        by_word: Nothing sees the machine being switched off any more: the operator has to say so.
    """
    heard = "was not read" if was_missed else "is not heard"
    to_do = (
        "Keep this computer awake and free of other work"
        if was_missed
        else "See to the meter"
    )
    return (
        f"{name} {heard} while the machine runs: {why}. What it measures may be beyond its limits without anybody"
        f" knowing. {to_do}; if it stays silent, {_off_at_the_plug(by_word=by_word)}."
    )


def _off_at_the_plug(*, by_word: bool) -> str:
    words = "switch off at the plug"
    return f"{words}, then say so: {_SAY_SO}" if by_word else words


def lost_meter_instruction(name: str, *, was_missed: bool) -> str:
    """What is said across the room of a meter that is not heard while the machine runs."""
    heard = "was not read" if was_missed else "is not heard"
    return f"{name} {heard}. See the alarm."


def not_read_instruction(title: str, seconds: float) -> str:
    """What is said across the room of a channel that a trial waits for and that was not asked for."""
    return (
        f"{title} was not read for {seconds:.0f} s: this computer or its line was busy."
    )


def unseen_limit_text(title: str) -> str:
    """The alarm of a channel with a limit that shows no usable value while the machine runs."""
    return (
        f"{title} shows no usable value while the machine runs. It may be beyond its limit without anybody knowing."
        " See to the meter and its range; if it goes on, switch off at the plug."
    )


def unseen_start_text(title: str) -> str:
    """The alarm of a start channel that shows no usable value while the machine runs."""
    return (
        f"{title} shows no usable value: nobody can see whether the machine still runs. It may overheat unseen."
        f" See to the meter and its range; if it goes on, {_off_at_the_plug(by_word=True)}."
    )


def unseen_instruction(title: str) -> str:
    """What is said across the room of a channel without a usable value while the machine runs."""
    return f"{title} shows no usable value. See the alarm."


def switch_off_by_key_first() -> str:
    """What is said across the room where a machine that no channel sees was left running, or may have been."""
    return "The machine may be running. Switch it off, then press Enter."


def store_failing_text(cause: str) -> str:
    """The alarm of a store that cannot be written; the cause without a full stop."""
    return (
        f"{cause}. Readings are kept in memory: they may be lost if this program is stopped, or once the memory is full. Make room,"
        " end the other program or mend it, and do not stop this program; if a running machine has to be left for it, first switch off"
        " at the plug."
    )


def store_damaged_text(cause: str) -> str:
    """The alarm of a store that was spoilt while in use; the cause without a full stop."""
    return (
        f"{cause}. What comes in from now on is shown and kept in memory only, and may be lost when this program ends."
        " Stop the session; if a running machine has to be left for it, first switch off at the plug."
    )


def store_again_text(lost: int) -> str:
    """What is said when the store can be written again; how many of its rows were lost meanwhile [1]."""
    if not lost:
        return "The store can be written again; nothing was lost."
    return f"The store can be written again; {lost} rows that waited for it were lost, for more came in than are kept or it did not take them."


def breach_text(breach: Breach, channel: Channel) -> str:
    """The alarm of a broken limit; in the past tense of one that is over, until the machine is switched off."""
    limit, is_over = breach.limit, breach.is_over
    decimals = decimals_of(channel.accuracy.resolution)
    if breach.value is None:
        highest = shown_value(limit.above or 0.0, channel.unit, decimals)
        shows, be = ("showed", "have been") if is_over else ("shows", "be")
        return (
            f"{channel.title} {shows} no usable value{_when(breach, comma='')}. Over its range, it may"
            f" {be} above {highest} ({limit.reason}). {_consequence(breach, channel)} Switch off at the plug."
        )
    is_above = limit.above is not None and breach.value > limit.above
    bound = (limit.above if is_above else limit.below) or 0.0
    while decimals < 6 and f"{breach.value:.{decimals}f}" == f"{bound:.{decimals}f}":
        decimals += 1
    side = "above" if is_above else "below"
    return (
        f"{channel.title} {shown_value(breach.value, channel.unit, decimals)} {'was' if is_over else 'is'} {side} "
        f"{shown_value(bound, channel.unit, decimals)} ({limit.reason}){_when(breach, comma=',')}. "
        f"{_consequence(breach, channel)} Switch off at the plug."
    )


def _when(breach: Breach, *, comma: str) -> str:
    """For how long it stands; nothing of a single reading, nor of what is over: that is no news every minute."""
    if breach.is_over:
        return ""
    held_s = round(max(breach.at_s - breach.since_s, 0.0))
    return f"{comma} for {held_s} s" if held_s else ""


def _consequence(breach: Breach, channel: Channel) -> str:
    """What may come of it, where it follows from the quantity; else that is for whoever set the limit to know."""
    limit, value = breach.limit, breach.value
    is_above = value is None or (limit.above is not None and value > limit.above)
    follows = _CONSEQUENCES.get((channel.quantity, is_above))
    if follows is None:
        return "What this limit protects may be at risk: check it."
    what, comes, came = follows
    return f"{what} may {came if breach.is_over else comes}."


_HOT = ("Lead, plug or motor", "overheat", "have overheated")
_STALLED = ("The machine", "stall and overheat", "have stalled and overheated")
_CONSEQUENCES = {
    ("current", True): _HOT,
    ("power", True): _HOT,
    ("apparent power", True): _HOT,
    ("voltage", True): ("Insulation or motor", "be damaged", "have been damaged"),
    ("temperature", True): ("Something", "overheat", "have overheated"),
    ("current", False): _STALLED,
    ("power", False): _STALLED,
    ("apparent power", False): _STALLED,
    ("voltage", False): _STALLED,
}
"""By quantity, and whether it is above its limit: what may come of it, and may have come of it."""


def overdue_text(longest_s: float, *, is_stated: bool = True) -> str:
    """The alarm of a machine that runs on; whether the plan states that figure itself."""
    longest = (
        f"the plan's {longest_s:.0f} s"
        if is_stated
        else f"{longest_s:.0f} s (the plan states no other)"
    )
    return (
        f"The machine has run longer than {longest} and nobody switched it off. "
        "Nobody may be there to see it overheat, and it must not run alone. Switch off at the plug."
    )
