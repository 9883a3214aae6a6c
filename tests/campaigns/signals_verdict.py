"""What stops by signals came to, and whether that proves anything.

Rules: each signal was sent at each moment, as often as was asked for; of two signals the second met a process that was still there at least once.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from tests.campaigns.kills_moments import Moment
from tests.campaigns.kills_verdict import unreached


class Sent(StrEnum):
    """What is sent."""

    TERM = "SIGTERM"
    INT = "SIGINT"
    INT_TWICE = "SIGINT twice"
    HUP = "SIGHUP"


MOMENTS = (
    Moment.IDLE,
    Moment.WAITING,
    Moment.RUNNING_UP,
    Moment.SETTLING,
    Moment.AVERAGING,
    Moment.DONE,
    Moment.RESUMING,
    Moment.FINISHED,
)
KINDS = (
    "exit code",
    "too late",
    "log left",
    "not whole",
    "not offline",
    "traceback",
)


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop.

    Attributes:
        wanted: When it was to be.
        moment: When it was.
        sent: By what.
        took_s: How long the process lived on [s].
        wrong: In words, by kind.
        was_sent_again: Whether the second of two signals met a process that was still there.
    """

    wanted: Moment
    moment: Moment
    sent: Sent
    took_s: float
    wrong: dict[str, str]
    was_sent_again: bool = False


def unmeasured(
    stops: Sequence[Stop], *, sent: Sequence[Sent], rounds: int
) -> Iterator[str]:
    """What was asked for and not measured, in words; nothing where all of it was."""
    for each in sent:
        of_it = [stop for stop in stops if stop.sent is each]
        due = rounds * len(MOMENTS)
        if len(of_it) < due:
            yield f"{each}: {len(of_it)} of {due} stops"
        wanted = Counter(stop.wanted for stop in of_it)
        reached = Counter(stop.moment for stop in of_it)
        yield from (f"{each}: {words}" for words in unreached(wanted, reached))
        if each is Sent.INT_TWICE and not any(stop.was_sent_again for stop in of_it):
            yield f"{each}: it had ended each time before the second was sent"
