"""Recent readings of one channel, thinned as they come: nothing that stood out is lost, and telling all of it takes no time.

Of every stretch of time its least, its greatest and its newest reading are kept, and a gap: at most four points. The text
of a stretch is made once, when the next one begins.
"""

import json
from collections import deque
from dataclasses import dataclass, field, replace

STRETCH_S = 1.5
"""As long as the page's own [s of bench time]. With the newest point of each, neighbours are never so far apart that a
page would take it for a silence."""


@dataclass(slots=True)
class _Stretch:
    """The points of one stretch, each as its time and value; a gap is a time alone."""

    number: int
    least: tuple[float, float] | None = None
    greatest: tuple[float, float] | None = None
    newest: tuple[float, float] | None = None
    gap_s: float | None = None

    def take(self, at_s: float, value: float | None) -> None:
        if value is None:
            self.gap_s = at_s
            return
        self.newest = (at_s, value)
        if self.least is None or value < self.least[1]:
            self.least = self.newest
        if self.greatest is None or value >= self.greatest[1]:
            self.greatest = self.newest

    def points(self) -> list[tuple[float, float | None]]:
        """In the order of their times, each once."""
        values: dict[float, float | None] = dict(
            point
            for point in (self.least, self.greatest, self.newest)
            if point is not None
        )
        if self.gap_s is not None:
            values[self.gap_s] = None
        return sorted(values.items())


@dataclass(frozen=True, slots=True)
class _Told:
    """A stretch that is over, as text: times and values without their brackets."""

    end_s: float
    times: str
    values: str

    def without(self, at_s: float) -> "_Told":
        """The same without the point of this time, as it is told [s]."""
        times, values = json.loads(f"[{self.times}]"), json.loads(f"[{self.values}]")
        if at_s not in times:
            return self
        at = times.index(at_s)
        del times[at], values[at]
        return replace(
            self, times=json.dumps(times)[1:-1], values=json.dumps(values)[1:-1]
        )


@dataclass(slots=True)
class ThinnedTrace:
    """One channel's trace.

    Attributes:
        kept_s: For so long readings are kept [s of bench time].
    """

    kept_s: float
    _told: deque[_Told] = field(default_factory=deque)
    _open: _Stretch | None = None

    def append(self, at_s: float, value: float | None) -> None:
        """Take a reading, None for one without a value; they come in the order of their times."""
        number = int(at_s // STRETCH_S)
        if self._open is None or number > self._open.number:
            self._close()
            self._open = _Stretch(number)
            while self._told and self._told[0].end_s <= at_s - self.kept_s:
                self._told.popleft()
        self._open.take(at_s, value)

    def begin_with(self, earlier: "ThinnedTrace") -> None:
        """Take in what another trace kept of the time before this one's first reading."""
        self._told.extendleft(reversed(earlier.stretches()))

    def drop(self, at_s: float) -> None:
        """Forget a reading that counts no more; of others that were thinned out beside it none comes back."""
        self._close()
        self._open = None
        told = [each.without(round(at_s, 3)) for each in self._told]
        self._told = deque(each for each in told if each.times)

    def stretches(self) -> "list[_Told]":
        """All that is kept, oldest first."""
        open_one = [] if self._open is None else [_told(self._open)]
        return [*self._told, *open_one]

    def as_json(self, now_s: float) -> str:
        """Times [s] and values of what is not older than is kept, thinned, as `{"t": [...], "v": [...]}`."""
        oldest_s = now_s - self.kept_s
        recent = [told for told in self.stretches() if told.end_s > oldest_s]
        times = ", ".join(told.times for told in recent)
        values = ", ".join(told.values for told in recent)
        return f'{{"t": [{times}], "v": [{values}]}}'

    def _close(self) -> None:
        if self._open is not None:
            self._told.append(_told(self._open))


def _told(stretch: _Stretch) -> _Told:
    points = stretch.points()
    return _Told(
        (stretch.number + 1) * STRETCH_S,
        json.dumps([round(at_s, 3) for at_s, _ in points])[1:-1],
        json.dumps([value for _, value in points], allow_nan=False)[1:-1],
    )
