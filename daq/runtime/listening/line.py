"""An open port at one setting, the bytes that it brought, and the errors that its driver counted.

Knows no protocol and no meter.
"""

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

from daq.config.bench import PortSettings
from daq.errors import PortLostError
from daq.recognising.framings import Framing
from daq.runtime.clock import Clock
from daq.runtime.ports import Port, open_port
from daq.runtime.ports.descriptor import DescriptorPort
from daq.runtime.ports.opening import HAS_DESCRIPTORS, open_serial

if HAS_DESCRIPTORS:
    import fcntl
    import termios

_LONGEST_REPLY_S = 3.0
_TIOCGICOUNT = 0x545D
_COUNTS = struct.Struct("20i")
_FRAME_ERRORS, _PARITY_ERRORS = 6, 8

Tell = Callable[[str], None]
"""Takes what is going on, a line at a time."""


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
