"""Serial lines, and sockets that stand for one.

    descriptor  watched by the event loop; no thread, nothing that a cancelled wait could leave behind
    threaded    the same face where there is no descriptor (rfc2217://, Windows): one reader thread for the port's whole
                life, so that no orphan can swallow the next reply

A port calls `on_data(data, at)` for whatever arrives, with the wire time of arrival, and `on_lost(error)` once when it goes
away. It knows no protocol.
"""

from collections.abc import Callable
from typing import Protocol

from daq.config.bench import PortSettings
from daq.errors import PortLostError
from daq.runtime.ports.descriptor import open_device, open_socket
from daq.runtime.ports.opening import HAS_DESCRIPTORS, hold_port
from daq.runtime.ports.threaded import open_threaded

OnData = Callable[[bytes, float], None]
OnLost = Callable[[PortLostError], None]

__all__ = ["Port", "hold_port", "open_port"]


class Port(Protocol):
    """An open line."""

    def write(self, data: bytes) -> None:
        """Hand bytes over to be sent; never waits."""

    async def close(self) -> None:
        """Give the line back; nothing is called afterwards."""


async def open_port(
    settings: PortSettings,
    *,
    wire_s: Callable[[], float],
    on_data: OnData,
    on_lost: OnLost,
) -> Port:
    """Open a line for this program alone.

    Args:
        settings: Path or URL, and the line's settings.
        wire_s: Gives the wire time [s].
        on_data: Takes bytes and their time of arrival.
        on_lost: Called once when the line goes away.

    Raises:
        PortAbsentError, PortBusyError, PortDeniedError: With what to do about it.
    """
    if settings.url.startswith("socket://"):
        return await open_socket(
            settings, wire_s=wire_s, on_data=on_data, on_lost=on_lost
        )
    if "://" in settings.url or not HAS_DESCRIPTORS:
        return await open_threaded(
            settings, wire_s=wire_s, on_data=on_data, on_lost=on_lost
        )
    return open_device(settings, wire_s=wire_s, on_data=on_data, on_lost=on_lost)
