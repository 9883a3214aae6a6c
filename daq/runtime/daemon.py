"""Wires everything together: lines to session, session to store, broker and screens.

Holds no rule of the trade. Every task lives in one TaskGroup; an unknown exception ends the daemon; a broker, a viewer or
a meter that goes away does not.
"""

import asyncio
import contextlib
import gc
import json
import signal
from collections.abc import Callable, Coroutine, Iterable
from dataclasses import dataclass
from enum import Enum
from itertools import groupby
from pathlib import Path
from typing import Any, Protocol

from daq.comparison.lead_watch import LeadWatch, unwatched
from daq.config.bench import Bench, Instrument
from daq.config.plan import Plan
from daq.records import Gap, PlannedTrial, Reading, TrialResult, TrialState
from daq.runtime.beginning import Beginning, begin_or_resume
from daq.runtime.board import Board
from daq.runtime.clock import Clock
from daq.runtime.poller import LinePoller, LineState
from daq.runtime.publishing import Publishing, chosen_broker
from daq.runtime.recorder import Recorder
from daq.runtime.snapshot import AlarmLine, EventLine, PartLine, Snapshot
from daq.runtime.store import Store
from daq.runtime.web import Page
from daq.trials.session import Occurrence, Session
from daq.trials.stages import SWITCHED_OFF, Stage
from daq.wording import (
    STORE_WAS_FAILING,
    normalising_sentence,
    occurrence_text,
    overdue_text,
)

_SCREENS_S = 0.25
_SLOW_EVERY = 4
_LAST_RESULTS_S = 1.0
_LAST_WRITES_S = 1.5
_STOPPING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Key(Enum):
    """What the operator can tell at the terminal."""

    SWITCHED = "switched"
    ACKNOWLEDGED = "acknowledged"


class Display(Protocol):
    """A screen beside the page: a terminal, or plain lines."""

    def attach(self, on_key: Callable[[Key], None]) -> None:
        """Pass the operator's keys on, where there is a keyboard."""

    def started(self, *, page_url: str, broker: str, words: str) -> None:
        """Where page and broker are, and which session begins."""

    def show(self, snapshot: Snapshot) -> None:
        """The present state, several times a second."""

    def event(self, line: EventLine) -> None:
        """Something happened."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a run ended.

    Attributes:
        session: Number of the session in the store.
        order: Every planned trial.
        results: Newest result of each line of the order that has one.
        stopped_by: The signal that stopped it, or None where the session was finished.
        in_hand: The trial that ran when it was stopped; it is asked for again.
    """

    session: int
    order: tuple[PlannedTrial, ...]
    results: tuple[TrialResult, ...]
    stopped_by: signal.Signals | None
    in_hand: PlannedTrial | None = None


async def run_session(
    bench: Bench,
    plan: Plan,
    *,
    store_path: Path,
    base: Path,
    clock: Clock,
    display: Display,
    new_session: bool,
) -> Outcome:
    """Carry out a plan, or the rest of it, until it is finished or a signal stops it.

    Args:
        bench: With its lines' paths resolved.
        plan: Checked against the bench.
        store_path: Results file.
        base: Folder that files named in the bench are relative to.
        clock: Of the whole run.
        display: A screen beside the page.
        new_session: Begin anew even where a session is unfinished.

    Raises:
        StoreError: Before anything is started, or at the end if something could not be written.
        NetworkError: If the page's port is taken or a required broker is not there.
        InputError: If a file that the bench names is no good.
    """
    trouble = _Trouble()
    # The port first: a session must not be begun that nobody could follow.
    page = Page(
        port=bench.page_port,
        snapshot=lambda: daemon.board.snapshot().as_json(),
        trace=lambda: daemon.board.trace_json(),  # noqa: PLW0108  # the daemon is made later
    )
    with contextlib.closing(page):
        store = Store.open(
            store_path,
            instruments=bench.channels_by_instrument(),
            on_trouble=trouble.tell,
            loop=asyncio.get_running_loop(),
        )
        try:
            clock_id = await _record_clock(store, clock)
            start = await begin_or_resume(
                store, bench, plan, clock, new_session=new_session
            )
            async with chosen_broker(bench.broker) as address:
                daemon = _Daemon(
                    bench, plan, store, start, page=page, clock=clock, display=display
                )
                daemon.connect(address=address, base=base, clock_id=clock_id)
                trouble.listener = daemon
                return await daemon.run()
        finally:
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
    def __init__(
        self,
        bench: Bench,
        plan: Plan,
        store: Store,
        start: Beginning,
        *,
        page: Page,
        clock: Clock,
        display: Display,
    ) -> None:
        self._bench = bench
        self._plan = plan
        self._store = store
        self._start = start
        self._clock = clock
        self._display = display
        self._session = Session(plan.rules, start.order, earlier=start.earlier)
        self.board = Board(
            bench,
            plan,
            self._session,
            start.order,
            clock=clock,
            session_number=start.facts.number,
            earlier=start.earlier,
        )
        self._leads = LeadWatch(
            bench.channels,
            plan.facts.conditions,
            baseline=plan.baseline,
            air=bench.surroundings.air,
        )
        self._page = page
        self._stopped = asyncio.Event()
        self._signalled = asyncio.Event()
        self._health: dict[str, str] = {}
        self._overdue_told = False
        self._stopped_by: signal.Signals | None = None
        self._changed = asyncio.Event()

    def connect(self, *, address: tuple[str, int], base: Path, clock_id: int) -> None:
        """Make the parts that need broker and store."""
        facts = self._start.facts
        self._publishing = Publishing(
            self._bench,
            address=address,
            base=base,
            store=self._store,
            clock=self._clock,
            client_id=f"steadybench-{self._bench.name}-{facts.session_id[:8]}",
            on_state=self._broker_state,
        )
        self._recorder = Recorder(
            self._store,
            clock=self._clock,
            clock_id=clock_id,
            facts=facts,
            rules=self._plan.rules,
            topics=self._publishing.topics,
            on_result_stored=self._publishing.result_stored,
        )
        self._display.attach(self._key)
        self._display.started(
            page_url=self._page.url,
            broker=f"{address[0]}:{address[1]}",
            words=f"{self._start.words} {normalising_sentence(self._plan.rules)}{self._unwatched()}",
        )

    def _unwatched(self) -> str:
        plan = self._plan
        why = unwatched(
            self._bench.channels, plan.facts.conditions, baseline=plan.baseline
        )
        return f" {why[:1].upper()}{why[1:]}." if why else ""

    async def run(self) -> Outcome:
        """Run every part until the session is finished or a signal comes."""
        loop = asyncio.get_running_loop()
        # What was loaded stays: going through it again would hold a poll up for ten milliseconds.
        gc.freeze()
        for number in _STOPPING:
            loop.add_signal_handler(number, self._stop, number)
        try:
            async with asyncio.TaskGroup() as tasks:
                running = [tasks.create_task(part) for part in self._parts()]
                server = tasks.create_task(self._page.run())
                await self._finish(tasks)
                self._page.stop()
                await server
                for task in running:
                    task.cancel()
        finally:
            for number in _STOPPING:
                loop.remove_signal_handler(number)
        view = self._session.trial()
        return Outcome(
            self._start.facts.number,
            self._start.order,
            self.board.results,
            self._stopped_by,
            in_hand=view.planned if view else None,
        )

    def store_trouble(self, text: str | None) -> None:
        """The store cannot be written (with the reason), or can again (None)."""
        if text is None:
            self.board.store = PartLine("ok", "")
            self._event("store", "The store can be written again; nothing was lost.")
        else:
            words = f"{text}. Readings are kept in memory: make room or mend it, and do not stop this program."
            self.board.store = PartLine("failing", words)
            self._session.mark(STORE_WAS_FAILING)
            self._event("store", words)

    # ---- parts

    def _parts(self) -> Iterable[Coroutine[Any, Any, None]]:
        yield self._publishing.run()
        yield self._recorder.run()
        yield self._show()
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
                    self._event("line", f"{instrument.name}: its line {words}.")

        return LinePoller(
            instruments,
            clock=self._clock,
            on_outcome=self._outcome,
            on_line=line_changed,
        )

    async def _finish(self, tasks: asyncio.TaskGroup) -> None:
        """Wait for the end, then let the last results reach store and broker, but not for ever."""
        if self._session.stage is Stage.FINISHED:
            self._stopped.set()
        await self._stopped.wait()
        written = tasks.create_task(self._write_the_end())
        signalled = tasks.create_task(self._signalled.wait())
        # A store that cannot be written is waited for; the operator's signal is stronger.
        await asyncio.wait({written, signalled}, return_when=asyncio.FIRST_COMPLETED)
        await asyncio.wait({written}, timeout=_LAST_WRITES_S)
        written.cancel()
        signalled.cancel()
        self._tell_screens(self.board.snapshot())
        await self._publishing.wait_results_sent(_LAST_RESULTS_S)

    async def _write_the_end(self) -> None:
        await self._recorder.wait_written()
        if self._session.stage is Stage.FINISHED:
            await self._store.end_session(
                self._start.facts.number,
                state="finished",
                ended_utc=self._clock.utc_text(),
            )

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
            now_s = self._clock.bench_s()
            self._happened(self._session.tick(now_s))
            self._look_at_lead(now_s)
            snapshot = self.board.snapshot()
            self._note_health(snapshot)
            self._tell_screens(snapshot)
            if turn % _SLOW_EVERY == 0:
                self._page.push("beat", json.dumps({"now_s": snapshot.clock.now_s}))
                self._publishing.health(snapshot)
                self._recorder.keep_clock()

    def _look_at_lead(self, now_s: float) -> None:
        warning = self._leads.warning(now_s)
        if warning is not None:
            self._session.mark(warning.seen)
            self.board.lead_warning = AlarmLine(warning.text, now_s)
            self._event("lead", warning.text)

    def _note_health(self, snapshot: Snapshot) -> None:
        """A meter that falls silent, and a machine that runs on, belong in the record and in a plain log."""
        for line in snapshot.instruments:
            before = self._health.get(line.name)
            self._health[line.name] = line.state
            if line.state == "silent" and before == "ok":
                self._event("meter", f"{line.name}: silent, {line.text}.")
            elif line.state == "ok" and before == "silent":
                self._event("meter", f"{line.name}: it answers again.")
        if self._session.overdue and not self._overdue_told:
            self._event("alarm", overdue_text(self._plan.rules.longest_s))
        self._overdue_told = self._session.overdue

    def _tell_screens(self, snapshot: Snapshot) -> None:
        self._page.push("state", snapshot.as_json())
        self._publishing.snapshot(snapshot)
        self._display.show(snapshot)

    # ---- what comes in

    def _outcome(self, outcome: Reading | Gap) -> None:
        if isinstance(outcome, Reading):
            self._happened(self._session.feed(outcome))
        self._recorder.take(outcome)
        self.board.take(outcome)
        if isinstance(outcome, Reading):
            self._publishing.reading(outcome)
            values = self.board.values_of(outcome)
            for channel, value in values.items():
                if value is not None:
                    self._leads.feed(channel, outcome.at_s, value)
            told = {
                "instrument": outcome.instrument,
                "at_s": round(outcome.at_s, 3),
                "values": values,
            }
            self._page.push("reading", json.dumps(told, allow_nan=False))

    def _happened(self, occurrences: list[Occurrence]) -> None:
        for occurrence in occurrences:
            self._recorder.note(occurrence)
            if (
                occurrence.happening is not None
                and occurrence.stage is Stage.RUNNING_UP
            ):
                self.board.trial_began()
                if occurrence.planned is not None:
                    condition = occurrence.planned.condition
                    self._leads.machine_on(condition, occurrence.at_s)
                if self.board.store.state != "ok":
                    self._session.mark(STORE_WAS_FAILING)
            elif occurrence.happening in SWITCHED_OFF:
                result = occurrence.result
                self._leads.machine_off(
                    occurrence.at_s,
                    is_finished=result is not None
                    and result.state is not TrialState.UNFINISHED,
                )
                self.board.lead_warning = None
            if occurrence.result is not None:
                self.board.result(occurrence.result)
            self._event("trial", occurrence_text(occurrence), at_s=occurrence.at_s)
            if occurrence.stage is Stage.FINISHED:
                self._stopped.set()

    def _event(self, kind: str, text: str, *, at_s: float | None = None) -> None:
        line = self.board.event(text, self._clock.bench_s() if at_s is None else at_s)
        self._recorder.event(kind, text, line.at_s)
        self._display.event(line)
        self._changed.set()

    def _key(self, key: Key) -> None:
        if key is Key.ACKNOWLEDGED:
            self._session.acknowledge()
            self._event("operator", "Acknowledged at the terminal.")
            return
        occurrences = self._session.operator_switched(self._clock.bench_s())
        self._happened(occurrences)
        if not occurrences and self._session.trial() is not None:
            self._event(
                "operator",
                "Enter is not taken: the start channel says that the machine runs.",
            )

    def _broker_state(self, state: str, text: str) -> None:
        news = state != self.board.broker.state
        self.board.broker = PartLine(state, text)
        if news:
            self._event("broker", f"Broker: {text}.")
        self._changed.set()

    def _stop(self, number: signal.Signals) -> None:
        if not self._stopped.is_set():
            self._stopped_by = signal.Signals(number)
        self._stopped.set()
        self._signalled.set()
