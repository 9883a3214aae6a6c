"""One serial line in time: what has arrived, and what may be handed over by now.

A pseudo-terminal moves bytes at once; a wire does not. This class puts the wire's time
back: bytes that the host writes are taken to travel one character after another, a
frame is complete after its silence (or its line feed), and the characters of a reply are
handed over no earlier than the wire would have carried them, in pieces of about 1.5 ms.
It also keeps the line's manners: how many frames came in, and how many of them began
sooner after the last byte on the line than t3.5 allows.

It owns no clock and no descriptor: time comes in as an argument, bytes go out as values,
and `deadline_s` says when to ask again. Time here is real time; a wire cannot be hurried.
"""

import heapq
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum

from simulators.wires.framing import Framing

PIECE_S = 0.0015
LONGEST_FRAME = 256
"""A Modbus RTU frame has at most 256 bytes; a query is not allowed more either."""

MOST_QUEUED = 16
"""Replies that may wait; a meter with more to say than its wire carries skips some."""


class FrameEnd(Enum):
    """What tells a meter that a request is complete."""

    SILENCE = "silence"
    LINE_FEED = "line feed"


@dataclass(frozen=True)
class Outgoing:
    """Bytes that a meter sends, so long after the request had arrived."""

    data: bytes
    after_s: float = 0.0


@dataclass(frozen=True)
class Counts:
    """Manners of the host on this line."""

    requests: int
    violations: int


@dataclass(frozen=True, order=True)
class _Queued:
    ready_s: float
    number: int
    data: bytes


class _Transmission:
    """A reply on its way; pieces become due one after another."""

    def __init__(self, data: bytes, *, start_s: float, character_s: float) -> None:
        self._data = data
        self._start_s = start_s
        self._character_s = character_s
        self._piece = max(1, int(PIECE_S / character_s))
        self._sent = 0

    @property
    def due_s(self) -> float:
        """When the last character of the next piece has gone over the wire."""
        return self._start_s + self._next_end * self._character_s

    @property
    def is_over(self) -> bool:
        return self._sent == len(self._data)

    def take(self) -> bytes:
        """Hand the next piece over."""
        piece = self._data[self._sent : self._next_end]
        self._sent = self._next_end
        return piece

    @property
    def _next_end(self) -> int:
        return min(self._sent + self._piece, len(self._data))


class PacedLine:
    """Receives with `receive`, hands over with `step`; see the module's head."""

    def __init__(
        self,
        framing: Framing,
        *,
        frame_end: FrameEnd,
        answer: Callable[[bytes], Iterable[Outgoing]],
    ) -> None:
        self._framing = framing
        self._frame_end = frame_end
        self._answer = answer
        self._arrived = bytearray()
        self._arrival_end_s = 0.0
        self._queue: list[_Queued] = []
        self._queued = 0
        self._sending: _Transmission | None = None
        self._line_free_s = 0.0
        self._last_byte_s = -math.inf
        self._requests = 0
        self._violations = 0

    @property
    def counts(self) -> Counts:
        """Requests and violations of t3.5 so far."""
        return Counts(self._requests, self._violations)

    @property
    def deadline_s(self) -> float | None:
        """When `step` has something to do, if nothing else happens."""
        times = []
        if self._arrived and self._frame_end is FrameEnd.SILENCE:
            times.append(self._frame_complete_s)
        elif b"\n" in self._arrived:
            times.append(self._arrival_end_s)
        if self._sending is not None:
            times.append(self._sending.due_s)
        elif self._queue:
            times.append(self._queue[0].ready_s)
        return min(times, default=None)

    def receive(self, data: bytes, at_s: float) -> None:
        """Take bytes that the host wrote at a time."""
        self._complete_frames(at_s)
        if not self._arrived and self._frame_end is FrameEnd.SILENCE:
            self._judge_start(at_s)
        begin_s = max(at_s, self._arrival_end_s)
        self._arrival_end_s = begin_s + len(data) * self._framing.character_s
        self._arrived += data
        if len(self._arrived) > LONGEST_FRAME:
            self._arrived.clear()

    def push(self, outgoing: Outgoing, at_s: float) -> None:
        """Queue bytes that a meter sends of its own accord or as a reply."""
        if not outgoing.data or len(self._queue) >= MOST_QUEUED:
            return
        self._queued += 1
        entry = _Queued(at_s + outgoing.after_s, self._queued, outgoing.data)
        heapq.heappush(self._queue, entry)

    def step(self, now_s: float) -> bytes:
        """Bytes that the wire has delivered to the host by now and not before."""
        self._complete_frames(now_s)
        delivered = bytearray()
        while self._sending is not None or self._start_next(now_s):
            sending = self._sending
            if sending is None or now_s < sending.due_s:
                break
            delivered += sending.take()
            if sending.is_over:
                self._sending = None
                self._last_byte_s = now_s
        return bytes(delivered)

    def cut_off(self) -> None:
        """Forget everything under way: the plug was pulled."""
        self._arrived.clear()
        self._queue.clear()
        self._sending = None
        self._arrival_end_s = self._line_free_s = 0.0

    @property
    def _frame_complete_s(self) -> float:
        return self._arrival_end_s + self._framing.silence_s

    def _judge_start(self, at_s: float) -> None:
        # While a reply is still on the wire the host is too early as well.
        busy = self._sending is not None
        if busy or at_s - self._last_byte_s < self._framing.silence_s:
            self._violations += 1

    def _complete_frames(self, now_s: float) -> None:
        if self._frame_end is FrameEnd.LINE_FEED:
            if now_s >= self._arrival_end_s:
                self._complete_lines()
        elif self._arrived and now_s >= self._frame_complete_s:
            frame = bytes(self._arrived)
            self._arrived.clear()
            self._last_byte_s = max(self._last_byte_s, self._arrival_end_s)
            self._reply_to(frame, earliest_s=self._frame_complete_s)

    def _complete_lines(self) -> None:
        while b"\n" in self._arrived:
            line, _, rest = bytes(self._arrived).partition(b"\n")
            self._arrived[:] = rest
            self._reply_to(line + b"\n", earliest_s=self._arrival_end_s)

    def _reply_to(self, frame: bytes, *, earliest_s: float) -> None:
        self._requests += 1
        for outgoing in self._answer(frame):
            ready_s = max(earliest_s, self._arrival_end_s + outgoing.after_s)
            self.push(Outgoing(outgoing.data), ready_s)

    def _start_next(self, now_s: float) -> bool:
        if not self._queue or self._queue[0].ready_s > now_s:
            return False
        entry = heapq.heappop(self._queue)
        character_s = self._framing.character_s
        start_s = max(entry.ready_s, self._line_free_s)
        self._sending = _Transmission(
            entry.data, start_s=start_s, character_s=character_s
        )
        self._line_free_s = start_s + len(entry.data) * character_s
        return True
