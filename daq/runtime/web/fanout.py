"""Server-sent events to any number of viewers, none of whom can hold up the bench or another viewer."""

import asyncio
from collections import deque
from collections.abc import AsyncIterator

_QUEUE_FRAMES = 256
_BEAT_S = 1.0


class Viewer:
    """One open stream; when it does not keep up the oldest frames are dropped, so that its memory is bounded."""

    def __init__(self) -> None:
        self._frames: deque[bytes] = deque(maxlen=_QUEUE_FRAMES)
        self._wake = asyncio.Event()

    def push(self, frame: bytes) -> None:
        """Queue one frame."""
        self._frames.append(frame)
        self._wake.set()

    async def next_frames(self) -> bytes:
        """Everything queued; empty after a second without anything."""
        if not self._frames:
            self._wake.clear()
            try:
                async with asyncio.timeout(_BEAT_S):
                    await self._wake.wait()
            except TimeoutError:
                return b""
        frames = b"".join(self._frames)
        self._frames.clear()
        return frames

    def wake(self) -> None:
        """End the wait for a frame."""
        self._wake.set()


class Fanout:
    """All open streams."""

    def __init__(self) -> None:
        self._viewers: set[Viewer] = set()
        self._stopped = False

    @property
    def count(self) -> int:
        """Open streams [1]."""
        return len(self._viewers)

    def push(self, event: str, data: str) -> None:
        """Send one event to everybody."""
        if self._viewers:
            frame = f"event: {event}\ndata: {data}\n\n".encode()
            for viewer in self._viewers:
                viewer.push(frame)

    def stop(self) -> None:
        """End all streams, so that the server can stop."""
        self._stopped = True
        for viewer in self._viewers:
            viewer.wake()

    async def stream(self, first: bytes) -> AsyncIterator[bytes]:
        """The events for one viewer, beginning with `first`."""
        viewer = Viewer()
        self._viewers.add(viewer)
        try:
            yield b"retry: 1000\n\n" + first
            while not self._stopped:
                # An empty chunk would end the response; a comment keeps proxies and watchdogs content.
                yield await viewer.next_frames() or b": quiet\n\n"
        finally:
            self._viewers.discard(viewer)
