"""How instruments talk: the face every wire protocol has, and what all families share.

A protocol is handed bytes with their times and gives readings; it opens no port, waits
for nothing and reads no clock. Times are wire times in real seconds. The shell keeps
the silence before a request, drains the line after a gap, and makes a new protocol
when a port was closed and opened again. A turn of it goes so:

1. `query(at)` gives the bytes to send, b"" where there is nothing to send now.
2. `feed(data, at)` takes what arrived, or b"" when `deadline` is reached.
3. `next_reading()` gives a Reading or a Gap; on None go to 1, for a poll may need
   several requests, and b"" from there means: wait for bytes or for `deadline`.

After a Gap the poll is over, and what still arrives is ignored until the next poll.
A Gap's time is when it became known. Nothing raises on received bytes.

This module imports no family, and no family imports another.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Protocol

from daq.records import Gap, GapReason, Reading, unusable_bit


class WireProtocol(Protocol):
    """The face of every protocol, and all of it."""

    @property
    def deadline(self) -> float | None:
        """Wire time until which to wait for bytes; None while idle."""
        ...

    def query(self, at: float) -> bytes:
        """Bytes to hand to the port at `at`; b"" where there is nothing to send now."""
        ...

    def feed(self, data: bytes, at: float) -> None:
        """Take bytes whose last one arrived at `at`; b"" says that time has passed."""
        ...

    def next_reading(self) -> Reading | Gap | None:
        """The next outcome; None if more bytes, or another query, are needed."""
        ...


@dataclass(frozen=True, slots=True)
class ReportedField:
    """One value that an instrument reports: `raw * scale + offset`.

    Attributes:
        name: Unique in the instrument.
        scale: What one count of the raw number is worth [unit of the field].
        offset: Value at a raw number of zero [unit of the field].
        low: Least plausible value [unit of the field]; None if there is none.
        high: Greatest plausible value [unit of the field]; None if there is none.
    """

    name: str
    scale: float = field(default=1.0, kw_only=True)
    offset: float = field(default=0.0, kw_only=True)
    low: float | None = field(default=None, kw_only=True)
    high: float | None = field(default=None, kw_only=True)

    def __post_init__(self) -> None:
        """Refuse what no instrument can mean."""
        if not self.name:
            msg = "a field has no name"
            raise ValueError(msg)
        if self.scale == 0 or not isfinite(self.scale) or not isfinite(self.offset):
            msg = f"{self.name}: scale {self.scale}, offset {self.offset}, expected finite, scale not 0"
            raise ValueError(msg)
        if self.low is not None and self.high is not None and self.low > self.high:
            msg = f"{self.name}: low {self.low} above high {self.high}"
            raise ValueError(msg)

    def is_plausible(self, value: float) -> bool:
        """Whether the instrument can have meant this value."""
        return (self.low is None or value >= self.low) and (
            self.high is None or value <= self.high
        )

    def plausible_range(self) -> str:
        """The range in words, for a message."""
        if self.low is None:
            return f"at most {self.high}"
        return (
            f"at least {self.low}"
            if self.high is None
            else f"{self.low} to {self.high}"
        )


class PollValues:
    """Collects the values of one poll until they make a reading.

    One object serves all polls of an instrument, so that a poll makes nothing new but
    its Reading.
    """

    def __init__(self, *, instrument: str, fields: Sequence[ReportedField]) -> None:
        names = [item.name for item in fields]
        if not names or len(set(names)) < len(names):
            msg = f"{instrument}: fields {names}, expected at least one, each name once"
            raise ValueError(msg)
        self._instrument = instrument
        self._fields = tuple(fields)
        self._values: list[float | None] = [None] * len(names)
        self._flags = 0
        self._implausible = ""

    def clear(self) -> None:
        """Begin a new poll."""
        self._values = [None] * len(self._fields)
        self._flags = 0
        self._implausible = ""

    def put(self, indices: Iterable[int], raws: Iterable[float | None]) -> None:
        """Scale raw numbers into the fields of these indices; None means overrange."""
        for index, raw in zip(indices, raws, strict=True):
            item = self._fields[index]
            value = None if raw is None else raw * item.scale + item.offset
            if value is None or not isfinite(value):
                self._flags |= unusable_bit(index)
            elif item.is_plausible(value):
                self._values[index] = value
            else:
                self._implausible = (
                    f"{item.name} {value}, expected {item.plausible_range()}"
                )

    @property
    def is_implausible(self) -> bool:
        """Whether a value that came in is outside its range."""
        return bool(self._implausible)

    def reading(self, at_s: float) -> Reading:
        """What came in, as a reading true at `at_s`."""
        return Reading(self._instrument, at_s, tuple(self._values), self._flags)

    def implausible_gap(self, at_s: float) -> Gap:
        """The gap that an implausible value makes of the whole poll."""
        return Gap(self._instrument, at_s, GapReason.IMPLAUSIBLE, self._implausible)


def require_positive(**figures: float) -> None:
    """Refuse a time or a limit that is not above zero, by its name.

    Raises:
        ValueError: If one is not above zero, or not finite.
    """
    for name, figure in figures.items():
        if not (isfinite(figure) and figure > 0):
            msg = f"{name} {figure}, expected above 0"
            raise ValueError(msg)
