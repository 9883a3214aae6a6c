"""The only input and output: pseudo-terminals, standard input and output, the page.

Each serial line is a pseudo-terminal in raw mode with a symbolic link as its name. The
slave end is held open here too, so that a line exists, like a socket on a meter, whether
or not anybody has opened it. A pseudo-terminal keeps what nobody reads, a wire does not:
when too much has piled up it is thrown away. Nor has it a speed, but it keeps the one that
a host has set: where that is not the line's, bytes arrive garbled at either end.

One task serves each line, another each meter that talks by itself; a thread reads
standard input, for a pipe, a terminal and a plain file are all different to an event
loop. Real time comes from the monotonic clock; bench time is real time times the speed.
"""

import asyncio
import contextlib
import http.client
import json
import os
import signal
import stat
import sys
import termios
import threading
import time
import tty
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping
from fcntl import ioctl
from pathlib import Path
from urllib.parse import urlsplit

from simulators.kinds import Station
from simulators.operator import Act, Operator, Seen, seen_on
from simulators.rig import Rig
from simulators.wires.framing import Framing, garbled
from simulators.wires.paced_line import Counts, FrameEnd, Outgoing, PacedLine

MOST_UNREAD = 2048
"""Bytes that a host may leave unread before the line is taken to have no host."""

LONGEST_COMMAND = 4096
GLANCE_S = 0.15
PAGE_TIMEOUT_S = 1.0
TURN_S = 0.1


def say(text: str) -> None:
    """Write one line to standard output at once."""
    # Whoever read it may have gone; the bench goes on without being heard.
    with contextlib.suppress(BrokenPipeError):
        sys.stdout.write(text + "\n")
        sys.stdout.flush()


class BenchClock:
    """Bench time: real time since the start, times the speed."""

    def __init__(self, speed: float) -> None:
        self._speed = speed
        self._start_s = time.monotonic()

    def now_s(self) -> float:
        """Bench time now."""
        return (time.monotonic() - self._start_s) * self._speed

    def real_s(self, bench_s: float) -> float:
        """Monotonic time at which it is so late on the bench."""
        return self._start_s + bench_s / self._speed


class SerialLine:
    """One line: a pseudo-terminal, its link, and the wire's time in between."""

    def __init__(
        self,
        link: Path,
        framing: Framing,
        *,
        frame_end: FrameEnd,
        answer: Callable[[bytes], Iterable[Outgoing]],
    ) -> None:
        self.link = link
        self._speed = _speed_code(framing.baud)
        self._paced = PacedLine(framing, frame_end=frame_end, answer=answer)
        self._master: int | None = None
        self._slave = -1
        self._wake = asyncio.Event()

    @property
    def counts(self) -> Counts:
        """Manners of the host on this line."""
        return self._paced.counts

    def plug(self) -> None:
        """Open a pseudo-terminal and give it its name; nothing if there is one."""
        if self._master is not None:
            return
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        _set_speed(self._slave, self._speed)
        os.set_blocking(self._master, False)
        _replace_link(self.link, os.ttyname(self._slave))
        asyncio.get_running_loop().add_reader(self._master, self._read)

    def unplug(self) -> None:
        """Close the pseudo-terminal and take its name away; nothing if there is none."""
        if self._master is None:
            return
        asyncio.get_running_loop().remove_reader(self._master)
        _remove_link(self.link, os.ttyname(self._slave))
        os.close(self._master)
        os.close(self._slave)
        self._master = None
        self._paced.cut_off()

    def push(self, outgoing: Outgoing) -> None:
        """Send what a meter says of its own accord."""
        self._paced.push(outgoing, time.monotonic())
        self._wake.set()

    async def serve(self) -> None:
        """Hand bytes over when they are due, for ever."""
        while True:
            self._wake.clear()
            self._write(self._paced.step(time.monotonic()))
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout_at(self._paced.deadline_s):
                    await self._wake.wait()

    def _read(self) -> None:
        if self._master is None:
            return
        with contextlib.suppress(BlockingIOError):
            data = self._as_heard(os.read(self._master, LONGEST_COMMAND))
            self._paced.receive(data, time.monotonic())
            self._wake.set()

    def _write(self, data: bytes) -> None:
        if not data or self._master is None:
            return
        if _unread(self._slave) > MOST_UNREAD:
            termios.tcflush(self._slave, termios.TCIFLUSH)
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, self._as_heard(data))

    def _as_heard(self, data: bytes) -> bytes:
        """The bytes as they arrive at the other end, from host or meter alike."""
        is_alike = self._speed is None or _speeds(self._slave) == (self._speed,) * 2
        return data if is_alike else garbled(data)


async def talk(line: SerialLine, station: Station, rig: Rig, clock: BenchClock) -> None:
    """Let a meter that talks by itself talk, at fixed moments of bench time."""
    interval_s = station.interval_s
    if interval_s is None:
        return
    turn = 0
    while True:
        turn = max(turn + 1, int(clock.now_s() / interval_s))
        await asyncio.sleep(clock.real_s(turn * interval_s) - time.monotonic())
        rig.advance(clock.now_s())
        outgoing = station.speak(rig.now_s)
        if outgoing is not None:
            line.push(outgoing)


async def keep_turning(rig: Rig, clock: BenchClock) -> None:
    """Let the physics go on when nobody asks, so that no long leap piles up."""
    while True:
        rig.advance(clock.now_s())
        await asyncio.sleep(TURN_S)


async def watch_page(url: str, rig: Rig, clock: BenchClock, operator: Operator) -> None:
    """Be the person in front of the page: look, and act on what it shows."""
    while True:
        snapshot = await asyncio.to_thread(_snapshot, url)
        rig.advance(clock.now_s())
        if snapshot is None:
            operator.look_away()
        else:
            _act_on(seen_on(snapshot), rig, operator)
        await asyncio.sleep(GLANCE_S)


@contextlib.contextmanager
def stopping_on_signals(stop: asyncio.Event) -> Iterator[None]:
    """Turn an interrupt and a request to terminate into an orderly stop."""
    loop = asyncio.get_running_loop()
    caught = (signal.SIGINT, signal.SIGTERM)
    for number in caught:
        loop.add_signal_handler(number, stop.set)
    # In the background of a shell, reading from the terminal must not stop the process.
    before = signal.signal(signal.SIGTTIN, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGTTIN, before)
        for number in caught:
            loop.remove_signal_handler(number)


def read_commands(execute: Callable[[str], None], at_end: Callable[[], None]) -> None:
    """Read standard input in a thread; calls come back on the event loop.

    `at_end` is called only where the end means that somebody has let go: a pipe that was
    closed, or the end typed at a terminal. An empty input, or a terminal that belongs to
    another job, means that nobody was there.
    """
    loop = asyncio.get_running_loop()

    def call(action: Callable[[], None]) -> None:
        # The loop may be closed by now: the thread outlives it, waiting for a line.
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(action)

    def read() -> None:
        for line in _lines_of_input():
            call(lambda line=line: execute(line))  # type: ignore[misc]
        if _somebody_was_there():
            call(at_end)

    threading.Thread(target=read, name="commands", daemon=True).start()


def _lines_of_input() -> Iterator[str]:
    # os.read rather than sys.stdin: its lock, held by a waiting thread, ends the
    # interpreter with a fatal error.
    kept = b""
    with contextlib.suppress(OSError):
        while data := os.read(0, LONGEST_COMMAND):
            *lines, kept = (kept + data).split(b"\n")
            yield from (line.decode(errors="replace") for line in lines if line.strip())
            kept = kept[-LONGEST_COMMAND:]


def _somebody_was_there() -> bool:
    try:
        if os.isatty(0):
            return os.tcgetpgrp(0) == os.getpgrp()
        return stat.S_ISFIFO(os.fstat(0).st_mode)
    except OSError:
        return False


def _act_on(seen: Seen, rig: Rig, operator: Operator) -> None:
    act = operator.look(seen, is_running=rig.is_running, now_s=rig.now_s)
    match act:
        case None:
            return
        case Act.COMPLAIN:
            known = ", ".join(repr(name) for name in rig.conditions)
            say(f"error: condition {seen.condition!r}, expected one of {known}")
            return
        case Act.STOP:
            rig.switch(on=False)
        case Act.FIT_AND_START:
            rig.fit(str(seen.condition))
            rig.switch(on=True)
    say(f"person {act.value} at {rig.now_s:.1f} s ({seen.stage}, {seen.condition})")


def _snapshot(url: str) -> Mapping[str, object] | None:
    """The page's state; None while there is no page to read."""
    parts = urlsplit(url)
    page = http.client.HTTPConnection(parts.netloc, timeout=PAGE_TIMEOUT_S)
    try:
        page.request("GET", f"{parts.path.rstrip('/')}/api/state")
        reply = page.getresponse()
        content = (
            json.loads(reply.read()) if reply.status == http.HTTPStatus.OK else None
        )
    except (OSError, http.client.HTTPException, ValueError):
        return None
    finally:
        page.close()
    return content if isinstance(content, dict) else None


def _speed_code(baud: int) -> int | None:
    """The terminal's code of a speed; None where it has none, and nothing can be told of a host's speed."""
    code: int | None = getattr(termios, f"B{baud}", None)
    return code


def _set_speed(descriptor: int, code: int | None) -> None:
    """Begin at the line's speed, so that a host that sets none is not taken to have another."""
    if code is None:
        return
    attributes = termios.tcgetattr(descriptor)
    attributes[4:6] = [code, code]
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)


def _speeds(descriptor: int) -> tuple[int, int]:
    """Codes of the speeds in and out, as whoever opened the line last has set them."""
    _, _, _, _, in_, out, _ = termios.tcgetattr(descriptor)
    return in_, out


def _unread(descriptor: int) -> int:
    waiting = array("i", [0])
    ioctl(descriptor, termios.FIONREAD, waiting)
    return waiting[0]


def _replace_link(link: Path, target: str) -> None:
    link.parent.mkdir(parents=True, exist_ok=True)
    fresh = link.with_name(f".{link.name}.{os.getpid()}")
    fresh.unlink(missing_ok=True)
    fresh.symlink_to(target)
    fresh.replace(link)


def _remove_link(link: Path, target: str) -> None:
    # Another simulator may have taken the name over in the meantime.
    if link.is_symlink() and os.readlink(link) == target:  # noqa: PTH115 - as text
        link.unlink()
