"""The machine is on, the machine is off: told from one channel with hysteresis and a least off time."""

from dataclasses import dataclass
from enum import StrEnum

_HEARD_WITHIN_S = 10.0
_HEARD_WITHIN_READINGS = 3.0
"""What was heard within either, whichever is longer, still holds."""
_NO_VALUES = 2
"""So many readings in succession without a usable value are no chance any more."""


def heard_within_s(interval_s: float) -> float:
    """How long a reading still holds of a channel that is read so often [s]."""
    return max(_HEARD_WITHIN_S, _HEARD_WITHIN_READINGS * interval_s)


@dataclass(frozen=True, slots=True)
class StartRule:
    """When the start channel means on, and when off.

    Attributes:
        channel: Name of the channel, usually a current; None where only the operator's key tells.
        on_above: Switched on once a reading is above it [unit of the channel].
        off_below: Switched off once readings stay below it [unit of the channel]; not above `on_above`.
        least_off_s: How long they must stay below [s]; a shorter dip is no switching off.
    """

    channel: str | None
    on_above: float
    off_below: float
    least_off_s: float


class Switch(StrEnum):
    """What the start channel says of the machine."""

    UNKNOWN = "unknown"
    OFF = "off"
    ON = "on"


@dataclass(frozen=True, slots=True)
class Switched:
    """The machine was switched; `at_s` is when, which may be before it became certain [s]."""

    to: Switch
    at_s: float


class SwitchDetector:
    """Takes the start channel's readings in order of time, and the operator's word.

    Attributes:
        state: Of the machine.
        last_on_s: When the channel last showed it on, or it was found running [s]; None before that.
    """

    def __init__(self, rule: StartRule, *, interval_s: float = 0.0) -> None:
        """Nobody knows yet.

        Args:
            rule: When it is on, and when off.
            interval_s: Between two readings of the start channel [s].
        """
        self.state = Switch.UNKNOWN
        self._rule = rule
        self.last_on_s: float | None = None
        self._low_since_s: float | None = None
        self._rose = False
        self._heard_s, self._heard_within_s = float("-inf"), heard_within_s(interval_s)
        self._shows_on = self._is_above = False
        self._unusable = 0

    def feed(self, at_s: float, value: float) -> Switched | None:
        """Take one reading; says when it makes a change of state certain."""
        self._heard_s, self._unusable = at_s, 0
        self._shows_on = value >= self._rule.off_below
        self._is_above = value > self._rule.on_above
        if self._shows_on:
            self.last_on_s = at_s
        if value > self._rule.on_above:
            self._low_since_s = None
            self._rose = True
            return self._become(Switch.ON, at_s)
        if value >= self._rule.off_below:
            self._low_since_s = None
            return None
        if self._low_since_s is None:
            self._low_since_s = at_s
        if self.state is Switch.ON and not self._is_certainly_off(at_s):
            return None
        return self._become(Switch.OFF, self._low_since_s)

    def known_on_s(self, now_s: float) -> float | None:
        """When the machine was last known to be on [s]: by the channel, or by the operator where it sees nothing."""
        is_blind = self.state is Switch.ON and not self._rose
        return now_s if is_blind else self.last_on_s

    def feed_unusable(self) -> None:
        """Its meter was heard, and shows no usable value of it."""
        self._unusable += 1

    @property
    def can_tell(self) -> bool:
        """Whether the channel says how long the machine has been on: it is read, and has risen since the operator's word."""
        is_read = self._rule.channel is not None and self._unusable < _NO_VALUES
        return is_read and self._rose

    @property
    def sees_it_running(self) -> bool:
        """The channel itself says that the machine is on."""
        return self.state is Switch.ON and self._rose and self._shows_on

    def gainsays_off(self, now_s: float) -> bool:
        """Whether the channel says that the machine is on, and was heard lately: one that is not heard says nothing.

        Nor does one between its thresholds, as standby may be: then the operator's word counts.
        """
        is_heard = now_s - self._heard_s <= self._heard_within_s
        return self.sees_it_running and self._is_above and is_heard

    def found_running(self, at_s: float) -> None:
        """The machine runs, or may, and nobody saw it switched on or off [s]: its channel, if any, may say that it is off."""
        self.state = Switch.ON
        self._rose = True
        self._low_since_s = None
        self.last_on_s = at_s
        # What it showed before says nothing of now.
        self._unusable = _NO_VALUES

    def told(self, state: Switch, at_s: float) -> Switched | None:
        """Take the operator's word that the machine was switched."""
        self._low_since_s = None
        self._rose = False
        if state is Switch.OFF:
            # The channel must agree before it may start the next trial by itself.
            self.state = Switch.UNKNOWN
            return Switched(Switch.OFF, at_s)
        return self._become(state, at_s)

    def _is_certainly_off(self, at_s: float) -> bool:
        # A machine that the operator called on before its current rose (a soft starter, a threshold set too high) is
        # not called off for that.
        low_since_s = at_s if self._low_since_s is None else self._low_since_s
        return self._rose and at_s - low_since_s >= self._rule.least_off_s

    def _become(self, state: Switch, at_s: float) -> Switched | None:
        if state is self.state:
            return None
        self.state = state
        return Switched(state, at_s)
