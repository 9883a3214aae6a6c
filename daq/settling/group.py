"""Several channels of one trial: run-up, declaration, confirmation and one common window.

Settled is declared when every required channel holds at the same instant, each over its own window. What follows is
averaged over one window common to all channels: from the latest of their starts. Later readings confirm the
declaration or withdraw it.

Only readings move this object: a bin closes when every channel has a reading beyond it, or when one channel is a whole bin
ahead (so a silent meter holds nobody up). The outcome is therefore the same however the readings are cut into blocks.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from daq.records import Window
from daq.settling.confirmation import DecayFits, Examination, LevelEstimate
from daq.settling.front_end import Bin, FrontEnd, undithered_step
from daq.settling.parameters import Parameters
from daq.settling.rule import ChannelRule, HeldBackBy, StepWatch
from daq.stats import estimate_mean, student_t_quantile, undithered_half_step

_RUN_UP_CHANGE = 0.05
"""Run-up is over once no required channel changes by more than this share from bin to bin."""


@dataclass(frozen=True, slots=True)
class ChannelSetup:
    """How one channel takes part.

    Attributes:
        name: Of the channel.
        tolerance: Largest relative drift that still counts as settled [1].
        resolution: Display's step [unit of the channel].
        interval_s: Expected spacing of readings [s].
        required: Whether the trial waits for it to settle.
    """

    name: str
    tolerance: float
    resolution: float
    interval_s: float
    required: bool


class Phase(StrEnum):
    """Where the group stands."""

    RUN_UP = "run-up"
    SETTLING = "settling"
    AVERAGING = "averaging"
    CONFIRMED = "confirmed"


@dataclass(frozen=True, slots=True)
class PhaseChange:
    """The group entered a phase.

    Attributes:
        phase: The new one.
        at_s: End of the bin that brought it [s].
        reason: Why a declaration was withdrawn; None otherwise.
    """

    phase: Phase
    at_s: float
    reason: HeldBackBy | None = None


@dataclass(frozen=True, slots=True)
class ChannelProgress:
    """What a screen shows of one required channel.

    Attributes:
        held_back_by: What keeps it from being settled, while it is not.
        mean: Of the window so far, provisional until confirmed [unit of the channel].
        expanded_uncertainty: Once confirmed, without the instrument's own accuracy [same].
    """

    held_back_by: HeldBackBy | None
    mean: float | None
    expanded_uncertainty: float | None


class SettlingGroup:
    """Takes the readings of one trial from switch-on; ends with one confirmed window."""

    def __init__(
        self,
        channels: Sequence[ChannelSetup],
        *,
        start_s: float,
        parameters: Parameters,
        target: float | None = None,
    ) -> None:
        """Begin a trial.

        Args:
            channels: At least one of them required.
            start_s: Switch-on [s].
            parameters: The rule's.
            target: Relative expanded uncertainty (without the instruments' accuracy) at which averaging
                may stop [1]; None leaves it to the rule's own goal.

        Raises:
            ValueError: If no channel is required.
        """
        required = [c for c in channels if c.required]
        if not required:
            msg = "no required channel, expected at least one"
            raise ValueError(msg)
        self.phase = Phase.RUN_UP
        self.declared_s: float | None = None
        self.withdrawn = 0
        self.bin_s = max(2.0, 2.0 * max(c.interval_s for c in required))
        self._start_s = start_s
        self._parameters = parameters
        self._target = target
        self._front_ends = {
            c.name: FrontEnd(resolution=c.resolution, start_s=start_s, bin_s=self.bin_s)
            for c in channels
        }
        self._rules = {
            c.name: ChannelRule(
                tolerance=c.tolerance,
                resolution=c.resolution,
                bin_s=self.bin_s,
                parameters=parameters,
            )
            for c in channels
        }
        self._required = tuple(c.name for c in required)
        self._closed = 0
        self._declared_bin = 0
        self._first_bin = 0
        self._own: dict[str, DecayFits] = {}
        self._common: dict[str, DecayFits] = {}
        self._steps: dict[str, StepWatch] = {}
        self._levels: dict[str, LevelEstimate] = {}
        self._rejected_in_run_up: dict[str, int] = {}

    def feed(self, channel: str, at_s: float, value: float) -> list[PhaseChange]:
        """Take one reading; returns the phases that it brought about, usually none."""
        if self.phase is Phase.CONFIRMED:
            return []
        self._front_ends[channel].feed(at_s, value)
        changes: list[PhaseChange] = []
        while self._bin_is_complete():
            change = self._close_bin()
            if change is None:
                continue
            self.phase = change.phase
            changes.append(change)
            if change.phase is Phase.CONFIRMED:
                break
        return changes

    @property
    def window(self) -> Window | None:
        """What is being averaged, or was when confirmed; None before a declaration [s]."""
        if self.phase not in {Phase.AVERAGING, Phase.CONFIRMED}:
            return None
        return Window(self._start_s + self._first_bin * self.bin_s, self._bin_end_s())

    def levels(self) -> dict[str, LevelEstimate]:
        """Levels over the confirmed window; empty before it is confirmed."""
        return dict(self._levels)

    def spikes(self) -> dict[str, int]:
        """Single readings left out since the run-up, of the channels that had any [1]."""
        counts = {
            name: end.rejected - self._rejected_in_run_up.get(name, 0)
            for name, end in self._front_ends.items()
        }
        return {name: count for name, count in counts.items() if count}

    def progress(self, channel: str) -> ChannelProgress:
        """How far one required channel is."""
        rule = self._rules[channel]
        level = self._levels.get(channel)
        if level is not None:
            return ChannelProgress(None, level.mean, level.expanded_uncertainty)
        if self.phase is Phase.AVERAGING:
            return ChannelProgress(None, self._common[channel].mean, None)
        return ChannelProgress(rule.held_back_by, None, None)

    def averaging_s(self) -> float:
        """Time since the declaration [s]; 0 before it."""
        if self.phase not in {Phase.AVERAGING, Phase.CONFIRMED}:
            return 0.0
        return (self._closed - 1 - self._declared_bin) * self.bin_s

    def _bin_is_complete(self) -> bool:
        indices = [end.last_index for end in self._front_ends.values()]
        return min(indices) > self._closed or max(indices) > self._closed + 1

    def _bin_end_s(self) -> float:
        return self._start_s + self._closed * self.bin_s

    def _close_bin(self) -> PhaseChange | None:
        before = (
            {name: self._rules[name].newest.mean for name in self._required}
            if self._closed
            else {}
        )
        items = {name: end.close_bin() for name, end in self._front_ends.items()}
        for name, item in items.items():
            self._rules[name].add(item)
        self._closed += 1
        if self.phase is Phase.RUN_UP:
            return self._run_up(before, items)
        if self.phase is Phase.SETTLING:
            return self._settling()
        return self._averaging(items)

    def _run_up(
        self, before: dict[str, float | None], items: dict[str, Bin]
    ) -> PhaseChange | None:
        for name in self._required:
            old, new = before.get(name), items[name].mean
            if new is None:
                self._rules[name].held_back_by = HeldBackBy.GAPS
            if old is None or new is None:
                return None
            if abs(new - old) > max(
                _RUN_UP_CHANGE * abs(new), 4.0 * self._rules[name].resolution
            ):
                return None
        for rule in self._rules.values():
            rule.forbid_before(self._closed - 1)
        # Inrush looks like spikes, and is nobody's concern.
        self._rejected_in_run_up = {
            name: end.rejected for name, end in self._front_ends.items()
        }
        return PhaseChange(Phase.SETTLING, self._bin_end_s())

    def _settling(self) -> PhaseChange | None:
        rules = [self._rules[name] for name in self._required]
        for rule in rules:
            rule.detect()
        persistence = self._parameters.persistence
        if any(
            rule.newest.mean is None or rule.passed_in_a_row < persistence
            for rule in rules
        ):
            return None
        return self._declare()

    def _declare(self) -> PhaseChange:
        newest = self._closed - 1
        firsts = {name: newest - self._length_of(name) + 1 for name in self._required}
        self._declared_bin = newest
        self._first_bin = max(firsts.values())
        for name in self._required:
            rule = self._rules[name]
            self._own[name] = rule.open_fits(firsts[name])
            shared = firsts[name] == self._first_bin
            self._common[name] = (
                self._own[name] if shared else rule.open_fits(self._first_bin)
            )
            detection = rule.detection
            if detection is not None:
                limit = max(rule.tolerance * abs(detection.mean), rule.resolution / 2.0)
                self._steps[name] = StepWatch(detection, limit)
        self.declared_s = self._bin_end_s()
        return PhaseChange(Phase.AVERAGING, self.declared_s)

    def _length_of(self, name: str) -> int:
        detection = self._rules[name].detection
        return detection.length if detection is not None else 0

    def _averaging(self, items: dict[str, Bin]) -> PhaseChange | None:
        for name in self._required:
            self._own[name].add(items[name])
            if self._common[name] is not self._own[name]:
                self._common[name].add(items[name])
        if self._sees_step(items):
            return self._withdraw(HeldBackBy.STEP)
        since, p = self.averaging_s(), self._parameters
        if since < p.least_s - 1e-9:
            return None
        # A few readings after a long silence confirm nothing.
        if self._least_present_share() < p.least_share:
            time_is_up = since >= p.longest_s - 1e-9
            return self._withdraw(HeldBackBy.GAPS) if time_is_up else None
        if any(items[name].mean is None for name in self._required):
            return None
        return self._examine()

    def _least_present_share(self) -> float:
        windows = (*self._own.values(), *self._common.values())
        return min(fits.present_share for fits in windows)

    def _sees_step(self, items: dict[str, Bin]) -> bool:
        seen = False
        for name in self._required:
            mean = items[name].mean
            # Every watch takes its value: no short cut, or the others would fall behind.
            seen = (mean is not None and self._steps[name].sees_step(mean)) or seen
        if seen:
            for rule in self._rules.values():
                rule.forbid_before(max(self._closed - 3, 0))
        return seen

    def _examine(self) -> PhaseChange | None:
        p, since = self._parameters, self.averaging_s()
        time_is_up = since >= p.longest_s - 1e-9
        own = {
            name: self._examination(name, self._own[name]) for name in self._required
        }
        drift = {
            name: seen.drift_probability(since_declared_s=since)
            for name, seen in own.items()
        }
        levels = {
            name: self._examination(name, self._common[name]).level()
            for name in self._required
        }
        if self._is_good(own, drift, levels, time_is_up=time_is_up):
            if not any(seen.is_hunting() for seen in own.values()):
                return self._confirm(levels)
            if time_is_up:
                return self._withdraw(HeldBackBy.HUNTING)
        if max(drift.values()) > p.reject_probability:
            return self._withdraw(HeldBackBy.DRIFT)
        if time_is_up:
            late_drift = max(drift.values()) > p.accept_probability
            return self._withdraw(HeldBackBy.DRIFT if late_drift else HeldBackBy.NOISE)
        return None

    def _examination(self, name: str, fits: DecayFits) -> Examination:
        rule = self._rules[name]
        return fits.examine(
            tolerance=rule.tolerance,
            resolution=rule.resolution,
            parameters=self._parameters,
        )

    def _is_good(
        self,
        own: dict[str, Examination],
        drift: dict[str, float],
        levels: dict[str, LevelEstimate],
        *,
        time_is_up: bool,
    ) -> bool:
        p = self._parameters
        for name, seen in own.items():
            u = levels[name].expanded_uncertainty
            goal = (
                p.goal * seen.limit
                if self._target is None
                else self._target * abs(levels[name].mean)
            )
            if (
                drift[name] > p.accept_probability
                or seen.line_bound() > p.line_tolerance
            ):
                return False
            if u > p.refuse * seen.limit or (u > goal and not time_is_up):
                return False
        return True

    def _withdraw(self, reason: HeldBackBy) -> PhaseChange:
        self.withdrawn += 1
        self.declared_s = None
        for rule in self._rules.values():
            rule.restart(reason)
        return PhaseChange(Phase.SETTLING, self._bin_end_s(), reason)

    def _confirm(self, levels: dict[str, LevelEstimate]) -> PhaseChange:
        self._levels = levels
        for name, rule in self._rules.items():
            if name not in levels:
                level = _plain_level(
                    rule.window(self._first_bin),
                    rule.resolution,
                    self._parameters.least_share,
                )
                if level is not None:
                    self._levels[name] = level
        return PhaseChange(Phase.CONFIRMED, self._bin_end_s())


def _plain_level(
    bins: list[Bin], resolution: float, least_share: float
) -> LevelEstimate | None:
    """Mean of a channel that nobody waited for; None where too little of the window is there."""
    means = [item.mean for item in bins if item.mean is not None]
    if len(means) < max(4.0, least_share * len(bins)):
        return None
    estimate = estimate_mean(means)
    half_step = undithered_half_step(*undithered_step(bins, resolution))
    quantile = student_t_quantile(0.975, estimate.degrees_of_freedom)
    scatter = quantile * estimate.std_uncertainty
    return LevelEstimate(
        mean=estimate.mean,
        plain_mean=estimate.mean,
        std_uncertainty=estimate.std_uncertainty,
        degrees_of_freedom=estimate.degrees_of_freedom,
        half_step=half_step,
        expanded_uncertainty=math.hypot(scatter, 1.96 * half_step / math.sqrt(3.0)),
        count=sum(item.count for item in bins),
        effective_count=estimate.effective_count,
    )
