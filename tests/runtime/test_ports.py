"""Lines: both kinds of port on a pseudo-terminal, sockets that stand for a line, and what can be wrong with a path."""

import asyncio
import contextlib
import errno
import random
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import serial
from serial import rfc2217

from daq.config.bench import PortSettings
from daq.errors import (
    InstrumentError,
    PortAbsentError,
    PortBusyError,
    PortDeniedError,
    PortLostError,
)
from daq.runtime.ports import Port, open_port
from daq.runtime.ports.descriptor import open_device
from daq.runtime.ports.opening import port_error
from daq.runtime.ports.threaded import open_threaded
from tests.runtime.conftest import PATIENCE_S, Wire, until

BAUD = 115_200
NOISE = random.Random(1).randbytes(200_000)  # noqa: S311 - bytes of every kind, no secret
"""More than a pseudo-terminal holds: the system keeps some 64 KiB on the way."""


def settings(url: str | Path) -> PortSettings:
    return PortSettings(str(url), BAUD, 8, "none", 1)


@dataclass
class Heard:
    """What a port called back."""

    now_s: float = 0.0
    data: list[tuple[bytes, float]] = field(default_factory=list)
    lost: list[PortLostError] = field(default_factory=list)

    @property
    def all(self) -> bytes:
        return b"".join(data for data, _ in self.data)

    async def until(self, data: bytes) -> None:
        """Wait until that, and nothing else, was heard."""
        await until(lambda: len(self.all) >= len(data))
        assert self.all == data

    def wire_s(self) -> float:
        return self.now_s

    def take(self, data: bytes, at: float) -> None:
        self.data.append((data, at))


async def open_descriptor(url: str | Path, heard: Heard) -> Port:
    return open_device(
        settings(url),
        wire_s=heard.wire_s,
        on_data=heard.take,
        on_lost=heard.lost.append,
    )


async def open_with_threads(url: str | Path, heard: Heard) -> Port:
    return await open_threaded(
        settings(url),
        wire_s=heard.wire_s,
        on_data=heard.take,
        on_lost=heard.lost.append,
    )


async def open_by_url(url: str | Path, heard: Heard) -> Port:
    return await open_port(
        settings(url),
        wire_s=heard.wire_s,
        on_data=heard.take,
        on_lost=heard.lost.append,
    )


Open = Callable[[str | Path, Heard], Awaitable[Port]]


@pytest.fixture(params=[open_descriptor, open_with_threads])
def open_(request: pytest.FixtureRequest) -> Open:
    opened: Open = request.param
    return opened


@asynccontextmanager
async def opened(open_: Open, wire: Wire) -> AsyncIterator[tuple[Port, Heard]]:
    heard = Heard()
    port = await open_(wire.path, heard)
    wire.attend()
    try:
        yield port, heard
    finally:
        await port.close()


# ---- on a pseudo-terminal


@pytest.mark.pty
async def test_bytes_arrive_once_and_in_order(open_: Open, wire: Wire) -> None:
    async with opened(open_, wire) as (_, heard):
        wire.send(NOISE)
        await heard.until(NOISE)


@pytest.mark.pty
async def test_bytes_are_stamped_with_the_wire_time_of_arrival(
    open_: Open, wire: Wire
) -> None:
    async with opened(open_, wire) as (_, heard):
        for now_s, word in ((5.0, b"one"), (6.5, b"two"), (7.25, b"three")):
            heard.now_s = now_s
            heard.data.clear()
            wire.send(word)
            await heard.until(word)
            assert {at for _, at in heard.data} == {now_s}


@pytest.mark.pty
async def test_what_is_written_arrives_at_the_other_side(
    open_: Open, wire: Wire
) -> None:
    async with opened(open_, wire) as (port, _):
        port.write(b"\x01\x04\x00")
        port.write(b"\xff\r\n\x03\x11\x13")
        await until(lambda: len(wire.received) >= 9)
        assert wire.received == b"\x01\x04\x00\xff\r\n\x03\x11\x13"


@pytest.mark.pty
async def test_more_than_the_system_takes_at_once_is_sent_in_order(
    open_: Open, wire: Wire
) -> None:
    async with opened(open_, wire) as (port, _):
        port.write(NOISE)
        port.write(b"and the rest")
        await until(lambda: wire.received.endswith(b"and the rest"))
        assert wire.received == NOISE + b"and the rest"


@pytest.mark.pty
async def test_a_pulled_plug_is_told_once(open_: Open, wire: Wire) -> None:
    async with opened(open_, wire) as (port, heard):
        wire.send(b"last words")
        await heard.until(b"last words")
        wire.unplug()
        await until(lambda: bool(heard.lost))
        port.write(b"is anybody there?")
        await port.close()
        await port.close()
    assert len(heard.lost) == 1
    assert str(heard.lost[0]).startswith(f"port {wire.path}: it went away (")
    assert heard.all == b"last words"


@pytest.mark.pty
async def test_what_is_written_to_a_lost_line_goes_nowhere(
    open_: Open, wire: Wire, tmp_path: Path
) -> None:
    async with opened(open_, wire) as (port, heard):
        wire.unplug()
        await until(lambda: bool(heard.lost))
        # Files opened now get the descriptors that have become free.
        files = [(tmp_path / f"file{i}").open("wb", buffering=0) for i in range(8)]
        port.write(b"a request")
        await port.close()
        for file in files:
            file.close()
    assert [(tmp_path / f"file{i}").read_bytes() for i in range(8)] == [b""] * 8


@pytest.mark.pty
async def test_after_closing_nothing_is_called(open_: Open, wire: Wire) -> None:
    first = Heard()
    port = await open_(wire.path, first)
    wire.attend()
    wire.send(b"before")
    await first.until(b"before")
    await port.close()
    port.write(b"too late")
    # Whoever comes next hears what is said from now on, and proves that it was said.
    async with opened(open_, wire) as (_, second):
        wire.send(b"after")
        await second.until(b"after")
    assert first.all == b"before"
    assert first.lost == []
    assert wire.received == b""


@pytest.mark.pty
async def test_opening_that_is_cancelled_leaves_the_line_free(
    open_: Open, wire: Wire
) -> None:
    async with asyncio.TaskGroup() as tasks:
        opening = tasks.create_task(_open_and_close(open_, wire))
        # One turn: opening has begun, and goes on in a thread where there is one.
        await asyncio.sleep(0)
        opening.cancel()
    await _until_free(open_, wire)


async def _open_and_close(open_: Open, wire: Wire) -> None:
    port = await open_(wire.path, Heard())
    await port.close()


async def _until_free(open_: Open, wire: Wire) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while True:
            with contextlib.suppress(PortBusyError):
                return await _open_and_close(open_, wire)
            await asyncio.sleep(0.002)


@pytest.mark.pty
async def test_closing_does_not_wait_for_bytes_that_nobody_takes(
    open_: Open, wire: Wire
) -> None:
    port = await open_(wire.path, Heard())
    port.write(NOISE)
    await until(lambda: wire.has_unread)
    await port.close()
    await until(lambda: not port_threads())


def port_threads() -> list[str]:
    return [t.name for t in threading.enumerate() if t.name.startswith("port-")]


@pytest.mark.pty
async def test_a_line_has_one_owner(open_: Open, wire: Wire) -> None:
    async with opened(open_, wire) as (_, heard):
        with pytest.raises(PortBusyError, match=f"port {wire.path}: another program"):
            await open_(wire.path, Heard())
        wire.send(b"undisturbed")
        await heard.until(b"undisturbed")
    async with opened(open_, wire):
        pass


@pytest.mark.pty
async def test_a_line_with_parity_and_seven_bits_is_opened_again_and_again(
    wire: Wire,
) -> None:
    # A pseudo-terminal keeps neither, and refuses the second time what it took the first time.
    heard = Heard()
    for word in (b"once", b"again"):
        port = await open_port(
            PortSettings(str(wire.path), 19_200, 7, "even", 2),
            wire_s=heard.wire_s,
            on_data=heard.take,
            on_lost=heard.lost.append,
        )
        heard.data.clear()
        wire.attend()
        wire.send(word)
        await heard.until(word)
        await port.close()


# ---- what can be wrong with a path


async def test_an_absent_port_is_told(open_: Open, tmp_path: Path) -> None:
    path = tmp_path / "absent"
    told = f"port {path}: nothing is there, plug the adapter in or correct the path"
    with pytest.raises(PortAbsentError) as caught:
        await open_(path, Heard())
    assert str(caught.value) == told


async def test_a_name_that_leads_nowhere_is_an_absent_port(
    open_: Open, tmp_path: Path
) -> None:
    (tmp_path / "stale").symlink_to(tmp_path / "unplugged")
    with pytest.raises(PortAbsentError, match="stale: nothing is there"):
        await open_(tmp_path / "stale", Heard())


async def test_what_is_no_line_is_told(open_: Open, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("no line", encoding="utf-8")
    for name in ("folder", "file"):
        with pytest.raises(InstrumentError) as caught:
            await open_(tmp_path / name, Heard())
        told = str(caught.value)
        assert told.startswith(f"port {tmp_path / name}: no serial line"), told
        assert "correct the path" in told
    assert (tmp_path / "file").read_text(encoding="utf-8") == "no line"


def test_a_port_that_is_not_for_this_user_is_told_with_the_remedy() -> None:
    # The system's own refusal cannot be had where tests run as root.
    error = port_error(
        "ports/mains", PermissionError(errno.EACCES, "Permission denied")
    )
    assert isinstance(error, PortDeniedError)
    assert "join the group that owns it" in str(error)


# ---- sockets


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
        manager = rfc2217.PortManager(self.line, self)  # type: ignore[arg-type] # any object with write() will do
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


@pytest.fixture
def rfc2217_server() -> Iterator[Rfc2217Server]:
    server = Rfc2217Server()
    server.start()
    yield server
    server.stop()


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


async def test_an_rfc_2217_server_that_is_not_there_is_an_absent_port() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        url = f"rfc2217://127.0.0.1:{taken.getsockname()[1]}"
        with pytest.raises(PortAbsentError, match="nobody answers there"):
            await open_by_url(url, Heard())
