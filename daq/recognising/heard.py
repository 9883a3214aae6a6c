"""Whether bytes that came are text, and at which framing they were sent.

A wrong speed makes bytes that are hardly ever text; a wrong parity makes text whose eighth bit follows the parity of
the other seven, which tells at once which one it is. Three whole lines of one shape are asked for before anything is
believed: a wrong speed was never seen to give even one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from daq.framing import text_from_line
from daq.recognising.framings import Framing
from daq.recognising.lines import LineShape, line_shape
from daq.recognising.overheard import Overheard, overheard_lines

LEAST_LINES = 3
LEAST_SHARE = 0.8
"""Of the lines that must have one shape."""

_TEXT = frozenset(b"\t\r\n") | frozenset(range(0x20, 0x7F))
_BATCH_S = 0.005
"""Lines nearer than this came together; no meter makes new values so fast."""

_LEAST_BATCHES = 3
_FEW = 8
_WRONG_SHARE = 0.7


@dataclass(frozen=True, slots=True)
class Heard:
    """What a line brought at one framing.

    Attributes:
        framing: With which the port was open.
        data: All bytes, in order.
        errors: [1] framing and parity errors that the port's driver counted; None where it counts none.
        line_times_s: When each line ended [s].
    """

    framing: Framing
    data: bytes
    errors: int | None = None
    line_times_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Guess:
    """What is thought of it.

    Attributes:
        heard: The evidence.
        confidence: 0 to 1: printable share times share of one shape times n/(n+1) for n lines, times the share of
            characters without an error [1].
        reasons: In words.
        shape: Of the lines, where they have one.
        terminator: Byte that ends a line.
        is_accepted: Whether the evidence is enough to go on with.
        bus: Modbus between others, where the lines are its frames; they have no shape then.
    """

    heard: Heard
    confidence: float
    reasons: tuple[str, ...]
    shape: LineShape | None
    terminator: bytes
    is_accepted: bool
    bus: Overheard | None = None


def printable_share(data: bytes) -> float:
    """Share of bytes that plain text is made of [1]; 0 for none."""
    return sum(byte in _TEXT for byte in data) / len(data) if data else 0.0


def is_surely_wrong(data: bytes) -> bool:
    """Whether so little of it is text that listening on at this framing is a waste."""
    return len(data) >= _FEW and printable_share(data) < _WRONG_SHARE


def seven_bit_shape(data: bytes) -> str | None:
    """The seven-bit framing whose parity stands in the eighth bit of what was read as 8N1; None if none does."""
    if len(data) < _FEW or printable_share(bytes(b & 0x7F for b in data)) < 1.0:
        return None
    ones = {byte.bit_count() % 2 for byte in data}
    if max(data) < 0x80 or len(ones) > 1:
        return None
    return "7E1" if ones == {0} else "7O1"


def whole_lines(data: bytes) -> tuple[bytes, list[bytes]]:
    """The byte that ends a line, and the lines between the first and the last of them."""
    terminator = b"\n" if b"\n" in data else b"\r"
    lines = data.split(terminator)[1:-1]
    return terminator, [line for line in lines if line.strip(b" \r\n")]


def judge_heard(heard: Heard) -> Guess:
    """What the bytes are evidence of."""
    bus = overheard_lines(heard.data)
    if bus is not None:
        return _of_bus(heard, bus)
    terminator, raw = whole_lines(heard.data)
    texts = [text_from_line(line) for line in raw]
    lines = [text for text in texts if text]
    shape = line_shape(lines)
    share = printable_share(heard.data)
    in_shape = shape.matching / len(raw) if shape else 0.0
    count = len(raw)
    errors = min((heard.errors or 0) / max(len(heard.data), 1), 1.0)
    return Guess(
        heard=heard,
        confidence=share * in_shape * count / (count + 1) * (1.0 - errors),
        reasons=_reasons(heard, raw, shape),
        shape=shape,
        terminator=terminator,
        is_accepted=shape is not None
        and shape.matching >= LEAST_LINES
        and in_shape >= LEAST_SHARE,
    )


def _of_bus(heard: Heard, bus: Overheard) -> Guess:
    reason = f"LRC right in {bus.right} of {bus.seen} lines"
    share = bus.right / bus.seen * bus.right / (bus.right + 1)
    return Guess(heard, share, (reason,), None, b"\n", is_accepted=True, bus=bus)


def interval_s(line_times_s: Sequence[float]) -> float | None:
    """Mean time between two lines [s]; None where they came too seldom, or all at once, to tell it.

    Lines may come in batches, from a device server or a slow driver. What a batch brings was said since the batch before,
    so the lines of the first one do not count, and one gap alone says too little.
    """
    batches: list[tuple[float, int]] = []
    last_s = float("-inf")
    for at in line_times_s:
        if at - last_s > _BATCH_S:
            batches.append((at, 0))
        start_s, count = batches[-1]
        batches[-1], last_s = (start_s, count + 1), at
    if len(batches) < _LEAST_BATCHES:
        return None
    (first_s, first_count), (final_s, _) = batches[0], batches[-1]
    return (final_s - first_s) / (len(line_times_s) - first_count)


def _reasons(
    heard: Heard, raw: Sequence[bytes], shape: LineShape | None
) -> tuple[str, ...]:
    said = [f"{printable_share(heard.data):.0%} of {len(heard.data)} bytes are text"]
    if heard.errors is not None:
        said.append(f"{heard.errors} framing or parity errors")
    if shape is not None:
        said.append(f"{shape.matching} of {len(raw)} whole lines have one shape")
    elif raw:
        said.append(f"{len(raw)} lines without a number that repeats")
    else:
        said.append("no whole line")
    return tuple(said)
