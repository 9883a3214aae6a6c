"""The moments at which a service is killed, and how each is waited for.

A stage is seen on the page, then a random while passes. What the page cannot show is seen from outside: that the process has opened the store, or that
the store's log has just grown.
"""

import signal
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from enum import StrEnum
from pathlib import Path
from random import Random
from time import monotonic

from tests.campaigns.kills_service import KilledService, pause

VECTORS = Path(__file__).resolve().parent.parent / "vectors"
_OLD_ROWS = 20_000
"""Events that are added to an older store, so that bringing it up to date takes a while."""


class Moment(StrEnum):
    """When the service is killed."""

    IDLE = "idle"
    MAKING = "making a new store"
    MIGRATING = "migrating an older store"
    WAITING = "waiting"
    RUNNING_UP = "running up"
    SETTLING = "settling"
    AVERAGING = "averaging"
    DONE = "done, machine on"
    BETWEEN = "between trials"
    COMMITTING = "during a commit"
    RESUMING = "while resuming itself"
    ENDING = "told to end, before it has"
    FINISHED = "just finished"
    ANOTHER = "another, the wanted one did not come"


BEFORE_A_SESSION = (Moment.IDLE, Moment.MAKING, Moment.MIGRATING)
WITHIN_A_SESSION = (
    Moment.WAITING,
    Moment.RUNNING_UP,
    Moment.SETTLING,
    Moment.AVERAGING,
    Moment.DONE,
    Moment.BETWEEN,
    Moment.COMMITTING,
    Moment.RESUMING,
    Moment.ENDING,
)
WHILE_STARTING = frozenset({Moment.MAKING, Moment.MIGRATING, Moment.RESUMING})
"""The service is killed before it is ready."""


def reach(moment: Moment, service: KilledService, random: Random) -> Moment:
    """Wait until it is that moment, and a random while longer; tells which it has become."""
    try:
        _REACH[moment](service, random)
    except AssertionError:
        # On a computer that is too busy polls are missed, and a trial may take very long.
        return Moment.ANOTHER
    return moment


def _stage(stage: str, most_s: float) -> Callable[[KilledService, Random], None]:
    def reach_stage(service: KilledService, random: Random) -> None:
        service.wait_for(stage)
        pause(random.uniform(0.0, most_s))

    return reach_stage


def _idle(_service: KilledService, random: Random) -> None:
    pause(random.uniform(0.0, 2.5))


def _between(service: KilledService, random: Random) -> None:
    """Just after the machine was switched off: the trial is being written once more."""
    service.wait_for("done")
    service.bench.wait_for(lambda s: s["stage"]["name"] in {"waiting", "finished"})
    pause(random.uniform(0.0, 0.2))


def _committing(service: KilledService, random: Random) -> None:
    """Just as the store's log grows or is written over."""
    log = service.bench.store.with_name(f"{service.bench.store.name}-wal")
    pause(random.uniform(0.0, 2.0))
    before, end = log.stat().st_mtime_ns, monotonic() + 10.0
    while log.stat().st_mtime_ns == before:
        if monotonic() > end:
            msg = "the log of the store does not grow"
            raise AssertionError(msg)


def _opened(most_s: float) -> Callable[[KilledService, Random], None]:
    def reach_opened(service: KilledService, random: Random) -> None:
        end = monotonic() + 30.0
        while not service.has_opened(service.bench.store):
            if service.has_ended or monotonic() > end:
                msg = "the service has not opened its store"
                raise AssertionError(msg)
            pause(0.0005)
        pause(random.uniform(0.0, most_s))

    return reach_opened


def _ending(service: KilledService, random: Random) -> None:
    pause(random.uniform(0.0, 2.0))
    service.process.send_signal(signal.SIGTERM)
    pause(random.uniform(0.0, 0.25))


def _finished(service: KilledService, random: Random) -> None:
    service.wait_for("finished", within_s=240.0)
    pause(random.uniform(0.0, 0.2))


_REACH: Mapping[Moment, Callable[[KilledService, Random], None]] = {
    Moment.IDLE: _idle,
    Moment.MAKING: _opened(0.25),
    Moment.MIGRATING: _opened(0.25),
    Moment.WAITING: _stage("waiting", 0.4),
    Moment.RUNNING_UP: _stage("running-up", 0.25),
    Moment.SETTLING: _stage("settling", 1.2),
    Moment.AVERAGING: _stage("averaging", 3.0),
    Moment.DONE: _stage("done", 0.2),
    Moment.BETWEEN: _between,
    Moment.COMMITTING: _committing,
    Moment.RESUMING: _opened(0.5),
    Moment.ENDING: _ending,
    Moment.FINISHED: _finished,
}


def put_older_store(path: Path, number: int) -> None:
    """A store of a format before, with enough in it to take a while; this number of format."""
    dump = (VECTORS / f"store_format_{number}.sql").read_text(encoding="utf-8")
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(dump)
        # As a store of ours has it; the dump does not tell.
        connection.execute("PRAGMA journal_mode = wal")
        columns = ", ".join(
            row[1]
            for row in connection.execute("PRAGMA table_info(events)")
            if row[1] != "id"
        )
        connection.execute(
            f"WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {_OLD_ROWS})"  # noqa: S608 - ours
            f" INSERT INTO events ({columns}) SELECT {columns} FROM events, n WHERE events.id = 1"
        )
        connection.commit()
