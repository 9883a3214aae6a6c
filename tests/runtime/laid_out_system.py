"""A computer laid out in a folder: USB adapters with their links, processes with open files, groups."""

import os
import shutil
from dataclasses import dataclass, field
from pathlib import Path

from daq.runtime.ports.system import Person, System


@dataclass
class Computer:
    """The folder; adapters are plugged in and pulled out, programs start and open ports."""

    root: Path
    has_udev: bool = True
    person: Person = field(
        default_factory=lambda: Person("anna", frozenset({1000, os.getgid()}))
    )
    refused: set[str] = field(default_factory=set)
    hidden: set[str] = field(default_factory=set)
    plugged: dict[str, list[Path]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for folder in ("sys/class/tty", "sys/bus/usb/devices", "dev", "proc", "etc"):
            (self.root / folder).mkdir(parents=True)
        self.group("dialout", os.getgid())
        # A console has no device behind it.
        (self.root / "sys/devices/virtual/tty/console").mkdir(parents=True)
        self._link("sys/class/tty/console", "sys/devices/virtual/tty/console")

    @property
    def system(self) -> System:
        return System(
            self.root,
            person=self.person,
            may_open=lambda path: f"/dev/{path.name}" not in self.refused,
            may_list=lambda path: path.parent.name not in self.hidden,
        )

    # ---- adapters

    def plug(
        self,
        name: str,
        socket: str,
        *,
        ids: str = "1a86:7523",
        driver: str = "ch341-uart",
        serial: str = "",
        node: bool = True,
    ) -> None:
        """Plug an adapter in; it gets a port."""
        usb = self._usb(socket, ids, serial)
        port = usb / f"{socket}:1.0" / name
        (port / "tty" / name).mkdir(parents=True)
        self._driver(port, driver)
        (port / "tty" / name / "device").symlink_to("../../../" + name)
        tty = self._link(f"sys/class/tty/{name}", port / "tty" / name)
        made = [tty, self.root / "sys/bus/usb/devices" / socket]
        if node:
            (self.root / "dev" / name).write_text("", encoding="utf-8")
            (self.root / "dev" / name).chmod(0o660)
            made.append(self.root / "dev" / name)
        if self.has_udev and node:
            made += self._udev_links(name, socket, ids, serial)
        self.plugged[name] = [*made, usb]

    def plug_without_port(self, socket: str, ids: str, driver: str = "") -> None:
        """Plug an adapter in that no driver makes a port of."""
        usb = self._usb(socket, ids, "")
        interface = usb / f"{socket}:1.0"
        interface.mkdir()
        if driver:
            self._driver(interface, driver)

    def pull(self, name: str) -> None:
        *links, usb = self.plugged.pop(name)
        for link in links:
            link.unlink(missing_ok=True)
        shutil.rmtree(usb)

    def build_in(self, name: str, *, kind: str = "4") -> None:
        """A port on the board; the kind 0 is none at all."""
        port = self.root / "sys/devices/pnp0/00:01" / name
        port.mkdir(parents=True)
        (port / "type").write_text(f"{kind}\n", encoding="utf-8")
        (port / "device").symlink_to("..")
        self._link(f"sys/class/tty/{name}", port)
        (self.root / "dev" / name).write_text("", encoding="utf-8")

    def _usb(self, socket: str, ids: str, serial: str) -> Path:
        usb = self.root / "sys/devices/pci0000:00/usb1" / socket
        usb.mkdir(parents=True, exist_ok=True)
        vendor, _, product = ids.partition(":")
        for key, value in (("idVendor", vendor), ("idProduct", product)):
            (usb / key).write_text(f"{value}\n", encoding="utf-8")
        (usb / "product").write_text("USB Serial\n", encoding="utf-8")
        if serial:
            (usb / "serial").write_text(f"{serial}\n", encoding="utf-8")
        self._link(f"sys/bus/usb/devices/{socket}", usb)
        return usb

    def _driver(self, folder: Path, driver: str) -> None:
        drivers = self.root / "sys/bus/usb-serial/drivers" / driver
        drivers.mkdir(parents=True, exist_ok=True)
        (folder / "driver").symlink_to(os.path.relpath(drivers, folder))

    def _udev_links(self, name: str, socket: str, ids: str, serial: str) -> list[Path]:
        links = {
            f"by-id/usb-{serial or ids.replace(':', '_')}-if00-port0",
            f"by-path/pci-0000:00:14.0-usb-0:{socket}:1.0-port0",
            f"by-path/pci-0000:00:14.0-usbv2-0:{socket}:1.0-port0",
        }
        made = []
        for link in links:
            path = self.root / "dev/serial" / link
            path.parent.mkdir(parents=True, exist_ok=True)
            # As udev: of two that would have one name the last one has it.
            path.unlink(missing_ok=True)
            path.symlink_to(f"../../{name}")
            made.append(path)
        return made

    def _link(self, name: str, to: Path | str) -> Path:
        path, target = self.root / name, self.root / to
        path.unlink(missing_ok=True)
        path.symlink_to(os.path.relpath(target, path.parent))
        return path

    # ---- programs and people

    def start(self, name: str, pid: int, *opened: str, hidden: bool = False) -> None:
        """Start a program that has files open; a hidden one is another user's."""
        process = self.root / "proc" / str(pid)
        process.mkdir()
        (process / "comm").write_text(f"{name}\n", encoding="utf-8")
        (process / "fd").mkdir()
        if hidden:
            self.hidden.add(str(pid))
        for number, file in enumerate(opened):
            (process / "fd" / str(number)).symlink_to(file)

    def group(self, name: str, gid: int, *members: str) -> None:
        with (self.root / "etc/group").open("a", encoding="utf-8") as file:
            file.write(f"{name}:x:{gid}:{','.join(members)}\n")
