"""Lines: both kinds of port on a pseudo-terminal, and what can be wrong with a path."""

import asyncio
import contextlib
import errno
import fcntl
import os
import sys
import termios
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
import serial

from daq.config.bench import PortSettings
from daq.errors import InstrumentError, PortAbsentError, PortBusyError, PortDeniedError
from daq.runtime.ports import Port, open_port
from daq.runtime.ports.descriptor import open_device
from daq.runtime.ports.opening import hold_port, open_serial, port_error
from daq.runtime.ports.threaded import open_threaded
from tests.runtime.conftest import Wire
from tests.runtime.opened_ports import NOISE, Heard, settings
from tests.runtime.waiting import PATIENCE_S, until


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


_HOLDS_A_PORT = """
import sys
from daq.runtime.ports import hold_port
with hold_port(sys.argv[1]):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.mark.pty
async def test_a_port_that_is_held_is_refused_to_others_with_the_holders_number(
    open_: Open, wire: Wire
) -> None:
    other = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", _HOLDS_A_PORT, wire.path),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
    )
    assert other.stdin is not None
    assert other.stdout is not None
    try:
        assert await other.stdout.readline() == b"held\n"
        with pytest.raises(PortBusyError, match=rf"\(process {other.pid}\) holds it"):
            await open_(wire.path, Heard())
        with (
            pytest.raises(PortBusyError, match=f"process {other.pid}"),
            hold_port(str(wire.path)),
        ):
            pytest.fail("two held it")
    finally:
        other.stdin.close()
        await other.wait()
    await _open_and_close(open_, wire)


@pytest.mark.pty
async def test_whoever_holds_a_port_opens_it_time_after_time_and_lets_it_go(
    open_: Open, wire: Wire
) -> None:
    with hold_port(str(wire.path)):
        for _ in range(3):
            async with opened(open_, wire) as (_, heard):
                wire.send(b"here")
                await heard.until(b"here")
        with pytest.raises(PortBusyError), hold_port(str(wire.path)):
            pytest.fail("two held it")
    await _open_and_close(open_, wire)


@pytest.mark.pty
async def test_a_second_hold_that_is_refused_leaves_the_first_one_as_it_was(
    open_: Open, wire: Wire
) -> None:
    with hold_port(str(wire.path)):
        with pytest.raises(PortBusyError), hold_port(str(wire.path)):
            pytest.fail("two held it")
        await _open_and_close(open_, wire)


def test_of_a_url_nothing_is_held_and_what_is_not_there_is_told(tmp_path: Path) -> None:
    with hold_port("socket://host:1"):
        pass
    with (
        pytest.raises(PortAbsentError, match="absent: nothing is there"),
        hold_port(str(tmp_path / "absent")),
    ):
        pytest.fail("held nothing")


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


@pytest.mark.pty
async def test_characters_of_wrong_parity_are_looked_for_and_read_as_nul(
    wire: Wire,
) -> None:
    # POSIX.1-2017, 11.2.2: with INPCK, and neither IGNPAR nor PARMRK, such a character is read as '\\0'.
    heard = Heard()
    port = await open_port(
        PortSettings(str(wire.path), 9600, 8, "even", 1),
        wire_s=heard.wire_s,
        on_data=heard.take,
        on_lost=heard.lost.append,
    )
    descriptor = os.open(wire.path, os.O_RDWR | os.O_NOCTTY)
    modes = termios.tcgetattr(descriptor)[0]
    os.close(descriptor)
    await port.close()
    checked = termios.INPCK | termios.IGNPAR | termios.PARMRK
    assert modes & checked == termios.INPCK


class Adapter:
    """A serial adapter of which only what it is asked for is seen."""

    def __init__(self, *, refuses: bool) -> None:
        self.asked: list[object] = []
        self._refuses = refuses

    def set_low_latency_mode(self, on: object, /) -> None:
        self.asked.append(on)
        if self._refuses:
            # As the driver of an adapter that has no such mode.
            msg = "Failed to update ASYNC_LOW_LATENCY option to True"
            raise ValueError(msg)

    def reset_input_buffer(self) -> None:
        self.asked.append("to forget what it holds")


@pytest.mark.parametrize("refuses", [False, True])
def test_an_adapter_is_asked_to_hand_bytes_over_at_once(
    monkeypatch: pytest.MonkeyPatch, *, refuses: bool
) -> None:
    adapter = Adapter(refuses=refuses)
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: adapter)
    assert open_serial(settings("/dev/adapter"), timeout_s=0.0) is adapter
    assert adapter.asked == [True, "to forget what it holds"]


class LineOfAdapter(Adapter):
    """The same with a descriptor, which a real line has."""

    def __init__(self, descriptor: int) -> None:
        super().__init__(refuses=False)
        self._descriptor = descriptor

    def fileno(self) -> int:
        return self._descriptor


@pytest.mark.pty
@pytest.mark.parametrize(("url", "expected"), [("/dev/adapter", 1), (None, 0)])
def test_the_system_refuses_an_adapters_line_to_programs_that_heed_no_lock(
    monkeypatch: pytest.MonkeyPatch, wire: Wire, url: str | None, expected: int
) -> None:
    descriptor = os.open(wire.path, os.O_RDWR | os.O_NOCTTY)
    adapter = LineOfAdapter(descriptor)
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: adapter)
    open_serial(settings(url or wire.path), timeout_s=0.0)
    # TIOCGEXCL of ioctl_tty(2): an int, nonzero while TIOCEXCL is in force; Python has no name for it.
    answer = fcntl.ioctl(descriptor, 0x80045440, bytes(4))
    os.close(descriptor)
    assert int.from_bytes(answer, sys.byteorder) == expected


# ---- what can be wrong with a path


async def test_an_absent_port_is_told(open_: Open, tmp_path: Path) -> None:
    path = tmp_path / "absent"
    told = f"port {path}: nothing is there, plug the adapter in or correct the path: `daq ports` lists them"
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
