"""Limits that the plan sets for channels, watched at every reading."""

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
    """A limit that is broken: the reading that made it certain, and since when [s]."""

    limit: Limit
    value: float
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
        self, at_s: float, value: float, *, known_on_s: float | None
    ) -> Breach | None:
        """Take one reading; a breach is told once, until the channel comes back inside.

        Args:
            at_s: Of the reading [s].
            value: Of the channel [its unit].
            known_on_s: When the machine was last known to be on [s]; None where it is not running.
        """
        above = self.limit.above is not None and value > self.limit.above
        below = (
            self.limit.below is not None
            and known_on_s is not None
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
        if held_s < self.limit.for_s or not (above or held_s > 0.0):
            return None
        told_before = self.breach is not None
        self.breach = Breach(self.limit, value, self._beyond_since_s, at_s)
        return None if told_before else self.breach
