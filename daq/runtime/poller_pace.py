"""Tells which lines of a meter that talks by itself did not come, by when those before and after them arrived.

Nobody asks such a meter, so nothing is due at a known moment. Rules:

- The usual interval is learned: from the last stretches between lines, those near their median together; lines that
  come at once share the time since those before them. It is never less than the profile's refresh, and until
  `_LEAST_STRETCHES` are known (of bursts `_KNOWN_STRETCHES`) nothing is missing.
- A step of more than `_LATE` usual intervals makes lines missing only if those after it do not make up for it: what an
  adapter or a busy computer held back is followed by lines that come too soon, what was lost is not. As much as was
  held back lately may be held back again: in bursts a single lost line is not told.
- Each missing line is a gap, at the moment at which it was due. A silence that was told is not told again as missing
  lines; one that nobody told, for the computer slept, is one gap.
- A meter that has become slower for good is believed after `_ALIKE` late lines in a row.

Knows no port and no clock.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median_high

from daq.records import Gap, GapReason, Reading

HELD_BACK_S = 0.05
"""Adapters hold bytes back for up to 16 ms, and a busy computer a little longer."""

_LATE_BY = 0.6
_LATE = 1.0 + _LATE_BY
"""Usual intervals [1]."""
_MORE_THAN_BEFORE = 0.3
"""By so many usual intervals a line must be later than any that came after all, lately."""
_KNOWN_STRETCHES, _LEAST_STRETCHES = 15, 5
_ALIKE = 8
_WITNESSES = 3
"""Lines after a late one that may still make up for it [1]."""
_FULL = 0.6
"""Usual intervals after which a line is no part of a burst [1]."""
_AT_ONCE = 0.3
"""What comes within this share of the pause before it, and of the interval, belongs to one burst [1]."""
_LONGEST_BURST = 0.5
"""Of the pause before it [1]."""
_NEAR = (0.5, 1.7)
"""Times the median: less than the two intervals of a lost line that is not known to be one."""


@dataclass(slots=True)
class _Stretch:
    """From one line, or burst of lines, to the next.

    Attributes:
        pause_s: To its first line [s].
        duration_s: To its last line [s].
        lines: That came [1].
        missing: That did not [1].
        made_up_s: By how much its first line was late, where those after it made up for it [s].
    """

    pause_s: float
    duration_s: float
    lines: int = 1
    missing: int = 0
    made_up_s: float = 0.0

    @property
    def each_s(self) -> float:
        return self.duration_s / (self.lines + self.missing)


@dataclass(slots=True)
class _Late:
    """A late line with those before and after it; a line of `times_s` ends each stretch but the first time."""

    usual_s: float
    times_s: list[float]
    stretches: list[_Stretch] = field(default_factory=list)

    def is_witnessed(self, at_s: float) -> bool:
        """Whether enough has come before a line that belongs to no burst of theirs."""
        is_apart = at_s - self.times_s[-1] > _FULL * self.usual_s
        return is_apart and len(self.stretches) > _WITNESSES

    @property
    def _late_s(self) -> list[float]:
        begun_s, *others = self.times_s
        return [
            at_s - begun_s - count * self.usual_s
            for count, at_s in enumerate(others, 1)
        ]

    @property
    def most_s(self) -> float:
        """By how much a line was late [s]."""
        return max(self._late_s)

    @property
    def least_s(self) -> float:
        """By how much every line was late [s]; what nothing has made up for."""
        return min(self._late_s)


class StreamPace:
    """Watches the arrivals of one meter's lines.

    Args:
        instrument: Name on the bench, for gaps.
        refresh_s: Of its profile [s of real time].
        silence_s: After how long without a line a gap is told by others [s of real time].
        held_back_s: What is late by less may be on its way still [s of real time].
    """

    def __init__(
        self,
        instrument: str,
        *,
        refresh_s: float,
        silence_s: float,
        held_back_s: float = HELD_BACK_S,
    ) -> None:
        self._instrument = instrument
        self._refresh_s = refresh_s
        self._silence_s = silence_s
        self._held_back_s = held_back_s
        self._stretches: deque[_Stretch] = deque(maxlen=_KNOWN_STRETCHES)
        self._last_s: float | None = None
        self._late: _Late | None = None
        self._late_in_a_row = 0

    def take(self, outcome: Reading | Gap, *, silent_from_s: float | None) -> list[Gap]:
        """What is known to be missing once this came.

        Args:
            outcome: Of a line, good or bad, or of a silence; in wire time.
            silent_from_s: When silence would have become a gap, had nothing come [s].
        """
        is_silence = isinstance(outcome, Gap) and (
            silent_from_s is not None and outcome.at_s >= silent_from_s
        )
        if is_silence:
            return self.interrupt()
        last_s = self._last_s
        if last_s is None:
            self._last_s = outcome.at_s
            return []
        # A bad line's time is when it ended; the next one may have begun before all of the chunk was there.
        self._last_s = max(outcome.at_s, last_s)
        usual_s = self._usual_s()
        stretch = self._learned(self._last_s - last_s, usual_s)
        return [*self._judge(last_s, self._last_s, stretch, usual_s)]

    def interrupt(self) -> list[Gap]:
        """What is known to be missing before a silence or a lost port; from there on others tell."""
        gaps = [*self._decide()]
        self._late = self._last_s = None
        return gaps

    # ---- what is usual

    def _learned(self, step_s: float, usual_s: float | None) -> _Stretch:
        newest = self._stretches[-1] if self._stretches else None
        if newest is not None and step_s < _AT_ONCE * min(
            newest.pause_s, usual_s or newest.pause_s
        ):
            burst_s = newest.duration_s - newest.pause_s + step_s
            if burst_s <= _LONGEST_BURST * newest.pause_s:
                newest.duration_s += step_s
                newest.lines += 1
                return newest
        self._forget_first_burst(step_s)
        self._stretches.append(_Stretch(step_s, step_s))
        return self._stretches[-1]

    def _forget_first_burst(self, step_s: float) -> None:
        """Whoever begins to listen may hear lines at once without the pause before them."""
        is_first = len(self._stretches) < _LEAST_STRETCHES
        if is_first and any(s.pause_s < _AT_ONCE * step_s for s in self._stretches):
            self._stretches.clear()

    def _usual_s(self) -> float | None:
        # Where an adapter hands lines over in bursts, only many of them, long and short together, tell the interval.
        is_bursty = any(stretch.lines > 1 for stretch in self._stretches)
        least = _KNOWN_STRETCHES if is_bursty else _LEAST_STRETCHES
        if len(self._stretches) < least:
            return None
        middle_s = median_high(stretch.each_s for stretch in self._stretches)
        near = [
            stretch
            for stretch in self._stretches
            if is_bursty or _NEAR[0] * middle_s <= stretch.each_s <= _NEAR[1] * middle_s
        ]
        lines = sum(stretch.lines + stretch.missing for stretch in near)
        learned_s = sum(stretch.duration_s for stretch in near) / lines
        return max(learned_s, self._refresh_s)

    # ---- what is missing

    def _judge(
        self, last_s: float, at_s: float, stretch: _Stretch, usual_s: float | None
    ) -> Iterator[Gap]:
        late = self._late
        if late is not None and late.is_witnessed(at_s):
            yield from self._decide()
            late, usual_s = self._late, self._usual_s()
        if late is not None:
            late.times_s.append(at_s)
            late.stretches.append(stretch)
            if late.least_s < _LATE_BY * late.usual_s:
                late.stretches[0].made_up_s = late.most_s
                self._late = None
        elif usual_s is not None and at_s - last_s > _LATE * usual_s:
            self._late = _Late(usual_s, [last_s, at_s], [stretch])
        elif usual_s is not None and at_s - last_s > _FULL * usual_s:
            self._late_in_a_row = 0

    def _decide(self) -> Iterator[Gap]:
        """Tell what is missing by now, and look at the lines after it as if they came only now."""
        late, self._late = self._late, None
        missing = 0 if late is None else self._missing(late)
        if late is None or missing == 0:
            return
        late.stretches[0].missing = missing
        self._count_late_line()
        yield from self._gaps(late, missing)
        steps = pairwise(late.times_s[1:])
        for (last_s, at_s), stretch in zip(steps, late.stretches[1:], strict=True):
            yield from self._judge(last_s, at_s, stretch, self._usual_s())

    def _missing(self, late: _Late) -> int:
        """Lines that nothing has made up for [1]; what was held back lately may be held back as long again."""
        made_up_s = max(stretch.made_up_s for stretch in self._stretches)
        if made_up_s > 0.0:
            made_up_s += _MORE_THAN_BEFORE * late.usual_s
        if late.least_s < max(self._held_back_s, made_up_s):
            return 0
        return int(late.least_s / late.usual_s + 1.0 - _LATE_BY)

    def _count_late_line(self) -> None:
        """Where every line is late, the meter is slower than it was."""
        self._late_in_a_row += 1
        if self._late_in_a_row >= _ALIKE:
            self._late_in_a_row = 0
            for stretch in self._stretches:
                stretch.missing = 0

    def _gaps(self, late: _Late, missing: int) -> Iterator[Gap]:
        before_s, after_s = late.times_s[:2]
        step_s = after_s - before_s
        if step_s > self._silence_s:
            due = [before_s + late.usual_s]
            detail = f"silent for {step_s:.3g} s, lines missing: {missing}, usually {late.usual_s:.3g} s apart"
        else:
            due = [before_s + step_s * n / (missing + 1) for n in range(1, missing + 1)]
            detail = f"a line is missing: {step_s:.3g} s between two, usually {late.usual_s:.3g} s"
        for due_s in due:
            yield Gap(self._instrument, due_s, GapReason.NO_REPLY, detail)
