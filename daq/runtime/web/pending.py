"""Requests whose answers take their time: given up as soon as nobody waits for them, or the page stops.

The server library lets a request run on when its caller has gone, and waits for all that run before it stops. That is
right for what an operator asks for, which shall not end half-way, and wrong for what is only looked up.
"""

import asyncio
from collections.abc import Awaitable
from typing import TypeVar

from daq.runtime.web.connections import Connection
from daq.runtime.web.guard import RefusalError

_T = TypeVar("_T")


class Pending:
    """All such requests of a page."""

    def __init__(self) -> None:
        self._waits: dict[asyncio.Timeout, None] = {}
        self._stopped = False

    async def answer(self, answering: Awaitable[_T], connection: Connection) -> _T:
        """What is awaited, unless the caller leaves or the page stops first.

        Raises:
            RefusalError: If it was given up.
        """
        wait = asyncio.timeout(None)
        try:
            async with wait:
                self._waits[wait] = None
                connection.on_lost = lambda: self._give_up(wait)
                if self._stopped:
                    self._give_up(wait)
                return await answering
        except TimeoutError as exc:
            if not wait.expired():
                raise
            msg = "page: is stopping, ask again once it is back"
            raise RefusalError(503, msg) from exc
        finally:
            connection.on_lost = None
            del self._waits[wait]

    def stop(self) -> None:
        """Give up all of them, and all that still come."""
        self._stopped = True
        for wait in self._waits:
            self._give_up(wait)

    @staticmethod
    def _give_up(wait: asyncio.Timeout) -> None:
        # A limit that has passed: it ends what is awaited in the next turn of the loop, and nothing else.
        if not wait.expired():
            wait.reschedule(0.0)
