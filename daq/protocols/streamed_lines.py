"""Instruments that talk by themselves, one line of text a reading.

Nobody asks; each line that matches a pattern as a whole is a reading. Rules:

- Until the first line end after the start, after a silence or after an overlong line,
  bytes are dropped without a gap: half a line can look like a whole one ("2.34" of
  "12.34"), and no checksum would tell. A blank line is passed over and counts as
  silence.
- Every other line that does not match is a gap, and so is silence.
- A reading's time is when its line began on the wire: the arrival of its last byte less
  the time of its bytes. Lines that arrive in one chunk are told apart by the bytes that
  follow them.
- Where the instrument puts a checksum behind its lines, the pattern is held against what
  the checksum covers, and a line without the right one is garbled. Without a checksum a
  flipped digit that leaves a number cannot be seen here. Let the pattern be narrow:
  signs, counts of digits and units are what a spoiled byte hits.

Knows no port and no clock. At most `max_line` bytes of an unfinished line and
`MAX_WAITING` outcomes are kept. After a port was opened again a new object is needed.
"""

import re
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from daq.checksums import LineChecksum
from daq.framing import OVERRANGE, number_from_text, shown_bytes, text_from_line
from daq.protocols import PollValues, ReportedField, require_positive
from daq.records import Gap, GapReason, Reading

OVERRANGE_TEXTS = frozenset({"OL", "+OL", "-OL", "O.L", "OVER"})
"""What meters show in place of a number that does not fit."""

MAX_WAITING = 1024
"""Outcomes kept for a shell that does not take them."""


@dataclass(frozen=True, slots=True)
class StreamField(ReportedField):
    """One value of the line; `name` is also the name of its group in the pattern."""


class StreamedLines:
    """Reads the lines that an instrument sends unasked; one Reading or Gap a line.

    Args:
        instrument: Name on the bench, for readings and gaps.
        pattern: Regular expression of a whole line, one named group a field.
        fields: In the order that readings shall have.
        silence_s: After how long without a line there is a gap [s]; longer than the
            instrument's interval.
        char_s: Time of one character on the line [s].
        overrange: Texts that stand for a value out of range.
        terminator: What ends a line; a carriage return before it is ignored.
        max_line: Longest line that is waited for [bytes].
        checksum: What stands at the end of a line; None if nothing does.
    """

    def __init__(
        self,
        *,
        instrument: str,
        pattern: str,
        fields: Sequence[StreamField],
        silence_s: float,
        char_s: float,
        overrange: frozenset[str] = OVERRANGE_TEXTS,
        terminator: bytes = b"\n",
        max_line: int = 512,
        checksum: LineChecksum | None = None,
    ) -> None:
        if not terminator:
            msg = f"{instrument}: terminator is empty"
            raise ValueError(msg)
        require_positive(silence_s=silence_s, char_s=char_s, max_line=max_line)
        self._instrument = instrument
        self._names = tuple(field.name for field in fields)
        self._pattern = _compiled(pattern, self._names)
        self._values = PollValues(instrument=instrument, fields=fields)
        self._silence_s = float(silence_s)
        self._char_s = char_s
        self._overrange = overrange
        self._terminator = terminator
        self._max_line = max_line
        self._checksum = checksum
        # All of a terminator but its last byte may already be there.
        self._max_unfinished = max_line + len(terminator) - 1
        self._rest = b""
        self._in_step = False
        self._deadline: float | None = None
        self._outcomes: deque[Reading | Gap] = deque()

    @property
    def deadline(self) -> float | None:
        """Wire time at which silence becomes a gap; None before the first query."""
        return self._deadline

    def query(self, at: float) -> bytes:
        """Nothing to send; the first call starts the watch for silence."""
        if self._deadline is None:
            self._deadline = at + self._silence_s
        return b""

    def feed(self, data: bytes, at: float) -> None:
        """Take bytes, any number of lines and parts of lines at once."""
        if data:
            self._receive(data, at)
        if self._deadline is not None and at >= self._deadline:
            self._silent(self._deadline, at)

    def next_reading(self) -> Reading | Gap | None:
        """The oldest outcome that was not taken yet; None if there is none."""
        return self._outcomes.popleft() if self._outcomes else None

    def _receive(self, data: bytes, at: float) -> None:
        """Judge each line that has come to its end, keep the rest."""
        received = self._rest + data
        *lines, self._rest = received.split(self._terminator)
        ahead = len(received)
        for line in lines:
            if line.strip(b" \r\n"):
                self._deadline = at + self._silence_s
            if self._in_step:
                self._judge(line, at, at - ahead * self._char_s)
            self._in_step = True
            ahead -= len(line) + len(self._terminator)
        if len(self._rest) > self._max_unfinished:
            if self._in_step:
                self._overlong(self._rest, at)
            self._in_step = False
            # Its last bytes may be the first ones of a terminator.
            self._rest = self._rest[len(self._rest) + 1 - len(self._terminator) :]

    def _judge(self, line: bytes, at: float, start_s: float) -> None:
        """Make a reading or a gap of one whole line."""
        if len(line) > self._max_line:
            self._overlong(line, at)
            return
        if text_from_line(line) == "":
            return
        covered = line if self._checksum is None else self._checksum.covered_in(line)
        if self._checksum is not None and (fault := self._checksum.fault_in(line)):
            self._garbled(f"{fault} in", line, at)
            return
        text = text_from_line(covered or b"")
        match = self._pattern.fullmatch(text) if text else None
        if match is None:
            self._garbled("line does not match the pattern:", line, at)
            return
        self._read(match, line, at, start_s)

    def _read(
        self, match: re.Match[str], line: bytes, at: float, start_s: float
    ) -> None:
        """Make a reading of a line that matches."""
        raws: list[float | None] = []
        for name in self._names:
            shown = (match[name] or "").strip(" ")
            number = OVERRANGE if shown in self._overrange else number_from_text(shown)
            if number is None:
                self._garbled(f"{name} {shown!r}, expected a number in", line, at)
                return
            raws.append(number if abs(number) < OVERRANGE else None)
        self._values.clear()
        self._values.put(range(len(raws)), raws)
        if self._values.is_implausible:
            self._put(self._values.implausible_gap(at))
        else:
            self._put(self._values.reading(start_s))

    def _silent(self, deadline: float, at: float) -> None:
        """Note the silence; what then comes may begin anywhere in a line."""
        detail = f"silent for {self._silence_s} s"
        self._put(Gap(self._instrument, at, GapReason.NO_REPLY, detail))
        self._rest = b""
        self._in_step = False
        # A computer that slept is one gap, not one for each missed deadline.
        following = deadline + self._silence_s
        self._deadline = following if following > at else at + self._silence_s

    def _overlong(self, line: bytes, at: float) -> None:
        """A line that nobody waits for any longer."""
        self._garbled(f"more than {self._max_line} bytes in", line, at)

    def _garbled(self, text: str, line: bytes, at: float) -> None:
        """A line that is no reading."""
        detail = f"{text} {shown_bytes(line)}"
        self._put(Gap(self._instrument, at, GapReason.GARBLED, detail))

    def _put(self, outcome: Reading | Gap) -> None:
        """Keep an outcome for `next_reading`, within the limit."""
        if len(self._outcomes) >= MAX_WAITING:
            self._outcomes.clear()
            detail = f"{MAX_WAITING} readings not taken in time, dropped"
            at_s = outcome.at_s
            self._outcomes.append(
                Gap(self._instrument, at_s, GapReason.GARBLED, detail)
            )
        self._outcomes.append(outcome)


def _compiled(pattern: str, names: Sequence[str]) -> re.Pattern[str]:
    """The pattern, once its named groups are exactly the fields."""
    try:
        compiled = re.compile(pattern, re.ASCII)
    except re.error as exc:
        msg = f"pattern {pattern!r}: {exc}"
        raise ValueError(msg) from exc
    unknown = sorted(compiled.groupindex.keys() - set(names))
    missing = sorted(set(names) - compiled.groupindex.keys())
    if unknown or missing:
        msg = f"pattern {pattern!r}: groups of no field {unknown}, fields of no group {missing}"
        raise ValueError(msg)
    return compiled
