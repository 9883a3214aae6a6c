"""Which adapter was unplugged, and where it came back: on computers laid out in folders."""

from pathlib import Path

import pytest

from daq.runtime.ports.adapters import Found, find_adapters
from daq.runtime.ports.plugs import Plugging, PlugWatch
from tests.runtime.laid_out_system import Computer


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    return Computer(tmp_path / "computer")


def found(computer: Computer) -> Found:
    return find_adapters(computer.system, list_ports=lambda: pytest.fail("not asked"))


def look(watch: PlugWatch, computer: Computer) -> list[tuple[Plugging, str]]:
    changes = watch.look(found(computer).adapters)
    return [(change.what, change.adapter.device) for change in changes]


def test_the_adapter_that_was_unplugged_and_came_back_is_told(
    computer: Computer,
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.plug("ttyUSB1", "1-2")
    watch = PlugWatch(found(computer).adapters)
    assert look(watch, computer) == []
    computer.pull("ttyUSB1")
    assert look(watch, computer) == [(Plugging.GONE, "/dev/ttyUSB1")]
    assert look(watch, computer) == []
    assert not watch.is_whole_again
    # The number is free to be another now.
    computer.plug("ttyUSB2", "1-2")
    assert look(watch, computer) == []
    assert not watch.is_whole_again
    assert look(watch, computer) == [(Plugging.BACK, "/dev/ttyUSB2")]
    assert watch.is_whole_again


def test_an_arrival_counts_when_it_is_seen_again_with_its_paths(
    computer: Computer,
) -> None:
    computer.plug("ttyUSB0", "1-1", serial="A1")
    watch = PlugWatch(found(computer).adapters)
    computer.pull("ttyUSB0")
    look(watch, computer)
    computer.has_udev = False
    computer.plug("ttyUSB0", "1-1", serial="A1")
    assert look(watch, computer) == []
    computer.pull("ttyUSB0")
    computer.has_udev = True
    computer.plug("ttyUSB0", "1-1", serial="A1")
    (change,) = watch.look(found(computer).adapters)
    assert change.what is Plugging.BACK
    assert change.adapter.port == "/dev/serial/by-id/usb-A1-if00-port0"


def test_an_adapter_in_another_socket_is_recognised(computer: Computer) -> None:
    computer.plug("ttyUSB0", "1-1", serial="A1")
    watch = PlugWatch(found(computer).adapters)
    computer.pull("ttyUSB0")
    look(watch, computer)
    computer.plug("ttyUSB0", "1-4", serial="A1")
    look(watch, computer)
    assert look(watch, computer) == [(Plugging.MOVED, "/dev/ttyUSB0")]
    assert watch.is_whole_again


def test_of_two_missing_twins_one_in_another_socket_is_new(
    computer: Computer,
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.plug("ttyUSB1", "1-2")
    watch = PlugWatch(found(computer).adapters)
    computer.pull("ttyUSB0")
    computer.pull("ttyUSB1")
    look(watch, computer)
    computer.plug("ttyUSB0", "1-4")
    look(watch, computer)
    assert look(watch, computer) == [(Plugging.NEW, "/dev/ttyUSB0")]
    assert {a.place for a in watch.missing} == {"1-1:1.0", "1-2:1.0"}
