"""Time in the test's hand: a loop that never waits, and a line in memory whose meter says what the test wants."""

import asyncio
import selectors
from collections.abc import Callable

from daq.config.bench import PortSettings
from daq.errors import PortLostError
from daq.runtime.ports import Port


class MovedTime(asyncio.SelectorEventLoop):
    """A loop whose clock jumps to the next timer instead of waiting; each turn costs a little."""

    TURN_S = 1e-5

    def __init__(self) -> None:
        self.now_s = 100.0
        super().__init__(_NeverWaits(self))

    def time(self) -> float:
        return self.now_s


class _NeverWaits(selectors.DefaultSelector):
    def __init__(self, loop: MovedTime) -> None:
        super().__init__()
        self._loop = loop

    def select(
        self, timeout: float | None = None
    ) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None:
            msg = "nothing left to wait for"
            raise RuntimeError(msg)
        self._loop.now_s += max(timeout, MovedTime.TURN_S)
        return super().select(0)


Say = Callable[[int, bytes], list[tuple[float, bytes]]]
"""Takes how often the meter was asked and the request; gives what it says how long after it [s]."""


class Line:
    """A line in memory with one meter."""

    def __init__(self, loop: MovedTime, say: Say) -> None:
        self.opened_s: list[float] = []
        self.asked_s: list[float] = []
        self.said_s: list[float] = []
        self.lost_s: list[float] = []
        self._loop = loop
        self._say = say
        self._on_data: Callable[[bytes, float], None] | None = None
        self._on_lost: Callable[[PortLostError], None] | None = None

    @property
    def now_s(self) -> float:
        return self._loop.now_s

    async def open(
        self,
        settings: PortSettings,
        *,
        wire_s: Callable[[], float],
        on_data: Callable[[bytes, float], None],
        on_lost: Callable[[PortLostError], None],
    ) -> Port:
        del settings, wire_s
        self.opened_s.append(self._loop.now_s)
        self._on_data, self._on_lost = on_data, on_lost
        return self

    def write(self, data: bytes) -> None:
        self.asked_s.append(self._loop.now_s)
        for delay_s, said in self._say(len(self.asked_s), data):
            self.say_in(delay_s, said)

    def say_in(self, delay_s: float, said: bytes) -> None:
        """Something arrives so much later."""
        self._loop.call_later(delay_s, self._arrives, said)

    def lose_in(self, delay_s: float) -> None:
        """The line goes away so much later."""
        self._loop.call_later(delay_s, self.lose)

    def lose(self) -> None:
        self.lost_s.append(self._loop.now_s)
        if self._on_lost is not None:
            self._on_lost(PortLostError("port line: it went away"))

    def _arrives(self, said: bytes) -> None:
        self.said_s.append(self._loop.now_s)
        if self._on_data is not None:
            self._on_data(said, self._loop.now_s)

    async def close(self) -> None:
        self._on_data = self._on_lost = None
