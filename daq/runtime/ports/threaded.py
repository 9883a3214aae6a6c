"""A line without a descriptor: one reader thread for the port's whole life.

The thread belongs to the port and not to a wait: a poll that is cancelled leaves nothing behind that could take the
next reply, because every byte goes to the same callback.
"""

import asyncio
import contextlib
import functools
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import serial

from daq.config.bench import PortSettings
from daq.errors import PortLostError
from daq.runtime.ports.opening import open_serial

_READ_S = 0.05


class ThreadedPort:
    """An open pyserial object with a thread that reads it and one that writes it."""

    def __init__(
        self,
        device: Any,  # noqa: ANN401  # pyserial's class differs by URL
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
        self._loop = asyncio.get_running_loop()
        self._closed = threading.Event()
        self._writer = ThreadPoolExecutor(
            max_workers=1, thread_name_prefix="port-writer"
        )
        self._reader = threading.Thread(
            target=self._read, name="port-reader", daemon=True
        )
        self._reader.start()

    def write(self, data: bytes) -> None:
        """Hand bytes over to be sent by the writer thread."""
        if not self._closed.is_set():
            self._writer.submit(self._write, data)

    async def close(self) -> None:
        """Stop both threads and give the line back."""
        self._closed.set()
        self._writer.shutdown(wait=False, cancel_futures=True)
        try:
            await asyncio.to_thread(self._reader.join)
        finally:
            with contextlib.suppress(OSError, serial.SerialException):
                self._device.close()

    def _read(self) -> None:
        while not self._closed.is_set():
            try:
                data = self._device.read(max(1, self._device.in_waiting))
            except (OSError, serial.SerialException, TypeError) as exc:
                # pyserial raises TypeError where a port is closed under its feet.
                self._tell_lost(exc)
                return
            if data:
                self._call(self._arrived, data, self._wire_s())

    def _write(self, data: bytes) -> None:
        try:
            self._device.write(data)
        except (OSError, serial.SerialException) as exc:
            self._tell_lost(exc)

    def _tell_lost(self, cause: Exception) -> None:
        if not self._closed.is_set():
            self._closed.set()
            self._call(
                self._on_lost,
                PortLostError(f"port {self._url}: it went away ({cause})"),
            )

    def _arrived(self, data: bytes, at: float) -> None:
        if not self._closed.is_set():
            self._on_data(data, at)

    def _call(self, function: Callable[..., None], *arguments: object) -> None:
        # The loop may have ended while the thread was reading.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(function, *arguments)


async def open_threaded(settings: PortSettings, **calls: Any) -> ThreadedPort:  # noqa: ANN401  # passed on as they are
    """Open a device or URL; `calls` as for ThreadedPort."""
    opening = asyncio.get_running_loop().run_in_executor(
        None, functools.partial(open_serial, settings, timeout_s=_READ_S)
    )
    try:
        device = await asyncio.shield(opening)
    except asyncio.CancelledError:
        # The thread goes on, and nobody else would give back what it opens.
        opening.add_done_callback(_give_back)
        raise
    return ThreadedPort(device, settings.url, **calls)


def _give_back(opening: asyncio.Future[Any]) -> None:
    if not opening.cancelled() and opening.exception() is None:
        opening.result().close()
