"""Why the results file cannot be written: the causes that can pass by themselves or by the operator's hand, in words."""

import sqlite3

_PASSING = {
    sqlite3.SQLITE_BUSY: "another program has locked it",
    sqlite3.SQLITE_LOCKED: "another program has locked it",
    sqlite3.SQLITE_PROTOCOL: "another program has locked it",
    sqlite3.SQLITE_READONLY: "it is read-only",
    sqlite3.SQLITE_IOERR: "the disk reports an error",
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened",
}
"""By primary code."""


class NotOpenedError(Exception):
    """Something lies beside the file that has to be moved away before it can be opened."""


def passing_cause(exc: Exception) -> str | None:
    """Word the cause; None if it is none that can pass."""
    if isinstance(exc, OSError):
        return (exc.strerror or str(exc)).lower()
    if isinstance(exc, MemoryError):
        return "this computer has no memory left"
    code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
    return f"{_PASSING[code]} ({exc})" if code in _PASSING else None


def can_pass(exc: Exception) -> bool:
    """Whether it is worth to try the same again."""
    return isinstance(exc, NotOpenedError) or passing_cause(exc) is not None


def named(exc: Exception) -> str:
    """For whoever has to find the fault: some say nothing but by their kind."""
    return f"{type(exc).__name__}: {exc}"


def unforeseen_text(exc: Exception, loss: str) -> str:
    """Say of a cause that nobody foresaw what it is and what to do.

    Args:
        exc: It.
        loss: What to say of rows that are being lost; empty where none are.
    """
    return (
        f"nothing can be written, for a fault of this program ({named(exc)}): what comes in waits in"
        f" memory and is tried again every second{loss}; if it goes on, switch off at the plug, write down by"
        " hand what matters, end this program, whereby what waits is lost, begin it anew, and report these words"
    )
