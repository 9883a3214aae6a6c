"""Bytes of a fuzzer as a conversation with a meter: chunks, pauses, polls, and checksums put right.

A fuzzer that only changes bytes never finds the right checksum, and never lets time pass. So an input is a script: its
first byte chooses the meter, the second how the bytes are cut into chunks, and in the rest ESCAPE begins a step, such as
a pause or "seal what was collected as this meter would". Everything else is what arrives on the wire.

One input is therefore a whole conversation with a meter that was never used: its first poll, all that the script lets
arrive (up to 600 bytes a step, whole or in chunks down to one byte), the polls in between, and the last deadline. Ten million
take hours, so what is done for each chunk is kept short; what is checked of it is not.
"""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Protocol

from daq.protocols import WireProtocol
from daq.records import Gap, Reading
from tests.fuzz.witnesses import check_outcome, kept_bytes

ESCAPE = 0xF5
INSTRUMENT = "meter"
CHAR_S = 0.001
_START_S = 1000.0
_MOST_OUTCOMES = 2000
_MOST_COLLECTED = 600
_MOST_CHUNKS = 40


class Step(IntEnum):
    """What follows ESCAPE; numbers that are none of these count as CHUNK."""

    LITERAL = 0
    """The byte ESCAPE itself arrives."""
    CHUNK = 1
    """What was collected arrives now."""
    SHORT_PAUSE = 2
    LONG_PAUSE = 3
    DEADLINE = 4
    """Nothing comes until the time that the protocol waits for."""
    SEAL = 5
    """What was collected becomes a frame or line with the right checksum."""
    POLL = 6
    TOO_LATE = 7
    """What was collected arrives after the deadline."""
    REPEAT = 8
    """What was collected is there twice."""


_ESCAPE = bytes((ESCAPE,))
_NAMED = {bytes((step,)): step for step in Step}
_PAUSES_S = {Step.SHORT_PAUSE: 0.01, Step.LONG_PAUSE: 0.3}


class Fresh:
    """Makes protocols that were never used, without planning requests or reading patterns anew, which takes longer than most inputs.

    What a protocol shares with its template is not changed by it, but for the values in hand, which it clears before it
    puts any; its queue of outcomes is its own.
    """

    def __init__(self, template: WireProtocol) -> None:
        self._kind = type(template)
        self._state = vars(template).copy()
        self._queues = [
            name for name, value in self._state.items() if isinstance(value, deque)
        ]

    def __call__(self) -> WireProtocol:
        copy: WireProtocol = object.__new__(self._kind)
        state = vars(copy)
        state.update(self._state)
        for name in self._queues:
            state[name] = deque()
        return copy


class Witness(Protocol):
    """Hears the same as the protocol, and says what each outcome should be."""

    def asked(self, request: bytes) -> None:
        """A request went out."""

    def heard(self, data: bytes) -> None:
        """Bytes arrived while the protocol was listening."""

    def accepted(self) -> None:
        """The protocol wants to ask for more before it gives an outcome."""

    def judge(self, outcome: Reading | Gap) -> None:
        """Assert that the bytes bear the outcome out."""


@dataclass(frozen=True)
class Meter:
    """A protocol under test with everything that is known of its meter.

    Attributes:
        make: A fresh protocol.
        witness: A fresh witness.
        seal: Makes a frame or line with the right checksum of its contents.
        most_kept: Longest text that the protocol may keep [byte].
        is_streamed: Whether it talks by itself.
    """

    make: Callable[[], WireProtocol]
    witness: Callable[[], Witness]
    seal: Callable[[bytes], bytes]
    most_kept: int
    is_streamed: bool


def talk_to(meters: Sequence[Meter], script: bytes) -> int:
    """Play a script; returns how many readings came of it [1]."""
    if len(script) < 2:
        return 0
    meter = meters[script[0] % len(meters)]
    return _Conversation(meter, script[1]).play(script[2:])


class _Conversation:
    """One meter, its witness, and the time."""

    def __init__(self, meter: Meter, cutting: int) -> None:
        self._meter = meter
        self._protocol = meter.make()
        self._witness = meter.witness()
        # 0: as collected; else chunks of so many bytes.
        self._chunk = cutting % 16
        self._at = _START_S
        self._readings = 0

    def play(self, script: bytes) -> int:
        self._ask()
        for step, collected in _steps(script, self._meter.seal):
            if step is Step.TOO_LATE:
                self._wait_for_deadline(short_by_s=-CHAR_S)
            self._arrive(collected)
            self._do(step)
        self._wait_for_deadline()
        return self._readings

    def _do(self, step: Step) -> None:
        self._at += _PAUSES_S.get(step, 0.0)
        if step is Step.DEADLINE:
            self._wait_for_deadline()
        elif step is Step.POLL:
            self._ask()

    def _ask(self) -> None:
        deadline = self._protocol.deadline
        is_waiting = deadline is not None and self._at < deadline
        request = self._protocol.query(self._at)
        assert bool(request) is not (self._meter.is_streamed or is_waiting)
        if request:
            self._witness.asked(request)

    def _arrive(self, data: bytes) -> None:
        if not data:
            return
        size = max(self._chunk or len(data), len(data) // _MOST_CHUNKS, 1)
        for place in range(0, len(data), size):
            chunk = data[place : place + size]
            self._at += len(chunk) * CHAR_S
            self._feed(chunk)
        kept = kept_bytes(self._protocol)
        assert kept <= self._meter.most_kept, f"{kept} bytes kept"

    def _wait_for_deadline(self, *, short_by_s: float = 0.0) -> None:
        deadline = self._protocol.deadline
        if deadline is not None:
            self._at = max(self._at, deadline - short_by_s)
            if short_by_s == 0.0:
                self._feed(b"")

    def _feed(self, data: bytes) -> None:
        protocol = self._protocol
        is_listening = protocol.deadline is not None
        if is_listening:
            self._witness.heard(data)
        protocol.feed(data, self._at)
        count = self._take_outcomes()
        if self._meter.is_streamed:
            return
        deadline = protocol.deadline
        if is_listening and count == 0 and deadline is not None:
            # Nearly always: more bytes are needed.
            assert deadline > self._at
            return
        assert count <= (1 if is_listening else 0)
        self._watch_poll(is_listening=is_listening, has_ended=count == 1)

    def _watch_poll(self, *, is_listening: bool, has_ended: bool) -> None:
        """A poll waits, has ended, or wants to ask for the next part; and it never waits beyond its deadline."""
        deadline = self._protocol.deadline
        if has_ended:
            assert deadline is None
        elif is_listening and deadline is None:
            self._witness.accepted()
            self._ask()
            deadline = self._protocol.deadline
        assert deadline is None or deadline > self._at

    def _take_outcomes(self) -> int:
        next_reading = self._protocol.next_reading
        outcome = next_reading()
        if outcome is None:
            return 0
        for count in range(1, _MOST_OUTCOMES):
            check_outcome(outcome, instrument=INSTRUMENT, at=self._at)
            self._witness.judge(outcome)
            self._readings += isinstance(outcome, Reading)
            outcome = next_reading()
            if outcome is None:
                return count
        msg = f"more than {_MOST_OUTCOMES} outcomes of one chunk"
        raise AssertionError(msg)


def _steps(
    script: bytes, seal: Callable[[bytes], bytes]
) -> Iterator[tuple[Step, bytes]]:
    """Steps with what was collected before each; the end is a step too."""
    collected, *parts = script.split(_ESCAPE)
    for part in parts:
        step, rest = _NAMED.get(part[:1], Step.CHUNK), part[1:]
        if step is Step.LITERAL:
            collected += _ESCAPE + rest
        elif step is Step.SEAL:
            collected = seal(collected) + rest
        elif step is Step.REPEAT:
            collected = (2 * collected)[:_MOST_COLLECTED] + rest
        else:
            yield step, collected
            collected = rest
    yield Step.CHUNK, collected
