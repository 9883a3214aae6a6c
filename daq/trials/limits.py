"""Limits that the plan sets for channels, watched at every reading."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass


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
class Breach:
    """A limit that is broken, or may be.

    Attributes:
        value: Of the reading that made it certain [unit of the channel]; None where the meter showed no usable value:
            over its range, or beyond what its profile calls possible.
        since_s, at_s: When it began, and when it was certain [s].
    """

    limit: Limit
    value: float | None
    since_s: float
    at_s: float


class LimitWatch:
    """Watches one limit."""

    def __init__(self, limit: Limit) -> None:
        self.limit = limit
        self.breach: Breach | None = None
        self._beyond_since_s: float | None = None

    def rearm(self) -> None:
        """A trial begins: what is already beyond the limit is told again."""
        self.breach = None
        self._beyond_since_s = None

    def feed(
        self, at_s: float, value: float | None, *, known_on_s: float | None
    ) -> Breach | None:
        """Take one reading; a breach is told once, until the channel comes back inside.

        A meter over its range shows nothing that could be compared, just when it matters: more than one reading
        without a usable value counts as above.

        Args:
            at_s: Of the reading [s].
            value: Of the channel [its unit]; None where it is not usable.
            known_on_s: When the machine was last known to be on [s]; None where it is not running.
        """
        above = self.limit.above is not None and (
            value is None or value > self.limit.above
        )
        if value is None and not above:
            # It may be anything: neither below nor inside again.
            return None
        below = (
            self.limit.below is not None
            and known_on_s is not None
            and value is not None
            and value < self.limit.below
        )
        if not (above or below):
            self._beyond_since_s = None
            self.breach = None
            return None
        if self._beyond_since_s is None:
            self._beyond_since_s = at_s
        # Whoever switches off lowers voltage and flow before the current has told that the machine is off: only the
        # time counts in which the machine is known to have run below the limit.
        until_s = at_s if above or known_on_s is None else min(at_s, known_on_s)
        held_s = until_s - self._beyond_since_s
        is_shown_above = above and value is not None
        if held_s < self.limit.for_s or not (is_shown_above or held_s > 0.0):
            return None
        told_before = self.breach is not None
        self.breach = Breach(self.limit, value, self._beyond_since_s, at_s)
        return None if told_before else self.breach


class LimitWatches:
    """Watches all limits of a plan."""

    def __init__(self, limits: Sequence[Limit]) -> None:
        self._watches = [LimitWatch(limit) for limit in limits]

    def rearm(self) -> None:
        """A trial begins."""
        for watch in self._watches:
            watch.rearm()

    def feed(
        self,
        channel: str,
        at_s: float,
        value: float | None,
        *,
        known_on_s: float | None,
    ) -> Iterator[Breach]:
        """Take one reading of a channel, as `LimitWatch.feed` does; what is broken by it and was not before."""
        for watch in self._watches:
            if watch.limit.channel == channel:
                breach = watch.feed(at_s, value, known_on_s=known_on_s)
                if breach is not None:
                    yield breach

    def breaches(self, kept: Breach | None) -> tuple[Breach, ...]:
        """Limits that are broken now, and one that was broken before, if it is none of these."""
        now = tuple(watch.breach for watch in self._watches if watch.breach)
        is_more = kept is not None and all(each.limit != kept.limit for each in now)
        return (*now, kept) if kept is not None and is_more else now
