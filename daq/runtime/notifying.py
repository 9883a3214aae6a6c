"""Tells the service manager that the service is up, alive, or about to stop.

One datagram to the socket that systemd names in the environment; without one nothing is said. What feeds the watchdog is
the acquisition itself: every line must have brought something, a reading or a gap, or the service is not alive.

Source:
    systemd, sd_notify(3), sd_watchdog_enabled(3).
"""

import os
import socket
from collections.abc import Callable, Iterable, Mapping

_SHARE = 0.4
"""Share of the watchdog's time after which it is fed again; the manual asks for half of it at most."""


def notify(words: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Say something such as "READY=1" to the service manager, if there is one.

    Returns:
        Whether it need not be said again. A manager that is away, or does not read, holds no poll up.
    """
    address = environment.get("NOTIFY_SOCKET", "")
    if not address:
        return True
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
        sender.settimeout(0.0)
        try:
            sender.connect(address)
            sender.send(words.encode())
        except OSError:
            return False
    return True


class Watchdog:
    """Feeds the service manager's watchdog while every line brings something."""

    def __init__(
        self,
        lines: Iterable[str],
        *,
        longest_s: float,
        now_s: Callable[[], float],
        environment: Mapping[str, str] = os.environ,
    ) -> None:
        """Nothing is told before every line was heard.

        Args:
            lines: Names of what must bring something.
            longest_s: A line may be without anything for so long [s of real time].
            now_s: Real time [s].
            environment: Where the manager says how often it wants to be fed.
        """
        self._environment = environment
        self._now_s = now_s
        self._longest_s = longest_s
        self._heard_s: dict[str, float | None] = dict.fromkeys(lines)
        every_us = environment.get("WATCHDOG_USEC", "")
        self._every_s = _SHARE * int(every_us) / 1e6 if every_us.isdigit() else None
        self._fed_s = float("-inf")
        self._is_ready = False

    def heard(self, line: str) -> None:
        """A line has brought a reading or a gap; what is no line, a typed channel, proves nothing."""
        if line not in self._heard_s:
            return
        self._heard_s[line] = now_s = self._now_s()
        if not self._is_ready and all(s is not None for s in self._heard_s.values()):
            self._is_ready = notify("READY=1", self._environment)
        if self._every_s is None or now_s - self._fed_s < self._every_s:
            return
        is_alive = self._is_ready and self._is_alive(now_s)
        if is_alive and notify("WATCHDOG=1", self._environment):
            self._fed_s = now_s

    def stopping(self) -> None:
        """The service is about to end in order."""
        notify("STOPPING=1", self._environment)

    def _is_alive(self, now_s: float) -> bool:
        return all(
            heard_s is not None and now_s - heard_s <= self._longest_s
            for heard_s in self._heard_s.values()
        )
