"""What is refused before SQLite opens a file, and what can be done where SQLite refuses it. Only looks."""

import os
import sqlite3
import stat
from contextlib import suppress
from pathlib import Path

from daq.errors import StoreError
from daq.runtime.store.schema import APPLICATION_ID

HEAD_BYTES = 100
"""So much of a file's head is wanted to judge a journal."""

_KINDS = (
    (stat.S_ISDIR, "a directory"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)
_MAGIC = b"SQLite format 3\x00"
# SQLite, "Database File Format", section 4.1; a length of 1 stands for the greatest page (section 1.3.2).
_LOG_HEAD_BYTES, _FRAME_BYTES, _GREATEST_PAGE_BYTES = 32, 24, 65_536
_PROVING_COMMITS = 2
_LOCKED = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL}
_UNOPENED = {sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY}


class StrangeJournalError(StoreError):
    """A rollback journal lies beside a file that keeps none: SQLite would write what is in it over the results."""


def kind_of(path: Path) -> str | None:
    """What lies there where it is no regular file, in words; None where it is one, or nothing is there.

    It is not opened: opening a pipe waits until somebody writes into it.
    """
    try:
        mode = path.stat().st_mode
    except OSError:  # whoever opens it is told
        return None
    return next((words for is_kind, words in _KINDS if is_kind(mode)), None)


def refuse_other_kinds(path: Path) -> None:
    """Refuse what is no regular file.

    Raises:
        StoreError: With its kind.
    """
    if (kind := kind_of(path)) is not None:
        msg = f"{path}: it is {kind}, expected a regular file: name another file"
        raise StoreError(msg)


def refuse_journal(path: Path, head: bytes, log: Path) -> None:
    """Refuse a file beside which a journal lies that cannot be its own.

    A file in WAL mode has a log and no journal; only while it is made there is one, and it carries no mark then. After
    a power failure that one may be there again until the log's first commit is on the disk, and before the second.

    Args:
        path: Of the file; a journal that is not empty lies beside it.
        head: Its first HEAD_BYTES.
        log: Where its log would be.

    Raises:
        StrangeJournalError: If it is one of ours and made.
    """
    # SQLite, "Database File Format", section 1.3: versions 2 at 18 and 19 mean WAL, the mark of the application is at 68.
    is_in_wal_mode = head[: len(_MAGIC)] == _MAGIC and head[18:20] == b"\x02\x02"
    is_ours = int.from_bytes(head[68:72], "big") == APPLICATION_ID
    if not is_in_wal_mode or not (is_ours or _has_commits(log, head)):
        return
    journal = f"{path.name}-journal"
    msg = (
        f"{path}: {journal} lies beside it and is none of its own, SQLite would write what is in it over the results;"
        f" nothing was changed: move {journal} to another folder, keep both files, and try again;"
        f" `daq salvage {path}` writes what is in the results file to a new one without it"
    )
    raise StrangeJournalError(msg)


def _has_commits(log: Path, head: bytes) -> bool:
    """Whether a log holds so many commits that the first of them was on the disk for certain."""
    page_bytes = int.from_bytes(head[16:18], "big")
    step = _FRAME_BYTES + (_GREATEST_PAGE_BYTES if page_bytes == 1 else page_bytes)
    commits = 0
    with suppress(FileNotFoundError), log.open("rb") as file:
        salts = file.read(_LOG_HEAD_BYTES)[16:24]
        frame = file.read(_FRAME_BYTES)
        while len(frame) == _FRAME_BYTES and commits < _PROVING_COMMITS:
            # The length of the database stands in a frame that commits only.
            commits += frame[8:16] == salts and frame[4:8] != bytes(4)
            file.seek(step - _FRAME_BYTES, os.SEEK_CUR)
            frame = file.read(_FRAME_BYTES)
    return commits >= _PROVING_COMMITS


def is_archive(path: Path) -> bool:
    """Whether file or folder cannot be written by whoever asks."""
    return not all(os.access(place, os.W_OK) for place in (path, path.parent))


def sqlite_words(path: Path, exc: Exception, *, has_log: bool) -> str:
    """Why SQLite refuses a file, with what to do where that is known."""
    code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
    if code in _LOCKED:
        return (
            f"another program holds it ({exc}): one that shows or edits databases, or that copies or synchronises files;"
            " close it there and try again"
        )
    if code in _UNOPENED and has_log and is_archive(path):
        return (
            f"it was not closed, its log {path.name}-wal is a part of it, and where they cannot be written they cannot be"
            f" read together ({exc}): copy both to a folder that can be written and name the copy,"
            f" or write what is in them to a new file with `daq salvage {path} FILE`"
        )
    return str(exc)
