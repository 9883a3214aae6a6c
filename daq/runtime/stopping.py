"""What ends the service: a signal, from before anything is opened on, or the end of its one session."""

import asyncio
import contextlib
import signal
from collections.abc import Iterator

_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Stopping:
    """Waited for by the service, which then ends in order.

    Attributes:
        asked: The end was asked for.
        signalled: It was by a signal, that is: by somebody who does not want to wait.
        by: The signal that asked for it; None where the session was over.
    """

    def __init__(self) -> None:
        """Nobody has asked yet."""
        self.asked = asyncio.Event()
        self.signalled = asyncio.Event()
        self.by: signal.Signals | None = None

    def ask(self) -> None:
        """The session that there was to be is over."""
        self.asked.set()

    @contextlib.contextmanager
    def listening(self) -> Iterator[None]:
        """Take signals for as long as the block lasts: one that comes while the service starts is obeyed once it runs."""
        loop = asyncio.get_running_loop()
        numbers = [number for number in _SIGNALS if not _is_to_be_ignored(number)]
        for number in numbers:
            loop.add_signal_handler(number, self._take, number)
        try:
            yield
        finally:
            for number in numbers:
                loop.remove_signal_handler(number)

    def _take(self, number: signal.Signals) -> None:
        if not self.asked.is_set():
            self.by = signal.Signals(number)
        self.asked.set()
        self.signalled.set()


def _is_to_be_ignored(number: signal.Signals) -> bool:
    """A hang-up that whoever started us (`nohup`) wants to be outlived."""
    return number == signal.SIGHUP and signal.getsignal(number) is signal.SIG_IGN
