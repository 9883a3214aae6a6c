"""Modbus frames that others exchange on the line.

A master that asks another's meter is heard like a meter that talks by itself. Frames are known by their checksums alone;
three of them are asked for before anything is believed. What is told is who is asked, never what the registers hold.
"""

from collections import Counter
from dataclasses import dataclass

from daq.recognising.asking import Mode, body_of

LEAST_FRAMES = 3
_LEAST_SHARE = 0.8
"""Of the lines that must be frames."""

_REQUEST_BYTES = 8
_READS = (3, 4)
_MOST_REGISTERS = 125


@dataclass(frozen=True, slots=True)
class Overheard:
    """Modbus that was heard and not asked for.

    Attributes:
        mode: How its frames are sent.
        units: Who is asked, the most frequent first.
        right, seen: [1] frames with a right checksum, and all that looked like frames.
    """

    mode: Mode
    units: tuple[int, ...]
    right: int
    seen: int


def overheard_lines(data: bytes) -> Overheard | None:
    """Modbus ASCII in what a line brought; None unless most of its lines are sound frames."""
    lines = [line + b"\n" for line in data.split(b"\n")[1:-1]]
    bodies = [body for line in lines if (body := body_of(line, Mode.ASCII))]
    if len(bodies) < LEAST_FRAMES or len(bodies) < _LEAST_SHARE * len(lines):
        return None
    units = Counter(body[0] for body in bodies)
    ordered = tuple(unit for unit, _ in units.most_common())
    return Overheard(Mode.ASCII, ordered, len(bodies), len(lines))


def overheard_requests(data: bytes) -> Overheard | None:
    """Requests of a Modbus RTU master among other bytes; None where there are too few to be believed."""
    frames = [
        data[i : i + _REQUEST_BYTES] for i in range(len(data) - _REQUEST_BYTES + 1)
    ]
    units = Counter(frame[0] for frame in frames if _is_request(frame))
    count = units.total()
    if count < LEAST_FRAMES:
        return None
    ordered = tuple(unit for unit, _ in units.most_common())
    return Overheard(Mode.RTU, ordered, count, count)


def _is_request(frame: bytes) -> bool:
    count = int.from_bytes(frame[4:6], "big")
    is_read = frame[1] in _READS and 1 <= frame[0] <= 247
    is_read = is_read and 1 <= count <= _MOST_REGISTERS
    return is_read and body_of(frame, Mode.RTU) is not None
