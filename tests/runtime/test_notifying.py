"""What the service manager is told, and what feeds its watchdog: the lines themselves, every one of them."""

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.runtime.notifying import Watchdog, notify

LONGEST_S = 23.0


class Manager:
    """Stands for the service manager: a datagram socket, and what came in at it."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.settimeout(0.0)
        self._socket.bind(address)

    def heard(self) -> list[str]:
        """What came since this was last asked."""
        heard = []
        while True:
            try:
                heard.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return heard

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def address(tmp_path: Path) -> str:
    return str(tmp_path / "notify")


@pytest.fixture
def manager(address: str) -> Iterator[Manager]:
    manager = Manager(address)
    yield manager
    manager.close()


class Hand:
    """A watchdog over two lines, whose clock the test moves."""

    def __init__(self, **environment: str) -> None:
        self.now_s = 1000.0
        self.watchdog = Watchdog(
            ["meter", "anemometer"],
            longest_s=LONGEST_S,
            now_s=lambda: self.now_s,
            environment=environment,
        )

    def hear(self, *lines: str) -> None:
        for line in lines:
            self.watchdog.heard(line)

    def pass_s(
        self, seconds: int, *lines: str, manager: Manager | None = None
    ) -> list[str]:
        """Second by second, these lines bring something; returns what a manager heard who reads all the while."""
        heard: list[str] = []
        for _ in range(seconds):
            self.now_s += 1.0
            self.hear(*lines)
            heard += manager.heard() if manager else []
        return heard


@pytest.fixture
def hand(address: str, manager: Manager) -> Hand:
    assert manager.heard() == []
    return Hand(NOTIFY_SOCKET=address, WATCHDOG_USEC="30000000")


def test_it_is_ready_only_once_every_line_was_heard(
    hand: Hand, manager: Manager
) -> None:
    hand.pass_s(60, "meter")
    assert manager.heard() == []
    hand.hear("anemometer")
    assert manager.heard() == ["READY=1", "WATCHDOG=1"]
    # Once only.
    hand.hear("meter", "anemometer")
    assert "READY=1" not in manager.heard()


def test_the_watchdog_is_fed_well_within_its_time_while_every_line_brings_something(
    hand: Hand, manager: Manager
) -> None:
    hand.hear("meter", "anemometer")
    assert manager.heard()[0] == "READY=1"
    heard = hand.pass_s(120, "meter", "anemometer", manager=manager)
    assert set(heard) == {"WATCHDOG=1"}
    # sd_watchdog_enabled(3): every half of the watchdog's 30 s at the latest; not at every reading either.
    assert 120 / 15 <= len(heard) <= 20


def test_one_line_that_hangs_stops_the_feeding_and_its_return_resumes_it(
    hand: Hand, manager: Manager
) -> None:
    hand.hear("meter", "anemometer")
    hand.pass_s(20, "meter", "anemometer")
    manager.heard()
    hand.pass_s(int(LONGEST_S), "meter")
    manager.heard()
    hand.pass_s(200, "meter")
    assert manager.heard() == []
    hand.pass_s(1, "meter", "anemometer")
    assert manager.heard() == ["WATCHDOG=1"]


def test_nothing_is_fed_where_no_line_brings_anything_or_before_it_is_ready(
    hand: Hand, manager: Manager
) -> None:
    hand.pass_s(200, "meter")
    assert manager.heard() == []
    hand.hear("anemometer")
    manager.heard()
    hand.pass_s(200)
    assert manager.heard() == []


def test_without_a_watchdog_readiness_and_the_end_are_told_all_the_same(
    address: str, manager: Manager
) -> None:
    hand = Hand(NOTIFY_SOCKET=address)
    hand.hear("meter", "anemometer")
    hand.pass_s(100, "meter", "anemometer")
    assert manager.heard() == ["READY=1"]
    hand.watchdog.stopping()
    assert manager.heard() == ["STOPPING=1"]


def test_a_manager_with_an_abstract_address_is_told_too(tmp_path: Path) -> None:
    name = f"steadybench-test-{tmp_path.name}-{id(tmp_path)}"
    manager = Manager(f"\0{name}")
    try:
        notify("READY=1", {"NOTIFY_SOCKET": f"@{name}"})
        assert manager.heard() == ["READY=1"]
    finally:
        manager.close()


def test_without_a_manager_nothing_is_said() -> None:
    hand = Hand(WATCHDOG_USEC="30000000")
    hand.hear("meter", "anemometer")
    hand.pass_s(100, "meter", "anemometer")
    hand.watchdog.stopping()


def test_a_manager_that_has_gone_does_not_end_the_service(
    address: str, manager: Manager, tmp_path: Path
) -> None:
    hand = Hand(NOTIFY_SOCKET=address, WATCHDOG_USEC="30000000")
    hand.hear("meter", "anemometer")
    manager.heard()
    (tmp_path / "notify").unlink()
    hand.pass_s(60, "meter", "anemometer")
    hand.watchdog.stopping()
    assert manager.heard() == []


def test_a_manager_that_does_not_read_holds_nothing_up_and_is_fed_again(
    hand: Hand, manager: Manager
) -> None:
    hand.hear("meter", "anemometer")
    # Its queue is full long before.
    hand.pass_s(12_000, "meter", "anemometer")
    assert "WATCHDOG=1" in manager.heard()
    hand.pass_s(1, "meter", "anemometer")
    assert manager.heard() == ["WATCHDOG=1"]


def test_readiness_that_nobody_took_is_told_again(address: str) -> None:
    hand = Hand(NOTIFY_SOCKET=address)
    hand.hear("meter", "anemometer")
    manager = Manager(address)
    try:
        hand.hear("meter")
        assert manager.heard() == ["READY=1"]
    finally:
        manager.close()
