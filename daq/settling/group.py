"""Several channels of one trial: their readings in, phases and one common settled window out.

Only readings move this object: a bin closes when every channel has a reading beyond it, or when one channel is a whole bin
ahead (so a silent meter holds nobody up). The outcome is therefore the same however the readings are cut into blocks.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from daq.records import Window
from daq.settling.front_end import FrontEnd, are_far, close_bins
from daq.settling.level import LevelEstimate
from daq.settling.normalising import Normalising, NotFitted
from daq.settling.parameters import Parameters
from daq.settling.phases import (
    ChannelProgress,
    ChannelSetup,
    FunnelPoint,
    Phase,
    PhaseChange,
)
from daq.settling.rule import GroupRule
from daq.settling.verdicts import HeldBackBy

_CONFIRMED = Phase.CONFIRMED
"""By a name of its own: every reading asks, and to find a member of an enumeration takes longer than the rest of the question."""

_NEVER = 1 << 62
"""Beyond every position of a block."""


class SettlingGroup:
    """Takes the readings of one trial from switch-on; ends with one confirmed window."""

    def __init__(
        self,
        channels: Sequence[ChannelSetup],
        *,
        start_s: float,
        parameters: Parameters,
        target: float | None = None,
        normalising: Normalising | None = None,
        is_awaited: Callable[[Window], bool] | None = None,
    ) -> None:
        """Begin a trial.

        Args:
            channels: At least one of them required.
            start_s: Switch-on [s].
            parameters: The rule's.
            target: Relative expanded uncertainty (without the instruments' accuracy) at which averaging
                may stop [1]; None leaves it to the rule's own goal.
            normalising: What is taken to a reference voltage, if anything.
            is_awaited: Whether something else is waited for before this window may be confirmed; not beyond the longest
                averaging. Its answer must follow from what has been fed so far.

        Raises:
            ValueError: If no channel is required, or if readings of a required one are so far apart that no window
                of the rule holds enough of them.
        """
        required = [c for c in channels if c.required]
        if not required:
            msg = "no required channel, expected at least one"
            raise ValueError(msg)
        self.bin_s = max(2.0, 2.0 * max(c.interval_s for c in required))
        self.rule = GroupRule(
            channels,
            start_s=start_s,
            bin_s=self.bin_s,
            parameters=parameters,
            target=target,
            normalising=normalising,
            is_awaited=is_awaited,
        )
        self._front_ends = {
            c.name: FrontEnd(resolution=c.resolution, start_s=start_s, bin_s=self.bin_s)
            for c in channels
        }
        self._start_s = start_s
        self._closed = 0
        self._spikes = dict.fromkeys(self._front_ends, 0)

    @property
    def phase(self) -> Phase:
        """Where the group stands."""
        return self.rule.phase

    @property
    def declared_s(self) -> float | None:
        """When it was declared settled, while that stands [s]."""
        return self.rule.declared_s

    @property
    def withdrawn(self) -> int:
        """Declarations that were withdrawn [1]."""
        return self.rule.withdrawn

    @property
    def window(self) -> Window | None:
        """What is being averaged, or was when confirmed; None before a declaration [s]."""
        return self.rule.window

    def feed(self, channel: str, at_s: float, value: float) -> list[PhaseChange]:
        """Take one reading; returns the phases that it brought about, usually none."""
        if self.rule.phase is _CONFIRMED:
            return []
        is_later = self._front_ends[channel].feed(at_s, value)
        return self._close_bins() if is_later else []

    def feed_block(
        self,
        channels: Sequence[str],
        which: NDArray[np.intp],
        times_s: NDArray[np.float64],
        values: NDArray[np.float64],
    ) -> list[PhaseChange]:
        """Take many readings at once, exactly as if each had been fed by itself.

        Args:
            channels: Names that `which` counts from 0.
            which: Whose reading it is, in order of arrival [1]. Shape (n,).
            times_s: When it was true, never falling within one channel [s]. Shape (n,).
            values: [unit of the channel]. Shape (n,).

        Returns:
            The phases that they brought about; nothing is taken after the one that confirms.
        """
        bins = np.floor((times_s - self._start_s) / self.bin_s).astype(np.intp)
        queues = [
            _Queue(
                self._front_ends[name],
                np.flatnonzero(which == i),
                bins,
                times_s,
                values,
            )
            for i, name in enumerate(channels)
        ]
        changes: list[PhaseChange] = []
        closes = self._closes(queues, len(which))
        while self.rule.phase is not Phase.CONFIRMED:
            up_to = closes.get(self._closed, len(which))
            for queue in queues:
                queue.arrive(before=up_to)
            # What belongs to later bins waits for them.
            last = _NEVER if up_to == len(which) else self._last_complete()
            for queue in queues:
                queue.feed(last)
            changes += self._close_bins()
            if up_to == len(which):
                break
        return changes

    def levels(self) -> dict[str, LevelEstimate]:
        """Levels over the confirmed window; empty before it is confirmed."""
        return self.rule.levels()

    def unsettled(self) -> tuple[Window, dict[str, LevelEstimate]] | None:
        """The last stretch of a trial that did not settle, with its drift in the uncertainty; None without one."""
        return self.rule.unsettled()

    def not_normalised(self) -> dict[str, NotFitted]:
        """Channels asked for whose exponent the confirmed window does not tell."""
        return self.rule.not_normalised()

    def spikes(self) -> dict[str, int]:
        """Single readings left out since the run-up, of the channels that had any [1]."""
        return {name: count for name, count in self._spikes.items() if count}

    def progress(self, channel: str) -> ChannelProgress:
        """How far one required channel is."""
        return self.rule.progress(channel)

    def funnel(self, channel: str) -> FunnelPoint | None:
        """How far the drift that is still possible fits the tolerance, at the newest closed bin.

        The bound is the figure that the rule itself holds against the tolerance. It is None where nothing is compared: with
        too few bins, while readings are missing, while the machine swings.

        Args:
            channel: A required one.

        Returns:
            Mean, bound and tolerance [unit of the channel] with the bin's end; None in the run-up, of a channel that
            nobody waits for, or where no reading is left to tell the tolerance by.
        """
        return self.rule.funnel(channel)

    def why_not(self, channel: str) -> HeldBackBy | None:
        """Why a required channel has no average, were the trial to end now; None once it is confirmed."""
        return self.rule.why_not(channel)

    def averaging_s(self) -> float:
        """Time since the declaration [s]; 0 before it."""
        return self.rule.averaging_s()

    def time_left_s(self) -> float | None:
        """How long until the average is likely to be confirmed [s]; None where nothing can be said yet."""
        return self.rule.time_left_s()

    def _closes(self, queues: Sequence["_Queue"], end: int) -> dict[int, int]:
        """How many of the readings of a block it takes until each bin is complete; all, of bins that are not named."""
        seen = [self._closed, *(n for queue in queues for n in queue.numbers())]
        bins = np.unique(np.add.outer(np.unique(seen), (-1, 0, 1, 2)))
        never = np.full(len(bins), _NEVER, np.intp)
        ahead = never
        waited_for = dict.fromkeys(self._front_ends.values(), never)
        for queue in queues:
            first = queue.first_beyond(bins)
            ahead = np.minimum(ahead, first)
            known = waited_for[queue.front_end]
            waited_for[queue.front_end] = np.minimum(known, first)
        beyond = np.max(
            [
                # A bin that an earlier block went beyond waits for nothing.
                np.where(bins >= front_end.last_index, first, -1)
                for front_end, first in waited_for.items()
            ],
            axis=0,
        )
        up_to = np.minimum(np.minimum(beyond[:-1], ahead[1:]), end - 1) + 1
        has_next = np.diff(bins) == 1
        return dict(
            zip(bins[:-1][has_next].tolist(), up_to[has_next].tolist(), strict=True)
        )

    def _close_bins(self) -> list[PhaseChange]:
        changes: list[PhaseChange] = []
        while self.rule.phase is not Phase.CONFIRMED and self._bin_is_complete():
            closed = close_bins([*self._front_ends.values()])
            items = dict(zip(self._front_ends, closed, strict=True))
            self._closed += 1
            in_run_up = self.rule.phase is Phase.RUN_UP
            change = self.rule.take(items)
            # Inrush looks like spikes, and is nobody's concern.
            if not in_run_up:
                for name, item in items.items():
                    self._spikes[name] += item.spikes
            if change is not None:
                changes.append(change)
        return changes

    def _bin_is_complete(self) -> bool:
        return self._last_complete() >= self._closed

    def _last_complete(self) -> int:
        indices = [end.last_index for end in self._front_ends.values()]
        return max(min(indices) - 1, max(indices) - 2)


class _Queue:
    """One channel's readings of a block, waiting for their turn."""

    def __init__(
        self,
        front_end: FrontEnd,
        positions: NDArray[np.intp],
        bins: NDArray[np.intp],
        times_s: NDArray[np.float64],
        values: NDArray[np.float64],
    ) -> None:
        self.front_end = front_end
        self._where = positions
        self._bins_of_it = bins[positions]
        self._positions: list[int] = positions.tolist()
        self._bins: list[int] = self._bins_of_it.tolist()
        self._times_s: list[float] = times_s[positions].tolist()
        of_it = values[positions]
        self._values: list[float] = of_it.tolist()
        far = are_far(of_it, resolution=front_end.resolution)
        if self._bins and self._bins[0] < front_end.next_index:
            # A reading that comes too late is not used, and those after it have others before them.
            far[:] = True
        self._far_before: list[int] = [0, *np.cumsum(far).tolist()]
        self._arrived = 0
        self._taken = 0

    def numbers(self) -> list[int]:
        """Of the bins that its readings fall into."""
        changes = np.flatnonzero(np.diff(self._bins_of_it)) + 1
        return self._bins_of_it[[0, *changes.tolist()]].tolist() if self._bins else []

    def first_beyond(self, bins: NDArray[np.intp]) -> NDArray[np.intp]:
        """Positions in the block of the first reading after each bin; beyond every block where there is none."""
        at = np.searchsorted(self._bins_of_it, bins, side="right")
        return np.append(self._where, _NEVER)[at]

    def arrive(self, *, before: int) -> None:
        """What lies before a position of the block is there, if not fed yet."""
        self._arrived = bisect_left(self._positions, before, self._arrived)
        if self._arrived:
            latest = self._bins[self._arrived - 1]
            self.front_end.last_index = max(self.front_end.last_index, latest)

    def feed(self, last_bin: int) -> None:
        """Feed what is there of the bins up to one."""
        begin, arrived, bins = self._taken, self._arrived, self._bins
        while begin < arrived and bins[begin] <= last_bin:
            index = bins[begin]
            end = bisect_right(bins, index, begin, arrived)
            self.front_end.feed_bin(
                index,
                self._times_s[begin:end],
                self._values[begin:end],
                suspect=self._far_before[begin] < self._far_before[end],
            )
            begin = end
        self._taken = begin
