"""The machine is on, the machine is off: told from one channel with hysteresis and a least off time."""

from dataclasses import dataclass
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class StartRule:
    """When the start channel means on, and when off.

    Attributes:
        channel: Name of the channel, usually a current.
        on_above: Switched on once a reading is above it [unit of the channel].
        off_below: Switched off once readings stay below it [unit of the channel]; not above `on_above`.
        least_off_s: How long they must stay below [s]; a shorter dip is no switching off.
    """

    channel: str
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
    """Takes the start channel's readings in order of time."""

    def __init__(self, rule: StartRule) -> None:
        self.state = Switch.UNKNOWN
        self._rule = rule
        self._low_since_s: float | None = None

    def feed(self, at_s: float, value: float) -> Switched | None:
        """Take one reading; says when it makes a change of state certain."""
        if value > self._rule.on_above:
            self._low_since_s = None
            return self._become(Switch.ON, at_s)
        if value >= self._rule.off_below:
            self._low_since_s = None
            return None
        if self._low_since_s is None:
            self._low_since_s = at_s
        # Before anything is known a machine that draws nothing is simply off.
        known_on = self.state is Switch.ON
        if known_on and at_s - self._low_since_s < self._rule.least_off_s:
            return None
        return self._become(Switch.OFF, self._low_since_s)

    def _become(self, state: Switch, at_s: float) -> Switched | None:
        if state is self.state:
            return None
        self.state = state
        return Switched(state, at_s)
