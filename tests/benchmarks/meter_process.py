"""A Modbus RTU meter in a process of its own, on a pseudo-terminal: as quick as a host can make a meter.

Without a baud rate it answers at once. With one it imitates the wire: a request's characters are taken to arrive one after another,
t3.5 later the reply begins, and each of its characters is handed over at an absolute deadline. It counts requests and
those that began sooner than t3.5 after the last character of the frame before. To catch the exact moment it waits for a request by
asking again and again instead of sleeping; so it flatters nobody.

Whatever is asked for, the first four registers hold the moment at which the reply's last character was due, in nanoseconds of
CLOCK_MONOTONIC; the others are constant. It shares no code with the simulators: a benchmark wants no physics.
"""

import math
import multiprocessing
import os
import select
import struct
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from ctypes import Array, c_double
from dataclasses import dataclass

from daq.framing import append_crc, modbus_silence_s
from tests.benchmarks.measuring import wait_until

REQUEST_LENGTH = 8
CHARACTER_BITS = 10
"""8N1."""

_STAMP_REGISTERS = 4
_BLINK_S = 0.2
_CLOCK_GRAIN_S = 1e-6


@dataclass(frozen=True)
class Wire:
    """Times of one line, 8N1."""

    baud: int

    @property
    def character_s(self) -> float:
        """Of one character."""
        return CHARACTER_BITS / self.baud

    @property
    def silence_s(self) -> float:
        """The silence t3.5."""
        return modbus_silence_s(self.baud, CHARACTER_BITS)

    def poll_s(self, registers: int) -> float:
        """The least time of a poll: both frames and a silence after each."""
        characters = REQUEST_LENGTH + reply_length(registers)
        return characters * self.character_s + 2.0 * self.silence_s


@dataclass(frozen=True)
class Manners:
    """How the host has behaved on the line."""

    requests: int
    violations: int
    least_silence_s: float


@dataclass
class RunningMeter:
    """The meter as the host sees it."""

    path: str
    counts: "Array[c_double]"
    process_id: int = 0

    def manners(self) -> Manners:
        """Since the last `forget`."""
        return Manners(int(self.counts[0]), int(self.counts[1]), self.counts[2])

    def forget(self) -> None:
        """Count anew."""
        self.counts[:] = [0.0, 0.0, math.inf]


def reply_length(registers: int) -> int:
    """Characters of a reply."""
    return 3 + 2 * registers + 2


@contextmanager
def running_meter(baud: int | None) -> Iterator[RunningMeter]:
    """A meter for as long as the block lasts; no baud rate means that it answers at once."""
    master, slave = os.openpty()
    tty.setraw(slave)
    context = multiprocessing.get_context("fork")
    meter = RunningMeter(os.ttyname(slave), context.RawArray(c_double, 3))
    meter.forget()
    wire = Wire(baud) if baud else None
    process = context.Process(
        target=_serve, args=(master, wire, meter.counts), daemon=True
    )
    process.start()
    meter.process_id = process.pid or 0
    try:
        yield meter
    finally:
        process.terminate()
        process.join()
        os.close(master)
        os.close(slave)


@contextmanager
def processors_apart(meter: RunningMeter) -> Iterator[bool]:
    """Meter and host on processors of their own, as in life, while the block lasts; tells whether there are two.

    On one processor the kernel hands a byte over within some microseconds, on two it has to wake the other one: left to the system,
    rounds of the same loop differ fivefold by where it happened to put them.
    """
    processors = sorted(os.sched_getaffinity(0))
    if len(processors) < 2:
        yield False
        return
    os.sched_setaffinity(meter.process_id, {processors[0]})
    os.sched_setaffinity(0, {processors[1]})
    try:
        yield True
    finally:
        os.sched_setaffinity(0, processors)
        os.sched_setaffinity(meter.process_id, processors)


def _serve(master: int, wire: Wire | None, counts: "Array[c_double]") -> None:
    os.set_blocking(master, False)
    last_s = -math.inf
    while True:
        request, at_s = _next_request(master, wire, last_s)
        if wire is not None and last_s > 0.0:
            _count(counts, at_s - last_s, wire.silence_s)
        if wire is None:
            os.write(master, _reply(request, time.monotonic_ns()))
        else:
            last_s = _send_paced(master, wire, request, at_s)


def _count(counts: "Array[c_double]", silent_s: float, least_s: float) -> None:
    counts[0] += 1
    counts[1] += silent_s < least_s - _CLOCK_GRAIN_S
    counts[2] = min(counts[2], silent_s)


def _next_request(master: int, wire: Wire | None, last_s: float) -> tuple[bytes, float]:
    """A whole request, and when its first byte came."""
    request, at_s = b"", 0.0
    while len(request) < REQUEST_LENGTH:
        _wait_readable(master, wire, last_s)
        try:
            data = os.read(master, 256)
        except BlockingIOError:
            continue
        if not request:
            at_s = time.monotonic()
        request += data
    return request, at_s


def _wait_readable(master: int, wire: Wire | None, last_s: float) -> None:
    """Sleep, but not around the moment at which a request may begin."""
    if wire is not None:
        since_s = time.monotonic() - last_s
        if 0.7 * wire.silence_s < since_s < 2.0 * wire.silence_s:
            return
        if since_s <= 0.7 * wire.silence_s:
            select.select([master], [], [], 0.7 * wire.silence_s - since_s)
            return
    select.select([master], [], [], _BLINK_S)


def _send_paced(master: int, wire: Wire, request: bytes, at_s: float) -> float:
    """Send the reply; returns when its last character was handed over."""
    begin_s = at_s + len(request) * wire.character_s + wire.silence_s
    length = reply_length(_registers(request))
    reply = _reply(request, round((begin_s + length * wire.character_s) * 1e9))
    last_s = begin_s
    for number in range(length):
        wait_until(begin_s + (number + 1) * wire.character_s)
        # Taken before: handing over wakes the host, which may have this processor first.
        last_s = time.monotonic()
        os.write(master, reply[number : number + 1])
    return last_s


def _registers(request: bytes) -> int:
    return int.from_bytes(request[4:6], "big")


def _reply(request: bytes, stamp_ns: int) -> bytes:
    count = _registers(request)
    constant = struct.pack(
        f">{count - _STAMP_REGISTERS}H", *range(2300, 2300 + count - _STAMP_REGISTERS)
    )
    head = request[:2] + bytes([2 * count])
    return append_crc(head + struct.pack(">Q", stamp_ns) + constant)
