"""Adapters, who holds them, why they are refused: on computers laid out in folders."""

import errno
import os
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from daq.errors import PortBusyError, PortDeniedError
from daq.runtime.ports.adapters import Adapter, Found, Names, find_adapters
from daq.runtime.ports.holders import Holder
from daq.runtime.ports.opening import open_serial, port_error
from daq.runtime.ports.system import Person
from tests.runtime.conftest import Wire
from tests.runtime.laid_out_system import Computer
from tests.runtime.opened_ports import settings

OWN_GID = os.getgid()


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    return Computer(tmp_path / "computer")


def found(computer: Computer) -> Found:
    return find_adapters(computer.system, list_ports=lambda: pytest.fail("not asked"))


def only(computer: Computer) -> Adapter:
    (adapter,) = found(computer).adapters
    return adapter


# ---- what it is, and which path stays


def test_an_adapter_is_told_with_chip_number_driver_and_paths(
    computer: Computer,
) -> None:
    computer.plug(
        "ttyUSB0", "1-1.2", ids="0403:6001", driver="ftdi_sio", serial="A10JZ9XK"
    )
    adapter = only(computer)
    assert (adapter.device, adapter.chip) == ("/dev/ttyUSB0", "FT232")
    assert (adapter.vendor_id, adapter.product_id) == ("0403", "6001")
    assert (adapter.serial_number, adapter.driver) == ("A10JZ9XK", "ftdi_sio")
    assert adapter.place == "1-1.2:1.0"
    assert adapter.by_id == ("/dev/serial/by-id/usb-A10JZ9XK-if00-port0",)
    assert len(adapter.by_path) == 2
    assert adapter.holders == ()
    assert adapter.refusal is None


def test_an_adapter_with_a_serial_number_is_written_by_id(computer: Computer) -> None:
    computer.plug("ttyUSB0", "1-1", serial="A10JZ9XK")
    adapter = only(computer)
    assert (adapter.port, adapter.names) == (adapter.by_id[0], Names.ADAPTER)
    assert adapter.caution is None


def test_an_adapter_without_a_serial_number_is_written_by_socket_with_a_caution(
    computer: Computer,
) -> None:
    computer.plug("ttyUSB0", "1-1")
    adapter = only(computer)
    # The plainer of udev's two names, which older systems know too.
    assert adapter.port == "/dev/serial/by-path/pci-0000:00:14.0-usb-0:1-1:1.0-port0"
    assert adapter.names is Names.SOCKET
    assert adapter.caution is not None
    assert "names the USB socket, not the adapter" in adapter.caution


@pytest.mark.parametrize("serial", ["", "0001"])
def test_twins_are_told_apart_by_socket(computer: Computer, serial: str) -> None:
    computer.plug("ttyUSB0", "1-1", serial=serial)
    computer.plug("ttyUSB1", "1-2", serial=serial)
    one, other = found(computer).adapters
    assert (one.twins, other.twins) == (("/dev/ttyUSB1",), ("/dev/ttyUSB0",))
    assert one.names is other.names is Names.SOCKET
    assert (":1-1:" in one.port, ":1-2:" in other.port) == (True, True)
    for adapter in (one, other):
        assert adapter.caution is not None
        assert ("also that of" in adapter.caution) is bool(serial)


@pytest.mark.parametrize(
    "serial",
    ["0001", "0", "00000000", "0123456789ABCDEF", "12345678", "1234567890", "01234"],
)
def test_a_serial_number_that_many_adapters_come_with_counts_as_none(
    computer: Computer, serial: str
) -> None:
    computer.plug("ttyUSB0", "1-1", serial=serial)
    adapter = only(computer)
    assert adapter.names is Names.SOCKET
    assert adapter.caution is not None
    assert f"serial number {serial} is a default that many" in adapter.caution


@pytest.mark.parametrize("serial", ["A10JZ9XK", "123", "0002", "12345679", "1A2B3C4D"])
def test_other_serial_numbers_are_an_adapters_own(
    computer: Computer, serial: str
) -> None:
    computer.plug("ttyUSB0", "1-1", serial=serial)
    assert only(computer).names is Names.ADAPTER


def test_adapters_of_one_make_with_numbers_of_their_own_are_no_twins(
    computer: Computer,
) -> None:
    computer.plug("ttyUSB0", "1-1", serial="A")
    computer.plug("ttyUSB1", "1-2", serial="B")
    assert [a.twins for a in found(computer).adapters] == [(), ()]


def test_without_paths_that_stay_the_number_is_written_with_a_caution(
    computer: Computer,
) -> None:
    computer.has_udev = False
    computer.plug("ttyUSB0", "1-1")
    computer.plug("ttyUSB1", "1-2", serial="A10JZ9XK")
    for adapter in found(computer).adapters:
        assert (adapter.port, adapter.names) == (adapter.device, Names.NUMBER)
        assert adapter.caution is not None
        assert "may be another after the next plugging in" in adapter.caution


def test_ports_come_in_the_order_of_their_numbers(computer: Computer) -> None:
    for number in (10, 2, 1):
        computer.plug(f"ttyUSB{number}", f"1-{number}", serial=str(number))
    devices = [a.device for a in found(computer).adapters]
    assert devices == ["/dev/ttyUSB1", "/dev/ttyUSB2", "/dev/ttyUSB10"]


def test_a_port_on_the_board_is_told_and_one_that_is_none_is_not(
    computer: Computer,
) -> None:
    computer.build_in("ttyS0")
    computer.build_in("ttyS1", kind="0")
    adapter = only(computer)
    assert (adapter.device, adapter.names) == ("/dev/ttyS0", Names.BUILT_IN)
    assert not adapter.is_usb


def test_a_chip_of_unknown_numbers_is_told_by_its_driver(computer: Computer) -> None:
    computer.plug("ttyUSB0", "1-1", ids="abcd:1234", driver="pl2303")
    assert only(computer).chip == "PL2303 family"


def test_a_port_that_was_not_handed_into_a_container_is_told(
    computer: Computer,
) -> None:
    (computer.root / ".dockerenv").write_text("", encoding="utf-8")
    computer.plug("ttyUSB0", "1-1", node=False)
    assert not only(computer).is_there
    assert found(computer).is_container


# ---- without the system's folders


@dataclass
class ListedPort:
    """As pyserial describes a port."""

    device: str
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None
    product: str | None = None
    location: str | None = None


def test_where_the_system_shows_no_folders_pyserial_is_asked(tmp_path: Path) -> None:
    computer = Computer(tmp_path / "other")
    (computer.root / "sys/class/tty/console").unlink()
    (computer.root / "sys/class/tty").rmdir()
    ports = [
        ListedPort("/dev/cu.usbserial-A1", 0x0403, 0x6001, "A1", "UART", "20-1"),
        ListedPort("/dev/cu.built-in"),
    ]
    listed = find_adapters(computer.system, list_ports=lambda: ports).adapters
    assert [a.device for a in listed] == ["/dev/cu.built-in", "/dev/cu.usbserial-A1"]
    assert (listed[1].chip, listed[1].serial_number) == ("FT232", "A1")
    assert listed[1].port == "/dev/cu.usbserial-A1"


# ---- chips without a port


def test_a_chip_without_its_driver_is_told_with_the_module_to_load(
    computer: Computer,
) -> None:
    computer.plug_without_port("1-3", "10c4:ea60")
    (portless,) = found(computer).portless
    assert (portless.chip, portless.place) == ("CP2102", "1-3")
    assert "sudo modprobe cp210x" in portless.trouble


def test_a_chip_that_the_braille_service_took_is_recognised(
    computer: Computer,
) -> None:
    computer.plug_without_port("1-3", "1a86:7523", driver="usbfs")
    computer.start("brltty", 700, hidden=True)
    (portless,) = found(computer).portless
    assert "brltty" in portless.trouble
    assert "plug the adapter in again" in portless.trouble


def test_a_chip_that_a_program_drives_by_itself_is_told(computer: Computer) -> None:
    computer.plug_without_port("1-3", "1a86:7523", driver="usbfs")
    (portless,) = found(computer).portless
    assert "close that program" in portless.trouble


def test_a_chip_with_a_port_and_a_keyboard_are_no_chips_without_port(
    computer: Computer,
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.plug_without_port("1-4", "046d:c31c")
    assert found(computer).portless == ()


# ---- who holds it


def test_a_program_that_has_a_port_open_is_named(computer: Computer) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.plug("ttyUSB1", "1-2")
    computer.start("terminal", 4321, "/dev/null", "/dev/ttyUSB1")
    free, held = found(computer).adapters
    assert free.holders == ()
    assert held.holders == (Holder("terminal", 4321),)


def test_this_program_is_no_holder(computer: Computer) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.start("daq", os.getpid(), "/dev/ttyUSB0")
    assert only(computer).holders == ()


def test_a_program_of_another_user_is_named_by_its_lock(computer: Computer) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.start("logger", 77, hidden=True)
    node = (computer.root / "dev/ttyUSB0").stat()
    file = f"{os.major(node.st_dev):02x}:{os.minor(node.st_dev):02x}:{node.st_ino}"
    (computer.root / "proc/locks").write_text(
        f"1: POSIX  ADVISORY  READ 76 00:01:5 0 EOF\n"
        f"2: FLOCK  ADVISORY  WRITE 77 {file} 0 EOF\n"
        f"2: -> FLOCK  ADVISORY  WRITE 78 {file} 0 EOF\n",
        encoding="utf-8",
    )
    assert only(computer).holders == (Holder("logger", 77),)


def test_a_program_that_left_a_lock_file_is_named_while_it_runs(
    computer: Computer,
) -> None:
    computer.plug("ttyUSB0", "1-1")
    lock = computer.root / "run/lock/LCK..ttyUSB0"
    lock.parent.mkdir(parents=True)
    lock.write_text("       654\n", encoding="utf-8")
    assert only(computer).holders == ()
    computer.start("terminal", 654, hidden=True)
    assert only(computer).holders == (Holder("terminal", 654),)


def test_a_service_that_cannot_be_looked_into_is_suspected_only(
    computer: Computer,
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.start("ModemManager", 812, hidden=True)
    computer.start("editor", 900, hidden=True)
    assert only(computer).holders == (Holder("ModemManager", 812, is_certain=False),)


# ---- what opening says of it


def busy(computer: Computer) -> str:
    error = port_error(
        "/dev/ttyUSB0", OSError(errno.EBUSY, "busy"), system=computer.system
    )
    assert isinstance(error, PortBusyError)
    return str(error)


def test_a_busy_port_is_told_with_the_program_that_holds_it(
    computer: Computer,
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.start("terminal", 4321, "/dev/ttyUSB0")
    assert busy(computer) == (
        "port /dev/ttyUSB0: terminal (process 4321) holds it, close that program"
    )


@pytest.mark.parametrize(
    ("service", "remedy"),
    [
        ("ModemManager", "sudo systemctl stop ModemManager"),
        ("brltty", "sudo apt remove brltty"),
    ],
)
@pytest.mark.parametrize("hidden", [False, True])
def test_a_busy_port_is_told_with_the_service_that_took_it(
    computer: Computer, service: str, remedy: str, *, hidden: bool
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.start(service, 812, "/dev/ttyUSB0", hidden=hidden)
    told = busy(computer)
    holds = "may hold it" if hidden else "holds it"
    assert told.startswith(f"port /dev/ttyUSB0: {service} (process 812) {holds}, ")
    assert remedy in told


def test_a_busy_port_of_which_nothing_shows_may_be_another_users(
    computer: Computer,
) -> None:
    computer.plug("ttyUSB0", "1-1")
    assert busy(computer).endswith(": another program holds it, close that program")
    computer.start("editor", 900, hidden=True)
    assert "another user's" in busy(computer)
    assert "sudo daq ports" in busy(computer)


def test_a_suspect_is_not_named_for_what_is_no_real_line(computer: Computer) -> None:
    computer.start("ModemManager", 812, hidden=True)
    error = port_error(
        "/dev/pts/5", OSError(errno.EBUSY, "busy"), system=computer.system
    )
    assert "ModemManager" not in str(error)


@pytest.mark.slow
@pytest.mark.pty
def test_a_real_program_that_holds_a_real_line_is_named(wire: Wire) -> None:
    code = (
        "import fcntl, os, sys; line = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY);"
        "fcntl.flock(line, fcntl.LOCK_EX); print('held', flush=True); sys.stdin.read()"
    )
    command = [sys.executable, "-c", code, str(wire.path)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(PortBusyError, match=rf"\(process {holder.pid}\) holds it"):
            open_serial(settings(wire.path), timeout_s=0.0)
        holder.communicate()
    open_serial(settings(wire.path), timeout_s=0.0).close()


# ---- why it is refused


def denied(computer: Computer) -> str:
    adapter = only(computer)
    error = port_error(
        adapter.device, PermissionError(errno.EACCES, "no"), system=computer.system
    )
    assert isinstance(error, PortDeniedError)
    assert adapter.refusal is not None
    # `daq ports`, `daq check` and `daq run` say the same.
    assert str(error).endswith(f": {adapter.refusal}")
    return adapter.refusal


@pytest.fixture
def refusing(computer: Computer) -> Computer:
    """A computer whose adapter is not for its user, who is in no group of it."""
    computer.plug("ttyUSB0", "1-1")
    computer.refused.add("/dev/ttyUSB0")
    computer.person = Person("anna", frozenset({OWN_GID + 1}))
    # In a tree laid out by root the group of files is root's, which nobody may be advised to join.
    group = OWN_GID or 20
    os.chown(computer.root / "dev/ttyUSB0", -1, group)
    (computer.root / "etc/group").unlink()
    computer.group("dialout", group)
    return computer


def test_a_user_outside_the_group_is_told_group_command_and_login(
    refusing: Computer,
) -> None:
    told = denied(refusing)
    assert "'dialout'" in told
    assert "`sudo usermod -aG dialout anna`" in told
    assert "log out of the desktop and in again" in told


def test_a_user_who_joined_after_the_login_is_told_to_log_in_again_only(
    refusing: Computer,
) -> None:
    (refusing.root / "etc/group").unlink()
    refusing.group("dialout", OWN_GID or 20, "berta", "anna")
    told = denied(refusing)
    assert "after this login began" in told
    assert "log out of the desktop and in again" in told
    assert "usermod" not in told


def test_a_user_of_whom_no_name_is_known_gets_a_command_that_finds_it(
    refusing: Computer,
) -> None:
    refusing.person = replace(refusing.person, name="")
    assert '`sudo usermod -aG dialout "$USER"`' in denied(refusing)


def test_a_user_in_the_group_is_not_sent_to_join_it(refusing: Computer) -> None:
    refusing.person = Person("anna", frozenset({OWN_GID or 20}))
    told = denied(refusing)
    assert "something else forbids it" in told
    assert "usermod" not in told


@pytest.mark.parametrize("mode", [0o600, 0o640])
def test_nobody_is_sent_into_a_group_that_may_not_use_it_either(
    refusing: Computer, mode: int
) -> None:
    (refusing.root / "dev/ttyUSB0").chmod(mode)
    told = denied(refusing)
    assert "no group that could be joined" in told
    assert "usermod" not in told


def test_a_group_without_a_name_is_told_as_a_containers(refusing: Computer) -> None:
    (refusing.root / "etc/group").unlink()
    assert "has no name here" in denied(refusing)


def test_a_path_of_which_nothing_shows_gets_the_usual_words(
    computer: Computer,
) -> None:
    error = port_error(
        "ports/away", PermissionError(errno.EACCES, "no"), system=computer.system
    )
    assert "join the group that owns it (often dialout)" in str(error)
