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


LEFT_RUNNING_TEXT = (
    "The machine was running when its session was stopped, and nothing watches its limits or its time since then."
    " It may overheat unseen. Switch off at the plug."
)
"""The alarm of a machine that runs on after its session was stopped."""


def lost_meter_text(name: str, why: str) -> str:
    """The alarm of a meter that is not heard while the machine runs.

    Args:
        name: Of the meter.
        why: What is known of it, without a full stop.
    """
    return (
        f"{name} is not heard while the machine runs: {why}. What it measures may be beyond its limits without anybody"
        " knowing. See to the meter; if it stays silent, switch off at the plug."
    )


def unseen_limit_text(title: str) -> str:
    """The alarm of a channel with a limit that shows no usable value while the machine runs."""
    return (
        f"{title} shows no usable value while the machine runs. It may be beyond its limit without anybody knowing."
        " See to the meter and its range; if it goes on, switch off at the plug."
    )


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
    return f"The store can be written again; {lost} rows that waited for it were lost, for more came in than are kept."


def breach_text(breach: Breach, channel: Channel) -> str:
    """The alarm of a broken limit."""
    limit = breach.limit
    decimals = decimals_of(channel.accuracy.resolution)
    held_s = max(breach.at_s - breach.since_s, 0.0)
    if breach.value is None:
        highest = shown_value(limit.above or 0.0, channel.unit, decimals)
        return (
            f"{channel.title} shows no usable value for {held_s:.0f} s. Over its range, it may"
            f" be above {highest} ({limit.reason}). Something may overheat. Switch off at the plug."
        )
    above = limit.above is not None and breach.value > limit.above
    bound = (limit.above if above else limit.below) or 0.0
    while decimals < 6 and f"{breach.value:.{decimals}f}" == f"{bound:.{decimals}f}":
        decimals += 1
    side = "above" if above else "below"
    consequence = (
        "Something may overheat." if above else "The machine may stall and overheat."
    )
    return (
        f"{channel.title} {shown_value(breach.value, channel.unit, decimals)} is {side} "
        f"{shown_value(bound, channel.unit, decimals)} ({limit.reason}), for {held_s:.0f} s. "
        f"{consequence} Switch off at the plug."
    )


def overdue_text(longest_s: float) -> str:
    """The alarm of a machine that runs on."""
    return (
        f"The machine has run longer than the plan's {longest_s:.0f} s and nobody switched it off. "
        "Nobody may be there to see it overheat, and it must not run alone. Switch off at the plug."
    )
