"""What becomes of an answer on its way: the faults of the campaign, and which of them can be known.

Pure: an answer and chance go in, what is said and when comes out. None of it knows how the program under test reads.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from random import Random

from tests.campaigns.wire_faults_meters import (
    BANNER,
    REPLY_TIMEOUT_S,
    STATUS,
    WORST_REPLY_S,
    Meter,
)


class Fault(StrEnum):
    """Ways in which an answer is spoiled."""

    SILENT = "silent"
    LATE = "late beyond the time-out"
    TOO_LATE = "later than the worst reply time"
    CUT = "cut"
    FLIPPED = "1 to 3 bits flipped"
    NOISE = "3 to 6 bytes of noise"
    INSERTED = "1 to 4 bytes inserted"
    TAKEN = "bytes taken by another program"
    ECHO = "echo of the request"
    FOREIGN = "another unit's reply"
    OTHER_QUESTION = "reply to another program's question"
    OLD = "an old reply"
    TWICE = "a reply said twice"
    STUCK = "a stuck value"
    RESTART = "restart with a banner"
    WRONG_BAUD = "baud mismatch"
    PORT_LOST = "port lost and back"
    STORM = "storm of unsolicited lines"
    OVERRANGE = "overrange"
    MIXED = "all but the undetectable, mixed"


UNDETECTABLE = (Fault.TOO_LATE, Fault.OLD, Fault.TWICE, Fault.STUCK)
"""A sound answer with nothing in it that tells when it was asked for."""

Say = tuple[float, bytes]
"""So long after the request [s], these bytes."""


@dataclass(frozen=True)
class Answer:
    """One answer as the meter meant it, and others that may come in its place.

    Attributes:
        data: Its bytes.
        request: As it came; empty where the meter talks by itself.
        after_s: How long the meter takes [s].
        is_text: Whether the wire carries lines of text.
        old: The answer to the question before.
        stuck: The answer that never changes.
        overrange: The answer with a value out of range; None where that cannot be said.
        foreign: What another unit would say; None on a wire of one meter.
        other: The answer to a question of another shape; None where nothing is asked.
        has_parity: Whether the receiver finds characters of wrong parity, and reads them as NUL.
    """

    data: bytes
    request: bytes
    after_s: float
    is_text: bool
    old: bytes
    stuck: bytes
    overrange: bytes | None = None
    foreign: bytes | None = None
    other: bytes | None = None
    has_parity: bool = False


def answer_of(meter: Meter, number: int, request: bytes, after_s: float) -> Answer:
    """What a meter of known truth says to question `number`."""
    elsewhere = number + 10**6
    return Answer(
        meter.said(number, request),
        request,
        after_s,
        meter.is_text,
        old=meter.said(number - meter.blocks, request),
        stuck=meter.said(5, request),
        overrange=meter.said(number, request, overrange=True),
        foreign=meter.said(elsewhere, request, foreign=True)
        if meter.has_unit
        else None,
        other=meter.other_answer(meter.expected(elsewhere))
        if meter.other_answer
        else None,
        has_parity=meter.has_parity,
    )


@dataclass
class Spoiled:
    """What comes instead.

    Attributes:
        says: Bytes and their times.
        loses_after_s: When the line goes away; None if it stays [s].
    """

    says: list[Say] = field(default_factory=list)
    loses_after_s: float | None = None


def spoil(fault: Fault, answer: Answer, random: Random) -> Spoiled:
    """What becomes of an answer under a fault."""
    if fault is Fault.PORT_LOST:
        # What the meter still says comes after the line is back, from the adapter's buffer.
        late_s = answer.after_s + random.uniform(0.0, 0.3 if answer.request else 0.03)
        return Spoiled(
            [(late_s, answer.data)], loses_after_s=answer.after_s * random.random()
        )
    return Spoiled(_SPOILING[fault](answer, random))


def has_changed(answer: Answer, spoiled: Spoiled) -> bool:
    """Whether something else comes than the meter meant, or at another time, or the line goes away.

    It does not where another answer was to come in its place and there is none, or one that says the same.
    """
    says = [say for say in spoiled.says if say[1]]
    return spoiled.loses_after_s is not None or says != [(answer.after_s, answer.data)]


def faults_of(meter: Meter) -> tuple[Fault, ...]:
    """Those that this kind of meter and wire can have."""
    left_out = set()
    if meter.is_streamed:
        left_out |= {Fault.LATE, Fault.TOO_LATE, Fault.ECHO, Fault.OTHER_QUESTION}
    if not meter.has_unit:
        left_out.add(Fault.FOREIGN)
    return tuple(fault for fault in Fault if fault not in left_out)


def mixed_of(meter: Meter) -> tuple[Fault, ...]:
    """Those that are mixed: all that do not look like a sound answer by their nature."""
    return tuple(
        f for f in faults_of(meter) if f not in UNDETECTABLE and f is not Fault.MIXED
    )


# ---- one function a fault


def _late(answer: Answer, random: Random) -> list[Say]:
    least_s = REPLY_TIMEOUT_S * 1.2
    return [(random.uniform(least_s, WORST_REPLY_S), answer.data)]


def _too_late(answer: Answer, random: Random) -> list[Say]:
    beyond_s = 1.01 * (REPLY_TIMEOUT_S + WORST_REPLY_S)
    return [(beyond_s + random.uniform(0.0, 0.2), answer.data)]


def _cut(answer: Answer, random: Random) -> list[Say]:
    data = answer.data
    return [(answer.after_s, data[: random.randrange(1, len(data))])]


def _flipped(answer: Answer, random: Random) -> list[Say]:
    data = bytearray(answer.data)
    for bit in random.sample(range(8 * len(data)), random.randint(1, 3)):
        data[bit // 8] ^= 1 << bit % 8
    if answer.has_parity:
        for i, (was, now) in enumerate(zip(answer.data, data, strict=True)):
            data[i] = 0 if (was ^ now).bit_count() % 2 else now
    return [(answer.after_s, bytes(data))]


def _rubbish(answer: Answer, random: Random, size: int) -> bytes:
    """Bytes of chance; of those with a parity every other one is found out."""
    data = random.randbytes(size)
    return (
        bytes(byte if random.random() < 0.5 else 0 for byte in data)
        if answer.has_parity
        else data
    )


def _noise(answer: Answer, random: Random) -> list[Say]:
    data = answer.data
    size = random.randint(3, 6)
    place = random.randrange(max(1, len(data) - size + 1))
    return [
        (
            answer.after_s,
            data[:place] + _rubbish(answer, random, size) + data[place + size :],
        )
    ]


def _inserted(answer: Answer, random: Random) -> list[Say]:
    data = answer.data
    place = random.randrange(len(data) + 1)
    more = _rubbish(answer, random, random.randint(1, 4))
    return [(answer.after_s, data[:place] + more + data[place:])]


def _taken(answer: Answer, random: Random) -> list[Say]:
    data = answer.data
    first, last = sorted(random.sample(range(len(data) + 1), 2))
    return [(answer.after_s, data[:first] + data[last:])]


def _echo(answer: Answer, random: Random) -> list[Say]:
    # The echo comes at once; the answer with it in one piece, or by itself, or never.
    style = random.randrange(3)
    if style == 0:
        return [(answer.after_s, answer.request + answer.data)]
    echo = (0.0005, answer.request)
    return [echo, (answer.after_s, answer.data)] if style == 1 else [echo]


def _other_question(answer: Answer, random: Random) -> list[Say]:
    if answer.other is None:
        return [(answer.after_s, answer.data)]
    earlier = (answer.after_s * random.random(), answer.other)
    return [earlier, (answer.after_s + 0.003, answer.data)]


def _twice(answer: Answer, random: Random) -> list[Say]:
    again_s = answer.after_s + random.uniform(0.0, 0.3)
    return [(answer.after_s, answer.data), (again_s, answer.data)]


def _restart(answer: Answer, random: Random) -> list[Say]:
    data = answer.data
    begun = data[: random.randrange(len(data))]
    if random.random() < 0.5:
        return [(answer.after_s, begun + BANNER)]
    return [
        (answer.after_s, begun),
        (answer.after_s + random.uniform(0.01, 0.3), BANNER),
    ]


def _wrong_baud(answer: Answer, random: Random) -> list[Say]:
    ratio = random.choice((0.25, 0.5, 2.0, 1.5, 0.75, 3.0))
    return [(answer.after_s, resampled(answer.data, ratio))]


def _storm(answer: Answer, random: Random) -> list[Say]:
    at_s = 0.0
    says: list[Say] = []
    for _ in range(random.randint(3, 12)):
        at_s += random.uniform(0.0, 0.004)
        rubbish = STATUS if answer.is_text else random.randbytes(random.randint(4, 16))
        says.append((at_s, rubbish))
    says.append((at_s + answer.after_s, answer.data))
    return says


def _in_place(
    of: Callable[[Answer], bytes | None],
) -> Callable[[Answer, Random], list[Say]]:
    """Another answer in place of the true one, at its time; the true one where there is no other."""
    return lambda answer, _random: [(answer.after_s, of(answer) or answer.data)]


_SPOILING: dict[Fault, Callable[[Answer, Random], list[Say]]] = {
    Fault.SILENT: lambda _answer, _random: [],
    Fault.LATE: _late,
    Fault.TOO_LATE: _too_late,
    Fault.CUT: _cut,
    Fault.FLIPPED: _flipped,
    Fault.NOISE: _noise,
    Fault.INSERTED: _inserted,
    Fault.TAKEN: _taken,
    Fault.ECHO: _echo,
    Fault.FOREIGN: _in_place(lambda answer: answer.foreign),
    Fault.OTHER_QUESTION: _other_question,
    Fault.OLD: _in_place(lambda answer: answer.old),
    Fault.TWICE: _twice,
    Fault.STUCK: _in_place(lambda answer: answer.stuck),
    Fault.RESTART: _restart,
    Fault.WRONG_BAUD: _wrong_baud,
    Fault.STORM: _storm,
    Fault.OVERRANGE: _in_place(lambda answer: answer.overrange),
}


def resampled(data: bytes, ratio: float) -> bytes:
    """What a receiver reads whose bits are `ratio` times as long as the sender's, 8 data bits, no parity."""
    # An idle line is 1, a start bit 0, the lowest bit first, the stop bit 1; what has no stop bit is handed on as read.
    line = [1, 1, 1]
    for byte in data:
        line += [0, *(byte >> i & 1 for i in range(8)), 1]
    line += [1] * 40
    received, at = bytearray(), 0.0
    while at + 10.0 * ratio < len(line):
        if line[int(at)]:
            at += 0.25
            continue
        byte = sum(line[int(at + (1.5 + i) * ratio)] << i for i in range(8))
        received.append(byte)
        at += 9.5 * ratio
    return bytes(received)


def in_pieces(says: Sequence[Say], random: Random, char_s: float) -> list[Say]:
    """The same as a wire hands it over: in up to three pieces, none before its bytes have passed."""
    pieces: list[Say] = []
    for at_s, data in says:
        cuts = sorted(random.choices(range(len(data) + 1), k=random.randrange(3)))
        for first, last in zip((0, *cuts), (*cuts, len(data)), strict=True):
            if first < last:
                pieces.append((at_s + last * char_s, data[first:last]))
    return sorted(pieces, key=lambda say: say[0])
