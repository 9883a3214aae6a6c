"""A bench as a service attends to it: store, recorder, desk and operations are real; its meters and its clock are the test's."""

import asyncio
import json
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.errors import OperationRefusedError, Refusal
from daq.messages import Topics
from daq.operations import Operation
from daq.records import Gap, Reading
from daq.runtime.board import Board
from daq.runtime.clock import Clock
from daq.runtime.desk import Desk
from daq.runtime.operating import Operating
from daq.runtime.recorder import Recorder
from daq.runtime.running import Running
from daq.runtime.shelf import Shelf
from daq.runtime.store import Store
from daq.runtime.store.resuming import MACHINE
from daq.runtime.typed_entries import TypedEntries
from daq.trials.session import Session
from daq.trials.stages import Stage
from tests.runtime.conftest import Computer, MeterInHand


class AttendedBench(MeterInHand):
    """A service without its lines, its page and its broker.

    Attributes:
        events: Kinds and texts of what happened.
        over: How often a session was finished or left [1].
    """

    def __init__(
        self,
        folder: Path,
        bench: Bench,
        computer: Computer,
        store: Store,
        *,
        clock: Clock,
        clock_id: int,
    ) -> None:
        super().__init__(computer, clock=clock)
        self.folder = folder
        self.path = folder / "bench.db"
        self.store = store
        self.events: list[tuple[str, str]] = []
        self.over = 0
        self.board = Board(bench, clock=clock)
        self.recorder = Recorder(
            store,
            clock=clock,
            clock_id=clock_id,
            topics=Topics(bench="leads"),
            on_result_stored=lambda: None,
        )
        self.shelf = Shelf(folder, bench)
        self.desk = Desk(
            bench,
            store=store,
            clock=clock,
            board=self.board,
            recorder=self.recorder,
            shelf=self.shelf,
            event=self._event,
            on_taken=lambda: None,
            on_over=self._over,
        )
        self.operating = Operating(
            self.desk, clock=clock, typed=TypedEntries(bench, on_reading=self.take)
        )

    @property
    def running(self) -> Running:
        assert self.desk.running is not None
        return self.desk.running

    @property
    def session(self) -> Session:
        return self.running.session

    @property
    def called_for(self) -> str | None:
        """The condition in hand or to come."""
        line = self.session.called_for
        return line.condition if line else None

    def take(self, outcome: Reading | Gap) -> None:
        if isinstance(outcome, Reading):
            self.desk.feed(outcome)
        self.recorder.take(outcome)
        self.board.take(outcome)

    async def ask(self, operation: Operation, *, way: str = "page") -> str:
        """Have something done, and wait until it is in the file."""
        text = await self.operating.operate(operation, way=way)
        await self.written()
        return text

    async def written(self) -> None:
        """Wait until everything so far is in the file."""
        await self.recorder.wait_written()
        # A job follows the rows that were added before it.
        await self.store.open_sessions()

    async def measure(self) -> None:
        """A whole trial of what is called for."""
        self.stand_still()
        self.run_until(Stage.DONE)
        self.stand_still()
        await self.written()

    def rows(self, statement: str) -> list[tuple[object, ...]]:
        """What is in the file now."""
        with closing(sqlite3.connect(self.path)) as connection:
            return connection.execute(statement).fetchall()

    def told(self, kind: str) -> list[str]:
        """Events of a kind, oldest first."""
        return [text for found, text in self.events if found == kind]

    def _event(self, kind: str, text: str, *, at_s: float | None = None) -> None:
        now_s = self.clock.bench_s() if at_s is None else at_s
        self.events.append((kind, text))
        self.recorder.event(kind, text, self.board.event(text, now_s).at_s)

    def _over(self) -> None:
        self.over += 1


@asynccontextmanager
async def attended(
    folder: Path, bench: Bench, computer: Computer, *, speed: float = 1.0
) -> AsyncIterator[AttendedBench]:
    """Attend to a bench; at the end the program is gone, without a word to the session in hand."""
    troubles: list[str | None] = []
    store = Store.open(
        folder / "bench.db",
        instruments=bench.channels_by_instrument(),
        on_trouble=troubles.append,
        loop=asyncio.get_running_loop(),
    )
    clock = computer.clock(speed=speed)
    offset = clock.offset
    clock_id = await store.add_clock(
        offset.boot_id,
        monotonic_s=offset.monotonic_s,
        utc_us=offset.utc_us,
        speed=offset.speed,
    )
    service = AttendedBench(
        folder, bench, computer, store, clock=clock, clock_id=clock_id
    )
    async with asyncio.TaskGroup() as tasks:
        writing = tasks.create_task(service.recorder.run())
        try:
            yield service
            await service.recorder.wait_written()
        finally:
            writing.cancel()
            await store.close()
    assert troubles == []


# ---- what operations leave behind


ASKED_FOR = f"operations WHERE kind <> '{MACHINE}'"
"""What the service adds of the machine was asked for by nobody."""


async def refused(
    service: AttendedBench, operation: Operation, code: Refusal, words: str
) -> None:
    """It is refused with that code and words, and stands in no journal."""
    before = service.rows(f"SELECT * FROM {ASKED_FOR}")  # noqa: S608 - a constant
    with pytest.raises(OperationRefusedError, match=words) as caught:
        await service.ask(operation)
    assert caught.value.code is code
    await service.written()
    assert service.rows(f"SELECT * FROM {ASKED_FOR}") == before  # noqa: S608 - a constant


def journal(service: AttendedBench) -> list[tuple[object, ...]]:
    """Kind, session, trial, way and what was told of each operation that was carried out."""
    return [
        (kind, session, trial, way, json.loads(str(detail)))
        for kind, session, trial, way, detail in service.rows(
            f"SELECT kind, session_id, trial_id, way, detail_json FROM {ASKED_FOR}"  # noqa: S608 - a constant
        )
    ]


def order(service: AttendedBench) -> list[tuple[int, str]]:
    """Positions and conditions as stored, in the order of calling."""
    ((order_json,),) = service.rows("SELECT order_json FROM sessions")
    return [(line["position"], line["condition"]) for line in json.loads(order_json)]  # type: ignore[arg-type]


async def settled(service: AttendedBench, what: str) -> object:
    """One column of the only session, once everything asked for is in the file."""
    await service.written()
    ((value,),) = service.rows(f"SELECT {what} FROM sessions")  # noqa: S608 - the tests' own
    return value
