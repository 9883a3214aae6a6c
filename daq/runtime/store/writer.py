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
exception is told as what it is, rows and jobs wait, and all is tried again: none ends the thread. A transaction whose
COMMIT fails may be in the file all the same (committed.py): it is looked for before it is written again.
"""

import asyncio
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from daq.alarm_words import store_damaged_text, store_failing_text
from daq.errors import StoreDamagedError, StoreError, StoreFailingError
from daq.runtime.store.buffer import Row, RowBuffer
from daq.runtime.store.committed import Doubt, proof_of
from daq.runtime.store.damage import FileSpoiltError, in_words, is_damage
from daq.runtime.store.inserting import insert_grouped, insert_one_by_one
from daq.runtime.store.jobs import Job, settle
from daq.runtime.store.lost_log import LogLostError, take_into_file
from daq.runtime.store.opening import connect_writer, look_through, stand_by
from daq.runtime.store.passing import (
    NotOpenedError,
    can_pass,
    named,
    passing_cause,
    unforeseen_text,
)
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
        self._jobs: deque[Job] = deque()
        self._wake = threading.Event()
        self._stopping = False
        self.damage: str | None = None
        self._stopped: asyncio.Future[None] = loop.create_future()
        self._ending: str | None = None
        self._doubt: Doubt | None = None
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
            self._jobs.append(Job(work, answer))
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
            if self._doubt is not None:
                how += ", except for those that the file holds though the disk did not confirm them"
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
            self._tell(f"{self._path}: could not be looked through: {named(exc)}")
        with suppress(sqlite3.Error):
            self._disconnect(leave_log=self.damage is not None)
        self._end(self.failing or f"{self._path}: the store is closed")
        self._call(settle, self._stopped, None, None)

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
            except LogLostError as exc:
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
        elif isinstance(exc, NotOpenedError):
            self._tell(f"{exc}{self._loss()}")
        elif (cause := passing_cause(exc)) is not None:
            self._tell(f"{self._path}: {cause}{self._loss()}")
        else:
            self._tell_unforeseen(exc)

    def _tell_unforeseen(self, exc: Exception) -> None:
        text = f"{self._path}: {unforeseen_text(exc, self._loss())}"
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
        """Raises in any case, for the operator is to hear of it."""
        take_into_file(connection)
        self._disconnect()
        self._underneath.leave_log()
        raise LogLostError

    def _write_everything(self) -> None:
        self._end_doubt()
        jobs = len(self._jobs)  # counted first: these follow the rows added before them
        while batch := self._rows.take(BATCH_ROWS):
            try:
                self._write_all_that_can_be(batch)
            except BaseException:
                if self._doubt is None:
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
            if self._doubt is not None or not is_of_a_row(exc):
                raise
            self._write_one_by_one(batch)

    def _write_one_by_one(self, batch: list[Row]) -> None:
        """Write a batch of which some row is not taken; in their order rows refer to earlier ones only."""
        taken: list[Row] = []
        not_taken: list[tuple[Row, Exception]] = []

        def give_up() -> None:
            self._unwritable.add(not_taken, time.monotonic())

        with self._of_rows(batch, taken, if_there=give_up) as connection:
            insert_one_by_one(connection, batch, taken=taken, not_taken=not_taken)
        give_up()
        self._tell(None)

    def _write(self, batch: list[Row]) -> None:
        with self._of_rows(batch, batch) as connection:
            insert_grouped(connection, batch)

    @contextmanager
    def _of_rows(
        self,
        batch: list[Row],
        taken: Sequence[Row],
        if_there: Callable[[], None] = lambda: None,
    ) -> Iterator[sqlite3.Connection]:
        """A transaction for rows in hand: while it is in doubt they stay there."""

        def done() -> None:
            if_there()
            self._rows.done()

        with self._transaction(
            taken, if_there=done, if_not=lambda: self._rows.put_back(batch)
        ) as connection:
            yield connection

    def _do(self, job: Job) -> None:
        value: object = None

        def done() -> None:
            self._answer(job, value=value)
            self._jobs.popleft()

        try:
            with self._transaction((), if_there=done) as connection:
                value = job.work(connection)
        except StoreError as exc:
            self._answer(job, failure=StoreError(f"{self._path}: {exc}"))
        except Exception as exc:
            if self._doubt is not None or can_pass(exc) or is_damage(exc):
                raise
            fault = StoreFailingError(f"{self._path}: cannot be written: {named(exc)}")
            fault.__cause__ = exc
            self._answer(job, failure=fault)
        else:
            self._answer(job, value=value)

    @contextmanager
    def _transaction(
        self,
        rows: Sequence[Row],
        *,
        if_there: Callable[[], None],
        if_not: Callable[[], None] = lambda: None,
    ) -> Iterator[sqlite3.Connection]:
        with self._begun_anew_on_failure() as connection:
            before = connection.total_changes
            yield connection
            proof = None
            if connection.total_changes != before:
                proof = proof_of(connection, rows)
            try:
                connection.execute("COMMIT")
            except sqlite3.IntegrityError:
                raise  # a row refers to nothing: all of it was refused
            except BaseException:
                self._doubt = Doubt(proof, if_there, if_not) if proof else None
                raise
        self._note_commit()
        self._tell(None)

    def _note_commit(self) -> None:
        self._signs += 1
        self.last_commit_real_s = time.monotonic()

    def _end_doubt(self) -> None:
        """Look whether the transaction whose COMMIT failed is in the file, in a connection that was made since."""
        if self._doubt is None:
            return
        with self._begun_anew_on_failure() as connection:
            is_there = self._doubt.proof.is_in(connection)
            connection.execute("ROLLBACK")
            if is_there:
                # The disk has not said that it has it, and may forget it: into the file with it, and only then it is over.
                connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        doubt, self._doubt = self._doubt, None
        if is_there:
            doubt.if_there()
            self._note_commit()
        else:
            doubt.if_not()

    @contextmanager
    def _begun_anew_on_failure(self) -> Iterator[sqlite3.Connection]:
        self._look_underneath()
        try:
            yield self._begun()
        except BaseException as exc:
            # Rolls back. A connection that was opened while the file could not be
            # written stays read-only for life, so the next attempt gets a new one.
            self._disconnect(leave_log=isinstance(exc, Exception) and is_damage(exc))
            raise

    def _begun(self) -> sqlite3.Connection:
        if self._connection is None:
            try:
                self._connection = connect_writer(self._path)
            except StrangeJournalError as exc:
                raise NotOpenedError(str(exc)) from exc
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
            if trouble is not None:
                self._unwritable.word_anew()
            told = trouble or self._unwritable.text(time.monotonic())
            if told != self._told:
                self._told = told
                self._call(self._on_trouble, told)

    def _answer(
        self, job: Job, *, value: object = None, failure: Exception | None = None
    ) -> None:
        self._call(settle, job.answer, value, failure)

    def _call(self, function: Callable[..., None], *args: object) -> None:
        with suppress(RuntimeError):  # the loop is closed: nobody is left to be told
            self._loop.call_soon_threadsafe(function, *args)
