"""Looks at a results file and its log as they lie on the disk, for what SQLite itself never tells.

A log of which it finds the first frames only, and a list of free pages that names pages in use. A program may be writing
the file meanwhile: nothing is locked, and what is found counts where it is found again while nothing has changed.
Memory does not grow with the content of either.
"""

import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from daq.runtime.store.free_pages import find_false_free_page
from daq.runtime.store.log import LogLook, look_through_log
from daq.runtime.store.pages import HEADER_BYTES, Image
from daq.runtime.store.salvaging import page_bytes_of, usable_bytes_of

_LOOKS = 6
"""So often is looked where a program writes the file meanwhile."""

_NO_LOG = LogLook({}, None, b"", None)


def find_damage_as_it_lies(path: Path) -> str | None:
    """Look through the log and the list of free pages; returns what is wrong with them, None where nothing is.

    To be asked while this process has the file not open, for closing it releases SQLite's own locks on it.

    Args:
        path: Of the file.

    Raises:
        OSError: If it cannot be read.
    """
    before = None
    for _ in range(_LOOKS):
        found = _look(path.resolve())
        if found is None:
            return None
        if found == before:
            return found.what
        before = found
    return None


@dataclass(frozen=True, slots=True)
class _Found:
    """What is wrong, and in what state of the file: only the same in the same state is no other program's doing."""

    what: str
    where: object


def _look(path: Path) -> _Found | None:
    with ExitStack() as files:
        file = files.enter_context(path.open("rb"))
        size = os.fstat(file.fileno()).st_size
        log, log_size = None, 0
        try:
            log = files.enter_context(path.with_name(f"{path.name}-wal").open("rb"))
            log_size = os.fstat(log.fileno()).st_size
        except FileNotFoundError:
            pass
        log_head = log.read(HEADER_BYTES) if log else b""
        page_bytes = page_bytes_of(file.read(HEADER_BYTES), log_head)
        look = _NO_LOG
        if log:
            log.seek(0)
            look = look_through_log(log, log_size, page_bytes)
        if look.broken_frame is not None:
            where = (look.head, look.broken_frame)
            return _Found("its log has lost what was committed to it", where)
        lying, logged = _Lying(file), _Logged(look.places, log, page_bytes)
        head = logged.get(1, lying[0:HEADER_BYTES])
        image = Image(
            lying,  # type: ignore[arg-type] # it is sliced as bytes are
            logged,
            page_bytes,
            usable_bytes_of(head, page_bytes),
            look.page_count or size // page_bytes,
        )
        what = find_false_free_page(image)
        return None if what is None else _Found(what, (_state(file), _state(log)))


def _state(file: BinaryIO | None) -> tuple[int, int]:
    if file is None:
        return 0, 0
    status = os.fstat(file.fileno())
    return status.st_size, status.st_mtime_ns


class _Lying:
    """A file whose parts are read when they are asked for; a map of it would end the program where it is cut short."""

    def __init__(self, file: BinaryIO) -> None:
        self._descriptor = file.fileno()

    def __getitem__(self, part: slice) -> bytes:
        return os.pread(self._descriptor, part.stop - part.start, part.start)


class _Logged(Mapping[int, bytes]):
    """The pages that a log has a newer state of."""

    def __init__(
        self, places: Mapping[int, int], log: BinaryIO | None, page_bytes: int
    ) -> None:
        self._places = places
        self._log = log
        self._page_bytes = page_bytes

    def __getitem__(self, number: int) -> bytes:
        place = self._places[number]
        if self._log is None:
            raise KeyError(number)
        page = os.pread(self._log.fileno(), self._page_bytes, place)
        return page.ljust(self._page_bytes, b"\0")

    def __iter__(self) -> Iterator[int]:
        return iter(self._places)

    def __len__(self) -> int:
        return len(self._places)
