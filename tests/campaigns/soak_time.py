"""An event loop whose time stands still while it computes and is shortened while it waits.

A day of simulated time then takes as long as the work in it. No slot is missed for want of a quick machine, and what the service waits for from threads and
processes still comes: a wait of so many seconds is given its share of real time.
"""

import asyncio
import selectors
import time

_SHORT_S = 0.002
"""The system rounds a wait up to whole milliseconds, and may take its time to wake us: shorter ones are spent asking."""


class ShortenedSelector(selectors.DefaultSelector):
    """Waits a share of what it is asked to; when nothing has come by then, all of it has passed.

    Attributes:
        now_s: Simulated time [s].
    """

    def __init__(self, quicker: float) -> None:
        super().__init__()
        self.now_s = 1000.0
        self._quicker = quicker

    def select(
        self, timeout: float | None = None
    ) -> list[tuple[selectors.SelectorKey, int]]:
        """As the real one; what comes meanwhile has taken no time."""
        if not timeout or timeout < 0.0:
            return super().select(timeout)
        wait_s = timeout / self._quicker
        events = self._ask(wait_s) if wait_s < _SHORT_S else super().select(wait_s)
        if not events:
            self.now_s += timeout
        return events

    def _ask(self, for_s: float) -> list[tuple[selectors.SelectorKey, int]]:
        until_real_s = time.perf_counter() + for_s
        while not (events := super().select(0.0)):
            if time.perf_counter() >= until_real_s:
                break
        return events


class ShortenedLoop(asyncio.SelectorEventLoop):
    """Its `time` is that of its selector."""

    def __init__(self, quicker: float) -> None:
        self._shortened = ShortenedSelector(quicker)
        super().__init__(self._shortened)

    def time(self) -> float:
        """Simulated time [s]."""
        return self._shortened.now_s
