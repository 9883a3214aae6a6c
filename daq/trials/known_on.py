"""From when until when the machine is known to run, for limits that hold only while it does: what stands still is below none.

The start channel says so where it can. Where it cannot, a load that another channel shows does: a key is pressed seconds
before or after the machine's own switch. Where no channel shows one, the operator's word holds until switching off is asked for.
"""

import math
from collections.abc import Mapping

from daq.records import Channel
from daq.trials.judging import SessionRules, rest_levels
from daq.trials.limits import ELECTRICAL, KnownSpan
from daq.trials.running_on import RunningOn
from daq.trials.switching import SwitchDetector, heard_within_s
from daq.units import UNITS

_STANDBY_SI = {"current": 0.1, "power": 20.0, "apparent power": 20.0}
"""What a machine may draw that was switched off at its own switch, as the checklist has it [A, W, VA]."""
_SHARE_OF_MOST = 0.05
"""Of the most that was drawn for two readings on end [1]: less is no load, such as a transformer ahead of the machine, or one
whose thermostat pauses. A single reading may be of the inrush."""


def start_detector(rules: SessionRules) -> SwitchDetector:
    """The detector of a plan's start channel, which knows how often that is read."""
    interval_s = (c.interval_s for c in rules.channels if c.name == rules.start.channel)
    return SwitchDetector(rules.start, interval_s=next(interval_s, 0.0))


def _most_standby(channel: Channel) -> float:
    """More than a machine at rest draws [unit of the channel]."""
    unit = UNITS.get(channel.unit)
    return _STANDBY_SI.get(channel.quantity, 0.0) / (unit.factor if unit else 1.0)


class _Loads:
    """From when until when any of some channels showed a load without a break.

    Attributes:
        from_s, last_s: Times of readings that showed one [s]; `from_s` is never while none does.
    """

    def __init__(
        self, rest: Mapping[str, float], channels: Mapping[str, Channel]
    ) -> None:
        self.from_s, self.last_s = math.inf, -math.inf
        self._showing: set[str] = set()
        self._rest = rest
        self._lately_s = {n: heard_within_s(channels[n].interval_s) for n in rest}
        self._standby = {n: _most_standby(channels[n]) for n in rest}
        self._before: dict[str, float] = {}
        self._most: dict[str, float] = {}
        self._usable_s: dict[str, float] = {}
        self._unusable: dict[str, int] = {}

    def feed(self, channel: str, at_s: float, value: float | None) -> None:
        """Take one reading; None where it is not usable."""
        if channel not in self._rest:
            return
        if value is None:
            self._unusable[channel] = self._unusable.get(channel, 0) + 1
            return
        self._usable_s[channel], self._unusable[channel] = at_s, 0
        size = abs(value)
        lasting = min(self._before.get(channel, 0.0), size)
        self._before[channel] = size
        self._most[channel] = max(self._most.get(channel, 0.0), lasting)
        if self._is_load(channel, size):
            self.from_s = self.from_s if self._showing else at_s
            self.last_s = max(self.last_s, at_s)
            self._showing.add(channel)
            return
        self._showing.discard(channel)
        self.from_s = self.from_s if self._showing else math.inf

    def _is_load(self, channel: str, size: float) -> bool:
        share = _SHARE_OF_MOST * self._most[channel]
        return size > max(self._rest[channel], self._standby[channel], share)

    def can_tell(self, now_s: float) -> bool:
        """Whether one of them was heard lately, and shows a usable value, but for a single reading."""
        return any(
            self._unusable[name] <= 1 and now_s - at_s <= self._lately_s[name]
            for name, at_s in self._usable_s.items()
        )


class KnownOn:
    """Asks the start channel, the loads and the operator's word, in this order."""

    def __init__(
        self, rules: SessionRules, detector: SwitchDetector, running: RunningOn
    ) -> None:
        """Nothing was read yet.

        Args:
            rules: Of plan and bench.
            detector: Of the start channel; fed by the session.
            running: Since when it runs; told by the session.
        """
        self._detector, self._running = detector, running
        self._start = rules.start.channel
        self._is_start_drawn = any(
            c.name == self._start and c.quantity in ELECTRICAL for c in rules.channels
        )
        channels = {c.name: c for c in rules.channels if c.name not in rules.typed}
        # What is required, or starts, is the machine's own: any other pressure may be the weather's.
        own = {n for n in channels if n in {*rules.required, rules.start.channel}}
        drawn = {n for n, c in channels.items() if c.quantity in ELECTRICAL}
        self._drawn = _Loads(rest_levels(rules, drawn), channels)
        self._moved = _Loads(rest_levels(rules, own - drawn), channels)

    def feed(self, channel: str, at_s: float, value: float | None) -> None:
        """Take one reading of a channel; None where its meter shows no usable value. The detector is told only of the latter."""
        if value is None and channel == self._start:
            self._detector.feed_unusable()
        self._drawn.feed(channel, at_s, value)
        self._moved.feed(channel, at_s, value)

    def found_running(self, at_s: float) -> None:
        """It runs, or may, and nobody saw it switched on or off [s]."""
        self._detector.found_running(at_s)
        self._running.begins(at_s)

    def span(self, now_s: float, *, asked_off_s: float | None) -> KnownSpan | None:
        """From when until when it is known to be on; None where it is not running.

        Args:
            now_s: The time [s].
            asked_off_s: When the operator was asked to switch off [s]; None while it is to run.
        """
        since_s = self._running.since_s
        if since_s is None:
            return None
        told_s = self._detector.known_on_s(now_s)
        known = KnownSpan(-math.inf, since_s if told_s is None else told_s)
        if self._detector.can_tell:
            if self._is_start_drawn:
                return known
        elif self._drawn.can_tell(now_s):
            known = KnownSpan(self._drawn.from_s, self._drawn.last_s)
        elif self._moved.can_tell(now_s):
            known = KnownSpan(self._moved.from_s, self._moved.last_s)
        # A fan coasts, a display decays, and a key is pressed late: after that moment it may be off.
        until_s = known.until_s if asked_off_s is None else asked_off_s
        return KnownSpan(known.from_s, min(known.until_s, until_s))
