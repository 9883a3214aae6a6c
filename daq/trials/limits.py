"""Limits that the plan sets for channels, watched at every reading."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from daq.records import Channel

ELECTRICAL = frozenset({"current", "power", "apparent power", "voltage"})
"""Quantities of which a meter shows a usable value unless it is over its range."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit.

    Attributes:
        channel: Name of the channel.
        above: Broken by readings above it [unit of the channel], or None.
        below: Broken by readings below it while the machine runs [unit of the channel], or None.
        for_s: How long readings must stay beyond it [s]; inrush is over sooner.
        reason: What the limit protects, for people.
    """

    channel: str
    above: float | None
    below: float | None
    for_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class KnownSpan:
    """From when until when a machine that runs, as far as anybody knows, is known to do so [s]."""

    from_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class Breach:
    """A limit that is broken, or may be.

    Attributes:
        value: Of the reading that made it certain [unit of the channel]; None where the meter showed no usable value,
            as one that went over its range does.
        since_s, at_s: When it began, and when it was certain [s].
        is_over: It stands no longer, and is only kept in mind.
    """

    limit: Limit
    value: float | None
    since_s: float
    at_s: float
    is_over: bool = False


def broke_its_limit(breach: Breach) -> str:
    """What happened, for notes and events; without the reason of the limit."""
    channel = breach.limit.channel
    if breach.value is None:
        return f"{channel} showed no usable value, which counts as above its limit"
    return f"{channel} broke its limit"


def usable(value: float | None) -> float | None:
    """What a meter shows, if it is a number."""
    return None if value is None or math.isnan(value) else value


class LimitWatch:
    """Watches one limit."""

    def __init__(self, limit: Limit, *, is_electrical: bool = False) -> None:
        """Nothing is broken.

        Args:
            limit: Of one channel.
            is_electrical: A current, a voltage or a power: its meter shows a usable value unless it is over its range.
        """
        self.limit = limit
        self._is_electrical = is_electrical
        self.breach: Breach | None = None
        self._beyond_since_s: float | None = None
        self._usable: float | None = None
        self._is_told = False

    def rearm(self) -> None:
        """A trial begins: what is already beyond the limit is told again once its time is up; a breach stands until then."""
        self._beyond_since_s = None
        self._is_told = False

    def feed(
        self,
        at_s: float,
        value: float | None,
        *,
        known_on_s: float | None,
        known_from_s: float = -math.inf,
    ) -> Breach | None:
        """Take one reading; a breach is told once, until the channel comes back inside.

        A meter over its range shows nothing that could be compared, just when it matters: while the machine runs, more
        than one reading without a usable value counts as above. Of what is not electrical only if the last usable one was
        in the upper half of what is allowed: after a low one it may mean anything, as a sensor below its range.

        Args:
            at_s: Of the reading [s].
            value: Of the channel [its unit]; None where it is not usable, as what is no number.
            known_on_s: When the machine was last known to be on [s]; None where it is not running.
            known_from_s: Since when it is known to be on without a break [s]: what was read before is below nothing.
        """
        value = usable(value)
        above = self.limit.above is not None and (
            value > self.limit.above
            if value is not None
            else known_on_s is not None and self._was_high(self.limit.above)
        )
        if value is None and not above:
            # Neither below nor inside again, as far as anybody knows.
            return None
        self._usable = self._usable if value is None else value
        below = (
            self.limit.below is not None
            and known_on_s is not None
            and at_s >= known_from_s
            and value is not None
            and value < self.limit.below
        )
        if not (above or below):
            self._back_inside()
            return None
        if self._beyond_since_s is None:
            self._beyond_since_s = at_s
        # Whoever switches off lowers voltage and flow before the current has told that the machine is off: only the
        # time counts in which the machine is known to have run below the limit.
        until_s = at_s if above or known_on_s is None else min(at_s, known_on_s)
        held_s = until_s - self._beyond_since_s
        is_shown_above = above and value is not None
        is_certain = is_shown_above or held_s > 0.0
        if held_s < self.limit.for_s or not is_certain:
            self._carry_over(at_s, value)
            return None
        breach = Breach(self.limit, value, self._beyond_since_s, at_s)
        told_before, self._is_told = self._is_told, True
        # One that was there before the trial has stood for longer than the trial is told.
        since_s = self.breach.since_s if self.breach else breach.since_s
        self.breach = replace(breach, since_s=since_s)
        return None if told_before else breach

    def machine_off(self) -> None:
        """The machine was switched off: what stands still is below no limit, and hides no value above one."""
        low = self.limit.below
        if self.breach and (
            self.breach.value is None or (low is not None and self.breach.value < low)
        ):
            self._back_inside()

    def _carry_over(self, at_s: float, value: float | None) -> None:
        """A breach of before the trial stands while its time is counted anew."""
        if self.breach and not self._is_told and value is not None:
            self.breach = replace(self.breach, value=value, at_s=at_s)

    def _back_inside(self) -> None:
        self.breach = self._beyond_since_s = None
        self._is_told = False

    def _was_high(self, above: float) -> bool:
        if self._is_electrical:
            return True
        return self._usable is not None and self._usable > above - 0.5 * abs(above)


class LimitWatches:
    """Watches all limits of a plan."""

    def __init__(self, limits: Sequence[Limit], channels: Sequence[Channel]) -> None:
        electrical = {c.name for c in channels if c.quantity in ELECTRICAL}
        self._watches = [
            LimitWatch(limit, is_electrical=limit.channel in electrical)
            for limit in limits
        ]

    def rearm(self) -> None:
        """A trial begins."""
        for watch in self._watches:
            watch.rearm()

    def machine_off(self) -> None:
        """The machine was switched off."""
        for watch in self._watches:
            watch.machine_off()

    def feed(
        self,
        channel: str,
        at_s: float,
        value: float | None,
        *,
        known: KnownSpan | None,
    ) -> Iterator[Breach]:
        """Take one reading of a channel, as `LimitWatch.feed` does; what is broken by it and was not before."""
        on_s, from_s = (known.until_s, known.from_s) if known else (None, -math.inf)
        for watch in self._watches:
            if watch.limit.channel == channel:
                breach = watch.feed(at_s, value, known_on_s=on_s, known_from_s=from_s)
                if breach is not None:
                    yield breach

    def breaches(self, kept: Breach | None) -> tuple[Breach, ...]:
        """Limits that are broken now, and one that was broken before and is over, if it is none of these."""
        now = tuple(watch.breach for watch in self._watches if watch.breach)
        if kept is None or any(each.limit == kept.limit for each in now):
            return now
        return (*now, replace(kept, is_over=True))
