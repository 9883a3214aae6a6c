"""Why something has not settled, in words, and what can be done about it: one table for screens, notes and reports.

Every reason that the rule knows has its line. What is told while a trial runs differs from what is told afterwards,
when nothing can be kept running any more.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from daq.settling.verdicts import HeldBackBy


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason in words; phrases begin small and end without a full stop.

    Attributes:
        now: What is seen while it runs.
        do_now: What the operator can do meanwhile.
        seen: What was seen of a whole record or trial.
        remedy: What to do before it is tried again.
    """

    now: str
    do_now: str
    seen: str
    remedy: str


REASONS: Mapping[HeldBackBy, Reason] = MappingProxyType(
    {
        HeldBackBy.NO_LOAD: Reason(
            now="nothing rises above rest",
            do_now="switch the machine on",
            seen="nothing ever rose above what the meter shows at rest",
            remedy="switch the machine on, and see whether this is the right meter, column and range",
        ),
        HeldBackBy.TOO_SHORT: Reason(
            now="too little time yet",
            do_now="keep it running",
            seen="it ended before there was enough to judge by",
            remedy="let it run for some minutes after switching on",
        ),
        HeldBackBy.DRIFT: Reason(
            now="it still drifts",
            do_now="keep it running",
            seen="it was still drifting: the change that may be yet to come does not fit the tolerance",
            remedy="let it run longer, or allow a wider tolerance",
        ),
        HeldBackBy.NOISE: Reason(
            now="its noise hides whether it drifts",
            do_now="steady supply and airflow, or wait",
            seen="the scatter of the readings hides whether it drifts",
            remedy="steady the supply or the airflow, let it run longer, or allow a wider tolerance",
        ),
        HeldBackBy.RESOLUTION: Reason(
            now="its display is too coarse to tell",
            do_now="choose a finer range",
            seen="one step of the display is too much of the tolerance to tell",
            remedy="choose a finer range or meter, let it run longer, or allow a wider tolerance",
        ),
        HeldBackBy.HUNTING: Reason(
            now="it swings to and fro",
            do_now="look for a loose hose or flap",
            seen="it swings to and fro by more than the tolerance",
            remedy="look for a hose that pulses, a flap, a control that hunts or a load that comes and goes",
        ),
        HeldBackBy.STEP: Reason(
            now="it made a step",
            do_now="touch nothing and wait",
            seen="it made a step, and what followed was not long enough to settle anew",
            remedy="find out what changed at that moment, then repeat with nothing touched",
        ),
        HeldBackBy.GAPS: Reason(
            now="too many of its readings are missing",
            do_now="look at the meter and its cable",
            seen="too many of its readings are missing",
            remedy="look at the meter, its cable and its supply, then repeat",
        ),
    }
)


def noted(reasons: Iterable[tuple[str, HeldBackBy]]) -> tuple[str, ...]:
    """What a trial's note says of channels without an average: each with its reason, and once what to do about that.

    Args:
        reasons: Name of the channel, and why it has not settled.
    """
    told: set[HeldBackBy] = set()
    notes = []
    for name, reason in reasons:
        remedy = "" if reason in told else f" ({REASONS[reason].remedy})"
        told.add(reason)
        notes.append(f"{name}: {reason.value}{remedy}")
    return tuple(notes)
