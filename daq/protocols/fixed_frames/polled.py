"""Judges the one frame that an instrument sends when it is asked.

Rules: a reply is one whole frame and nothing behind it. Rubbish before it is passed over
only where sync bytes and a checksum tell the frame for certain; without them nothing but
the frame itself is a reply. Where neither sync nor checksum are there, a count of bytes
is all that is checked.
"""

from daq.framing import shown_bytes
from daq.protocols import PollValues, require_positive
from daq.protocols.fixed_frames.layout import MAX_LENGTH, FrameLayout
from daq.records import Gap, GapReason, Reading


class PolledFrames:
    """Sends one request a poll and reads one frame; one Reading or Gap a poll.

    Args:
        instrument: Name on the bench, for readings and gaps.
        request: Bytes to send.
        layout: Of the reply.
        reply_timeout_s: How long the instrument may take to begin its reply [s].
        char_s: Time of one character on the line [s].
    """

    def __init__(
        self,
        *,
        instrument: str,
        request: bytes,
        layout: FrameLayout,
        reply_timeout_s: float,
        char_s: float,
    ) -> None:
        if not request:
            msg = f"{instrument}: request is empty"
            raise ValueError(msg)
        require_positive(reply_timeout_s=reply_timeout_s, char_s=char_s)
        self._instrument = instrument
        self._request = request
        self._layout = layout
        self._values = PollValues(instrument=instrument, fields=layout.fields)
        self._reply_timeout_s = reply_timeout_s
        self._char_s = char_s
        self._received = b""
        self._request_end_s = 0.0
        self._deadline: float | None = None
        self._outcome: Reading | Gap | None = None

    @property
    def deadline(self) -> float | None:
        """Wire time until which to wait for the reply; None while idle."""
        return self._deadline

    def query(self, at: float) -> bytes:
        """The request; b"" while its reply is awaited."""
        if self._deadline is not None and at < self._deadline:
            return b""
        self._request_end_s = at + len(self._request) * self._char_s
        wire_s = self._layout.length * self._char_s
        self._deadline = self._request_end_s + self._reply_timeout_s + wire_s
        self._received = b""
        self._outcome = None
        return self._request

    def feed(self, data: bytes, at: float) -> None:
        """Take bytes of the reply; ignored while idle."""
        if self._deadline is None:
            return
        if data:
            self._received += data
            self._judge(at)
        self._watch_time(at)

    def next_reading(self) -> Reading | Gap | None:
        """What the poll came to; None while it is under way."""
        outcome, self._outcome = self._outcome, None
        return outcome

    def _judge(self, at: float) -> None:
        """End the poll if what came is a frame, or can no longer become one."""
        received, layout = self._received, self._layout
        if len(received) > 2 * MAX_LENGTH:
            self._garbled(f"more than {2 * MAX_LENGTH} bytes in", at)
            return
        for place in self._places():
            frame = received[place : place + layout.length]
            if len(frame) < layout.length:
                return
            if layout.fault_in(frame):
                continue
            if behind := len(received) - place - layout.length:
                self._garbled(f"{behind} bytes after a whole frame in", at)
            else:
                self._read(frame, at)
            return
        if not self._may_search:
            self._garbled(self._fault(), at)

    @property
    def _may_search(self) -> bool:
        """Whether a frame can be told from rubbish before it."""
        return bool(self._layout.sync) and self._layout.checksum is not None

    def _places(self) -> list[int]:
        """Where in the received bytes a frame may begin."""
        if not self._may_search:
            size = min(len(self._received), len(self._layout.sync))
            return [0] if self._received[:size] == self._layout.sync[:size] else []
        sync = self._layout.sync
        last = len(self._received) - len(sync) + 1
        return [i for i in range(last) if self._received.startswith(sync, i)]

    def _fault(self) -> str:
        """What is wrong with the received bytes, taken for a frame."""
        places = self._places() or [0]
        length = self._layout.length
        return self._layout.fault_in(self._received[places[0] : places[0] + length])

    def _read(self, frame: bytes, at: float) -> None:
        """Make a reading of a sound frame."""
        try:
            raws = self._layout.raws_in(frame)
        except ValueError as exc:
            self._garbled(str(exc), at)
            return
        self._values.clear()
        self._values.put(range(len(raws)), raws)
        if self._values.is_implausible:
            self._end(self._values.implausible_gap(at))
            return
        start_s = max(at - len(frame) * self._char_s, self._request_end_s)
        self._end(self._values.reading((self._request_end_s + start_s) / 2.0))

    def _watch_time(self, at: float) -> None:
        """End the poll with what is missing, if it is still under way and time is up."""
        if self._deadline is None or at < self._deadline:
            return
        within = f"within {self._reply_timeout_s:.2f} s"
        places, length = self._places(), self._layout.length
        if not self._received:
            gap = Gap(self._instrument, at, GapReason.NO_REPLY, f"no reply {within}")
            self._end(gap)
        elif places and len(self._received) - places[0] < length:
            got = len(self._received) - places[0]
            shown = shown_bytes(self._received)
            detail = f"{got} of {length} bytes {within}: {shown}"
            self._end(Gap(self._instrument, at, GapReason.CUT, detail))
        else:
            self._garbled(self._fault(), at)

    def _garbled(self, fault: str, at: float) -> None:
        """End the poll because what came is no reply."""
        detail = f"{fault} {shown_bytes(self._received)}"
        self._end(Gap(self._instrument, at, GapReason.GARBLED, detail))

    def _end(self, outcome: Reading | Gap) -> None:
        """Hand out what the poll came to, and be idle."""
        self._outcome = outcome
        self._received = b""
        self._deadline = None
