"""Finds frames of a fixed length in what an instrument sends unasked.

A sync byte is a byte like others, and may stand inside a value. Rules:

- With a checksum, a frame is what begins with the sync bytes and has the right checksum.
  After a frame that has not, the search goes on one byte further, so a false sync or a
  lost byte costs the frame that it spoils and no other.
- Without a checksum, in step means: each frame begins where the last one ended, or after
  a pause. Out of step (at the start, after rubbish) a frame counts only once the next
  one's sync stands right behind it; a pause longer than `_PAUSE_S` and a frame puts in step.
- Rubbish in step is one gap, however long it is; at the start it is none, for whoever
  begins to listen hears half a frame. Silence is a gap.
- A reading's time is when its frame began on the wire: the arrival of its last byte less
  the time of its bytes.

At most one frame and its follower's sync are kept, and `MAX_WAITING` outcomes.
"""

from collections import deque

from daq.framing import shown_bytes
from daq.protocols import PollValues, require_positive
from daq.protocols.fixed_frames.layout import FrameLayout
from daq.records import Gap, GapReason, Reading

MAX_WAITING = 1024
"""Outcomes kept for a shell that does not take them."""

_PAUSE_S = 0.05
"""Adapters hold bytes back for up to 16 ms, and a busy computer a little longer."""


class StreamedFrames:
    """Reads the frames that an instrument sends unasked; one Reading or Gap a frame.

    Args:
        instrument: Name on the bench, for readings and gaps.
        layout: Of a frame.
        silence_s: After how long without a frame there is a gap [s]; longer than the
            instrument's interval.
        char_s: Time of one character on the line [s].
    """

    def __init__(
        self, *, instrument: str, layout: FrameLayout, silence_s: float, char_s: float
    ) -> None:
        if not layout.sync:
            msg = f"{instrument}: sync is empty, expected the bytes that each frame begins with"
            raise ValueError(msg)
        require_positive(silence_s=silence_s, char_s=char_s)
        self._instrument = instrument
        self._layout = layout
        self._values = PollValues(instrument=instrument, fields=layout.fields)
        self._silence_s = float(silence_s)
        self._char_s = char_s
        self._pause_s = _PAUSE_S + layout.length * char_s
        self._rest = b""
        self._rubbish = b""
        self._fault = ""
        self._in_step = False
        self._was_in_step = False
        self._last_s: float | None = None
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
        """Take bytes, any number of frames and parts of frames at once."""
        if data:
            self._note_pause(len(data), at)
            self._receive(data, at)
        if self._deadline is not None and at >= self._deadline:
            self._silent(self._deadline, at)

    def next_reading(self) -> Reading | Gap | None:
        """The oldest outcome that was not taken yet; None if there is none."""
        return self._outcomes.popleft() if self._outcomes else None

    def _note_pause(self, count: int, at: float) -> None:
        """Before new bytes are taken: a pause ends what was unfinished, and begins a frame."""
        if self._last_s is not None:
            begun_s = at - count * self._char_s
            if begun_s - self._last_s > self._pause_s:
                self._give_up(self._rest, "frame cut short by a pause:")
                self._rest = b""
                self._tell_rubbish(at)
                self._in_step = True
        self._last_s = at

    def _receive(self, data: bytes, at: float) -> None:
        """Judge each whole frame, and pass over what is none."""
        received = self._rest + data
        length = self._layout.length
        place = 0
        while place < len(received):
            found = received.find(self._layout.sync, place)
            end = found
            if found < 0:
                end = max(place, len(received) - self._begun_sync(received))
            self._give_up(received[place:end], "rubbish between frames:")
            place = end
            frame = received[place : place + length]
            if len(frame) < length or self._must_wait(received, place):
                break
            place += self._judge(received, place, at)
        self._rest = received[place:]

    def _begun_sync(self, received: bytes) -> int:
        """How many of the last bytes may become a sync [byte]."""
        sync = self._layout.sync
        sizes = range(len(sync) - 1, 0, -1)
        return next((n for n in sizes if received.endswith(sync[:n])), 0)

    def _must_wait(self, received: bytes, place: int) -> bool:
        """Without a checksum, and out of step, the next frame's beginning must bear witness."""
        if self._layout.checksum is not None or self._in_step:
            return False
        behind = received[place + self._layout.length :]
        sync = self._layout.sync
        return len(behind) < len(sync) and sync.startswith(behind)

    def _judge(self, received: bytes, place: int, at: float) -> int:
        """Make a reading or a gap of the frame at a place; by how much to go on."""
        layout = self._layout
        frame = received[place : place + layout.length]
        behind = received[place + layout.length :]
        fault = layout.fault_in(frame)
        is_unwitnessed = (
            layout.checksum is None
            and not self._in_step
            and not behind.startswith(layout.sync)
        )
        if fault or is_unwitnessed:
            self._give_up(frame[:1], fault or "frame without another behind it:")
            return 1
        self._tell_rubbish(at)
        self._in_step = self._was_in_step = True
        self._deadline = at + self._silence_s
        self._read(frame, at, at - (len(received) - place) * self._char_s)
        return layout.length

    def _read(self, frame: bytes, at: float, start_s: float) -> None:
        """Make a reading of a sound frame."""
        try:
            raws = self._layout.raws_in(frame)
        except ValueError as exc:
            self._put(self._gap(f"{exc} {shown_bytes(frame)}", at))
            return
        self._values.clear()
        self._values.put(range(len(raws)), raws)
        if self._values.is_implausible:
            self._put(self._values.implausible_gap(at))
        else:
            self._put(self._values.reading(start_s))

    def _give_up(self, rubbish: bytes, fault: str) -> None:
        """Bytes that belong to no frame; the next frame tells them."""
        if rubbish:
            self._fault = self._fault or fault
            self._rubbish = (self._rubbish + rubbish)[: self._layout.length]
            self._in_step = False

    def _tell_rubbish(self, at: float) -> None:
        """One gap for all that was passed over, unless there was never a frame before."""
        if self._rubbish and self._was_in_step:
            self._put(self._gap(f"{self._fault} {shown_bytes(self._rubbish)}", at))
        self._rubbish, self._fault = b"", ""

    def _silent(self, deadline: float, at: float) -> None:
        """Note the silence; what then comes may begin anywhere in a frame."""
        if self._rubbish or self._rest:
            shown = shown_bytes(self._rubbish + self._rest)
            detail = f"no whole frame for {self._silence_s} s, {self._fault or 'only'} {shown}"
            gap = self._gap(detail, at)
        else:
            detail = f"silent for {self._silence_s} s"
            gap = Gap(self._instrument, at, GapReason.NO_REPLY, detail)
        self._put(gap)
        self._rest = self._rubbish = b""
        self._fault = ""
        self._in_step = self._was_in_step = False
        # A computer that slept is one gap, not one for each missed deadline.
        following = deadline + self._silence_s
        self._deadline = following if following > at else at + self._silence_s

    def _gap(self, detail: str, at: float) -> Gap:
        return Gap(self._instrument, at, GapReason.GARBLED, detail)

    def _put(self, outcome: Reading | Gap) -> None:
        """Keep an outcome for `next_reading`, within the limit."""
        if len(self._outcomes) >= MAX_WAITING:
            self._outcomes.clear()
            detail = f"{MAX_WAITING} readings not taken in time, dropped"
            self._outcomes.append(self._gap(detail, outcome.at_s))
        self._outcomes.append(outcome)
