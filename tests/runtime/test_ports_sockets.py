"""Sockets that stand for a line: raw ones and those of RFC 2217."""

import asyncio
import contextlib
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager

import pytest
import serial
from serial import rfc2217

from daq.config.bench import PortSettings
from daq.errors import PortAbsentError
from daq.runtime.ports import open_port
from tests.runtime.opened_ports import NOISE, Heard, open_by_url
from tests.runtime.waiting import PATIENCE_S, until

# ---- raw sockets


class DeviceServer:
    """A serial line behind a TCP port of the loopback."""

    def __init__(self) -> None:
        self.received = b""
        self.writers: list[asyncio.StreamWriter] = []

    async def serve(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self.writers.append(writer)
        while data := await reader.read(65536):
            self.received += data
        writer.close()


@asynccontextmanager
async def device_server() -> AsyncIterator[tuple[DeviceServer, str]]:
    device = DeviceServer()
    server = await asyncio.start_server(device.serve, "127.0.0.1", 0)
    try:
        host, port = server.sockets[0].getsockname()
        yield device, f"socket://{host}:{port}"
    finally:
        server.close()
        for writer in device.writers:
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()


async def test_a_socket_stands_for_a_line() -> None:
    heard = Heard()
    async with device_server() as (device, url):
        port = await open_by_url(url, heard)
        port.write(NOISE)
        await until(lambda: len(device.received) >= len(NOISE))
        assert device.received == NOISE
        heard.now_s = 3.5
        device.writers[0].write(b"reply")
        await heard.until(b"reply")
        assert heard.data[-1][1] == 3.5
        await port.close()
        await until(device.writers[0].is_closing)
    assert heard.lost == []


async def test_a_device_server_that_hangs_up_is_a_lost_port() -> None:
    heard = Heard()
    async with device_server() as (device, url):
        port = await open_by_url(url, heard)
        await until(lambda: bool(device.writers))
        device.writers[0].write(b"bye")
        device.writers[0].close()
        await until(lambda: bool(heard.lost))
        await port.close()
    assert heard.all == b"bye"
    assert [str(error) for error in heard.lost] == [
        f"port {url}: it went away (closed by the other side)"
    ]


async def test_a_device_server_that_is_not_there_is_an_absent_port() -> None:
    with socket.socket() as taken:
        # Bound but not listening: nobody else gets the port, and nobody answers.
        taken.bind(("127.0.0.1", 0))
        url = f"socket://127.0.0.1:{taken.getsockname()[1]}"
        with pytest.raises(PortAbsentError, match="nobody answers there"):
            await open_by_url(url, Heard())


@pytest.mark.parametrize(
    "url", ["socket://127.0.0.1", "socket://", "socket://127.0.0.1:line1"]
)
async def test_an_address_without_host_and_port_is_told(url: str) -> None:
    with pytest.raises(PortAbsentError, match="expected socket://host:port"):
        await open_by_url(url, Heard())


async def test_an_unknown_kind_of_address_is_told() -> None:
    with pytest.raises(PortAbsentError, match="port carrier-pigeon://loft: "):
        await open_by_url("carrier-pigeon://loft", Heard())


# ---- RFC 2217


class Rfc2217Server(threading.Thread):
    """A serial line that returns what it is sent, behind the library's own RFC 2217 server."""

    manager: type[rfc2217.PortManager] = rfc2217.PortManager

    def __init__(self) -> None:
        super().__init__(name="rfc2217-server")
        self.line = serial.serial_for_url("loop://", timeout=0)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"
        self._connection: socket.socket | None = None

    def write(self, data: bytes) -> None:
        assert self._connection is not None
        self._connection.sendall(data)

    def run(self) -> None:
        self._connection, _ = self._listener.accept()
        manager = self.manager(self.line, self)  # type: ignore[arg-type] # any object with write() will do
        while data := self._connection.recv(4096):
            self.line.write(b"".join(manager.filter(data)))
            self.write(b"".join(manager.escape(self.line.read(self.line.in_waiting))))
        self.hang_up()

    def hang_up(self) -> None:
        if self._connection is not None:
            with contextlib.suppress(OSError):
                self._connection.shutdown(socket.SHUT_RDWR)

    def stop(self) -> None:
        self.hang_up()
        # Wakes a thread to which nobody came.
        with contextlib.suppress(OSError):
            socket.create_connection(self._listener.getsockname()).close()
        self.join(PATIENCE_S)
        self._listener.close()
        if self._connection is not None:
            self._connection.close()
        self.line.close()


class _NoSignals(rfc2217.PortManager):
    """Leaves modem signals without an answer, as a server does whose line has none."""

    def _telnet_process_subnegotiation(self, suboption: bytes) -> None:
        if suboption[1:2] != rfc2217.SET_CONTROL:
            super()._telnet_process_subnegotiation(suboption)  # type: ignore[misc] # the stubs leave it out


class ServerWithoutSignals(Rfc2217Server):
    manager: type[rfc2217.PortManager] = _NoSignals


@contextlib.contextmanager
def _running(server: Rfc2217Server) -> Iterator[Rfc2217Server]:
    server.start()
    try:
        yield server
    finally:
        server.stop()


@pytest.fixture
def rfc2217_server() -> Iterator[Rfc2217Server]:
    with _running(Rfc2217Server()) as server:
        yield server


# The library's client names its thread in a way that is deprecated since Python 3.10.
AS_THE_LIBRARY_IS = pytest.mark.filterwarnings(r"ignore:set\w+\(\) is deprecated")


@AS_THE_LIBRARY_IS
@pytest.mark.slow
async def test_a_line_behind_rfc_2217_gets_our_settings_and_carries_every_byte(
    rfc2217_server: Rfc2217Server,
) -> None:
    heard = Heard()
    port = await open_port(
        PortSettings(rfc2217_server.url, 19_200, 7, "even", 2),
        wire_s=heard.wire_s,
        on_data=heard.take,
        on_lost=heard.lost.append,
    )
    line = rfc2217_server.line
    assert (line.baudrate, line.bytesize, line.parity, line.stopbits) == (
        *(19_200, 7),
        *(serial.PARITY_EVEN, 2),
    )
    # 255 is the escape of that protocol (RFC 854), and must come through doubled and halved.
    every_byte = bytes(range(256))
    port.write(every_byte)
    await heard.until(every_byte)
    await port.close()
    assert heard.lost == []


@AS_THE_LIBRARY_IS
@pytest.mark.slow
async def test_an_rfc_2217_server_that_hangs_up_is_a_lost_port(
    rfc2217_server: Rfc2217Server,
) -> None:
    heard = Heard()
    port = await open_by_url(rfc2217_server.url, heard)
    rfc2217_server.hang_up()
    await until(lambda: bool(heard.lost))
    await port.close()
    assert len(heard.lost) == 1
    assert "it went away" in str(heard.lost[0])


@AS_THE_LIBRARY_IS
@pytest.mark.slow
async def test_an_rfc_2217_server_without_modem_signals_is_told_with_the_cure() -> None:
    with _running(ServerWithoutSignals()) as server:
        url = f"{server.url}?timeout=0.2"
        with pytest.raises(PortAbsentError, match=r"write &ign_set_control at the end"):
            await open_by_url(url, Heard())
    with _running(ServerWithoutSignals()) as server:
        heard = Heard()
        port = await open_by_url(f"{server.url}?ign_set_control", heard)
        port.write(NOISE)
        await heard.until(NOISE)
        await port.close()
    assert heard.lost == []


async def test_an_rfc_2217_server_that_is_not_there_is_an_absent_port() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        url = f"rfc2217://127.0.0.1:{taken.getsockname()[1]}"
        with pytest.raises(PortAbsentError, match="nobody answers there"):
            await open_by_url(url, Heard())
