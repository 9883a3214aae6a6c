"""The one thread that owns the connection and writes.

Rows come through a RowBuffer and are committed together, at most COMMIT_INTERVAL_S
apart. Jobs (functions of the connection) wake the thread, run after the rows that
were added before them, each in a transaction of its own, and answer through a future.

While the file cannot be written, for a cause that can pass (disk full, read-only,
locked, moved away), nothing is lost and nothing is out of order: rows go back into the
buffer, jobs stay queued, and every RETRY_S the connection is made anew and all is
tried again. A write that never ends reports no cause: the event loop watches the thread
for it (stalling.py), tells it as any other trouble, and does not wait for ever at the end.

Before every transaction the writer asks whether file and log are still those that it opened (underneath.py), every
LOOK_EVERY_S whether what it wrote can be read back, and of the whole file when all is written. A file that turns out to
be damaged is left as it is from then on: rows and jobs wait until the program is ended. A log that was removed is still
open here, so all of it is taken into the file, and a new one is begun.

A row that the file does not take for its own sake is given up, counted and told (unwritable.py), and all else is
written, in order and in the same transaction. A job that fails for its own sake fails to whoever asked. Any other
exception is told as what it is, rows and jobs wait, and all is tried again: none ends the thread.
"""

import asyncio
import errno
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.alarm_words import store_damaged_text, store_failing_text
from daq.errors import StoreDamagedError, StoreError, StoreFailingError
from daq.runtime.store.buffer import Row, RowBuffer
from daq.runtime.store.damage import FileSpoiltError, in_words, is_damage
from daq.runtime.store.opening import connect_writer, look_through, stand_by
from daq.runtime.store.refusing import StrangeJournalError
from daq.runtime.store.stalling import END_S, LAST_LOOK_S, STALLED_S, Stalling
from daq.runtime.store.underneath import Underneath
from daq.runtime.store.unwritable import Unwritable, is_of_a_row

COMMIT_INTERVAL_S = 0.5
"""Longest time that a row waits for its commit to begin (real time) [s]."""

RETRY_S = 1.0
"""Pause between attempts while the file cannot be written (real time) [s]."""

BATCH_ROWS = 2_000
"""Most rows of one transaction, so that none takes long."""

LOOK_EVERY_S = 5.0
"""Pause between looks whether what was written can be read (real time) [s]."""

_LOOK_SHARE = 0.02
"""Most of the thread's time that these looks may take: on a slow disk they come less often."""

_WATCH_EVERY_S = 0.25
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


class _LogLostError(OSError):
    """The log is no longer under its name; nothing of it was lost."""


class _NotOpenedError(Exception):
    """Something lies beside the file that has to be moved away before it can be opened."""


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
        lock: int,
    ) -> None:
        # A daemon, so that a program that dies without closing the store does end;
        # SQLite's transactions bear that.
        super().__init__(name="store", daemon=True)
        self.failing: str | None = None
        self.last_commit_real_s: float | None = None
        self._path = path
        self._underneath = Underneath(path, lock)
        self._unwritable = Unwritable(path)
        self._told: str | None = None
        self._rows = rows
        self._on_trouble = on_trouble
        self._loop = loop
        self._lock = threading.Lock()
        self._telling = threading.Lock()
        self._jobs: deque[_Job] = deque()
        self._wake = threading.Event()
        self._stopping = False
        self.damage: str | None = None
        self._stopped: asyncio.Future[None] = loop.create_future()
        self._ending: str | None = None
        self._connection: sqlite3.Connection | None = None
        self._bystander: sqlite3.Connection | None = None
        self._looked_s = time.monotonic()
        self._look_pause_s = LOOK_EVERY_S
        self._stalling = Stalling(self._looked_s)
        self._is_last_look = False
        self._is_unforeseen = False
        self._signs = 0
        loop.call_soon(self._watch)

    @property
    def has_given_up(self) -> bool:
        """It was told to stop, and the disk does not answer: the thread may still hang in the middle of a write."""
        longest_s = LAST_LOOK_S if self._is_last_look else END_S
        return self._stopping and self._stalling.waited_s >= longest_s

    @property
    def lost(self) -> int:
        """Rows that will never be written: more waited than are kept, or the file did not take them."""
        return self._rows.dropped + self._unwritable.count

    def alarm(self, cause: str) -> str:
        """What is said of the trouble that is told now; a cause that is nothing of the disk says itself what to do."""
        if self.damage is not None:
            return store_damaged_text(cause)
        is_of_the_disk = self.failing is not None and not self._is_unforeseen
        return store_failing_text(cause) if is_of_the_disk else f"{cause}."

    @property
    def is_hanging(self) -> bool:
        """The thread has not ended."""
        return not self._stopped.done()

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
                raise StoreFailingError(self._ending)
            self._jobs.append(_Job(work, answer))
        self._wake.set()
        return answer

    async def stop(self) -> None:
        """Try once more to write everything, then end; a disk that does not answer is waited for, but not for ever."""
        self._stopping = True
        self._stalling = Stalling(time.monotonic())
        self._wake.set()
        while not self._stopped.done() and not self.has_given_up:
            await asyncio.wait({self._stopped}, timeout=_WATCH_EVERY_S)
        if not self._stopped.done():
            # Whoever waits for a job must not wait for a thread that hangs.
            self._end(f"{self._path}: {self._stalled_text()}")

    def tell_of_end(self) -> None:
        """Say what the end was like, once it was stopped.

        Raises:
            StoreFailingError: If rows were lost or could not be written, or the file is not there any more.
            StoreDamagedError: If all were written and the file is damaged.
        """
        reason = self.failing or self._unwritable.reason
        reason = reason or f"{self._path}: the file could not be written"
        if lost := len(self._rows) + self.lost:
            # What a thread that hangs has in hand may be written yet.
            how = "are not written" if self.is_hanging else "are lost"
            msg = f"{reason}: {lost} readings, gaps and events {how}"
            raise StoreFailingError(msg)
        if self.damage:
            raise StoreDamagedError(self.damage)
        if self.is_hanging:
            msg = f"{self._path}: all is written, but the disk does not answer: the file could not be looked through"
            raise StoreFailingError(msg)
        if self.failing:
            raise StoreFailingError(reason)

    def _watch(self) -> None:
        """In the loop's thread: is the other one getting on?"""
        if self._stopped.done():
            return
        # To end is something to do, too.
        is_waiting = len(self._rows) > 0 or len(self._jobs) > 0 or self._stopping
        self._stalling.look(time.monotonic(), is_waiting=is_waiting, signs=self._signs)
        if self._stalling.is_stalled and not self._is_last_look:
            self._tell(f"{self._path}: {self._stalled_text()}{self._loss()}")
        self._loop.call_later(_WATCH_EVERY_S, self._watch)

    def _stalled_text(self) -> str:
        return f"nothing could be written for {STALLED_S:.0f} s: the disk, or the network to it, does not answer"

    def run(self) -> None:
        """Serve until stopped."""
        try:
            self._serve()
            self._look_through()
        except Exception as exc:  # noqa: BLE001 - whatever it is, the operator must hear of it
            self._tell(f"{self._path}: could not be looked through: {_named(exc)}")
        with suppress(sqlite3.Error):
            self._disconnect(leave_log=self.damage is not None)
        self._end(self.failing or f"{self._path}: the store is closed")
        self._call(_settle, self._stopped, None, None)

    def _end(self, reason: str) -> None:
        with self._lock:
            self._ending = reason
        for job in tuple(self._jobs):
            self._answer(job, failure=StoreFailingError(reason))

    def _serve(self) -> None:
        stopping = False
        while not stopping:
            self._wake.wait(RETRY_S if self.failing else COMMIT_INTERVAL_S)
            self._wake.clear()
            stopping = self._stopping
            try:
                if self.damage is None:
                    self._look_underneath()
                    self._write_everything()
                    self._look_now_and_then()
            except _LogLostError as exc:
                self._tell_cause(exc)
                stopping = False  # what waits can be written all the same
            except Exception as exc:  # noqa: BLE001 - readings wait: whatever it is, it is told and tried again
                self._tell_cause(exc)
            else:
                self._tell(self.damage and f"{self.damage}{self._loss()}")
            self._signs += 1

    def _tell_cause(self, exc: Exception) -> None:
        if is_damage(exc):
            self._tell_damage(exc)
        elif isinstance(exc, _NotOpenedError):
            self._tell(f"{exc}{self._loss()}")
        elif (cause := _passing_cause(exc)) is not None:
            self._tell(f"{self._path}: {cause}{self._loss()}")
        else:
            self._tell_unforeseen(exc)

    def _tell_unforeseen(self, exc: Exception) -> None:
        text = (
            f"{self._path}: nothing can be written, for a fault of this program ({_named(exc)}): what comes in waits in"
            f" memory and is tried again every second{self._loss()}; if it goes on, switch off at the plug, write down by"
            " hand what matters, end this program, whereby what waits is lost, begin it anew, and report these words"
        )
        self._tell(text, is_unforeseen=True)

    def _tell_damage(self, what: object) -> None:
        self.damage = (
            f"{self._path}: it is damaged ({in_words(what)}) and is left as it is; once this program has ended,"
            f" `daq salvage {self._path}` writes what can be read to a new file"
        )
        self._tell(f"{self.damage}{self._loss()}")

    def _look_through(self) -> None:
        """Look whether what was written can be read: what is in memory hides a page that was spoilt on the disk."""
        if self.failing is not None or self.last_commit_real_s is None:
            return
        self._is_last_look = True
        self._look(is_running=False)

    def _look_now_and_then(self) -> None:
        begun_s = time.monotonic()
        if self._stopping or begun_s - self._looked_s < self._look_pause_s:
            return
        self._look(is_running=True)
        self._looked_s = time.monotonic()
        took_s = self._looked_s - begun_s
        self._look_pause_s = max(LOOK_EVERY_S, took_s / _LOOK_SHARE)

    def _look(self, *, is_running: bool) -> None:
        what = None
        # It is busy, or not to be opened now: the next look will tell.
        with suppress(sqlite3.Error, OSError, StrangeJournalError):
            what = look_through(self._path, is_running=is_running)
        if what is not None:
            self._disconnect(leave_log=True)
            self._tell_damage(what)

    def _look_underneath(self) -> None:
        """Look whether the file is there and sound as far as that is quickly told, also where nothing is to be written."""
        try:
            self._underneath.expect_file()
        except FileSpoiltError:
            self._disconnect(leave_log=True)
            raise
        if self._connection is not None and self._underneath.has_lost_log():
            self._take_log_in(self._connection)

    def _take_log_in(self, connection: sqlite3.Connection) -> None:
        """SQLite still has the log open that was removed: write all of it into the file, and leave what lies there now.

        Raises:
            OSError: In any case, for the operator is to hear of it.
        """
        (is_busy, *_) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        if is_busy:
            raise OSError(
                errno.EBUSY,
                "its log was removed or replaced while in use, and another program that reads the file is in the way of"
                " writing it into the file: end that one, and do not end this one",
            )
        self._disconnect()
        self._underneath.leave_log()
        raise _LogLostError(
            errno.ENOENT,
            "its log was removed or replaced while in use: what was in it is now in the file itself, nothing of it is lost,"
            " and a new log is begun",
        )

    def _write_everything(self) -> None:
        jobs = len(self._jobs)  # counted first: these follow the rows added before them
        while batch := self._rows.take(BATCH_ROWS):
            try:
                self._write_all_that_can_be(batch)
            except BaseException:
                self._rows.put_back(batch)
                raise
            self._rows.done()
        for _ in range(jobs):
            self._do(self._jobs[0])
            self._jobs.popleft()

    def _write_all_that_can_be(self, batch: list[Row]) -> None:
        try:
            self._write(batch)
        except Exception as exc:
            if not is_of_a_row(exc):
                raise
            self._write_one_by_one(batch)

    def _write_one_by_one(self, batch: list[Row]) -> None:
        """Write a batch of which some row is not taken; in their order rows refer to earlier ones only."""
        not_taken: list[tuple[Row, Exception]] = []
        with self._transaction() as connection:
            for row in batch:
                try:
                    connection.execute(*row)
                except Exception as exc:
                    if not is_of_a_row(exc):
                        raise
                    not_taken.append((row, exc))
        self._unwritable.add(not_taken, time.monotonic())
        self._tell(None)

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
        except Exception as exc:
            if _can_pass(exc) or is_damage(exc):
                raise
            self._answer(job, failure=self._fault_of_the_job(exc))
        else:
            self._answer(job, value=value)

    def _fault_of_the_job(self, exc: Exception) -> StoreFailingError:
        fault = StoreFailingError(f"{self._path}: cannot be written: {_named(exc)}")
        fault.__cause__ = exc
        return fault

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        self._look_underneath()
        try:
            connection = self._begun()
            yield connection
            connection.execute("COMMIT")
        except BaseException as exc:
            # Rolls back. A connection that was opened while the file could not be
            # written stays read-only for life, so the next attempt gets a new one.
            self._disconnect(leave_log=isinstance(exc, Exception) and is_damage(exc))
            raise
        self._signs += 1
        self.last_commit_real_s = time.monotonic()
        self._tell(None)

    def _begun(self) -> sqlite3.Connection:
        if self._connection is None:
            try:
                self._connection = connect_writer(self._path)
            except StrangeJournalError as exc:
                raise _NotOpenedError(str(exc)) from exc
        self._connection.execute("BEGIN IMMEDIATE")
        if self._bystander is None:  # not before SQLite has opened the log
            self._bystander = stand_by(self._path)
            self._underneath.note_log()
        return self._connection

    def _disconnect(self, *, leave_log: bool = False) -> None:
        """Close; whoever closes last takes the log into the file, if it may write."""
        both = (self._connection, self._bystander)
        self._connection = self._bystander = None
        self._underneath.forget_log()
        for connection in both if leave_log else reversed(both):
            if connection is not None:
                connection.close()

    def _loss(self) -> str:
        return ": the oldest readings are being lost" if self._rows.dropped else ""

    def _tell(self, trouble: str | None, *, is_unforeseen: bool = False) -> None:
        with self._telling:
            self.failing = trouble
            self._is_unforeseen = is_unforeseen
            # What was given up is told though all else is written.
            told = trouble or self._unwritable.text(time.monotonic())
            if told != self._told:
                self._told = told
                self._call(self._on_trouble, told)

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


def _passing_cause(exc: Exception) -> str | None:
    """Word the cause; None if it is none that can pass."""
    if isinstance(exc, OSError):
        return (exc.strerror or str(exc)).lower()
    if isinstance(exc, MemoryError):
        return "this computer has no memory left"
    code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
    return f"{_PASSING[code]} ({exc})" if code in _PASSING else None


def _can_pass(exc: Exception) -> bool:
    return isinstance(exc, _NotOpenedError) or _passing_cause(exc) is not None


def _named(exc: Exception) -> str:
    """For whoever has to find the fault: some say nothing but by their kind."""
    return f"{type(exc).__name__}: {exc}"
