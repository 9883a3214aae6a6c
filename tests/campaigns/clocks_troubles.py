"""A computer whose two clocks are in the campaign's hand, and what is done to them in each trouble.

What the calendar brings, a second that is repeated or the end of summer time, comes at its moment: the session's UTC is set so that it falls into
the trial. Everything else comes a while after a stage has begun.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from random import Random

from tests.campaigns.soak_time import ShortenedLoop

DAY_S = 86_400.0
ASLEEP_S, BUSY_S, SMEARED = 60.0, 3.0, 5e-4


class Trouble(StrEnum):
    """What happens."""

    NONE = "none"
    FORWARD = "a day forward, then back"
    BACK = "a day back, then forward"
    LEAP = "second repeated at midnight"
    SMEARED = "slewed by 500 ppm"
    SUMMER_TIME = "summer time ends"
    ASLEEP = "asleep for a minute"
    BUSY = "too busy for 3 s"


MOMENTS = {
    Trouble.LEAP: datetime(2027, 1, 1, tzinfo=UTC),
    Trouble.SUMMER_TIME: datetime(2026, 10, 25, 1, tzinfo=UTC),
}
"""When it happens: after the second that is repeated; when the clocks of most of Europe are put back."""
PLACE_OF_SUMMER_TIME = "CET-1CEST,M3.5.0,M10.5.0/3"
_ANY_UTC = datetime(2026, 6, 1, 12, tzinfo=UTC)
_INTO_S = (45.0, 110.0)
"""So long after a session's begin its trial settles or is averaged: the machine runs from 40 s on, and a quick trial takes 78 s."""


def begin_of(trouble: Trouble, random: Random) -> datetime:
    """UTC at a session's begin."""
    moment = MOMENTS.get(trouble)
    if moment is None:
        return _ANY_UTC
    return moment - timedelta(seconds=random.uniform(*_INTO_S))


class StalledLoop(ShortenedLoop):
    """Time may also pass while nothing is done."""

    def stall(self, for_s: float) -> None:
        """As if something else had had the computer [s]."""
        self._shortened.now_s += for_s


class Computer:
    """The two clocks of a computer, and what is done to them.

    Attributes:
        steps_s: When UTC was stepped, in time since the boot [s].
        happened_s: When anything was done to it [s].
    """

    def __init__(self, loop: StalledLoop, *, begin: datetime) -> None:
        self.steps_s: list[float] = []
        self.happened_s: list[float] = []
        self._loop = loop
        self._slept_s = 0.0
        self._began_s = loop.time()
        self._began_us = round(begin.timestamp() * 1e6)
        # From when on UTC is ahead of the time since the boot by how much, and gains how much [s, us, 1].
        self._ahead: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)]

    def since_boot_s(self) -> float:
        """The clock that goes on while the computer sleeps [s]."""
        return self._loop.time() + self._slept_s

    def utc_us(self) -> int:
        """UTC as the computer has it [us since 1970]."""
        return round(self.utc_us_at(self.since_boot_s()))

    def utc_us_at(self, since_boot_s: float) -> float:
        """UTC as the computer had it then [us since 1970]."""
        ahead_us = 0.0
        for from_s, by_us, gain in self._ahead:
            if since_boot_s >= from_s:
                ahead_us = by_us + gain * (since_boot_s - from_s) * 1e6
        return self._began_us + (since_boot_s - self._began_s) * 1e6 + ahead_us

    def since_boot_at_s(self, utc: datetime) -> float:
        """When UTC comes to this for the first time, had nothing been done to it [s]."""
        return self._began_s + utc.timestamp() - self._began_us / 1e6

    def repeat_second(self, before: datetime) -> None:
        """Let the second before this UTC pass twice; to the microsecond, whatever is done at the time."""
        at_s = self.since_boot_at_s(before)
        self.steps_s.append(at_s)
        self._ahead.append((at_s, -1e6, 0.0))

    def step(self, by_s: float) -> None:
        """Set UTC."""
        now_s = self.since_boot_s()
        self.steps_s.append(now_s)
        _, ahead_us, _ = self._ahead[-1]
        self._ahead.append((now_s, ahead_us + by_s * 1e6, 0.0))

    def slew(self, gain: float) -> None:
        """Let UTC gain from now on [1]; once only."""
        _, ahead_us, _ = self._ahead[-1]
        self._ahead.append((self.since_boot_s(), ahead_us, gain))

    def sleep(self, for_s: float) -> None:
        """Nothing goes on but the world, the time since the boot, and UTC."""
        self._slept_s += for_s

    def be_busy(self, for_s: float) -> None:
        """Something else has the computer."""
        self._loop.stall(for_s)


@dataclass(frozen=True, slots=True)
class Happens:
    """One thing that goes wrong: in which stage, how long after its begin [s], and what."""

    stage: str
    after_s: float
    does: Callable[[Computer], None]


def happenings(trouble: Trouble, random: Random) -> list[Happens]:
    """What goes wrong in one session; not what the calendar brings (`MOMENTS`)."""
    settling = random.uniform(0.0, 15.0)
    averaging = random.uniform(0.0, 20.0)
    match trouble:
        case Trouble.FORWARD | Trouble.BACK:
            by_s = DAY_S if trouble is Trouble.FORWARD else -DAY_S
            return [
                Happens("settling", settling, lambda it: it.step(by_s)),
                Happens("averaging", averaging, lambda it: it.step(-by_s)),
            ]
        case Trouble.SMEARED:
            return [Happens("settling", settling, lambda it: it.slew(SMEARED))]
        case Trouble.ASLEEP:
            stage = random.choice(["settling", "averaging"])
            return [Happens(stage, settling, lambda it: it.sleep(ASLEEP_S))]
        case Trouble.BUSY:
            return [
                Happens("settling", settling, lambda it: it.be_busy(BUSY_S)),
                Happens("averaging", averaging, lambda it: it.be_busy(BUSY_S)),
            ]
        case _:
            return []
