"""A machine that runs, or may, while no session is in hand: told of until its start channel says that it is off.

Where there is no such channel, or its meter is not heard any more, the operator's word ends it. It was running when its
session was stopped, or when the program ended; or it is only looked at whether it runs. Knows no screen.
"""

from enum import StrEnum

from daq.trials.switching import StartRule, Switch, SwitchDetector


class Before(StrEnum):
    """What is known of the machine from before."""

    RUNNING = "running"
    """It ran when its session was stopped."""
    MAYBE = "maybe"
    """It ran when the program ended."""
    UNKNOWN = "unknown"


class Told(StrEnum):
    """What is to be said of it now."""

    LEFT_RUNNING = "left running"
    SEEN_RUNNING = "seen running"
    MAY_RUN = "may run"


class LeftRunning:
    """Takes what is read of the machine that no session watches.

    Attributes:
        rule: What its start channel says, if there is one.
    """

    def __init__(
        self,
        rule: StartRule,
        *,
        before: Before,
        at_s: float,
        interval_s: float = 0.0,
        heard_within_s: float = 0.0,
    ) -> None:
        """Nothing was read of it yet.

        Args:
            rule: Of the plan whose session it was.
            before: What is known.
            at_s: Now [s].
            interval_s: Between two readings of the start channel [s].
            heard_within_s: It gets so long to be heard before it is said that nobody knows [s].
        """
        self.rule = rule
        self._before = before
        self._at_s = at_s
        self._heard_by_s = at_s + heard_within_s
        self._seen_s: float | None = None
        self._is_low = False
        self._detector = SwitchDetector(rule, interval_s=interval_s)
        # Whatever it was: that it is off is believed once the channel has said so for long enough.
        self._detector.found_running(at_s)

    def feed(self, channel: str, at_s: float, value: float) -> None:
        """Take a usable value of any channel."""
        if channel != self.rule.channel:
            return
        self._detector.feed(at_s, value)
        if value < self.rule.off_below:
            self._is_low = True
        elif value > self.rule.on_above:
            self._is_low = False
            self._seen_s = at_s if self._seen_s is None else self._seen_s

    @property
    def is_over(self) -> bool:
        """Whether its start channel says that it is off."""
        return self._detector.state is Switch.OFF

    @property
    def may_run(self) -> bool:
        """Whether a session that begins now has to have it switched off first."""
        is_known = self._before is not Before.UNKNOWN or self._seen_s is not None
        return is_known and not self.is_over

    def gainsays_off(self, now_s: float) -> bool:
        """Whether the channel says that it runs, and was heard lately [s]."""
        return self._detector.gainsays_off(now_s)

    def told(self, now_s: float) -> tuple[Told, float] | None:
        """What is to be said of it [s], and since when that is so [s]; None where nothing is."""
        if not self.may_run:
            return None
        if self._before is Before.RUNNING:
            return Told.LEFT_RUNNING, self._at_s
        if self._seen_s is not None:
            return Told.SEEN_RUNNING, self._seen_s
        is_early = now_s < self._heard_by_s
        if self.rule.channel is not None and (is_early or self._is_low):
            return None
        return Told.MAY_RUN, self._at_s
