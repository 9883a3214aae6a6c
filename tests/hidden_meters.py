"""Meters on pseudo-terminals whose settings nobody is told, and an operator who reads their displays.

A pseudo-terminal has no wire, so the wire is put back here bit by bit: characters are drawn as levels at the sender's
speed and shape, and sampled as a receiver of another speed or shape would. A meter throws away what reaches it with a
framing or parity error; a host gets whatever its receiver makes of it, for serial ports are read without such checks.
Speed is read from the pseudo-terminal, where the host has set it; data bits and parity cannot be kept there, so they are
told by a stand-in for the function that opens ports (`shapes_told`).

The meters share no code with the program or the simulators.
"""

import contextlib
import os
import select
import termios
import threading
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from unittest.mock import patch

from daq.runtime.listening import line as listening_line
from daq.runtime.ports import descriptor, opening

_TOLD: dict[str, str] = {}
_SPEEDS = {
    getattr(termios, f"B{baud}"): baud
    for baud in (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
}


@dataclass(frozen=True)
class Wire:
    """Speed and shape of the characters."""

    baud: int
    shape: str = "8N1"

    @property
    def data_bits(self) -> int:
        return int(self.shape[0])

    @property
    def parity(self) -> str:
        return self.shape[1]


def levels(data: bytes, wire: Wire) -> list[int]:
    """One level a bit: start, data from the lowest, parity, stop."""
    drawn: list[int] = []
    for byte in data:
        bits = [(byte >> i) & 1 for i in range(wire.data_bits)]
        parity = {"N": [], "E": [sum(bits) % 2], "O": [1 - sum(bits) % 2]}[wire.parity]
        drawn += [0, *bits, *parity, *[1] * int(wire.shape[2])]
    return drawn


def sampled(drawn: list[int], sender: Wire, receiver: Wire) -> tuple[bytes, int]:
    """Bytes that a receiver makes of levels, and how many came with an error."""
    ratio = sender.baud / receiver.baud
    end = float(len(drawn))

    def level(at: float) -> int:
        return drawn[int(at)] if at < end else 1

    got, errors, at = bytearray(), 0, 0.0
    while True:
        while at < end and level(at):
            at = float(int(at) + 1)
        if at >= end:
            return bytes(got), errors
        bits = [level(at + (k + 1.5) * ratio) for k in range(receiver.data_bits)]
        got.append(sum(bit << k for k, bit in enumerate(bits)))
        has_parity = receiver.parity != "N"
        stop_at = at + (receiver.data_bits + has_parity + 1.5) * ratio
        is_bad = not level(stop_at)
        if has_parity:
            parity = level(stop_at - ratio)
            is_bad = is_bad or (sum(bits) + parity) % 2 != (receiver.parity == "O")
        errors += is_bad
        at = stop_at
        while at < end and not level(at):
            at = float(int(at) + 1)


@contextlib.contextmanager
def shapes_told() -> Iterator[None]:
    """Every port that is opened meanwhile tells its data bits, parity and stop bits to the meter on it."""
    real = opening.open_serial

    def told(settings, *, timeout_s):
        shape = f"{settings.data_bits}{settings.parity[0].upper()}{settings.stop_bits}"
        _TOLD[settings.url] = shape
        return real(settings, timeout_s=timeout_s)

    with (
        patch.object(listening_line, "open_serial", told),
        patch.object(descriptor, "open_serial", told),
    ):
        yield


class HiddenMeter(threading.Thread):
    """A meter on a pseudo-terminal of its own.

    Args:
        wire: Its settings.
        answer: Takes what reached it without an error; gives what it says.
        speak: What it says by itself, or None.
        interval_s: How often it does.

    `sent` keeps what hosts sent, as they sent it, whether it arrived well or not.
    """

    def __init__(
        self,
        wire: Wire,
        *,
        answer: Callable[[bytes], bytes] = lambda _: b"",
        speak: Callable[[], bytes] | None = None,
        interval_s: float = 0.1,
    ) -> None:
        super().__init__(name="hidden-meter")
        self.wire = wire
        self.sent: list[bytes] = []
        self._answer = answer
        self._speak = speak
        self._interval_s = interval_s
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        _TOLD.pop(self.path, None)
        self._hang_up, self._hung_up = os.pipe()

    def host_wire(self) -> Wire:
        """As the host has set it."""
        speed = termios.tcgetattr(self._master)[5]
        return Wire(_SPEEDS.get(speed, 50), _TOLD.get(self.path, "8N1"))

    def run(self) -> None:
        wait_s = None if self._speak is None else self._interval_s
        while True:
            ready, _, _ = select.select([self._master, self._hang_up], [], [], wait_s)
            if self._hang_up in ready:
                return
            if self._master in ready:
                self._hear(os.read(self._master, 4096))
            elif self._speak is not None:
                self._say(self._speak())

    def _hear(self, data: bytes) -> None:
        self.sent.append(data)
        host = self.host_wire()
        got, errors = sampled(levels(data, host), host, self.wire)
        if not errors and (said := self._answer(got)):
            self._say(said)

    def _say(self, data: bytes) -> None:
        host = self.host_wire()
        got, _ = sampled(levels(data, self.wire), self.wire, host)
        # What nobody reads is lost on a wire.
        if got and not select.select([self._slave], [], [], 0)[0]:
            os.write(self._master, got)

    def __enter__(self) -> "HiddenMeter":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.write(self._hung_up, b"x")
        self.join(timeout=10.0)
        for descriptor_ in (self._master, self._slave, self._hang_up, self._hung_up):
            os.close(descriptor_)


# ---- Modbus


def crc(data: bytes) -> bytes:
    """By the bit (Modbus over Serial Line V1.02, Appendix B), low byte first."""
    rest = 0xFFFF
    for byte in data:
        rest ^= byte
        for _ in range(8):
            rest = (rest >> 1) ^ 0xA001 if rest & 1 else rest >> 1
    return rest.to_bytes(2, "little")


def unit_answer(
    unit: int,
    functions: tuple[int, ...],
    registers: Callable[[], dict[int, int]],
    *,
    most: int = 125,
) -> Callable[[bytes], bytes]:
    """How a unit answers (Modbus Application Protocol V1.1b3, 6.3, 6.4, 7)."""

    def answer(frame: bytes) -> bytes:
        if len(frame) != 8 or crc(frame[:-2]) != frame[-2:] or frame[0] != unit:
            return b""
        function = frame[1]
        first, count = (int.from_bytes(frame[i : i + 2], "big") for i in (2, 4))
        held = registers()
        if function not in functions:
            body = bytes((unit, function | 0x80, 1))
        elif not 1 <= count <= most:
            body = bytes((unit, function | 0x80, 3))
        elif any(first + i not in held for i in range(count)):
            body = bytes((unit, function | 0x80, 2))
        else:
            words = b"".join(held[first + i].to_bytes(2, "big") for i in range(count))
            body = bytes((unit, function, 2 * count)) + words
        return body + crc(body)

    return answer


def ascii_answer(answer: Callable[[bytes], bytes]) -> Callable[[bytes], bytes]:
    """The same unit with ASCII frames (Modbus over Serial Line V1.02, 2.5.2)."""

    def answered(frame: bytes) -> bytes:
        if not (frame.startswith(b":") and frame.endswith(b"\r\n")):
            return b""
        try:
            spelt = bytes.fromhex(frame[1:-2].decode("ascii"))
        except ValueError:
            return b""
        if sum(spelt) % 256:
            return b""
        body = spelt[:-1]
        if not (said := answer(body + crc(body))):
            return b""
        return ascii_frame(said[:-2])

    return answered


def ascii_frame(body: bytes) -> bytes:
    """Colon, digits, LRC, line end."""
    lrc = -sum(body) % 256
    return f":{body.hex().upper()}{lrc:02X}\r\n".encode("ascii")


# ---- whoever reads the display


@dataclass
class Operator:
    """Stands for standard input: answers the question that was written last.

    Attributes:
        said: All that the program has written.
        answer: Takes the question; gives the answer, or None at the end of the input.
    """

    said: list[str] = field(default_factory=list)
    answer: Callable[[str], str | None] = lambda _: None
    questions: list[str] = field(default_factory=list)

    def write(self, text: str) -> int:
        self.said.append(text)
        return len(text)

    def writelines(self, lines) -> None:
        self.said.extend(lines)

    def flush(self) -> None:
        """Nothing is kept back."""

    def isatty(self) -> bool:
        return True

    def readline(self) -> str:
        self.questions.append(self.said[-1])
        answer = self.answer(self.said[-1])
        return "" if answer is None else f"{answer}\n"

    @property
    def text(self) -> str:
        return "".join(self.said)

    @contextlib.contextmanager
    def attending(self) -> Iterator["Operator"]:
        """Standard input and output are the operator's."""
        with patch("sys.stdin", self), patch("sys.stdout", self):
            yield self
