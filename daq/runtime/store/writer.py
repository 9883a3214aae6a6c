"""The one thread that owns the connection and writes.

Rows come through a RowBuffer and are committed together, at most COMMIT_INTERVAL_S
apart. Jobs (functions of the connection) wake the thread, run after the rows that
were added before them, each in a transaction of its own, and answer through a future.

While the file cannot be written, for a cause that can pass (disk full, read-only,
locked, moved away), nothing is lost and nothing is out of order: rows go back into the
buffer, jobs stay queued, and every RETRY_S the connection is made anew and all is
tried again. A file that turns out to be damaged is left as it is from then on: rows
and jobs wait until the program is ended. It is looked through when all is written. Any other exception ends the thread, and every
job from then on fails.
"""

import asyncio
import errno
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.errors import StoreError, StoreFailingError
from daq.runtime.store.buffer import Row, RowBuffer
from daq.runtime.store.damage import is_damage
from daq.runtime.store.opening import connect_writer, leaving_log, look_through

COMMIT_INTERVAL_S = 0.5
"""Longest time that a row waits for its commit to begin (real time) [s]."""

RETRY_S = 1.0
"""Pause between attempts while the file cannot be written (real time) [s]."""

BATCH_ROWS = 2_000
"""Most rows of one transaction, so that none takes long."""

_PASSING = {
    sqlite3.SQLITE_BUSY: "another program has locked it",
    sqlite3.SQLITE_LOCKED: "another program has locked it",
    sqlite3.SQLITE_PROTOCOL: "another program has locked it",
    sqlite3.SQLITE_READONLY: "it is read-only",
    sqlite3.SQLITE_IOERR: "the disk reports an error",
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened",
}
"""Causes that can pass by themselves or by the operator's hand, by primary code."""


@dataclass(frozen=True, slots=True)
class _Job:
    work: Callable[[sqlite3.Connection], object]
    answer: "asyncio.Future[Any]"


class Writer(threading.Thread):
    """Writes what a RowBuffer and a queue of jobs hold, until told to stop.

    The methods are for the event loop's thread; what starts with an underscore and
    takes a connection runs in the thread.
    """

    def __init__(
        self,
        path: Path,
        *,
        rows: RowBuffer,
        on_trouble: Callable[[str | None], None],
        loop: asyncio.AbstractEventLoop,
    ) -> None:
        # A daemon, so that a program that dies without closing the store does end;
        # SQLite's transactions bear that.
        super().__init__(name="store", daemon=True)
        self.failing: str | None = None
        self.last_commit_real_s: float | None = None
        self._path = path
        self._place = _place(path)
        self._rows = rows
        self._on_trouble = on_trouble
        self._loop = loop
        self._lock = threading.Lock()
        self._jobs: deque[_Job] = deque()
        self._wake = threading.Event()
        self._stopping = False
        self.damage: str | None = None
        self._stopped: asyncio.Future[None] = loop.create_future()
        self._ending: tuple[str, Exception | None] | None = None
        self._connection: sqlite3.Connection | None = None

    def submit(
        self, work: Callable[[sqlite3.Connection], object]
    ) -> "asyncio.Future[Any]":
        """Queue a job; its future has the value, or the StoreError it raised.

        Raises:
            StoreFailingError: If the thread has ended.
        """
        answer = self._loop.create_future()
        with self._lock:
            if self._ending:
                raise _failing(self._ending)
            self._jobs.append(_Job(work, answer))
        self._wake.set()
        return answer

    def stop(self) -> "asyncio.Future[None]":
        """Try once more to write everything, then end; the future tells when."""
        self._stopping = True
        self._wake.set()
        return self._stopped

    def run(self) -> None:
        """Serve until stopped or broken."""
        cause: Exception | None = None
        try:
            self._serve()
            self._look_through()
        except Exception as exc:  # noqa: BLE001 - whatever it is, the operator must hear of it
            cause = exc
            self._tell(f"{self._path}: cannot be written any more: {exc}")
        with leaving_log(self._path) if self.damage else nullcontext():
            self._disconnect()
        with self._lock:
            reason = self.failing or f"{self._path}: the store is closed"
            self._ending = (reason, cause)
        for job in self._jobs:
            self._answer(job, failure=_failing(self._ending))
        self._call(_settle, self._stopped, None, None)

    def _serve(self) -> None:
        stopping = False
        while not stopping:
            self._wake.wait(RETRY_S if self.failing else COMMIT_INTERVAL_S)
            self._wake.clear()
            stopping = self._stopping
            try:
                if self.damage is None:
                    self._write_everything()
            except (sqlite3.DatabaseError, OSError) as exc:
                self._tell_cause(exc)
            else:
                if self.damage is not None:
                    self._tell(f"{self.damage}{self._loss()}")

    def _tell_cause(self, exc: sqlite3.DatabaseError | OSError) -> None:
        if isinstance(exc, sqlite3.Error) and is_damage(exc):
            self._tell_damage(exc)
        else:
            self._tell(f"{self._path}: {_passing_cause(exc)}{self._loss()}")

    def _tell_damage(self, what: object) -> None:
        self.damage = (
            f"{self._path}: it is damaged ({what}) and is left as it is; once this program has ended,"
            f" `daq salvage {self._path}` writes what can be read to a new file"
        )
        self._tell(f"{self.damage}{self._loss()}")

    def _look_through(self) -> None:
        """Look whether what was written can be read: what is in memory hides a page that was spoilt on the disk."""
        if self.failing is not None or self.last_commit_real_s is None:
            return
        try:
            what = look_through(self._path)
        except sqlite3.Error as exc:
            what = str(exc) if is_damage(exc) else None
        if what is not None:
            self._tell_damage(what)

    def _write_everything(self) -> None:
        jobs = len(self._jobs)  # counted first: these follow the rows added before them
        while batch := self._rows.take(BATCH_ROWS):
            try:
                self._write(batch)
            except BaseException:
                self._rows.put_back(batch)
                raise
            self._rows.done()
        for _ in range(jobs):
            self._do(self._jobs[0])
            self._jobs.popleft()

    def _write(self, batch: list[Row]) -> None:
        by_statement: dict[str, list[tuple[object, ...]]] = {}
        for statement, values in batch:
            by_statement.setdefault(statement, []).append(values)
        with self._transaction() as connection:
            # Rows are grouped, so a reading may come before the trial that it refers to.
            connection.execute("PRAGMA defer_foreign_keys = ON")
            for statement, rows in by_statement.items():
                connection.executemany(statement, rows)

    def _do(self, job: _Job) -> None:
        try:
            with self._transaction() as connection:
                value = job.work(connection)
        except StoreError as exc:
            self._answer(job, failure=StoreError(f"{self._path}: {exc}"))
        else:
            self._answer(job, value=value)

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        if _place(self._path) != self._place:
            raise FileNotFoundError(errno.ENOENT, "moved or replaced while in use")
        if self._connection is None:
            self._connection = connect_writer(self._path)
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            yield self._connection
            self._connection.execute("COMMIT")
        except BaseException as exc:
            # Rolls back. A connection that was opened while the file could not be
            # written stays read-only for life, so the next attempt gets a new one.
            spoilt = isinstance(exc, sqlite3.Error) and is_damage(exc)
            with leaving_log(self._path) if spoilt else nullcontext():
                self._disconnect()
            raise
        self.last_commit_real_s = time.monotonic()
        self._tell(None)

    def _disconnect(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _loss(self) -> str:
        return ": the oldest readings are being lost" if self._rows.dropped else ""

    def _tell(self, trouble: str | None) -> None:
        if trouble != self.failing:
            self.failing = trouble
            self._call(self._on_trouble, trouble)

    def _answer(
        self, job: _Job, *, value: object = None, failure: Exception | None = None
    ) -> None:
        self._call(_settle, job.answer, value, failure)

    def _call(self, function: Callable[..., None], *args: object) -> None:
        with suppress(RuntimeError):  # the loop is closed: nobody is left to be told
            self._loop.call_soon_threadsafe(function, *args)


def _settle(
    future: "asyncio.Future[Any]", value: object, failure: Exception | None
) -> None:
    if future.done():  # whoever asked was cancelled meanwhile
        return
    if failure:
        future.set_exception(failure)
    else:
        future.set_result(value)


def _failing(ending: tuple[str, Exception | None]) -> StoreFailingError:
    text, cause = ending
    error = StoreFailingError(text)
    error.__cause__ = cause
    return error


def _passing_cause(exc: sqlite3.DatabaseError | OSError) -> str:
    """Word the cause, or raise what was given if it is none that can pass."""
    if isinstance(exc, OSError):
        return (exc.strerror or str(exc)).lower()
    code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
    if code not in _PASSING:
        raise exc
    return f"{_PASSING[code]} ({exc})"


def _place(path: Path) -> tuple[int, int]:
    """Identity of the file itself: after a move or a copy the name means another."""
    status = path.stat()
    return status.st_dev, status.st_ino
