"""A program between simulated meters and the daemon: hands on what both say, and spoils a share of the answers.

    python -m tests.campaigns.wire_faults_between SIMULATION FAR NEAR --fault NAME --share 0.1

It opens every line of the simulation (links in the folder FAR) and makes a pseudo-terminal of the same name in NEAR for the daemon.
A process of its own: the daemon cannot tell it from a wire. It ends on SIGTERM and prints how many answers it changed. One wire more
than the simulators have is called `asked`: a clamp that says the newest frame of theirs whenever it is asked.
"""

import argparse
import heapq
import json
import os
import re
import select
import signal
import sys
import termios
import time
import tomllib
import tty
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random

from tests.campaigns.wire_faults_meters import CHECKSUMS
from tests.campaigns.wire_faults_spoiling import (
    UNDETECTABLE,
    Answer,
    Fault,
    has_changed,
    in_pieces,
    spoil,
)

QUIET_S = 0.004
"""After so long an answer is taken to be whole; the simulators hand over a piece every 1.5 ms."""
AWAY_S = 0.4
_LEAST_BYTES = 5
LATE_S = (0.17, 0.24)
"""Beyond the time-outs of the shipped profiles, within time-out and worst reply time."""
LATE_SLOW_S = (0.32, 0.5)
STUCK_FOR = 120
"""Answers that a meter keeps on saying the same: at two a second the longest averaging [1]."""
STUCK_SHARE = 0.1
"""Times the share of the answers that are spoiled otherwise: with so many does a meter begin to be stuck."""
ASKED, ASKED_OF = "asked", "clamp"
REQUEST = b"\xa5\x01\xa6"
"""Of a frame."""
_FRAME_BYTES = 8
STREAMED = ("vane", "clamp")

_MIXED = tuple(f for f in Fault if f is not Fault.MIXED and f not in UNDETECTABLE)
_xor8 = CHECKSUMS["xor8"][1]


def _crc(body: bytes) -> bytes:
    return body + CHECKSUMS["crc16-modbus"][1](body).to_bytes(2, "little")


def _lrc(body: bytes) -> bytes:
    return b":" + (body + bytes((-sum(body) & 0xFF,))).hex().upper().encode() + b"\r\n"


def _checked(covered: bytes) -> bytes:
    return b"#" + covered + f"*{_xor8(covered):02X}\r\n".encode()


@dataclass(frozen=True)
class Others:
    """What may stand in an answer's place on one kind of wire; each takes the true answer."""

    is_text: bool = True
    foreign: Callable[[bytes], bytes] | None = None
    other: Callable[[bytes], bytes] | None = None
    overrange: Callable[[bytes], bytes] | None = None


_RTU = Others(
    is_text=False,
    foreign=lambda d: _crc(bytes((d[0] % 247 + 1,)) + d[1:-2]),
    other=lambda d: _crc(d[:2] + b"\x02\x00\x01"),
    overrange=lambda d: _crc(d[:3] + b"\xff" * len(d[3:-2])),
)
_ASCII = Others(
    foreign=lambda d: _lrc(b"\x0a" + bytes.fromhex(d[3:-4].decode())),
    other=lambda d: _lrc(bytes.fromhex(d[1:5].decode()) + b"\x02\x00\x01"),
    overrange=lambda d: _lrc(
        bytes.fromhex(d[1:7].decode()) + b"\x7f\xff" * ((len(d) - 11) // 4)
    ),
)
_CLAMP = Others(
    is_text=False,
    overrange=lambda d: (
        d[:2] + (body := b"\x01" + d[3:-1]) + bytes((CHECKSUMS["crc8"][1](body),))
    ),
)
OTHERS = {
    "mains": _RTU,
    "duct": _RTU,
    "ambient": _ASCII,
    "power": Others(
        other=lambda _: b"MAKER,MODEL,0001\r\n",
        overrange=lambda d: re.sub(rb"^[^,]+", b"9.9E37", d),
    ),
    "vane": Others(overrange=lambda d: re.sub(rb"V=[^ ]+", b"V=OL", d)),
    "pressure": Others(
        foreign=lambda d: _checked(b"03" + d[3:-5]),
        other=lambda d: _checked(d[1:4] + b"1,2"),
        overrange=lambda d: _checked(d[1:4] + b"9.9E37"),
    ),
    "clamp": _CLAMP,
    ASKED: replace(_CLAMP, other=lambda d: d[:2] + d[4:]),
}
"""By line of the scenario `all-meters`."""


@dataclass
class Wire:
    """One line, with an end on either side; `far` is negative where the answers are those of `source`."""

    name: str
    far: int
    near_link: Path
    char_s: float
    near: int = -1
    hidden: int = -1
    request: bytes = b""
    said: bytes = b""
    whole_at_s: float = 0.0
    before: dict[bytes, bytes] = field(default_factory=dict)
    stuck: dict[bytes, tuple[int, bytes]] = field(default_factory=dict)
    source: "Wire | None" = None
    newest: bytes = b""
    waiting: list[tuple[float, int, bytes]] = field(default_factory=list)
    back_at_s: float = 0.0

    def plug(self) -> None:
        """A new pseudo-terminal under the line's name."""
        self.near, self.hidden = os.openpty()
        tty.setraw(self.hidden)
        os.set_blocking(self.near, False)
        self.near_link.unlink(missing_ok=True)
        self.near_link.symlink_to(os.ttyname(self.hidden))

    def unplug(self) -> None:
        """It goes away, and what was on its way with it."""
        self.near_link.unlink(missing_ok=True)
        os.close(self.near)
        os.close(self.hidden)
        self.near = self.hidden = -1
        self.waiting.clear()


class Between:
    """Hands on, and spoils."""

    def __init__(
        self, wires: list[Wire], *, faults: tuple[Fault, ...], share: float, seed: int
    ) -> None:
        self.spoiled: dict[str, int] = {wire.name: 0 for wire in wires}
        self.answers: dict[str, int] = {wire.name: 0 for wire in wires}
        self._wires = wires
        self._faults, self._share, self._random = faults, share, Random(seed)  # noqa: S311  # chance of a test
        self._number = 0
        self._other_name = [os.openpty()]

    def run(self, is_over: Callable[[], bool]) -> None:
        """Until told to stop."""
        while not is_over():
            now_s = time.monotonic()
            for wire in self._wires:
                self._turn(wire, now_s)
            ready, _, _ = select.select(
                self._heard(), [], [], self._wait_s(time.monotonic())
            )
            for wire in self._wires:
                if wire.far in ready:
                    wire.said += os.read(wire.far, 4096)
                    wire.whole_at_s = time.monotonic() + QUIET_S
                if wire.near in ready:
                    self._ask(wire)

    def _heard(self) -> list[int]:
        return [fd for wire in self._wires for fd in (wire.far, wire.near) if fd >= 0]

    def _wait_s(self, now_s: float) -> float:
        times = [now_s + 0.2]
        for wire in self._wires:
            times += [wire.whole_at_s] if wire.said else []
            times += [wire.back_at_s] if wire.near < 0 else []
            times += [wire.waiting[0][0]] if wire.waiting else []
        return max(0.0, min(times) - now_s)

    def _ask(self, wire: Wire) -> None:
        try:
            data = os.read(wire.near, 4096)
        except OSError:
            return
        # A question may come in pieces; one that follows an answer is new.
        wire.request = data
        if wire.source is None:
            os.write(wire.far, data)
        elif data == REQUEST:
            wire.said = wire.source.newest
            wire.whole_at_s = time.monotonic() + QUIET_S

    def _turn(self, wire: Wire, now_s: float) -> None:
        if wire.near < 0 and now_s >= wire.back_at_s:
            # Another terminal has the old one's number by now, so that this one gets a new name.
            self._other_name.append(os.openpty())
            for descriptor in self._other_name.pop(0):
                os.close(descriptor)
            wire.plug()
        if wire.said and now_s >= wire.whole_at_s:
            data, wire.said = wire.said, b""
            self._hand_on(wire, data, now_s)
        while wire.waiting and wire.waiting[0][0] <= now_s:
            data = heapq.heappop(wire.waiting)[2]
            if wire.near < 0:
                continue
            if data:
                self._write(wire, data)
            else:
                wire.unplug()
                wire.back_at_s = now_s + AWAY_S

    def _write(self, wire: Wire, data: bytes) -> None:
        try:
            os.write(wire.near, data)
        except BlockingIOError:
            # Nobody reads: a wire keeps nothing.
            termios.tcflush(wire.hidden, termios.TCIFLUSH)

    def _hand_on(self, wire: Wire, data: bytes, now_s: float) -> None:
        self.answers[wire.name] += 1
        is_streamed = wire.name in STREAMED
        request = b"" if is_streamed else wire.request
        before, wire.before[request] = wire.before.get(request, data), data
        if len(data) == _FRAME_BYTES:
            wire.newest = data
        if self._faults == (Fault.STUCK,):
            self._say_at(wire, now_s, self.said_by_stuck(wire, request, data))
            return
        # What is shorter than any answer is a piece of one, cut by a busy computer.
        if len(data) < _LEAST_BYTES or self._random.random() >= self._share:
            self._say_at(wire, now_s, data)
            return
        fault = self._random.choice(self._faults)
        answer = _answer(wire.name, data, request, before)
        if is_streamed and fault in {
            Fault.LATE,
            Fault.TOO_LATE,
            Fault.ECHO,
            Fault.OTHER_QUESTION,
        }:
            fault = Fault.SILENT
        if fault is Fault.LATE:
            late_s = self._random.uniform(
                *(LATE_SLOW_S if wire.name == "ambient" else LATE_S)
            )
            self._say_at(wire, now_s + late_s, data)
            self.spoiled[wire.name] += 1
            return
        spoiled = spoil(fault, answer, self._random)
        # Of some faults a wire knows nothing: who has no address has no other unit's reply.
        self.spoiled[wire.name] += has_changed(answer, spoiled)
        for at_s, piece in in_pieces(spoiled.says, self._random, wire.char_s):
            self._say_at(wire, now_s + at_s, piece)
        if spoiled.loses_after_s is not None:
            self._say_at(wire, now_s + spoiled.loses_after_s, b"")

    def said_by_stuck(self, wire: Wire, request: bytes, data: bytes) -> bytes:
        """What a meter says that may hang: what it said when it began to."""
        left, held = wire.stuck.get(request, (0, b""))
        is_whole = len(data) >= _LEAST_BYTES
        if not left and is_whole and self._random.random() < STUCK_SHARE * self._share:
            left, held = STUCK_FOR, data
        if not left or not is_whole:
            return data
        wire.stuck[request] = left - 1, held
        self.spoiled[wire.name] += held != data
        return held

    def _say_at(self, wire: Wire, at_s: float, data: bytes) -> None:
        self._number += 1
        heapq.heappush(wire.waiting, (at_s, self._number, data))


def _answer(name: str, data: bytes, request: bytes, before: bytes) -> Answer:
    others = OTHERS[name]

    def made(make: Callable[[bytes], bytes] | None) -> bytes | None:
        try:
            return make(data) if make is not None else None
        except ValueError:
            # Two answers in one, or a piece of one: nothing of it can be built anew.
            return None

    return Answer(
        data,
        request,
        0.001,
        others.is_text,
        old=before,
        stuck=before,
        overrange=made(others.overrange),
        foreign=made(others.foreign),
        other=made(others.other),
    )


def _wires(simulation: Path, far: Path, near: Path) -> list[Wire]:
    near.mkdir(exist_ok=True)
    wires = []
    for line in tomllib.loads(simulation.read_text(encoding="utf-8"))["lines"]:
        name, baud = line["name"], line["baud"]
        descriptor = os.open(far / name, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(descriptor)
        modes = termios.tcgetattr(descriptor)
        # A line of the simulators garbles what a host of another speed says.
        modes[4] = modes[5] = getattr(termios, f"B{baud}")
        termios.tcsetattr(descriptor, termios.TCSANOW, modes)
        wire = Wire(name, descriptor, near / name, 10.0 / baud)
        wire.plug()
        wires.append(wire)
    source = next(wire for wire in wires if wire.name == ASKED_OF)
    asked = Wire(ASKED, -1, near / ASKED, source.char_s, source=source)
    asked.plug()
    return [*wires, asked]


def main() -> None:
    """Stand between until told to stop."""
    parser = argparse.ArgumentParser(
        description="Stands between simulated meters and the daemon."
    )
    for name, words in (
        ("simulation", "its file"),
        ("far", "folder of its lines"),
        ("near", "folder of ours"),
    ):
        parser.add_argument(name, type=Path, help=words)
    parser.add_argument(
        "--fault", type=Fault, default=Fault.MIXED, help="which (all mixed)"
    )
    parser.add_argument("--share", type=float, default=0.1, help="of the answers (0.1)")
    parser.add_argument("--seed", type=int, default=1, help="for all chance (1)")
    options = parser.parse_args()
    faults = _MIXED if options.fault is Fault.MIXED else (options.fault,)
    wires = _wires(options.simulation, options.far, options.near)
    between = Between(wires, faults=faults, share=options.share, seed=options.seed)
    stopped: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _frame: stopped.append(number))
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    between.run(lambda: bool(stopped))
    sys.stdout.write(
        json.dumps({"answers": between.answers, "spoiled": between.spoiled}) + "\n"
    )


if __name__ == "__main__":
    main()
