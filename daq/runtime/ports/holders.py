"""Which program holds a port, by what the system shows to everybody and what it shows to this user.

Three traces, from the surest: open files (`/proc/PID/fd`, one's own programs only, unless one is root), locks
(`/proc/locks`, everybody's) and lock files (`/run/lock/LCK..NAME`, by old custom). Two services of the operating system take
serial ports by themselves and run as root, so their open files are hidden from a user; where one runs it is suspected.
"""

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from daq.runtime.ports.system import System, file_numbers, text_of

_SERVICES: Mapping[str, str] = {
    "ModemManager": (
        "a service that tries every new serial port for a modem: run `sudo systemctl stop ModemManager` while you"
        " measure, or `sudo systemctl disable --now ModemManager` for good where no modem is used"
    ),
    "brltty": (
        "a service for braille displays that takes adapters with common chips: where nobody uses a braille display"
        " remove it (`sudo apt remove brltty` on Debian and its kin), else name the display's own port in"
        " /etc/brltty.conf; then plug the adapter in again"
    ),
}
"""Services that take serial ports by themselves, by the name of their process, with what to do."""


@dataclass(frozen=True, slots=True)
class Holder:
    """A program that holds a port, or is suspected of it.

    Attributes:
        name: Of the process; empty where it has ended meanwhile.
        pid: Its number.
        is_certain: Seen to hold it, not only running where it cannot be looked into.
    """

    name: str
    pid: int
    is_certain: bool = True

    @property
    def shown(self) -> str:
        """Name and number."""
        return f"{self.name or 'a program'} (process {self.pid})"


@dataclass(frozen=True, slots=True)
class OpenFiles:
    """One look at all processes.

    Attributes:
        by_device: Who has which device open.
        suspects: Services that take ports by themselves and cannot be looked into.
        has_hidden: Whether there are programs of other users.
    """

    by_device: Mapping[str, tuple[Holder, ...]]
    suspects: tuple[Holder, ...]
    has_hidden: bool


def open_files(system: System) -> OpenFiles:
    """Look at every process but this one."""
    by_device: dict[str, list[Holder]] = {}
    suspects: list[Holder] = []
    has_hidden = False
    for process in _processes(system):
        targets = _open_in(process, system)
        if targets is None:
            has_hidden = True
            holder = _holder(process, is_certain=False)
            suspects += [holder] if holder.name in _SERVICES else []
            continue
        for target in targets:
            by_device.setdefault(target, []).append(_holder(process))
    found = {device: tuple(holders) for device, holders in by_device.items()}
    return OpenFiles(found, tuple(suspects), has_hidden)


def is_running(name: str, system: System) -> bool:
    """Whether a process of this name runs."""
    return any(text_of(p / "comm") == name for p in _processes(system))


def holders_of(device: str, system: System, opened: OpenFiles) -> tuple[Holder, ...]:
    """Who holds a device: those seen, else those suspected."""
    seen = {h.pid: h for h in opened.by_device.get(device, ())}
    for pid in (*_locking(device, system), *_named_in_lock_file(device, system)):
        process = system.at(f"/proc/{pid}")
        if pid != os.getpid() and process.is_dir():
            seen.setdefault(pid, _holder(process))
    return tuple(seen.values()) or opened.suspects


def busy_words(device: str, system: System) -> str:
    """Who holds a port that is known to be held, and what to do."""
    # Locks are one small file; all open files are thousands of links, and the caller may be in a hurry.
    holders = holders_of(device, system, OpenFiles({}, (), has_hidden=False))
    opened = None if holders else open_files(system)
    if opened is not None:
        holders = holders_of(device, system, opened)
    # Only a real line draws those services.
    holders = tuple(h for h in holders if h.is_certain or _draws_services(device))
    if holders:
        return "; ".join(holding_words(holder) for holder in holders)
    words = "another program holds it, close that program"
    if opened is not None and opened.has_hidden:
        words += " (it is another user's: `sudo daq ports` names it)"
    return words


def _draws_services(device: str) -> bool:
    return device.startswith("/dev/tty")


def holding_words(holder: Holder) -> str:
    """One holder and what to do about it."""
    holds = "holds it" if holder.is_certain else "may hold it"
    service = _SERVICES.get(holder.name)
    if service is None:
        return f"{holder.shown} {holds}, close that program"
    return f"{holder.shown} {holds}, {service}"


def is_service(holder: Holder) -> bool:
    """Whether it takes serial ports by itself."""
    return holder.name in _SERVICES


# ---- what the system shows


def _processes(system: System) -> Iterator[Path]:
    try:
        found = sorted(system.at("/proc").iterdir())
    except OSError:
        return
    own = str(os.getpid())
    yield from (p for p in found if p.name.isdecimal() and p.name != own)


def _open_in(process: Path, system: System) -> set[str] | None:
    """Devices that a process has open; None where it may not be looked into."""
    folder = process / "fd"
    if folder.exists() and not system.may_list(folder):
        return None
    try:
        # Thousands of links, looked at while other lines are read: no object for each.
        names = os.listdir(folder)  # noqa: PTH208  # twice as fast
    except PermissionError:
        return None
    except OSError:
        # It ended meanwhile.
        return set()
    targets = (_target(f"{folder}/{name}") for name in names)
    return {t for t in targets if t.startswith("/dev/")}


def _target(link: str) -> str:
    try:
        return os.readlink(link)  # noqa: PTH115  # likewise
    except OSError:
        # Closed meanwhile.
        return ""


def _holder(process: Path, *, is_certain: bool = True) -> Holder:
    return Holder(text_of(process / "comm"), int(process.name), is_certain)


def _locking(device: str, system: System) -> list[int]:
    """Processes with a lock on a device's file.

    A line reads `1: FLOCK  ADVISORY  WRITE 1234 00:05:321 0 EOF`; the file system's numbers are in hex.
    """
    wanted = file_numbers(system.at(device))
    if wanted is None:
        return []
    file = f"{wanted[0]:02x}:{wanted[1]:02x}:{wanted[2]}"
    found = []
    for line in text_of(system.at("/proc/locks")).splitlines():
        parts = line.split()
        if "->" not in parts and file in parts:
            pid = parts[parts.index(file) - 1]
            found += [int(pid)] if pid.isdecimal() else []
    return found


def _named_in_lock_file(device: str, system: System) -> list[int]:
    """The process that a lock file names, in ten characters (HDB UUCP)."""
    name = Path(device).name
    for folder in ("/run/lock", "/var/lock"):
        text = text_of(system.at(f"{folder}/LCK..{name}")).split()
        if text and text[0].isdecimal():
            return [int(text[0])]
    return []
