"""Wires everything together: lines to session, session to store, broker and screens.

Holds no rule of the trade. Every task lives in one TaskGroup; an unknown exception ends the daemon; a broker, a viewer or
a meter that goes away does not. Sessions come and go while the bench is polled, stored and published all the time.
"""

import asyncio
import contextlib
import gc
import json
import signal
from collections.abc import AsyncIterator, Coroutine, Iterable
from dataclasses import asdict
from itertools import groupby
from typing import Any

from daq.alarm_words import store_again_text
from daq.config.bench import Instrument
from daq.config.plan import Plan
from daq.errors import OperationRefusedError, StoreError
from daq.operations import Acknowledge, Operation, SameAsBefore, Start, Switched
from daq.records import Gap, Reading
from daq.runtime.answering import Answering
from daq.runtime.board import Board
from daq.runtime.clock import Clock
from daq.runtime.desk import Desk
from daq.runtime.display import Key, Outcome, Told
from daq.runtime.growing import Growing
from daq.runtime.notifying import Watchdog
from daq.runtime.operating import Operating
from daq.runtime.places import keys_path, socket_path
from daq.runtime.poller import LinePoller, LineState
from daq.runtime.publishing import Publishing, chosen_broker
from daq.runtime.recorder import Recorder
from daq.runtime.shelf import Shelf
from daq.runtime.snapshot import ComparisonLine, PartLine, Pushes, Snapshot
from daq.runtime.stopping import Stopping
from daq.runtime.store import Store
from daq.runtime.surroundings import Surroundings as Surroundings  # handed on
from daq.runtime.typed_entries import TypedEntries
from daq.runtime.web import AccessKeys, Page
from daq.wording import STORE_WAS_FAILING, no_past_text

_SCREENS_S = 0.25
_SLOW_EVERY = 4
_RECALL_S = 3.0
_LAST_RESULTS_S = 1.0
_LAST_WRITES_S = 1.5
_THIN_EVERY_S = 600.0
_HUNG_S = 20.0
"""A line that has brought neither a reading nor a gap for so long is not being read [s of real time]."""


_ASKED_BY_KEY: dict[Key, Operation] = {
    Key.SWITCHED: Switched(),
    Key.ACKNOWLEDGED: Acknowledge(),
}


async def run_session(
    around: Surroundings,
    plan: Plan,
    *,
    new_session: bool,
    same: SameAsBefore | None = None,
) -> Outcome:
    """Carry out a plan, or the rest of it, until it is finished, left or a signal stops it.

    Args:
        around: What the service works in.
        plan: Checked against the bench.
        new_session: Begin anew even where a session is unfinished.
        same: What is as before, where a session is taken up on another day.

    Raises:
        StoreError: Before anything is started, or at the end if something could not be written.
        NetworkError: If the page's port is taken or a required broker is not there.
        InputError: If a file that the bench names is no good, or the unfinished session cannot go on.
        OperationRefusedError: If it is taken up on another day, and `same` says nothing of that.
    """
    async with _daemon(around, is_one_shot=True) as daemon:
        first = await daemon.desk.begin(plan, new_session=new_session, same=same)
        begun = asdict(Start(plan.name, new=new_session, same=same))
        daemon.desk.journal("start", begun, way="command line")
        daemon.started(first.words)
        stopped_by = await daemon.run()
        daemon.desk.journal("stop", {}, way="command line")
    return Outcome(
        first.facts.number,
        first.session.order,
        first.results,
        stopped_by,
        in_hand=first.in_hand,
        skipped=first.session.skipped,
        is_machine_on=first.session.running_since_s is not None,
    )


async def serve_bench(around: Surroundings) -> signal.Signals:
    """Poll, store and publish until a signal comes; sessions are started and stopped by operators.

    A session that was in hand when the program was killed is taken up again.

    Raises:
        StoreError, NetworkError, InputError: As of `run_session`.
    """
    async with _daemon(around, is_one_shot=False) as daemon:
        words = await daemon.desk.take_up()
        # Sessions come and go: what is in hand is told as it changes, not once for all.
        daemon.started("")
        daemon.event("service", words)
        stopped_by = await daemon.run()
    if stopped_by is None:
        msg = "a service ended without a signal"
        raise RuntimeError(msg)
    return stopped_by


@contextlib.asynccontextmanager
async def _daemon(
    around: Surroundings, *, is_one_shot: bool
) -> AsyncIterator["_Daemon"]:
    stopping = Stopping()
    with stopping.listening():
        async with _opened(around, stopping, is_one_shot=is_one_shot) as daemon:
            yield daemon


@contextlib.asynccontextmanager
async def _opened(
    around: Surroundings, stopping: Stopping, *, is_one_shot: bool
) -> AsyncIterator["_Daemon"]:
    trouble = _Trouble()
    store = Store.open(
        around.store_path,
        instruments=around.bench.channels_by_instrument(),
        on_trouble=trouble.tell,
        loop=asyncio.get_running_loop(),
    )
    try:
        clock_id = await _record_clock(store, around.clock)
        async with chosen_broker(around.bench.broker) as address:
            daemon = _Daemon(
                around,
                store,
                address=address,
                clock_id=clock_id,
                stopping=stopping,
                is_one_shot=is_one_shot,
            )
            trouble.listener = daemon
            with contextlib.closing(daemon.page):
                yield daemon
    finally:
        # The last write may end a trouble: an event that says so would come too late to be kept.
        trouble.listener = None
        await store.close()


async def _record_clock(store: Store, clock: Clock) -> int:
    offset = clock.offset
    return await store.add_clock(
        offset.boot_id,
        monotonic_s=offset.monotonic_s,
        utc_us=offset.utc_us,
        speed=offset.speed,
    )


class _Trouble:
    """Passes the store's troubles on to the daemon, which is made after the store."""

    def __init__(self) -> None:
        self.listener: _Daemon | None = None

    def tell(self, text: str | None) -> None:
        if self.listener is not None:
            self.listener.store_trouble(text)


class _Daemon:
    """Polls, and has a session in hand or not."""

    def __init__(
        self,
        around: Surroundings,
        store: Store,
        *,
        address: tuple[str, int],
        clock_id: int,
        stopping: Stopping,
        is_one_shot: bool,
    ) -> None:
        bench, clock = around.bench, around.clock
        self.board = Board(bench, clock=clock, ends_with_session=is_one_shot)
        self._around = around
        self._bench = bench
        self._clock = clock
        self._clock_id = clock_id
        self._display = around.display
        self._store = store
        self._stopping = stopping
        self._is_one_shot = is_one_shot
        self._address = address
        self._publishing = Publishing(
            bench,
            address=address,
            base=around.base,
            store=store,
            clock=clock,
            on_state=self._broker_state,
            on_ask=self._asked_by_broker,
        )
        self.recorder = Recorder(
            store,
            clock=clock,
            clock_id=clock_id,
            topics=self._publishing.topics,
            on_result_stored=self._result_stored,
        )
        shelf = Shelf(around.base, bench)
        self.desk = Desk(
            bench,
            store=store,
            clock=clock,
            board=self.board,
            recorder=self.recorder,
            shelf=shelf,
            event=self.event,
            on_taken=self._taken,
            on_over=self._over,
            is_answered_at_end=around.has_keyboard or not is_one_shot,
        )
        self._operating = Operating(
            self.desk,
            clock=clock,
            typed=TypedEntries(bench, on_reading=self._outcome),
        )
        # The port before the session: none must be begun that nobody could follow.
        self._answering = Answering(
            self.board, store, around.store_path, shelf, clock, self._operating
        )
        self.page = Page(
            face=self._answering,
            port=bench.page.port,
            keys=AccessKeys(keys_path(around.store_path)),
            socket_path=socket_path(around.store_path),
            share=around.share,
        )
        self._growing = Growing(around.store_path, self._compared)
        self._pushes = Pushes()
        self._watchdog = Watchdog(
            (i.name for i in bench.instruments),
            longest_s=_HUNG_S + 3.0 * max(i.interval_s for i in bench.instruments),
            now_s=clock.wire_s,
        )
        self._health: dict[str, str] = {}
        self._changed = asyncio.Event()
        self._keys: asyncio.Queue[Told] = asyncio.Queue()

    def started(self, words: str) -> None:
        """Tell the screen beside the page what begins, and take its keys."""
        self._around.on_page(self.page)
        if socket_path(self._around.store_path) is None:
            words = "The bench's folder is too deep for a Unix socket: daq session cannot reach this service, the page can."
            self.event("service", words)
        self._display.attach(self._keys.put_nowait)
        self._display.started(
            page_url=self.page.url,
            broker=f"{self._address[0]}:{self._address[1]}",
            words=words,
        )
        self._grow()

    async def run(self) -> signal.Signals | None:
        """Run every part until the session is over, where there is to be one only, or a signal comes."""
        # What was loaded stays: going through it again would hold a poll up for ten milliseconds.
        gc.freeze()
        async with asyncio.TaskGroup() as tasks:
            running = [tasks.create_task(part) for part in self._parts()]
            # Polls go on meanwhile; the page waits, but not for ever, so that nobody's charts lack the past.
            running.append(recalling := tasks.create_task(self._recall()))
            await asyncio.wait({recalling}, timeout=_RECALL_S)
            server = tasks.create_task(self.page.run())
            await self._finish(tasks)
            self.page.stop()
            await server
            for task in running:
                task.cancel()
        return self._stopping.by

    def store_trouble(self, text: str | None) -> None:
        """The store cannot be written (with the reason), or can again (None)."""
        if text is None:
            self.board.store = PartLine("ok", "")
            self.event("store", store_again_text(self._store.dropped))
        else:
            words = self._store.alarm(text)
            self.board.store = PartLine("failing", words)
            self.desk.mark(STORE_WAS_FAILING)
            self.event("store", words)

    # ---- parts

    def _parts(self) -> Iterable[Coroutine[Any, Any, None]]:
        yield self._publishing.run()
        yield self.recorder.run()
        yield self._growing.run()
        yield self._show()
        yield self._take_keys()
        if not self._is_one_shot:
            yield self._thin()
        by_port = sorted(self._bench.instruments, key=lambda i: i.port.url)
        for _, sharing in groupby(by_port, key=lambda i: i.port.url):
            yield self._line(tuple(sharing)).run()

    def _line(self, instruments: tuple[Instrument, ...]) -> LinePoller:
        def line_changed(state: LineState, text: str) -> None:
            for instrument in instruments:
                changed = self.board.line_changed(instrument.name, text or None)
                if changed:
                    words = (
                        "is lost: " + text if state is not LineState.OPEN else "is back"
                    )
                    self.event("line", f"{instrument.name}: its line {words}.")

        return LinePoller(
            instruments,
            clock=self._clock,
            on_outcome=self._outcome,
            on_line=line_changed,
        )

    async def _finish(self, tasks: asyncio.TaskGroup) -> None:
        """Wait for the end, then let the last results reach store and broker, but not for ever."""
        await self._stopping.asked.wait()
        self._watchdog.stopping()
        written = tasks.create_task(self.recorder.wait_written())
        signalled = tasks.create_task(self._stopping.signalled.wait())
        # A store that cannot be written is waited for; the operator's signal is stronger.
        await asyncio.wait({written, signalled}, return_when=asyncio.FIRST_COMPLETED)
        await asyncio.wait({written}, timeout=_LAST_WRITES_S)
        written.cancel()
        signalled.cancel()
        self._tell_screens(self.board.snapshot())
        await self._publishing.wait_results_sent(_LAST_RESULTS_S)

    async def _recall(self) -> None:
        try:
            await self._answering.recall(self._clock_id)
        except StoreError as exc:
            self.event("store", no_past_text(str(exc)))

    async def _take_keys(self) -> None:
        while True:
            told = await self._keys.get()
            if told is Key.TYPING:
                self.desk.still_typing()
                continue
            operation = _ASKED_BY_KEY[told] if isinstance(told, Key) else told
            try:
                await self._operating.operate(operation, way="terminal")
            except OperationRefusedError as exc:
                if not isinstance(told, Key):  # of a key it is told among the events
                    self._display.refused(exc.code, str(exc))

    async def _thin(self) -> None:
        """Of readings between sessions only some are kept once they are old."""
        kept = self._bench.idle
        while True:
            await self._store.thin(
                older_than_s=kept.keep_all_h * 3600.0, every_s=kept.keep_every_s
            )
            await asyncio.sleep(_THIN_EVERY_S / self._clock.speed)

    async def _show(self) -> None:
        """Keep the screens, the broker's state and the clock's record fresh."""
        turn = 0
        while True:
            try:
                async with asyncio.timeout(_SCREENS_S):
                    await self._changed.wait()
            except TimeoutError:
                turn += 1
            self._changed.clear()
            self._look_at_session()
            snapshot = self.board.snapshot()
            self._note_health(snapshot)
            self._tell_screens(snapshot)
            if turn % _SLOW_EVERY == 0:
                self.page.push("beat", json.dumps({"now_s": snapshot.clock.now_s}))
                self._publishing.health(snapshot)
                self.recorder.keep_clock()

    def _look_at_session(self) -> None:
        self.desk.tick(self._clock.bench_s())
        lines = self.board.lines
        for point in lines.funnel_news() if lines else ():
            self.page.push("funnel", json.dumps(asdict(point), allow_nan=False))

    def _note_health(self, snapshot: Snapshot) -> None:
        """A meter that falls silent belongs in the record and in a plain log."""
        for line in snapshot.instruments:
            before = self._health.get(line.name)
            self._health[line.name] = line.state
            if line.state == "silent" and before == "ok":
                self.event("meter", f"{line.name}: silent, {line.text}.")
            elif line.state == "ok" and before == "silent":
                self.event("meter", f"{line.name}: it answers again.")

    def _tell_screens(self, snapshot: Snapshot) -> None:
        self.page.push("state", self._pushes.news(snapshot))
        self._publishing.snapshot(snapshot)
        self._display.show(snapshot)

    # ---- what comes in

    def _outcome(self, outcome: Reading | Gap) -> None:
        if isinstance(outcome, Reading):
            self.desk.feed(outcome)
        self.recorder.take(outcome)
        self.board.take(outcome)
        self._watchdog.heard(outcome.instrument)
        if not isinstance(outcome, Reading):
            return
        self._publishing.reading(outcome)
        self.desk.watch_lead(outcome)
        told = {
            "instrument": outcome.instrument,
            "at_s": round(outcome.at_s, 3),
            "values": self.board.values_of(outcome),
        }
        self.page.push("reading", json.dumps(told, allow_nan=False))

    def event(self, kind: str, text: str, *, at_s: float | None = None) -> None:
        """Something happened, for record and screens."""
        line = self.board.event(text, self._clock.bench_s() if at_s is None else at_s)
        self.recorder.event(kind, text, line.at_s)
        self._display.event(line)
        self._changed.set()

    def _result_stored(self) -> None:
        self._publishing.result_stored()
        self._grow()

    def _grow(self) -> None:
        """Compare as far as the session has come."""
        running = self.desk.running
        if running is not None:
            self._growing.ended(running.facts.number, running.finished_count)

    def _taken(self) -> None:
        """A session is taken in hand: what was compared before is not of it."""
        self._growing.left()
        self._grow()

    def _over(self) -> None:
        """The session in hand is finished or left."""
        if self.desk.running is None:
            self._growing.left()
        if self._is_one_shot and not self.desk.is_asking:
            self._stopping.ask()
        self._changed.set()

    def _compared(self, line: ComparisonLine | None) -> None:
        self.board.comparison = line
        self._changed.set()

    async def _asked_by_broker(self, operation: Operation) -> str:
        return await self._operating.operate(operation, way="broker")

    def _broker_state(self, state: str, text: str) -> None:
        news = state != self.board.broker.state
        self.board.broker = PartLine(state, text)
        if news:
            self.event("broker", f"Broker: {text}.")
        self._changed.set()
