"""A broker of our own on a free loopback port, for a bench that names none.

Runs in a process of its own (serving.py), in a session of its own so that an interrupt
from the keyboard leaves it to us: the last messages still get through. It says nothing
on our terminal, keeps nothing on disk and ends when we do, however we do. It is not
started again when it dies: the publisher then reports it as away.
"""

import asyncio
import contextlib
import sys
from asyncio.subprocess import PIPE, Process
from pathlib import Path

from daq.errors import NetworkError

HOST = "127.0.0.1"
_SERVING = Path(__file__).with_name("serving.py")
_START_TIMEOUT_S = 10.0
_STOP_TIMEOUT_S = 2.0
_PROBE_INTERVAL_S = 0.05


class EmbeddedBroker:
    """Starts and stops the broker; one use, or several one after the other."""

    def __init__(self) -> None:
        self._process: Process | None = None

    async def start(self) -> int:
        """Start the broker and wait until it can be connected to.

        Returns:
            Its port on HOST; another one each time.

        Raises:
            NetworkError: If it does not come up.
        """
        # -P: neither the working directory nor serving.py's own may shadow a package.
        self._process = process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", str(_SERVING)),
            stdin=PIPE,
            stdout=PIPE,
            stderr=PIPE,
            start_new_session=True,
        )
        try:
            async with asyncio.timeout(_START_TIMEOUT_S):
                return await _wait_ready(process)
        except TimeoutError as exc:
            await self.stop()
            msg = f"embedded broker: no answer within {_START_TIMEOUT_S:.0f} s"
            raise NetworkError(msg) from exc
        except BaseException:
            await self.stop()
            raise

    async def stop(self) -> None:
        """End the broker's process; does nothing where there is none."""
        process, self._process = self._process, None
        if process is None:
            return
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        try:
            async with asyncio.timeout(_STOP_TIMEOUT_S):
                await process.communicate()
        except TimeoutError:
            process.kill()
            await process.communicate()


async def _wait_ready(process: Process) -> int:
    if process.stdout is None or process.stderr is None:
        msg = "the broker's process was started without pipes"
        raise ValueError(msg)
    line = await process.stdout.readline()
    if not line:
        complaint = (await process.stderr.read()).decode(errors="replace").split("\n")
        last = next((text for text in reversed(complaint) if text.strip()), "no reason")
        msg = f"embedded broker: did not start: {last}"
        raise NetworkError(msg)
    port = int(line)
    while True:
        is_listening = await _is_listening(port)
        # Asked afterwards: another program may have taken the port a moment earlier.
        if process.returncode is not None:
            msg = f"embedded broker: ended at once with code {process.returncode}"
            raise NetworkError(msg)
        if is_listening:
            return port
        await asyncio.sleep(_PROBE_INTERVAL_S)


async def _is_listening(port: int) -> bool:
    try:
        _, writer = await asyncio.open_connection(HOST, port)
    except OSError:
        return False
    writer.close()
    with contextlib.suppress(OSError):
        await writer.wait_closed()
    return True
