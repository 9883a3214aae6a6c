"""Every serial adapter: what it is, the paths by which it is found again, who holds it, and what stands in the way.

A device's number (`/dev/ttyUSB0`) is given by the order of plugging in. A path by id holds the adapter's serial number
and follows it wherever it is plugged in; but where an adapter has no serial number, or shares it with another, only the path
by USB socket tells them apart, and that one names the socket. On Linux all of it is read from the system's folders; where
there are none, pyserial's list has to do.
"""

import dataclasses
import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

import serial.tools.list_ports

from daq.runtime.ports.access import refusal
from daq.runtime.ports.chips import chip_name, chip_of
from daq.runtime.ports.holders import (
    Holder,
    OpenFiles,
    holders_of,
    is_running,
    open_files,
)
from daq.runtime.ports.system import System, text_of

_TTYS = "/sys/class/tty"
_USB = "/sys/bus/usb/devices"

_COUNTING = "123456789"
"""Numbers that makers of chips leave in when nobody gives them one count on from 0 or 1, or are all zeros but for a 1."""

ListPorts = Callable[[], Iterable[Any]]
"""Gives pyserial's descriptions of ports."""


class Names(StrEnum):
    """What the path to write into a bench stands for."""

    ADAPTER = "adapter"
    SOCKET = "socket"
    NUMBER = "number"
    BUILT_IN = "built in"


@dataclass(frozen=True, slots=True)
class Adapter:
    """One serial port of an adapter, or one that is built in.

    Attributes:
        device: As the system numbers it.
        by_id, by_path: Paths that stay, the one to take first.
        vendor_id, product_id: USB numbers, four hex digits; empty where it is not on USB.
        chip: Its family; empty where nothing tells.
        serial_number: Empty where it has none.
        product: As it describes itself.
        driver: The kernel's.
        place: USB socket and interface, as the kernel numbers them.
        holders: Who holds it, as far as can be seen.
        refusal: Why this user may not open it, or None.
        is_there: Whether there is a file by which it could be opened.
        twins: Devices that only their socket tells from this one.
        port: Path to write into a bench.
        names: What that path stands for.
        caution: What to know about that path, or None.
    """

    device: str
    by_id: tuple[str, ...] = ()
    by_path: tuple[str, ...] = ()
    vendor_id: str = ""
    product_id: str = ""
    chip: str = ""
    serial_number: str = ""
    product: str = ""
    driver: str = ""
    place: str = ""
    holders: tuple[Holder, ...] = ()
    refusal: str | None = None
    is_there: bool = True
    twins: tuple[str, ...] = ()
    port: str = ""
    names: Names = Names.NUMBER
    caution: str | None = None

    @property
    def is_usb(self) -> bool:
        """Whether it can be unplugged."""
        return bool(self.vendor_id)

    @property
    def has_default_number(self) -> bool:
        """Whether its serial number is one that a chip's maker leaves in, so that any other may have it too."""
        rest = self.serial_number.lstrip("0")
        is_blank = bool(self.serial_number) and rest in ("", "1")
        return is_blank or (len(rest) >= 4 and _is_counting(rest))

    @property
    def kind(self) -> tuple[str, str, str, str]:
        """What it is, apart from where it is plugged in."""
        # The interface tells the ports of one adapter from each other.
        _, _, interface = self.place.partition(":")
        return self.vendor_id, self.product_id, self.serial_number, interface


def _is_counting(number: str) -> bool:
    """Whether its digits are 1 to 9 in order, then perhaps 0 or the letters from A on."""
    counted = (f"{_COUNTING}ABCDEF", f"{_COUNTING}0ABCDEF")
    return any(each.startswith(number.upper()) for each in counted)


@dataclass(frozen=True, slots=True)
class PortlessChip:
    """A serial chip on USB for which the system made no port."""

    vendor_id: str
    product_id: str
    chip: str
    place: str
    trouble: str


@dataclass(frozen=True, slots=True)
class Found:
    """All that was found."""

    adapters: tuple[Adapter, ...]
    portless: tuple[PortlessChip, ...] = ()
    is_container: bool = False


def find_adapters(
    system: System, *, list_ports: ListPorts = serial.tools.list_ports.comports
) -> Found:
    """Look at every serial port of the computer; none is opened.

    Args:
        system: The computer, or a folder laid out like one.
        list_ports: For systems that show no such folders.
    """
    ttys = system.at(_TTYS)
    if not ttys.is_dir():
        found = [_from_pyserial(port) for port in list_ports()]
        return Found(_with_ports(found), is_container=system.is_container)
    adapters = [a for tty in ttys.iterdir() if (a := _adapter(tty, system))]
    return Found(
        _with_ports(_with_holders(adapters, system)),
        tuple(_portless(system, adapters)),
        system.is_container,
    )


def _with_holders(adapters: Sequence[Adapter], system: System) -> list[Adapter]:
    opened = open_files(system)
    return [
        dataclasses.replace(a, holders=_holders(a, system, opened)) for a in adapters
    ]


def _holders(adapter: Adapter, system: System, opened: OpenFiles) -> tuple[Holder, ...]:
    """Those seen; suspected are services only of what is plugged in, for that is what they look out for."""
    holders = holders_of(adapter.device, system, opened)
    return tuple(h for h in holders if h.is_certain or adapter.is_usb)


# ---- one port, from the system's folders


def _adapter(tty: Path, system: System) -> Adapter | None:
    """A port with something behind it; consoles and pseudo-terminals have no device, absent chips the type 0."""
    # Not the link as such: within a root of its own only its end is sure.
    if not (tty / "device").exists() or text_of(tty / "type") == "0":
        return None
    behind = (tty / "device").resolve()
    device = f"/dev/{tty.name}"
    usb = next((p for p in behind.parents if (p / "idVendor").is_file()), None)
    driver = (behind / "driver").resolve().name if (behind / "driver").exists() else ""
    if usb is None and not text_of(tty / "type"):
        return None
    vendor_id = text_of(usb / "idVendor") if usb else ""
    product_id = text_of(usb / "idProduct") if usb else ""
    return Adapter(
        device=device,
        by_id=_links("/dev/serial/by-id", device, system),
        by_path=_links("/dev/serial/by-path", device, system),
        vendor_id=vendor_id,
        product_id=product_id,
        chip=chip_name(vendor_id, product_id, driver),
        serial_number=text_of(usb / "serial") if usb else "",
        product=text_of(usb / "product") if usb else "",
        driver=driver,
        place=_place(behind, usb) if usb else "",
        refusal=refusal(device, system),
        is_there=system.at(device).exists(),
    )


def _place(behind: Path, usb: Path) -> str:
    """USB socket and interface ("1-1.2:1.0"), with the port's number where an interface has several."""
    interface = behind.relative_to(usb).parts[0]
    number = text_of(behind / "port_number")
    return f"{interface}.{number}" if number not in {"", "0"} else interface


def _links(folder: str, device: str, system: System) -> tuple[str, ...]:
    """Links of a folder that lead to a device; sorted, so that the plainer of two kinds comes first."""
    try:
        links = sorted(system.at(folder).iterdir())
    except OSError:
        return ()
    return tuple(
        f"{folder}/{link.name}" for link in links if _end(link, folder) == device
    )


def _end(link: Path, folder: str) -> str:
    try:
        return os.path.normpath(f"{folder}/{link.readlink()}")
    except OSError:
        return ""


# ---- one port, from pyserial


def _from_pyserial(port: Any) -> Adapter:  # noqa: ANN401  # its class differs by system
    is_usb = port.vid is not None and port.pid is not None
    vendor_id = f"{port.vid:04x}" if is_usb else ""
    product_id = f"{port.pid:04x}" if is_usb else ""
    return Adapter(
        device=port.device,
        vendor_id=vendor_id,
        product_id=product_id,
        chip=chip_name(vendor_id, product_id, ""),
        serial_number=port.serial_number or "",
        product=port.product or "",
        place=port.location or "",
    )


# ---- which path to write into a bench


def _with_ports(adapters: Sequence[Adapter]) -> tuple[Adapter, ...]:
    ordered = sorted(adapters, key=lambda a: _natural(a.device))
    return tuple(_with_port(a, _twins(a, ordered)) for a in ordered)


def _natural(device: str) -> tuple[str, int]:
    """Port 2 before port 10."""
    name, number = re.fullmatch(r"(.*?)(\d*)", device, re.DOTALL).groups()  # type: ignore[union-attr]  # matches always
    return name, int(number or 0)


def _twins(adapter: Adapter, among: Sequence[Adapter]) -> tuple[str, ...]:
    if not adapter.is_usb:
        return ()
    others = (a for a in among if a is not adapter)
    return tuple(a.device for a in others if a.kind == adapter.kind)


def _with_port(adapter: Adapter, twins: tuple[str, ...]) -> Adapter:
    port, names, caution = _choice(adapter, twins)
    return dataclasses.replace(
        adapter, twins=twins, port=port, names=names, caution=caution
    )


def _choice(adapter: Adapter, twins: tuple[str, ...]) -> tuple[str, Names, str | None]:
    if not adapter.is_usb:
        return adapter.device, Names.BUILT_IN, None
    has_number = bool(adapter.serial_number) and not adapter.has_default_number
    is_alone = has_number and not twins
    if is_alone and adapter.by_id:
        return adapter.by_id[0], Names.ADAPTER, None
    why = "it has no serial number"
    if adapter.has_default_number:
        why = f"its serial number {adapter.serial_number} is a default that many adapters have"
    if adapter.serial_number and twins:
        why = f"its serial number is also that of {', '.join(twins)}"
    if is_alone:
        why = "the system made no path by id"
    if adapter.by_path:
        caution = f"{why}: this path names the USB socket, not the adapter, so plug it into the same socket always"
        return adapter.by_path[0], Names.SOCKET, caution
    caution = f"{why}, nor is there a path by socket: the number may be another after the next plugging in"
    if is_alone:
        caution = "the system made no path that stays (udev does not run here): the number may be another after the next plugging in"
    return adapter.device, Names.NUMBER, caution


# ---- chips without a port


def _portless(system: System, adapters: Sequence[Adapter]) -> Iterator[PortlessChip]:
    sockets = {a.place.partition(":")[0] for a in adapters}
    try:
        devices = sorted(system.at(_USB).iterdir())
    except OSError:
        return
    for usb in devices:
        vendor_id, product_id = text_of(usb / "idVendor"), text_of(usb / "idProduct")
        chip = chip_of(vendor_id, product_id)
        if chip is not None and usb.name not in sockets:
            trouble = _why_no_port(usb, chip.module, system)
            yield PortlessChip(vendor_id, product_id, chip.name, usb.name, trouble)


def _why_no_port(usb: Path, module: str, system: System) -> str:
    drivers = {p.resolve().name for p in usb.glob("*/driver")}
    if is_running("brltty", system):
        return (
            "brltty, a service for braille displays, has most likely taken it: where nobody uses a braille display"
            " remove it (`sudo apt remove brltty` on Debian and its kin), then plug the adapter in again"
        )
    if "usbfs" in drivers:
        return "a program drives it directly and keeps the kernel from making a port: close that program, then plug the adapter in again"
    return (
        f"the kernel has made no port for it: run `sudo modprobe {module}`, then plug it in again;"
        " if that helps, `sudo dmesg | tail` tells why it did not happen by itself"
    )
