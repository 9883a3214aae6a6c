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

    def feed(self, at_s: float, value: float, *, running: bool) -> Breach | None:
        """Take one reading; a breach is told once, until the channel comes back inside."""
        if not self._is_beyond(value, running=running):
            self._beyond_since_s = None
            self.breach = None
            return None
        if self._beyond_since_s is None:
            self._beyond_since_s = at_s
        if self.breach is not None or at_s - self._beyond_since_s < self.limit.for_s:
            return None
        self.breach = Breach(self.limit, value, self._beyond_since_s, at_s)
        return self.breach

    def _is_beyond(self, value: float, *, running: bool) -> bool:
        above = self.limit.above is not None and value > self.limit.above
        below = self.limit.below is not None and running and value < self.limit.below
        return above or below
