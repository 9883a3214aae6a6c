"""A line whose descriptor the event loop watches."""

import asyncio
import os
import socket
from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

from daq.config.bench import PortSettings
from daq.errors import PortAbsentError, PortLostError
from daq.runtime.ports.opening import open_serial

_CHUNK = 4096
_CONNECT_S = 3.0


class DescriptorPort:
    """An open descriptor; `device` is closed with it."""

    def __init__(
        self,
        device: Any,  # noqa: ANN401  # pyserial's object or a socket: both have fileno() and close()
        url: str,
        *,
        wire_s: Callable[[], float],
        on_data: Callable[[bytes, float], None],
        on_lost: Callable[[PortLostError], None],
    ) -> None:
        self._device = device
        self._url = url
        self._wire_s = wire_s
        self._on_data = on_data
        self._on_lost = on_lost
        self._descriptor = device.fileno()
        self._unsent = b""
        self._loop = asyncio.get_running_loop()
        os.set_blocking(self._descriptor, False)
        self._loop.add_reader(self._descriptor, self._readable)

    def write(self, data: bytes) -> None:
        """Hand bytes over to be sent; what the system does not take at once follows."""
        if self._device is None:
            # The descriptor's number may belong to another file by now.
            return
        if self._unsent:
            self._unsent += data
            return
        try:
            sent = os.write(self._descriptor, data)
        except BlockingIOError:
            sent = 0
        except OSError as exc:
            self._lost(exc)
            return
        if sent < len(data):
            self._unsent = data[sent:]
            self._loop.add_writer(self._descriptor, self._writable)

    async def close(self) -> None:
        """Give the line back."""
        self._forget()

    def _readable(self) -> None:
        try:
            data = os.read(self._descriptor, _CHUNK)
        except BlockingIOError:
            return
        except OSError as exc:
            self._lost(exc)
            return
        if data:
            self._on_data(data, self._wire_s())
        else:
            self._lost(None)

    def _writable(self) -> None:
        data, self._unsent = self._unsent, b""
        self._loop.remove_writer(self._descriptor)
        self.write(data)

    def _lost(self, cause: OSError | None) -> None:
        if self._forget():
            error = PortLostError(
                f"port {self._url}: it went away ({cause or 'closed by the other side'})"
            )
            self._on_lost(error)

    def _forget(self) -> bool:
        if self._device is None:
            return False
        self._loop.remove_reader(self._descriptor)
        self._loop.remove_writer(self._descriptor)
        device, self._device = self._device, None
        device.close()
        return True


def open_device(settings: PortSettings, **calls: Any) -> DescriptorPort:  # noqa: ANN401  # passed on as they are
    """Open a serial device; `calls` as for DescriptorPort."""
    return DescriptorPort(open_serial(settings, timeout_s=0.0), settings.url, **calls)


async def open_socket(settings: PortSettings, **calls: Any) -> DescriptorPort:  # noqa: ANN401  # passed on as they are
    """Connect to a device server's raw socket; `calls` as for DescriptorPort."""
    host, port = _host_and_port(settings.url)
    connection = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    connection.setblocking(False)  # noqa: FBT003  # the standard library takes it by position
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    try:
        async with asyncio.timeout(_CONNECT_S):
            await asyncio.get_running_loop().sock_connect(connection, (host, port))
    except OSError as exc:
        connection.close()
        msg = f"port {settings.url}: nobody answers there ({str(exc) or 'time-out'}), check the device server and its port"
        raise PortAbsentError(msg) from exc
    return DescriptorPort(connection, settings.url, **calls)


def _host_and_port(url: str) -> tuple[str, int]:
    try:
        address = urlsplit(url)
        host, port = address.hostname, address.port
    except ValueError:
        host = port = None
    if host is None or port is None:
        msg = f"port {url}: no host and port, expected socket://host:port"
        raise PortAbsentError(msg)
    return host, port
