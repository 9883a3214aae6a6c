"""What the operating system shows of serial lines: its folders below one root, who is at the computer, who may open what.

Devices are named as the system names them ("/dev/ttyUSB0"); only `at` knows where that is below the root, so that every
case can be laid out in a folder. Nothing here opens a port: opening one pulls its control lines.
"""

import getpass
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Person:
    """Who asks.

    Attributes:
        name: Of the login; empty where the system knows none.
        gids: Groups of this login; one that was joined since is not among them.
    """

    name: str
    gids: frozenset[int]


@dataclass(frozen=True, slots=True)
class Group:
    """A group of users and who was put into it."""

    name: str
    members: tuple[str, ...]


def _person() -> Person:
    try:
        name = getpass.getuser()
    except (KeyError, OSError):
        name = ""
    return Person(name, frozenset({*os.getgroups(), os.getegid()}))


def _may_open(path: Path) -> bool:
    """Whether reading and writing is allowed, by whatever rule (owner, group, access list)."""
    return os.access(path, os.R_OK | os.W_OK)


def _may_list(path: Path) -> bool:
    """Whether a folder of the system may be read."""
    return os.access(path, os.R_OK)


@dataclass(frozen=True, slots=True)
class System:
    """The computer, or a folder that is laid out like one, with other rules than those of whoever lays it out."""

    root: Path = Path("/")
    person: Person = field(default_factory=_person)
    may_open: Callable[[Path], bool] = _may_open
    may_list: Callable[[Path], bool] = _may_list

    def at(self, path: str) -> Path:
        """Where a path of the system is."""
        return self.root / path.lstrip("/")

    def group(self, gid: int) -> Group | None:
        """A group by its number."""
        for line in text_of(self.at("/etc/group")).splitlines():
            parts = line.split(":")
            if len(parts) == 4 and parts[2] == str(gid):
                return Group(parts[0], tuple(filter(None, parts[3].split(","))))
        return None

    @property
    def is_container(self) -> bool:
        """Whether this is the inside of a container, as far as it shows."""
        marks = ("/.dockerenv", "/run/.containerenv", "/run/systemd/container")
        return any(self.at(mark).exists() for mark in marks)


def text_of(path: Path) -> str:
    """A small text file of the system, stripped; empty where there is none or it cannot be read."""
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def file_numbers(path: Path) -> tuple[int, int, int] | None:
    """Major and minor number of the file system, and the file's number in it; None where nothing is there."""
    try:
        found = path.stat()
    except OSError:
        return None
    return os.major(found.st_dev), os.minor(found.st_dev), found.st_ino
