"""The embedded broker as a process: where it listens, what it says, how it ends."""

import asyncio
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from daq.errors import NetworkError
from daq.runtime.broker import EMBEDDED_HOST, EmbeddedBroker, embedded

ROOT = Path(__file__).parents[2]
PATIENCE_S = 20.0


async def until(condition: Callable[[], bool]) -> None:
    """Wait for a condition, or fail."""
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - what is waited for sets no event
            await asyncio.sleep(0.005)


def is_listening(port: int, host: str = EMBEDDED_HOST) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex((host, port)) == 0


@pytest.mark.slow
async def test_it_listens_on_loopback_alone() -> None:
    broker = EmbeddedBroker()
    port = await broker.start()
    try:
        assert is_listening(port)
        # Another address of the same machine (RFC 1122, 3.2.1.3: all 127/8 is
        # loopback) is answered only by a socket that is bound to every address.
        assert not is_listening(port, "127.0.0.2")
    finally:
        await broker.stop()
    assert not is_listening(port)


@pytest.mark.slow
async def test_two_brokers_do_not_meet() -> None:
    first, second = EmbeddedBroker(), EmbeddedBroker()
    try:
        assert await first.start() != await second.start()
    finally:
        await first.stop()
        await second.stop()


async def test_stopping_what_never_started_does_nothing() -> None:
    await EmbeddedBroker().stop()


@pytest.mark.slow
async def test_a_broker_that_cannot_start_tells_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = tmp_path / "serving.py"
    broken.write_text("raise SystemExit('the carrier is not installed')\n")
    monkeypatch.setattr(embedded, "_SERVING", broken)
    with pytest.raises(NetworkError, match="did not start: the carrier is not inst"):
        await EmbeddedBroker().start()


@pytest.mark.slow
async def test_a_broker_that_ends_at_once_is_not_taken_for_its_port(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.create_server((EMBEDDED_HOST, 0)) as stranger:
        broken = tmp_path / "serving.py"
        broken.write_text(f"print({stranger.getsockname()[1]})\nraise SystemExit(7)\n")
        monkeypatch.setattr(embedded, "_SERVING", broken)
        monkeypatch.setattr(embedded, "_is_listening", never_listening)
        with pytest.raises(NetworkError, match="ended at once with code 7"):
            await EmbeddedBroker().start()


async def never_listening(_port: int) -> bool:
    return False


SPEAK_WITH_IT = f"""
import asyncio, os, signal, socket, sys
sys.path.insert(0, {str(ROOT)!r})
from daq.messages import Topics
from daq.runtime.broker import EMBEDDED_HOST, EmbeddedBroker, Publisher

class Outbox:
    async def outbox_next(self): return None
    async def outbox_done(self, entry): pass

async def main():
    broker = EmbeddedBroker()
    port = await broker.start()
    states = asyncio.Queue()
    publisher = Publisher(
        host=EMBEDDED_HOST, port=port, client_id="a", topics=Topics(bench="b"),
        outbox=Outbox(), on_state=lambda state, text: states.put_nowait(state),
        utc_text=lambda: "",
    )
    run = asyncio.get_running_loop().create_task(publisher.run())
    assert await states.get() == "ok"
    with socket.create_connection((EMBEDDED_HOST, port)) as stray:
        stray.sendall(b"GET / HTTP/1.1\\r\\n\\r\\n")
        stray.settimeout(0.5)
        try:
            stray.recv(10)
        except OSError:
            pass
    if sys.argv[1] == "abandon":
        print(port, flush=True)
        os._exit(0)
    if sys.argv[1] == "interrupt":
        os.killpg(0, signal.SIGINT)
        await asyncio.sleep(60)
    await broker.stop()
    assert await states.get() == "away"
    run.cancel()

try:
    asyncio.run(main())
except KeyboardInterrupt:
    pass
"""


async def speak(ending: str) -> tuple[int, str, str]:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-W", "default", "-c", SPEAK_WITH_IT, ending),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    async with asyncio.timeout(PATIENCE_S):
        out, err = await process.communicate()
    return process.returncode or 0, out.decode(), err.decode()


@pytest.mark.slow
async def test_neither_broker_nor_publisher_writes_on_the_terminal() -> None:
    assert await speak("stop") == (0, "", "")


@pytest.mark.slow
async def test_an_interrupt_from_the_keyboard_ends_quietly() -> None:
    assert await speak("interrupt") == (0, "", "")


@pytest.mark.slow
async def test_the_broker_ends_with_a_program_that_just_vanished() -> None:
    code, out, err = await speak("abandon")
    assert (code, err) == (0, "")
    port = int(out)
    await until(lambda: not is_listening(port))
