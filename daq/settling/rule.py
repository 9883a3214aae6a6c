"""The rule over bins: run-up, declaration, confirmation and one common window of several channels.

Settled is declared when every required channel holds at the same instant, each over its own window. What follows is
averaged over one window common to all channels: from the latest of their starts. Later bins confirm the
declaration or withdraw it.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from daq.records import Window
from daq.settling.detection import LEAST_BINS, Detector
from daq.settling.disturbances import DisturbanceLog, JumpWatch
from daq.settling.front_end import Bin
from daq.settling.history import BinHistory
from daq.settling.level import LevelEstimate
from daq.settling.normalised import Normaliser
from daq.settling.normalising import Normalising, NotFitted
from daq.settling.parameters import Parameters
from daq.settling.phases import (
    ChannelProgress,
    ChannelSetup,
    FunnelPoint,
    Phase,
    PhaseChange,
)
from daq.settling.verdicts import BinWindows, Compared, Detection, HeldBackBy
from daq.settling.window import AveragingWindow, Examination, band_of, keep_quantile

_RUN_UP_CHANGE = 0.05
"""Run-up is over once no required channel changes by more than this share from bin to bin."""

_PATIENCE = 0.25
"""Of the bins that an average is likely to need, so many go by before it is looked at again [1]."""

_LASTING = (HeldBackBy.NOISE, HeldBackBy.RESOLUTION)
"""What stays as it is however long one waits."""

_LONGEST_RUN_UP_S = 60.0
"""What still changes so much by then is no run-up: it is noise or a swing, and is told as such."""

_UNSETTLED_S = 120.0
"""What did not settle is averaged over its last stretch of this length."""

_LEAST_UNSETTLED = 4
"""Bins that such a stretch must hold of a channel [1]."""


class GroupRule:
    """Takes the bins of one trial from switch-on; ends with one confirmed window."""

    def __init__(
        self,
        channels: Sequence[ChannelSetup],
        *,
        start_s: float,
        bin_s: float,
        parameters: Parameters,
        target: float | None = None,
        normalising: Normalising | None = None,
        is_awaited: Callable[[Window], bool] | None = None,
    ) -> None:
        """Begin a trial.

        Args:
            channels: At least one of them required.
            start_s: Switch-on [s].
            bin_s: Length of a bin [s].
            parameters: The rule's.
            target: As of `SettlingGroup` [1].
            normalising: As of `SettlingGroup`.
            is_awaited: As of `SettlingGroup`.

        Raises:
            ValueError: If the bins are so long that no window holds enough of them.
        """
        self.phase = Phase.RUN_UP
        self.declared_s: float | None = None
        self.withdrawn = 0
        self._channels = {c.name: c for c in channels}
        self._required = tuple(c.name for c in channels if c.required)
        self._start_s, self._bin_s = start_s, bin_s
        self._parameters, self._target = parameters, target
        self._is_awaited = is_awaited
        asked = [self._channels[name] for name in self._required]
        self._detector = Detector(
            tolerances=[c.tolerance for c in asked],
            resolutions=[c.resolution for c in asked],
            bin_s=bin_s,
            parameters=parameters,
        )
        if not self._detector.longest:
            msg = (
                f"bins of {bin_s:g} s, expected the longest window, "
                f"{max(parameters.windows_s):g} s, to hold {LEAST_BINS} of them"
            )
            raise ValueError(msg)
        averaging = math.ceil(parameters.longest_s / bin_s)
        kept = self._detector.longest + averaging + LEAST_BINS
        self._history = BinHistory(tuple(self._channels), kept=kept)
        self._normaliser = Normaliser(normalising, self._channels, bin_s=bin_s)
        self._watches = {
            c.name: JumpWatch(
                tolerance=c.tolerance, resolution=c.resolution, parameters=parameters
            )
            for c in asked
        }
        self._disturbances = DisturbanceLog(parameters, bin_s=bin_s)
        self._disturbed: set[str] = set()
        self._first = 0
        self._passed = 0
        self._windows: BinWindows | None = None
        self._faults: dict[str, HeldBackBy] = {}
        self._withdrawn_for: dict[str, HeldBackBy] = {}
        self._averaging: AveragingWindow | None = None
        self._examination: Examination | None = None
        self._next_look = 0
        self._levels: dict[str, LevelEstimate] = {}

    def take(self, items: Mapping[str, Bin]) -> PhaseChange | None:
        """Take the next bin of every channel; returns the phase that it brought about, usually none.

        What comes after the confirmation is not taken.
        """
        if self.phase is Phase.CONFIRMED:
            return None
        before = (
            {name: self._history.newest(name).mean for name in self._required}
            if self._history.closed
            else {}
        )
        self._history.add(items)
        keep_quantile(self._history.closed)
        if self.phase is Phase.RUN_UP:
            return self._run_up(before, items)
        disturbed = self._note_disturbances(items)
        if self.phase is Phase.AVERAGING:
            if disturbed:
                self._examination = None
                return self._withdraw(dict.fromkeys(disturbed, HeldBackBy.STEP))
            return self._average()
        return self._settle()

    def finish(self) -> PhaseChange | None:
        """The record ended: accept an average that is at least half as long as the shortest one."""
        if self.phase is not Phase.AVERAGING or self._averaging is None:
            return None
        p, averaging = self._parameters, self._averaging
        if self.averaging_s() < 0.5 * p.least_s - 1e-9:
            return None
        if min(averaging.present_shares().values()) < p.least_share:
            return None
        return self._examine(averaging, is_last=True)

    @property
    def window(self) -> Window | None:
        """What is being averaged, or was when confirmed; None before a declaration [s]."""
        if self._averaging is None:
            return None
        first_s = self._start_s + self._averaging.first * self._bin_s
        return Window(first_s, self._bin_end_s())

    def levels(self) -> dict[str, LevelEstimate]:
        """Levels over the confirmed window; empty before it is confirmed."""
        return dict(self._levels)

    def not_normalised(self) -> dict[str, NotFitted]:
        """Channels asked for whose exponent the confirmed window does not tell."""
        return self._normaliser.not_fitted() if self._levels else {}

    def averaging_s(self) -> float:
        """Time since the declaration [s]; 0 before it."""
        if self._averaging is None:
            return 0.0
        return (self._history.closed - 1 - self._averaging.declared) * self._bin_s

    def progress(self, channel: str) -> ChannelProgress:
        """How far one required channel is."""
        level = self._levels.get(channel)
        if level is not None:
            return ChannelProgress(None, level.mean, level.expanded_uncertainty)
        averaging = self._averaging
        if averaging is not None:
            waits = not self._is_quiet(averaging) and channel in self._disturbed
            reason = self._unrest()[channel] if waits else None
            return ChannelProgress(reason, averaging.mean_of(channel), None)
        return ChannelProgress(self._held_back_by(channel), None, None)

    def funnel(self, channel: str) -> FunnelPoint | None:
        """What was compared last of one required channel, at the newest bin; None in the run-up or without readings.

        While it settles, the drift still to come by its windows that end now (`BinWindows.compared`). Once declared, that
        of the declaration, until the average is looked at; then the drift at the declaration by all bins so far
        (`Examination.compared`), from look to look. Asking changes nothing.
        """
        if self.phase is Phase.RUN_UP or channel not in self._required:
            return None
        row = self._required.index(channel)
        compared = self._compared(channel, row) or self._not_compared(channel)
        if compared is None:
            return None
        mean = compared.mean
        if self._averaging is not None:
            level = self._levels.get(channel)
            mean = level.mean if level else self._averaging.mean_of(channel)
        return FunnelPoint(
            channel, self._bin_end_s(), mean, compared.bound, compared.tolerance
        )

    def _compared(self, channel: str, row: int) -> Compared | None:
        if self._examination is not None:
            return self._examination.compared(channel)
        return None if self._windows is None else self._windows.compared(row)

    def _not_compared(self, channel: str) -> Compared | None:
        """Of the newest bins, too few to compare anything; the tolerance of the last reading, if none of them has one."""
        kept = min(self._history.closed, self._detector.longest)
        first = self._history.closed - kept
        means = self._normaliser.means(self._history, [channel], first)[0]
        count = min(self._history.closed - self._first, self._detector.shortest)
        there = ~np.isnan(means)
        if not there.any():
            return None
        stretch = means[kept - count :][there[kept - count :]]
        mean = float(stretch.mean()) if stretch.size else None
        level = float(means[there][-1]) if mean is None else mean
        return Compared(None, band_of(self._channels[channel], level), mean)

    def why_not(self, channel: str) -> HeldBackBy | None:
        """Why a required channel has no average, were the record to end now; None where it is not to blame."""
        if self.phase is Phase.CONFIRMED:
            return None
        averaging = self._averaging
        if averaging is None:
            reasons = {
                name: reason
                for name in self._required
                if (reason := self._held_back_by(name)) is not None
            }
            return self._or_too_short(reasons or self._lasting(None), channel)
        p = self._parameters
        if averaging.present_shares()[channel] < p.least_share:
            return HeldBackBy.GAPS
        if self.averaging_s() < p.least_s:
            return self._or_too_short(
                self._lasting(averaging) or self._unrest(), channel
            )
        faults = averaging.examine(enough=True).faults
        return self._or_too_short(faults or self._unrest(), channel)

    def _or_too_short(
        self, reasons: Mapping[str, HeldBackBy], channel: str
    ) -> HeldBackBy | None:
        return reasons.get(channel) if reasons else HeldBackBy.TOO_SHORT

    def _lasting(self, averaging: AveragingWindow | None) -> dict[str, HeldBackBy]:
        """What a whole averaging failed by that more time does not mend; while averaging again, only what still shows."""
        lasting = {n: f for n, f in self._withdrawn_for.items() if f in _LASTING}
        if not lasting or averaging is None:
            return lasting
        faults = averaging.examine(enough=True, is_question=True).faults
        return {
            name: fault for name, fault in lasting.items() if faults.get(name) is fault
        }

    def time_left_s(self) -> float | None:
        """How long until the average is likely to be confirmed [s]; None where nothing can be said yet."""
        p = self._parameters
        if self.phase is Phase.CONFIRMED:
            return 0.0
        if self._averaging is not None:
            span_s = (self._averaging.length - 1) * self._bin_s
            quiet_left_s = self._disturbances.quiet_s() - span_s
            return max(self._averaging.time_left_s(), quiet_left_s, self._bin_s)
        if self._windows is None:
            return None
        settling_s = self._windows.time_to_settle_s()
        if not math.isfinite(settling_s):
            return None
        return settling_s + p.persistence * self._bin_s + AveragingWindow.likely_s(p)

    def unsettled(self) -> tuple[Window, dict[str, LevelEstimate]] | None:
        """The last stretch of a trial that did not settle, averaged with what may still be drift; None without one."""
        closed = self._history.closed
        first = max(
            self._first, closed - max(round(_UNSETTLED_S / self._bin_s), LEAST_BINS)
        )
        if self.phase is Phase.RUN_UP or closed - first < LEAST_BINS:
            return None
        there = [
            name
            for name in self._required
            if np.isfinite(self._history.means([name], first)).sum() >= _LEAST_UNSETTLED
        ]
        if not there:
            return None
        # Of its own: asking must not change the exponents that the trial is judged by.
        plain = Normaliser(None, self._channels, bin_s=self._bin_s)
        averaging = self._open(dict.fromkeys(there, first), first, plain)
        levels = averaging.levels_with_drift(self._others())
        return Window(self._start_s + first * self._bin_s, self._bin_end_s()), levels

    def _bin_end_s(self) -> float:
        return self._start_s + self._history.closed * self._bin_s

    def _run_up(
        self, before: Mapping[str, float | None], items: Mapping[str, Bin]
    ) -> PhaseChange | None:
        elapsed_s = self._history.closed * self._bin_s
        for name in self._required:
            old, new = before.get(name), items[name].mean
            if new is None:
                self._faults[name] = HeldBackBy.GAPS
            if old is None or new is None:
                return None
            change = max(
                _RUN_UP_CHANGE * abs(new), 4.0 * self._channels[name].resolution
            )
            if abs(new - old) > change and elapsed_s < _LONGEST_RUN_UP_S:
                return None
        self._first = self._history.closed - 1
        self._faults.clear()
        self._disturbances.begin(self._first)
        return self._enter(Phase.SETTLING)

    def _note_disturbances(self, items: Mapping[str, Bin]) -> list[str]:
        """Channels that were disturbed; no window may reach back beyond it."""
        newest = self._history.closed - 1
        # Every watch takes its bin: no short cut, or the others would fall behind.
        seen = [n for n, watch in self._watches.items() if watch.sees_jump(items[n])]
        for name in seen:
            lasted = items[name].excursion is not None
            self._first = max(self._first, newest + 1 if lasted else newest - 1)
        if seen:
            self._disturbances.add(newest)
            self._disturbed.update(seen)
            self._passed = 0
        return seen

    def _settle(self) -> PhaseChange | None:
        available = self._history.closed - self._first
        missing = [n for n in self._required if self._history.newest(n).mean is None]
        self._faults = dict.fromkeys(missing, HeldBackBy.GAPS)
        self._windows = self._examination = None
        if missing or available < self._detector.shortest:
            return None
        found = self._detect(available)
        self._passed = 0 if found is None else self._passed + 1
        if found is None or self._passed < self._parameters.persistence:
            return None
        return self._declare(found)

    def _detect(self, available: int) -> list[Detection] | None:
        span = min(available, self._detector.longest)
        means = self._means(self._history.closed - span)
        self._windows = BinWindows(
            self._detector.fit(means),
            means,
            growth=self._detector.growth,
            history=self._history,
            names=self._required,
            resolutions=[self._channels[name].resolution for name in self._required],
            bin_s=self._bin_s,
            parameters=self._parameters,
        )
        return self._windows.detect_all()

    def _means(self, first: int) -> NDArray[np.float64]:
        """Bins of the required channels from the given one on, normalised where that is asked for and can be."""
        self._normaliser.fit(self._history, self._required, first)
        return self._normaliser.means(self._history, self._required, first)

    def _declare(self, found: Sequence[Detection]) -> PhaseChange:
        closed = self._history.closed
        firsts = {
            name: closed - detection.length
            for name, detection in zip(self._required, found, strict=True)
        }
        self._averaging = self._open(firsts, max(firsts.values()), self._normaliser)
        self._next_look = 0
        self.declared_s = self._bin_end_s()
        return self._enter(Phase.AVERAGING)

    def _open(
        self, firsts: Mapping[str, int], common: int, normaliser: Normaliser
    ) -> AveragingWindow:
        return AveragingWindow(
            channels=[self._channels[name] for name in firsts],
            firsts=firsts,
            common=common,
            history=self._history,
            normaliser=normaliser,
            bin_s=self._bin_s,
            parameters=self._parameters,
            target=self._target,
        )

    def _average(self) -> PhaseChange | None:
        averaging, p = self._averaging, self._parameters
        if averaging is None:
            return None
        averaging.grow()
        since_s = self.averaging_s()
        if since_s < p.least_s - 1e-9:
            return None
        time_is_up = since_s >= p.longest_s - 1e-9
        if self._history.closed < self._next_look and not time_is_up:
            return None
        # A few readings after a long silence confirm nothing.
        shares = averaging.present_shares()
        silent = [n for n, share in shares.items() if share < p.least_share]
        if silent:
            gaps = dict.fromkeys(silent, HeldBackBy.GAPS)
            return self._withdraw(gaps) if time_is_up else None
        missing = any(self._history.newest(n).mean is None for n in self._required)
        if missing and not time_is_up:
            return None
        return self._examine(averaging, is_last=False)

    def _examine(
        self, averaging: AveragingWindow, *, is_last: bool
    ) -> PhaseChange | None:
        p = self._parameters
        time_is_up = self.averaging_s() >= p.longest_s - 1e-9
        examination = averaging.examine(enough=is_last or time_is_up)
        self._examination = examination
        may_end = is_last or time_is_up or not self._must_wait()
        if may_end and self._is_quiet(averaging) and not examination.faults:
            return self._confirm(averaging, examination.levels)
        if is_last:
            return None
        if max(examination.drift_probabilities.values()) > p.reject_probability:
            drifting = {
                name: examination.faults[name]
                for name, probability in examination.drift_probabilities.items()
                if probability > p.reject_probability
            }
            return self._withdraw(drifting)
        if not time_is_up:
            # What is still far from sure is not looked at in every bin: fewer looks, and fewer chances to err.
            wait = max(1, math.floor(_PATIENCE * averaging.bins_to_goal()))
            self._next_look = self._history.closed + wait
            return None
        return self._withdraw(examination.faults or self._unrest())

    def _must_wait(self) -> bool:
        asked, window = self._is_awaited, self.window
        return asked is not None and window is not None and asked(window)

    def _is_quiet(self, averaging: AveragingWindow) -> bool:
        span_s = (averaging.length - 1) * self._bin_s
        return span_s >= self._disturbances.quiet_s()

    def _unrest(self) -> dict[str, HeldBackBy]:
        """What disturbed channels are held back by, while it was not quiet for long enough since."""
        once = self._disturbances.count == 1
        reason = HeldBackBy.STEP if once else HeldBackBy.HUNTING
        return {
            name: HeldBackBy.RESOLUTION if self._watches[name].is_flicker else reason
            for name in self._disturbed
        }

    def _withdraw(self, faults: Mapping[str, HeldBackBy]) -> PhaseChange:
        self.withdrawn += 1
        self.declared_s = None
        self._averaging = self._windows = None
        self._passed, self._faults = 0, dict(faults)
        self._withdrawn_for |= faults
        reason = next(iter(faults.values()))
        names = tuple(name for name, each in faults.items() if each is reason)
        return replace(self._enter(Phase.SETTLING), reason=reason, channels=names)

    def _confirm(
        self, averaging: AveragingWindow, levels: Mapping[str, LevelEstimate]
    ) -> PhaseChange:
        self._levels = {**levels, **averaging.steady_levels(self._others())}
        return self._enter(Phase.CONFIRMED)

    def _others(self) -> list[ChannelSetup]:
        return [c for c in self._channels.values() if not c.required]

    def _enter(self, phase: Phase) -> PhaseChange:
        self.phase = phase
        return PhaseChange(phase, self._bin_end_s())

    def _held_back_by(self, channel: str) -> HeldBackBy | None:
        if channel in self._faults:
            return self._faults[channel]
        if self._windows is not None and channel in self._required:
            return self._windows.held_back_by(self._required.index(channel))
        if self._faults:
            # Nothing was judged, for another channel's sake.
            return None
        if self._disturbed:
            return self._unrest().get(channel)
        return HeldBackBy.TOO_SHORT
