"""`daq ports`: what it prints for people and for programs, and how it tells which adapter was unplugged."""

import asyncio
import functools
import json
import tomllib
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path

import pytest

from daq.cli import ports
from daq.cli.guarded import guarded
from daq.runtime.ports.system import Person
from tests.runtime.laid_out_system import Computer
from tests.system.command_line import Daq, Ended

Sleep = Callable[[float], Awaitable[None]]


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    return Computer(tmp_path / "computer")


@pytest.fixture
def show(computer: Computer, capsys: pytest.CaptureFixture[str]) -> Daq:
    """`daq ports` on that computer; `sleep` is what happens between two looks."""

    def ended(*words: object, sleep: Sleep = asyncio.sleep) -> Ended:
        command = functools.partial(ports.run, system=computer.system, sleep=sleep)
        code = guarded(command, [str(word) for word in words], debug=False)
        captured = capsys.readouterr()
        return Ended(code, captured.out, captured.err)

    return ended


def port_lines(out: str) -> list[str]:
    """Values of the lines to write into a bench, read as a bench would."""
    lines = [line.strip() for line in out.splitlines()]
    return [tomllib.loads(line)["port"] for line in lines if line.startswith("port = ")]


# ---- for people


def test_adapters_are_listed_with_the_line_to_write(
    show: Daq, computer: Computer
) -> None:
    computer.plug("ttyUSB0", "1-1", serial="A1", ids="0403:6001", driver="ftdi_sio")
    computer.plug("ttyUSB1", "1-2")
    told = show()
    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("2 serial ports.\n")
    assert (
        "/dev/ttyUSB0  FT232 (0403:6001), serial number A1, driver ftdi_sio, USB socket 1-1\n"
        in told.out
    )
    assert "/dev/ttyUSB1  CH340 (1a86:7523), no serial number" in told.out
    assert port_lines(told.out) == [
        "/dev/serial/by-id/usb-A1-if00-port0",
        "/dev/serial/by-path/pci-0000:00:14.0-usb-0:1-2:1.0-port0",
    ]
    assert told.out.count("caution: ") == 1


def test_the_next_step_is_told_for_a_port_that_can_be_used(
    show: Daq, computer: Computer
) -> None:
    computer.build_in("ttyS0")
    computer.plug("ttyUSB0", "1-1", serial="A1", ids="0403:6001", driver="ftdi_sio")
    assert show().out.endswith(
        "  daq listen /dev/serial/by-id/usb-A1-if00-port0 --write found-meter\n"
    )
    computer.refused |= {"/dev/ttyS0", "/dev/ttyUSB0"}
    computer.person = Person("anna", frozenset())
    assert "daq listen" not in show().out


def test_twins_are_sent_to_unplugging(show: Daq, computer: Computer) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.plug("ttyUSB1", "1-2")
    told = show()
    assert told.out.count("daq ports --which shows which is which") == 2
    assert len(set(port_lines(told.out))) == 2


def test_a_program_that_holds_a_port_is_told_and_is_no_trouble(
    show: Daq, computer: Computer
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.start("daq", 4321, "/dev/ttyUSB0")
    told = show()
    assert told.code == 0
    assert "  held by daq (process 4321)\n" in told.out


def test_a_service_that_took_a_port_is_trouble_with_what_to_do(
    show: Daq, computer: Computer
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.start("ModemManager", 812, "/dev/ttyUSB0")
    told = show()
    assert told.code == 3
    assert "  ! ModemManager (process 812) holds it" in told.out
    assert "sudo systemctl stop ModemManager" in told.out


def test_a_service_that_only_runs_is_told_without_trouble(
    show: Daq, computer: Computer
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.plug("ttyUSB1", "1-2")
    computer.build_in("ttyS0")
    computer.start("ModemManager", 812, hidden=True)
    told = show()
    assert told.code == 0
    assert told.out.count("  may be held by ModemManager (process 812)\n") == 2
    assert told.out.count("sudo systemctl stop ModemManager") == 1
    assert "If a port turns out to be busy: ModemManager" in told.out


def test_a_refused_port_is_trouble_with_group_and_command(
    show: Daq, computer: Computer
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.refused.add("/dev/ttyUSB0")
    computer.person = Person("anna", frozenset())
    told = show()
    assert told.code == 3
    assert "  ! " in told.out
    # Where tests run as root the file is root's, and nobody is sent to join that group.
    is_roots = (computer.root / "dev/ttyUSB0").stat().st_gid == 0
    assert ("sudo usermod -aG dialout anna" in told.out) is not is_roots


def test_without_any_adapter_it_says_what_to_look_for(
    show: Daq, computer: Computer
) -> None:
    told = show()
    assert told.code == 3
    for part in ("cable", "sudo dmesg", "modprobe", "container"):
        assert part in told.out
    assert "this seems to be the inside of a container" not in told.out
    (computer.root / ".dockerenv").write_text("", encoding="utf-8")
    assert "this seems to be the inside of a container" in show().out


def test_beside_what_is_built_in_it_says_how_an_adapter_is_found(
    show: Daq, computer: Computer
) -> None:
    computer.build_in("ttyS0")
    told = show()
    assert told.code == 0
    assert told.out.startswith("1 serial port.\n\n/dev/ttyS0  built in")
    assert "No serial adapter is there. What to look for:\n" in told.out
    assert told.out.endswith(
        "Next, how a meter talks that is on a port built in, where no profile is known to fit it (else daq new my-bench):\n"
        "  daq listen /dev/ttyS0 --write found-meter\n"
    )
    computer.plug("ttyUSB0", "1-1")
    told = show()
    assert told.code == 0
    assert "No serial adapter is there" not in told.out


def test_a_chip_without_a_port_is_told(show: Daq, computer: Computer) -> None:
    computer.plug_without_port("1-3", "10c4:ea60")
    told = show()
    assert told.code == 3
    assert "CP2102 (10c4:ea60) in USB socket 1-3 has no port\n" in told.out
    assert "sudo modprobe cp210x" in told.out


def test_a_port_that_was_not_handed_in_is_told(show: Daq, computer: Computer) -> None:
    computer.plug("ttyUSB0", "1-1", node=False)
    told = show()
    assert told.code == 3
    assert "--device=/dev/ttyUSB0" in told.out


# ---- for programs


def test_the_same_facts_are_told_to_programs(show: Daq, computer: Computer) -> None:
    computer.plug("ttyUSB0", "1-1", serial="A1")
    computer.start("ModemManager", 812, "/dev/ttyUSB0")
    computer.plug_without_port("1-3", "10c4:ea60")
    told = show("--json")
    assert (told.code, told.err) == (3, "")
    facts = json.loads(told.out)
    (adapter,) = facts["adapters"]
    assert facts["format"] == 1
    assert adapter["device"] == "/dev/ttyUSB0"
    assert (adapter["vendor_id"], adapter["product_id"]) == ("1a86", "7523")
    assert (adapter["chip"], adapter["serial_number"]) == ("CH340", "A1")
    assert (adapter["port"], adapter["names"]) == (adapter["by_id"][0], "adapter")
    assert adapter["may_open"] is True
    assert adapter["holders"] == [
        {"name": "ModemManager", "pid": 812, "is_certain": True}
    ]
    assert len(adapter["troubles"]) == 1
    assert facts["portless"][0]["chip"] == "CP2102"


# ---- which is which


class Hands:
    """Does one thing between two looks after another, and keeps how long each wait was."""

    def __init__(self, *steps: Callable[[], None]) -> None:
        self._steps = list(steps)
        self.waits_s: list[float] = []

    async def __call__(self, seconds: float) -> None:
        self.waits_s.append(seconds)
        if self._steps:
            self._steps.pop(0)()


def said(out: str, *words: str) -> Sequence[str]:
    return [line for line in out.splitlines() if line.startswith(words)]


def test_the_adapter_that_is_unplugged_and_comes_back_is_named_with_its_line(
    show: Daq, computer: Computer
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.plug("ttyUSB1", "1-2")
    hands = Hands(
        lambda: None,
        lambda: computer.pull("ttyUSB1"),
        lambda: computer.plug("ttyUSB1", "1-2"),
    )
    told = show("--which", sleep=hands)
    assert (told.code, told.err) == (0, "")
    assert said(told.out, "Unplugged", "Back") == [
        "Unplugged: /dev/ttyUSB1, CH340, USB socket 1-2",
        "Back: /dev/ttyUSB1, CH340, USB socket 1-2",
    ]
    (port,) = port_lines(told.out)
    assert ":1-2:" in port
    assert told.out.endswith("All of them are there again.\n")
    assert set(hands.waits_s) == {0.5}


def test_an_adapter_that_stays_away_is_named_when_time_is_up(
    show: Daq, computer: Computer
) -> None:
    computer.plug("ttyUSB0", "1-1", serial="A1")
    told = show(
        "--which", "--seconds", "2", sleep=Hands(lambda: computer.pull("ttyUSB0"))
    )
    assert told.code == 1
    assert told.out.endswith(
        "not plugged in again: /dev/ttyUSB0, CH340, serial number A1, USB socket 1-1\n"
    )


def test_a_watch_in_which_nothing_happens_ends(show: Daq, computer: Computer) -> None:
    computer.plug("ttyUSB0", "1-1")
    hands = Hands()
    told = show("--which", "--seconds", "2", sleep=hands)
    assert told.code == 1
    assert told.out.endswith("Time is up; nothing was unplugged.\n")
    assert hands.waits_s == [0.5] * 4


def test_nothing_to_unplug_is_told_at_once(show: Daq, computer: Computer) -> None:
    computer.build_in("ttyS0")
    hands = Hands()
    told = show("--which", sleep=hands)
    assert told.code == 3
    assert told.out.startswith("Built in, so not to be unplugged: /dev/ttyS0\n")
    assert "No serial adapter is there" in told.out
    assert hands.waits_s == []
