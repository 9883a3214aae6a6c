"""Instruments that answer a text query with one line of numbers.

The request is sent as it is; the reply is one line, its parts set apart by a separator,
some of which are fields. Rules:

- The number of parts is exact, and each field's part is a number in one of the three
  forms of IEEE 488.2 (see `framing.number_from_text`); anything else is a garbled
  reply. 9.9E37 and above means overrange or not-a-number: that value is None, flagged,
  and the others stand (SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5).
- A line more than asked means that nobody knows which one answers: no reading.
- Where the instrument puts a checksum behind its line, a line without the right one is
  garbled. Without a checksum a flipped digit that leaves a number cannot be seen here:
  count of parts, plausible range and parity on the line guard what they can.
- Where the reply says whose it is, a reply of another address is foreign.

Knows no port and no clock; at most one line of `max_line` bytes is kept.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from daq.checksums import LineChecksum
from daq.framing import OVERRANGE, number_from_text, shown_bytes, text_from_line
from daq.protocols import PollValues, ReportedField, require_positive
from daq.records import Gap, GapReason, Reading


@dataclass(frozen=True, slots=True)
class LineField(ReportedField):
    """One value at one place of the reply.

    Attributes:
        position: Zero-based place among the parts; parts of no field are ignored.
    """

    position: int


class QueryLines:
    """Sends one query a poll and reads one line; one Reading or Gap a poll.

    Args:
        instrument: Name on the bench, for readings and gaps.
        request: Bytes of the query, its terminator included.
        fields: In the order that readings shall have.
        expected_count: How many parts the reply has, used or not [1].
        reply_timeout_s: How long the instrument may take to begin its reply [s].
        char_s: Time of one character on the line [s].
        terminator: What ends the reply; a carriage return before it is ignored.
        separator: What stands between two parts.
        max_line: Longest reply that is waited for [bytes].
        echo: The instrument sends the query back before its reply.
        checksum: What stands at the end of the reply; None if nothing does.
        reply_start: What the reply begins with, its address; no part of the numbers.
    """

    def __init__(
        self,
        *,
        instrument: str,
        request: bytes,
        fields: Sequence[LineField],
        expected_count: int,
        reply_timeout_s: float,
        char_s: float,
        terminator: bytes = b"\n",
        separator: str = ",",
        max_line: int = 512,
        echo: bool = False,
        checksum: LineChecksum | None = None,
        reply_start: str = "",
    ) -> None:
        if not (request and terminator and separator):
            msg = f"{instrument}: request, terminator or separator is empty"
            raise ValueError(msg)
        for field in fields:
            if not 0 <= field.position < expected_count:
                msg = f"{field.name}: position {field.position}, expected 0 to {expected_count - 1}"
                raise ValueError(msg)
        require_positive(
            reply_timeout_s=reply_timeout_s, char_s=char_s, max_line=max_line
        )
        self._instrument = instrument
        self._request = request
        self._positions = tuple(field.position for field in fields)
        self._indices = range(len(fields))
        self._values = PollValues(instrument=instrument, fields=fields)
        self._expected_count = expected_count
        self._reply_timeout_s = reply_timeout_s
        self._char_s = char_s
        self._terminator = terminator
        self._separator = separator
        self._max_line = max_line
        self._echo = echo
        self._checksum = checksum
        self._reply_start = reply_start
        self._received = b""
        self._request_end_s = 0.0
        self._reply_start_s = 0.0
        self._deadline: float | None = None
        self._outcome: Reading | Gap | None = None

    @property
    def deadline(self) -> float | None:
        """Wire time until which to wait for the reply; None while idle."""
        return self._deadline

    def query(self, at: float) -> bytes:
        """The query; b"" while its reply is awaited."""
        if self._deadline is not None and at < self._deadline:
            return b""
        self._request_end_s = at + len(self._request) * self._char_s
        self._deadline = self._request_end_s + self._reply_timeout_s
        self._received = b""
        self._outcome = None
        return self._request

    def feed(self, data: bytes, at: float) -> None:
        """Take bytes of the reply; ignored while idle."""
        if self._deadline is None:
            return
        if data:
            self._receive(data, at)
        self._watch_time(at)

    def next_reading(self) -> Reading | Gap | None:
        """What the poll came to; None while it is under way."""
        outcome, self._outcome = self._outcome, None
        return outcome

    def _receive(self, data: bytes, at: float) -> None:
        """Add bytes, and judge the line if it is whole."""
        self._received += data
        reply = self._reply()
        if len(reply) <= len(data):
            self._start_reply(len(reply), at)
        line, end, rest = reply.partition(self._terminator)
        if self._is_overlong(line, whole=bool(end)):
            self._garbled(f"more than {self._max_line} bytes", at)
        elif end and rest.strip(b"\r\n"):
            detail = f"more than one line: {shown_bytes(self._received)}"
            self._end(Gap(self._instrument, at, GapReason.FOREIGN, detail))
        elif end:
            self._take(line, at)

    def _reply(self) -> bytes:
        """What was received, without the query if that came back and is expected to."""
        query = self._request.rstrip(b"\r\n")
        if not (self._echo and self._received.startswith(query)):
            return self._received
        after = self._received[len(query) :]
        return after.lstrip(b"\r\n") if after[:1] in (b"\r", b"\n") else self._received

    def _start_reply(self, length: int, at: float) -> None:
        """Note when the reply began; from there on the line may take its wire time."""
        self._reply_start_s = max(at - length * self._char_s, self._request_end_s)
        begin_until_s = self._request_end_s + self._reply_timeout_s
        end_until_s = self._reply_start_s + self._max_line * self._char_s
        self._deadline = max(begin_until_s, end_until_s) if length else begin_until_s

    def _is_overlong(self, line: bytes, *, whole: bool) -> bool:
        """Whether the limit of one line, or of a query sent back and a line, is passed."""
        if whole:
            return len(line) > self._max_line
        # All of a terminator but its last byte may already be there.
        limit = self._max_line + len(self._terminator) - 1
        echo = len(self._request) if self._echo else 0
        return len(line) > limit or len(self._received) > echo + limit

    def _take(self, line: bytes, at: float) -> None:
        """Check a whole line as far as it can be, and go on to its numbers."""
        covered = line if self._checksum is None else self._checksum.covered_in(line)
        if self._checksum is not None and (fault := self._checksum.fault_in(line)):
            self._garbled(fault, at)
            return
        text = text_from_line(covered or b"")
        if text is None:
            self._garbled("not plain text", at)
        elif not text.startswith(self._reply_start):
            begin = text[: len(self._reply_start)]
            detail = f"reply begins {begin!r}, expected {self._reply_start!r} in {shown_bytes(line)}"
            self._end(Gap(self._instrument, at, GapReason.FOREIGN, detail))
        else:
            self._read(text.removeprefix(self._reply_start), at)

    def _read(self, text: str, at: float) -> None:
        """Make a reading of the numbers."""
        parts = text.split(self._separator)
        if len(parts) != self._expected_count:
            self._garbled(f"{len(parts)} parts, expected {self._expected_count}", at)
            return
        raws: list[float | None] = []
        for position in self._positions:
            number = number_from_text(parts[position])
            if number is None:
                self._garbled(f"{parts[position]!r}, expected a number", at)
                return
            raws.append(number if abs(number) < OVERRANGE else None)
        self._values.clear()
        self._values.put(self._indices, raws)
        if self._values.is_implausible:
            self._end(self._values.implausible_gap(at))
        else:
            middle_s = (self._request_end_s + self._reply_start_s) / 2.0
            self._end(self._values.reading(middle_s))

    def _watch_time(self, at: float) -> None:
        """End the poll if it is still under way and time is up."""
        if self._deadline is None or at < self._deadline:
            return
        within = f"within {self._reply_timeout_s:.2f} s"
        if self._reply():
            reason = GapReason.CUT
            detail = f"no line end {within} in {shown_bytes(self._received)}"
        else:
            reason, detail = GapReason.NO_REPLY, f"no reply {within}"
        self._end(Gap(self._instrument, at, reason, detail))

    def _garbled(self, text: str, at: float) -> None:
        """End the poll because what came is no reply."""
        detail = f"{text} in {shown_bytes(self._received)}"
        self._end(Gap(self._instrument, at, GapReason.GARBLED, detail))

    def _end(self, outcome: Reading | Gap) -> None:
        """Hand out what the poll came to, and be idle."""
        self._outcome = outcome
        self._received = b""
        self._deadline = None
