"""The store as the daemon sees it: cheap to add to, never waits for the disk.

Everything here runs in the event loop's thread; writer.py does the work. A reading is
on the disk within 1.2 s of being added, what an `async` method wrote when it returns.
"""

import asyncio
import sqlite3
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import Self, TypeVar

from daq.errors import StoreError
from daq.records import Channel, Gap, PlannedTrial, Reading, SessionFacts, TrialResult
from daq.runtime.store import corrections, opening, sessions, spans, thinning
from daq.runtime.store.analyses import average_rows
from daq.runtime.store.buffer import RowBuffer
from daq.runtime.store.corrections import Correction, ToldTrial, told_trial
from daq.runtime.store.layout import InstrumentTable
from daq.runtime.store.resuming import (
    LastSession,
    OpenSession,
    StoredSession,
    find_last_session,
    find_open_session,
    find_session,
    find_session_in_service,
    list_open_sessions,
)
from daq.runtime.store.sessions import SessionEnd
from daq.runtime.store.writer import Writer

BUFFER_ROWS = 200_000
"""Most rows kept in memory while the file cannot be written.

Two instruments read ten times a second fill it in close to three hours.
"""

_KEPT = frozenset(
    {sessions.INSERT_CLOCK, sessions.INSERT_TRIAL, corrections.INSERT_OPERATION}
)
_T = TypeVar("_T")


class Store:
    """One results file, opened for writing.

    While the file cannot be written, up to BUFFER_ROWS rows wait in memory, beyond
    that the oldest are dropped and counted; `async` methods wait until it can be
    written again. A disk that hangs without an error is trouble like any other once rows
    have waited for stalling.STALLED_S. `next_reading` is the number that the next
    reading gets: they are counted over all instruments, in order of arrival. `path` is
    the file's.
    """

    def __init__(
        self,
        path: Path,
        *,
        tables: Mapping[str, InstrumentTable | None],
        rows: RowBuffer,
        writer: Writer,
        numbers: spans.NextNumbers,
        lock: int,
    ) -> None:
        self.path = path
        self._next_clock = numbers.clock
        self._next_trial = numbers.trial
        self.next_reading = numbers.reading
        self._next_gap = numbers.gap
        self._lock: int | None = lock
        self._tables = tables
        self._rows = rows
        self._writer = writer

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        instruments: Mapping[str, Sequence[Channel]],
        on_trouble: Callable[[str | None], None],
        loop: asyncio.AbstractEventLoop,
    ) -> Self:
        """Open, migrate and fit the file to the bench, and start its thread.

        Blocks, for some tenths of a second where the file is new.

        Args:
            path: Of the results file; it is made if it is not there.
            instruments: Channels of every instrument that readings or gaps come from.
            on_trouble: Called in the loop's thread: with a text when writing begins to
                fail or fails otherwise than before, with None when that is over.
            loop: The event loop that all methods are called in.

        Raises:
            StoreForeignError: If something else lies under that path.
            StoreTooNewError: If a newer version wrote it.
            StoreBusyError: If another program is writing it.
            StoreError: If it cannot be made, read or written.
        """
        tables = opening.prepare_store(path, instruments)
        lock = opening.lock_for_writing(path)
        try:
            numbers = opening.take_over(path)
        except StoreError:
            opening.unlock(lock)
            raise
        rows = RowBuffer(BUFFER_ROWS, kept=_KEPT)
        writer = Writer(path, rows=rows, on_trouble=on_trouble, loop=loop, lock=lock)
        writer.start()
        return cls(
            path, tables=tables, rows=rows, writer=writer, numbers=numbers, lock=lock
        )

    @property
    def failing(self) -> str | None:
        """Why the file cannot be written at present; None while it can."""
        return self._writer.failing

    @property
    def is_damaged(self) -> bool:
        """What is in the file contradicts itself: nothing more is written to it."""
        return self._writer.damage is not None

    def alarm(self, cause: str) -> str:
        """What is said of a trouble, with what to do; the cause is as `on_trouble` was told it."""
        return self._writer.alarm(cause)

    @property
    def buffered(self) -> int:
        """Rows that are not on the disk yet."""
        return len(self._rows)

    @property
    def dropped(self) -> int:
        """Rows lost because more than BUFFER_ROWS were waiting, or because the file did not take them."""
        return self._writer.lost

    @property
    def last_commit_real_s(self) -> float | None:
        """When something was last written, on the clock of time.monotonic() [s]."""
        return self._writer.last_commit_real_s

    def add_reading(
        self, reading: Reading, *, clock_id: int, trial_id: int | None
    ) -> None:
        """Keep a reading; `trial_id` is the number from begin_trial(), if in a trial."""
        if (table := self._tables[reading.instrument]) is not None:
            own = (self.next_reading, clock_id, trial_id, reading.at_s, reading.flags)
            self.next_reading += 1
            self._rows.add((table.insert, own + table.pick(reading.values)))

    def add_gap(self, gap: Gap, *, clock_id: int, trial_id: int | None) -> None:
        """Keep that a reading did not come, and why."""
        own = (self._next_gap, clock_id, trial_id, gap.at_s)
        self._next_gap += 1
        what = (gap.instrument, gap.reason.value, gap.detail)
        self._rows.add((sessions.INSERT_GAP, own + what))

    def add_event(
        self,
        kind: str,
        text: str,
        *,
        at_s: float,
        clock_id: int,
        session_id: int | None,
    ) -> None:
        """Keep what happened, for people."""
        self._rows.add(
            (sessions.INSERT_EVENT, (clock_id, session_id, at_s, kind, text))
        )

    def add_operation(
        self,
        kind: str,
        *,
        at_s: float,
        clock_id: int,
        session_id: int | None,
        way: str,
        trial_id: int | None = None,
        detail: Mapping[str, object],
    ) -> None:
        """Keep what an operator asked for, and by which way; the detail goes into JSON."""
        values = corrections.operation_values(
            kind,
            at_s=at_s,
            clock_id=clock_id,
            session_id=session_id,
            way=way,
            trial_id=trial_id,
            detail=detail,
        )
        self._rows.add((corrections.INSERT_OPERATION, values))

    async def add_clock(
        self, boot_id: str, *, monotonic_s: float, utc_us: int, speed: float
    ) -> int:
        """As begin_clock(), and waits until it is on the disk."""
        number = self._next_clock
        self._next_clock += 1
        return await self._run(
            lambda connection: sessions.insert_clock(
                connection,
                number=number,
                boot_id=boot_id,
                monotonic_s=monotonic_s,
                utc_us=utc_us,
                speed=speed,
            )
        )

    def begin_clock(
        self, boot_id: str, *, monotonic_s: float, utc_us: int, speed: float
    ) -> int:
        """Keep how the bench's clock and UTC stand; returns the number, which rows may carry at once."""
        number = self._next_clock
        self._next_clock += 1
        values = (number, boot_id, monotonic_s, utc_us, speed)
        self._rows.add((sessions.INSERT_CLOCK, values))
        return number

    async def begin_session(
        self,
        facts: SessionFacts,
        *,
        plan_digest: str,
        plan_text: str,
        bench_text: str,
        seed: int,
        order: Sequence[PlannedTrial],
    ) -> int:
        """Begin a session; returns its number, the one in the facts is ignored."""
        return await self._run(
            lambda connection: sessions.insert_session(
                connection,
                facts,
                plan_digest=plan_digest,
                plan_text=plan_text,
                bench_text=bench_text,
                seed=seed,
                order=order,
            )
        )

    async def open_session(self, plan: str) -> StoredSession | None:
        """Find the newest session of a plan that has not been ended, to resume it."""
        return await self._run(lambda connection: find_open_session(connection, plan))

    async def stored_session(self, number: int) -> StoredSession | None:
        """Find a session by its number, ended or not."""
        return await self._run(lambda connection: find_session(connection, number))

    async def open_sessions(self) -> list[OpenSession]:
        """Sessions that have not been ended, oldest first."""
        return await self._run(list_open_sessions)

    async def session_in_service(self) -> StoredSession | None:
        """The session that was started and not stopped, finished or not, to take it up again."""
        return await self._run(find_session_in_service)

    async def last_session(self) -> LastSession | None:
        """The session that was started or stopped last, as far as it tells of the machine."""
        return await self._run(find_last_session)

    async def update_session(
        self,
        number: int,
        *,
        order: Sequence[PlannedTrial],
        skipped: Collection[int],
        paused: bool,
    ) -> None:
        """Write what is to be done as it stands now: lines, positions left out, pause.

        Raises:
            StoreError: If there is no such session.
        """
        await self._run(
            lambda connection: sessions.change_session(
                connection, number, order=order, skipped=skipped, paused=paused
            )
        )

    async def touch_session(self, number: int, worked_on_utc: str) -> None:
        """Keep when a session was last worked on; begin_session, end_trial and end_session do so by themselves.

        Raises:
            StoreError: If there is no such session.
        """
        await self._run(
            lambda connection: sessions.touch_session(connection, number, worked_on_utc)
        )

    @property
    def next_numbers(self) -> dict[str, int]:
        """Where a span that begins or ends now does so."""
        return {"next_reading": self.next_reading, "next_gap": self._next_gap}

    async def begin_span(self, session: int, numbers: Mapping[str, int]) -> None:
        """What was added from these numbers on belongs to the session; a second call changes nothing."""
        await self._run(lambda c: spans.open_span(c, session, **numbers))

    async def end_span(self, session: int, numbers: Mapping[str, int]) -> None:
        """What was added from these numbers on does not belong to the session; a second call changes nothing."""
        await self._run(lambda c: spans.close_span(c, session, **numbers))

    async def end_session(
        self, number: int, *, state: SessionEnd, ended_utc: str
    ) -> None:
        """End a session.

        Raises:
            StoreError: If it is not open.
        """
        await self._run(
            lambda connection: sessions.close_session(
                connection, number, state=state, ended_utc=ended_utc
            )
        )

    async def reopen_session(self, number: int) -> None:
        """Let a finished session go on.

        Raises:
            StoreError: If it is not finished.
        """
        await self._run(lambda connection: sessions.reopen_session(connection, number))

    def begin_trial(
        self,
        session: int,
        planned: PlannedTrial,
        *,
        attempt: int,
        uuid: str,
        clock_id: int,
        started_s: float,
        rule_json: str | None = None,
    ) -> int:
        """Begin a trial; returns its number, which readings may carry at once."""
        number = self._next_trial
        self._next_trial += 1
        values = sessions.trial_values(
            number,
            session,
            planned,
            attempt=attempt,
            uuid=uuid,
            clock_id=clock_id,
            started_s=started_s,
            first_reading=self.next_reading,
            rule_json=rule_json,
        )
        self._rows.add((sessions.INSERT_TRIAL, values))
        return number

    async def end_trial(
        self,
        number: int,
        result: TrialResult,
        *,
        rule_json: str,
        outbox: tuple[str, str] | None,
        judged_before: int | None = None,
    ) -> None:
        """End a trial: row, averages and outgoing message, all or nothing.

        May be called again, when more of the trial is known.

        Args:
            number: From begin_trial().
            result: How it ended; its `trial_id` is the UUID it was begun with.
            rule_json: Parameters of the settling rule.
            outbox: Topic and payload of the message that tells of it.
            judged_before: What `next_reading` was when the rule was given no more of the
                trial's readings; None where it was given all.

        Raises:
            StoreError: If that trial was never begun.
            ValueError: If a mean or a window is not finite.
        """
        averages = average_rows(result)
        await self._run(
            lambda connection: sessions.finish_trial(
                connection,
                number,
                result,
                averages=averages,
                rule_json=rule_json,
                judged_before=judged_before,
                outbox=outbox,
            )
        )

    async def mark_unfinished(self, number: int, note: str) -> None:
        """End a trial that a killed program left running, with its last reading.

        Raises:
            StoreError: If that trial is not running.
        """
        await self._run(
            lambda connection: sessions.give_up_trial(connection, number, note=note)
        )

    async def relabel_trial(
        self,
        trial: int,
        *,
        planned: PlannedTrial,
        reason: str,
        way: str,
        at_utc: str,
        outbox: tuple[str, str] | None,
    ) -> None:
        """Let an ended trial count for another line, which the order gets where it lacks it; all or nothing.

        Raises:
            StoreError: If there is no such trial, or it has not ended.
        """
        correction = Correction(reason, way, at_utc, outbox)
        await self._run(
            lambda connection: corrections.relabel_trial(
                connection, trial, planned=planned, correction=correction
            )
        )

    async def set_aside_trial(
        self,
        trial: int,
        *,
        reason: str,
        way: str,
        at_utc: str,
        outbox: tuple[str, str] | None,
    ) -> None:
        """Let an ended trial count for nothing; its readings and averages stay. All or nothing.

        Raises:
            StoreError: If there is no such trial, it has not ended, or is set aside already.
        """
        correction = Correction(reason, way, at_utc, outbox)
        await self._run(
            lambda connection: corrections.set_aside_trial(
                connection, trial, correction=correction
            )
        )

    async def told_of(self, trial: int) -> ToldTrial:
        """What is told of an ended trial beside its result; StoreError if it has not ended."""
        return await self._run(lambda connection: told_trial(connection, trial))

    async def thin(self, *, older_than_s: float, every_s: float) -> int:
        """Thin what was read outside sessions; goes on where it was, in short transactions.

        Args:
            older_than_s: Younger than that all stays [bench s].
            every_s: Of older readings the first of each stretch of this length stays [bench s].

        Returns:
            How many readings and gaps went.

        Raises:
            ValueError: If an age is negative or a stretch has no length.
        """
        return await thinning.thin(
            self._run, older_than_s=older_than_s, every_s=every_s
        )

    async def outbox_next(self) -> tuple[int, str, str, str] | None:
        """Oldest unsent message: its number, the result's UUID, topic and payload."""
        return await self._run(sessions.next_message)

    async def outbox_done(self, number: int) -> None:
        """Forget a message that the broker has acknowledged."""
        await self._run(lambda connection: sessions.delete_message(connection, number))

    async def flush(self) -> None:
        """Wait until what was added before is on the disk."""
        await self._run(lambda _connection: None)

    async def close(self) -> None:
        """Write what is left and end the thread; a second call does nothing more.

        Raises:
            StoreFailingError: If rows were lost or could not be written, or the file is not there any more.
            StoreDamagedError: If all were written and the file is damaged.
        """
        await self._writer.stop()
        # A thread that hangs has the file open: others may write it once this process has ended.
        if self._lock is not None and not self._writer.is_hanging:
            opening.unlock(self._lock)
            self._lock = None
        self._writer.tell_of_end()

    async def _run(self, work: Callable[[sqlite3.Connection], _T]) -> _T:
        answer: asyncio.Future[_T] = self._writer.submit(work)
        return await answer
