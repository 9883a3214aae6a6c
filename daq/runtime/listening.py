"""Opens a port with one setting after another, collects what comes, and asks what changes nothing.

A thin shell around `daq.recognising`: that says which settings, which requests, and whether what came is enough; here
are only the port, the clock and the waiting. One line is open at a time, and between settings it is closed without its
control lines falling, for a meter that they power or reset would begin anew each time.
"""

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

from daq.config.bench import PortSettings
from daq.errors import PortLostError
from daq.framing import text_from_line
from daq.recognising.asking import (
    ILLEGAL_FUNCTION,
    Registers,
    parse_registers,
    read_request,
)
from daq.recognising.framings import Framing, parse_framing
from daq.recognising.heard import (
    Guess,
    Heard,
    is_surely_wrong,
    judge_heard,
    printable_share,
    seven_bit_shape,
)
from daq.recognising.ranges import Address, Range, RangeSearch, words_of
from daq.runtime.clock import Clock
from daq.runtime.ports import Port, open_port
from daq.runtime.ports.descriptor import DescriptorPort
from daq.runtime.ports.opening import HAS_DESCRIPTORS, open_serial

if HAS_DESCRIPTORS:
    import fcntl
    import termios

CONFIRMATIONS = 4
"""How often a unit is asked once it has answered."""

_TRIES = 3
_LONGEST_REPLY_S = 3.0
_LONGER = 4.0
"""Times the given seconds, for a meter that sends text but seldom."""

_TIOCGICOUNT = 0x545D
_COUNTS = struct.Struct("20i")
_FRAME_ERRORS, _PARITY_ERRORS = 6, 8

Tell = Callable[[str], None]


@dataclass
class Line:
    """An open port, and what it brought.

    Attributes:
        framing: With which it is open.
        chunks: Bytes with the wire time at which they came [s].
    """

    framing: Framing
    clock: Clock
    chunks: list[tuple[bytes, float]] = field(default_factory=list)
    port: Port | None = None
    device: Any = None
    lost: PortLostError | None = None
    came: asyncio.Event = field(default_factory=asyncio.Event)
    last_s: float = 0.0
    errors_before: int | None = None

    @property
    def data(self) -> bytes:
        """All that came since it was last cleared."""
        return b"".join(chunk for chunk, _ in self.chunks)

    @property
    def errors(self) -> int | None:
        """Framing and parity errors since it was opened; None where the driver counts none."""
        now = _counted_errors(self.device)
        return (
            None
            if now is None or self.errors_before is None
            else now - self.errors_before
        )

    def arrived(self, data: bytes, at: float) -> None:
        """The port brings bytes."""
        self.chunks.append((data, at))
        self.last_s = at
        self.came.set()

    def went_away(self, error: PortLostError) -> None:
        """The port is gone."""
        self.lost = error
        self.came.set()

    async def wait(self, until_s: float) -> None:
        """Until bytes come or the time is up.

        Raises:
            PortLostError: If the line went away.
        """
        self.came.clear()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(max(until_s - self.clock.wire_s(), 0.0)):
                await self.came.wait()
        if self.lost is not None:
            raise self.lost

    async def ask(
        self,
        request: bytes,
        *,
        wait_s: float,
        is_whole: Callable[[bytes], bool],
    ) -> bytes:
        """Send a request; what came until it was whole, or until nothing more came for `wait_s` [s]."""
        clear_s = self.last_s + self.framing.silence_s
        await asyncio.sleep(max(clear_s - self.clock.wire_s(), 0.0))
        self.chunks.clear()
        if self.port is not None:
            self.port.write(request)
        now = self.clock.wire_s()
        self.last_s = now + len(request) * self.framing.char_s
        give_up_s = self.last_s + _LONGEST_REPLY_S
        while now < min(self.last_s + wait_s, give_up_s) and not is_whole(self.data):
            await self.wait(min(self.last_s + wait_s, give_up_s))
            now = self.clock.wire_s()
        return self.data


@asynccontextmanager
async def open_line(url: str, framing: Framing, clock: Clock) -> AsyncIterator[Line]:
    """A port at one setting, for as long as the block lasts.

    Raises:
        InstrumentError: If it cannot be opened.
    """
    line = Line(framing, clock)
    settings = PortSettings(
        url, framing.baud, framing.data_bits, framing.parity, framing.stop_bits
    )
    if "://" in url or not HAS_DESCRIPTORS:
        line.port = await open_port(
            settings,
            wire_s=clock.wire_s,
            on_data=line.arrived,
            on_lost=line.went_away,
        )
    else:
        line.device = open_serial(settings, timeout_s=0.0)
        _keep_control_lines(line.device)
        line.errors_before = _counted_errors(line.device)
        line.port = DescriptorPort(
            line.device,
            url,
            wire_s=clock.wire_s,
            on_data=line.arrived,
            on_lost=line.went_away,
        )
    try:
        yield line
    finally:
        await line.port.close()


# ---- meters that talk by themselves


async def listen(
    url: str,
    framings: Sequence[Framing],
    *,
    clock: Clock,
    seconds: float,
    tell: Tell,
) -> list[Guess]:
    """What the line brings at each setting, until one is believed; empty where nobody talks.

    Args:
        url: Path or URL.
        framings: In the order of the search.
        clock: At the speed of life.
        seconds: How long to listen at each [s]; at the first, how long a silence means that nobody talks.
        tell: Takes what is going on, a line at a time.
    """
    guesses: list[Guess] = []
    waiting = list(framings)
    while waiting:
        framing = waiting.pop(0)
        guess = await _listen_at(url, framing, clock=clock, seconds=seconds)
        if not guesses and not guess.heard.data:
            return []
        guesses.append(guess)
        if guess.heard.data:
            tell(_told(guess))
        if guess.is_accepted:
            break
        shape = seven_bit_shape(guess.heard.data)
        if shape is not None and framing.shape == "8N1":
            waiting.insert(0, parse_framing(framing.baud, shape))
    return await _with_fewest_errors(url, guesses, clock, seconds, tell)


def _line_times_s(line: Line) -> tuple[float, ...]:
    """When each line ended [s]."""
    terminator = b"\n" if b"\n" in line.data else b"\r"
    return tuple(at for data, at in line.chunks for _ in range(data.count(terminator)))


async def _listen_at(
    url: str, framing: Framing, *, clock: Clock, seconds: float
) -> Guess:
    async with open_line(url, framing, clock) as line:
        begun_s = now_s = clock.wire_s()
        guess = judge_heard(Heard(framing, b""))
        while now_s < begun_s + _patience_s(guess, seconds):
            await line.wait(begun_s + _patience_s(guess, seconds))
            now_s = clock.wire_s()
            guess = judge_heard(
                Heard(framing, line.data, line.errors, _line_times_s(line))
            )
            if guess.is_accepted or is_surely_wrong(line.data):
                break
        return guess


def _patience_s(guess: Guess, seconds: float) -> float:
    """Longer for what is text so far, however seldom it comes."""
    is_text = guess.heard.data and printable_share(guess.heard.data) == 1.0
    return seconds * _LONGER if is_text else seconds


async def _with_fewest_errors(
    url: str, guesses: list[Guess], clock: Clock, seconds: float, tell: Tell
) -> list[Guess]:
    """Where the driver counted errors in good text, whether another parity has none."""
    best = guesses[-1]
    if not best.is_accepted or not best.heard.errors:
        return guesses
    for shape in ("8E1", "8O1", "8N2"):
        other = best.heard.framing.with_shape(shape)
        guess = await _listen_at(url, other, clock=clock, seconds=seconds)
        tell(_told(guess))
        guesses.append(guess)
        if guess.is_accepted and not guess.heard.errors:
            return guesses
    return [*guesses, best]


def _told(guess: Guess) -> str:
    reasons = "; ".join(guess.reasons)
    return f"{guess.heard.framing}: confidence {guess.confidence:.2f} ({reasons})"


# ---- Modbus units


@dataclass(frozen=True, slots=True)
class UnitFound:
    """A Modbus unit that answers.

    Attributes:
        framing, unit: Where.
        right, asked: [1] replies with a right CRC, and requests.
    """

    framing: Framing
    unit: int
    right: int
    asked: int


async def find_units(
    url: str,
    framings: Sequence[Framing],
    units: Sequence[int],
    *,
    also: Sequence[int] = (),
    clock: Clock,
    wait_s: float,
) -> list[UnitFound]:
    """The units that answer at the first setting at which any does; every one is asked for one register.

    A unit without that register answers with an exception, which is as good. The units of `also` are asked only where
    one of the others has answered.
    """
    for framing in framings:
        async with open_line(url, framing, clock) as line:
            found = [u for u in units if await _answers(line, u, wait_s)]
            if found:
                found += [u for u in also if await _answers(line, u, wait_s)]
                return [await _confirmed(line, u, wait_s) for u in found]
    return []


async def _answers(line: Line, unit: int, wait_s: float) -> bool:
    return await read_registers(line, unit, Range(3, 0, 1), wait_s=wait_s) is not None


async def _confirmed(line: Line, unit: int, wait_s: float) -> UnitFound:
    right = sum(
        [await _answers(line, unit, 2.0 * wait_s) for _ in range(CONFIRMATIONS)]
    )
    return UnitFound(line.framing, unit, right + 1, CONFIRMATIONS + 1)


async def read_registers(
    line: Line, unit: int, wanted: Range, *, wait_s: float
) -> Registers | None:
    """One read with function 3 or 4; None where no sound reply came."""
    request = read_request(unit, wanted.function, wanted.address, wanted.count)
    reply = await line.ask(
        request,
        wait_s=wait_s,
        is_whole=lambda data: parse_registers(data, request) is not None,
    )
    return parse_registers(reply, request)


async def search_registers(
    line: Line, unit: int, search: RangeSearch, *, wait_s: float, pause_s: float
) -> None:
    """Find out which registers can be read, and read them."""
    while (wanted := search.next_range()) is not None:
        reply = await read_registers(line, unit, wanted, wait_s=wait_s)
        await asyncio.sleep(pause_s)
        if reply is None:
            search.silent()
        elif reply.refusal is None:
            search.took(reply.words)
        else:
            search.refused(is_whole_function=reply.refusal == ILLEGAL_FUNCTION)


async def sweep_registers(
    line: Line,
    unit: int,
    ranges: Sequence[Range],
    *,
    wait_s: float,
    pause_s: float,
) -> dict[Address, int]:
    """Read what is known to be readable once more; a range that fails time after time is left out."""
    words: dict[Address, int] = {}
    for wanted in ranges:
        for _ in range(_TRIES):
            reply = await read_registers(line, unit, wanted, wait_s=wait_s)
            await asyncio.sleep(pause_s)
            if reply is not None and reply.refusal is None:
                words |= words_of(wanted, reply.words)
                break
    return words


# ---- meters that answer a text


@dataclass(frozen=True, slots=True)
class QueryFound:
    """A text that was answered with plain text, time after time.

    Attributes:
        framing: Where.
        query: Without its line end.
        ending: Its line end.
        replies: Lines that came, the query itself left out where it came back.
        terminator: Byte that ends a reply.
        echo: Whether the query came back first.
    """

    framing: Framing
    query: str
    ending: str
    replies: tuple[str, ...]
    terminator: bytes
    echo: bool


async def find_queries(
    url: str,
    framings: Sequence[Framing],
    queries: Sequence[str],
    endings: Sequence[str],
    *,
    clock: Clock,
    wait_s: float,
) -> list[QueryFound]:
    """The queries that are answered, at the first setting at which any is."""
    for ending in endings:
        for framing in framings:
            async with open_line(url, framing, clock) as line:
                asked = [await _asked(line, query, ending, wait_s) for query in queries]
                found = [each for each in asked if each is not None]
                if found:
                    return found
    return []


async def _asked(
    line: Line, query: str, ending: str, wait_s: float
) -> QueryFound | None:
    """The query, answered three times in the same manner; None otherwise."""
    replies: list[str] = []
    echoes, terminators = set(), set()
    for _ in range(3):
        data = await line.ask(
            f"{query}{ending}".encode("ascii"), wait_s=wait_s, is_whole=_never
        )
        reply = _one_line(data, query)
        if reply is None:
            return None
        text, terminator, echo = reply
        replies.append(text)
        echoes.add(echo)
        terminators.add(terminator)
    if len(echoes) > 1 or len(terminators) > 1:
        return None
    return QueryFound(
        line.framing,
        query,
        ending,
        tuple(replies),
        terminators.pop(),
        echoes.pop(),
    )


def _never(_data: bytes) -> bool:
    """A second line may follow the first, so the whole time is waited for."""
    return False


def _one_line(data: bytes, query: str) -> tuple[str, bytes, bool] | None:
    """Text, terminator and whether the query came back first; None unless one line of text came."""
    terminator = b"\n" if b"\n" in data else b"\r"
    if not data.endswith(terminator):
        return None
    lines = [text_from_line(line) for line in data.split(terminator)]
    texts = [text for text in lines if text != ""]
    echo = len(texts) > 1 and texts[0] == query
    if echo:
        texts.pop(0)
    if len(texts) != 1 or texts[0] is None:
        return None
    return texts[0], terminator, echo


# ---- what only a real adapter has


def _keep_control_lines(device: Any) -> None:  # noqa: ANN401  # pyserial's class differs by URL
    """Closing shall not let DTR and RTS fall."""
    with contextlib.suppress(OSError, termios.error):
        attributes = termios.tcgetattr(device.fileno())
        attributes[2] &= ~termios.HUPCL
        termios.tcsetattr(device.fileno(), termios.TCSANOW, attributes)


def _counted_errors(device: Any) -> int | None:  # noqa: ANN401  # likewise
    """Framing and parity errors since the driver was loaded; None where it counts none."""
    if device is None:
        return None
    try:
        counts = _COUNTS.unpack(
            fcntl.ioctl(device.fileno(), _TIOCGICOUNT, bytes(_COUNTS.size))
        )
    except (OSError, ValueError, TypeError):
        return None
    return int(counts[_FRAME_ERRORS] + counts[_PARITY_ERRORS])
