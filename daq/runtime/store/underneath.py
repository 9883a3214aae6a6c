"""What lies under a store that is open: is it still the file, and the log, that were opened?

SQLite holds files, not names, and what it has in memory it does not read again: a file that is moved away, emptied or
written over, and a log that is removed, are noticed by it late or never. What is asked here costs a few questions to
the operating system, so it is asked before every transaction. Reads the file's head only through the descriptor of its
lock: another one could not be closed without releasing SQLite's own locks.
"""

import errno
import os
import struct
from pathlib import Path

from daq.runtime.store.damage import FileSpoiltError
from daq.runtime.store.placing import put_aside
from daq.runtime.store.schema import APPLICATION_ID

_MAGIC = b"SQLite format 3\x00"
_HEAD_BYTES = 100
_GREATEST_PAGE_BYTES = 65536
_LOG_SUFFIXES = ("-wal", "-shm")

_Identity = tuple[int, int]


class Underneath:
    """The files of one store, as they were when it was opened.

    Args:
        path: Of the results file.
        descriptor: Of the same file; its owner closes it.
    """

    def __init__(self, path: Path, descriptor: int) -> None:
        self._path = path
        self._real = path.resolve()  # the log lies beside the file, not beside a link
        self._descriptor = descriptor
        self._file = _identity(os.fstat(descriptor))
        self._size = 0
        self._has_our_mark = False
        self._log: tuple[_Identity | None, ...] | None = None

    def expect_file(self) -> None:
        """Look whether the name still means the file, and the file has not been cut or written over.

        Raises:
            FileNotFoundError: If it was moved, removed or replaced.
            FileSpoiltError: If it was emptied, cut or written over.
        """
        if _identity(self._path.stat()) != self._file:
            raise FileNotFoundError(errno.ENOENT, "moved or replaced while in use")
        size = os.fstat(self._descriptor).st_size
        head = os.pread(self._descriptor, _HEAD_BYTES, 0)
        if what := self._fault_of(head, size):
            raise FileSpoiltError(what)
        self._size = size
        self._has_our_mark = _mark_of(head) == APPLICATION_ID

    def _fault_of(self, head: bytes, size: int) -> str | None:
        if not size:
            return "it was emptied while in use"
        if head[: len(_MAGIC)] != _MAGIC or len(head) < _HEAD_BYTES:
            return "its head was written over while in use"
        # In a file that was just made the mark may stand in the log only.
        if self._has_our_mark and _mark_of(head) != APPLICATION_ID:
            return "its head was written over while in use"
        # A full disk stops SQLite while it makes the file longer, so that the head may be ahead of the end; it never
        # makes a file shorter than the head says.
        if size < self._size and size < _length_by(head):
            return "it was cut short while in use"
        return None

    def note_log(self) -> None:
        """Keep which files are the log's; to be called once SQLite has opened them."""
        self._log = self._log_now()

    def forget_log(self) -> None:
        """SQLite has closed them."""
        self._log = None

    def has_lost_log(self) -> bool:
        """Whether a file of the log that SQLite has open was removed or replaced."""
        return self._log is not None and self._log_now() != self._log

    def leave_log(self) -> None:
        """SQLite has taken the log into the file and closed it: what lies under its name is none of this file.

        It is put aside rather than removed, for whoever put it there, and so are the ones after it; if it stayed, SQLite
        could take it for the file's and write old pages over new ones.
        """
        for stale in self._log_files():
            if stale.exists():
                put_aside(stale)

    def _log_now(self) -> tuple[_Identity | None, ...]:
        return tuple(_identity_of(file) for file in self._log_files())

    def _log_files(self) -> tuple[Path, ...]:
        return tuple(
            self._real.with_name(f"{self._real.name}{suffix}")
            for suffix in _LOG_SUFFIXES
        )


def _identity(status: os.stat_result) -> _Identity:
    return status.st_dev, status.st_ino


def _identity_of(path: Path) -> _Identity | None:
    try:
        return _identity(path.stat())
    except FileNotFoundError:
        return None


def _mark_of(head: bytes) -> int:
    (mark,) = struct.unpack_from(">I", head, 68)
    return int(mark)


def _length_by(head: bytes) -> int:
    """SQLite, "Database File Format", section 1.3: length of a page at 16, pages of the file at 28."""
    (page_bytes,) = struct.unpack_from(">H", head, 16)
    (pages,) = struct.unpack_from(">I", head, 28)
    return int(pages) * (_GREATEST_PAGE_BYTES if page_bytes == 1 else int(page_bytes))
