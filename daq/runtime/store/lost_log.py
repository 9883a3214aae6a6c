"""What is done where the log of a store that is open was removed: SQLite has it open still."""

import errno
import sqlite3


class LogLostError(OSError):
    """The log is no longer under its name; nothing of it was lost."""

    def __init__(self) -> None:
        super().__init__(
            errno.ENOENT,
            "its log was removed or replaced while in use: what was in it is now in the file itself, nothing of it is lost,"
            " and a new log is begun",
        )


def take_into_file(connection: sqlite3.Connection) -> None:
    """Write all of the log into the file.

    Raises:
        OSError: If another program is in the way.
    """
    (is_busy, *_) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    if is_busy:
        raise OSError(
            errno.EBUSY,
            "its log was removed or replaced while in use, and another program that reads the file is in the way of"
            " writing it into the file: end that one, and do not end this one",
        )
