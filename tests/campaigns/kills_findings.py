"""What must be true of a store whose program was killed; looked at in a copy, so that the next program finds what the kill left."""

import shutil
import sqlite3
import struct
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.campaigns.kills_service import Seen

DURABLE_S = 1.2
"""A reading is on the disk within this [s of real time]."""

_WAL_HEAD, _FRAME_HEAD = 32, 24


@dataclass
class Findings:
    """What was looked at, and what was wrong.

    Attributes:
        checked: Readings that had to be there [1].
        cut_commits: Kills that left a commit begun and not ended in the log [1].
        wrong: Sentences, one for each violation, by kind.
    """

    checked: int = 0
    cut_commits: int = 0
    wrong: dict[str, list[str]] = field(default_factory=dict)

    def say(self, kind: str, text: str) -> None:
        self.wrong.setdefault(kind, []).append(text)

    def add(self, other: "Findings") -> None:
        self.checked += other.checked
        self.cut_commits += other.cut_commits
        for kind, texts in other.wrong.items():
            self.wrong.setdefault(kind, []).extend(texts)


KINDS = (
    "does not start",
    "integrity",
    "reading lost",
    "half row",
    "was there before",
    "not resumed",
    "condition not once",
    "not reproduced",
)


def copied(store: Path, folder: Path) -> Path:
    """A copy of the store with its log, as a kill or a power failure leaves them."""
    folder.mkdir(exist_ok=True)
    for suffix in ("", "-wal", "-journal"):
        source = store.with_name(store.name + suffix)
        target = folder / source.name
        target.unlink(missing_ok=True)
        if source.exists():
            shutil.copyfile(source, target)
    (folder / f"{store.name}-shm").unlink(missing_ok=True)
    return folder / store.name


def is_commit_cut(store: Path) -> bool:
    """Whether the newest frame of the log ends no commit.

    SQLite's file format, section 4.1: a frame's bytes 4 to 8 are the size of the database after a commit, zero in any other; frames whose
    salts, bytes 8 to 16, are not those of the log's head are left over.
    """
    log = store.with_name(f"{store.name}-wal")
    data = log.read_bytes() if log.exists() else b""
    if len(data) < _WAL_HEAD:
        return False
    (page_size,) = struct.unpack_from(">I", data, 8)
    salts, is_cut = data[16:24], False
    for at in range(_WAL_HEAD, len(data) - _FRAME_HEAD + 1, _FRAME_HEAD + page_size):
        if data[at + 8 : at + 16] != salts:
            break
        is_cut = data[at + 4 : at + 8] == bytes(4)
    return is_cut


def look_at(
    copy: Path,
    *,
    seen: Sequence[Seen],
    killed_real_s: float,
    before: Mapping[str, Any] | None,
) -> tuple[Findings, dict[str, Any]]:
    """Hold a copy of the store against what the viewer was shown and what was there before; also what is in it now."""
    findings = Findings(cut_commits=is_commit_cut(copy))
    with closing(sqlite3.connect(copy)) as connection:
        _integrity(connection, findings)
        due = [s for s in seen if s.shown_real_s <= killed_real_s - DURABLE_S]
        findings.checked = len(due)
        for instrument in {s.instrument for s in due}:
            of_it = [s for s in due if s.instrument == instrument]
            _readings(connection, instrument, of_it, findings)
        now = contents(connection)
        if "trials" in now:
            _trials(connection, findings)
    for what, value in (before or {}).items():
        if not _goes_on(value, now.get(what)):
            findings.say("was there before", f"{what}: {value} became {now.get(what)}")
    return findings, now


def _integrity(connection: sqlite3.Connection, findings: Findings) -> None:
    answer = connection.execute("PRAGMA integrity_check").fetchall()
    if answer != [("ok",)]:
        findings.say("integrity", str(answer[:3]))
    orphans = connection.execute("PRAGMA foreign_key_check").fetchall()
    if orphans:
        findings.say("half row", f"refers to what is not there: {orphans[:3]}")


def _columns(connection: sqlite3.Connection, instrument: str) -> dict[str, str]:
    """Columns by channel, of the channels as they were described last."""
    return dict(
        connection.execute(
            "SELECT name, column_name FROM channels WHERE instrument = ? ORDER BY id",
            (instrument,),
        ).fetchall()
    )


def _readings(
    connection: sqlite3.Connection,
    instrument: str,
    due: Iterable[Seen],
    findings: Findings,
) -> None:
    """Every reading is there, with every value of it."""
    columns = _columns(connection, instrument)
    table = "readings_" + instrument.replace("-", "_")
    names = ", ".join(f'"{name}"' for name in columns.values())
    stored = {
        round(row[0], 3): dict(zip(columns, row[1:], strict=True))
        for row in connection.execute(f'SELECT at_s, {names} FROM "{table}"')  # noqa: S608 - names of our own store
    }
    for reading in due:
        row = stored.get(round(reading.at_s, 3))
        if row is None:
            findings.say("reading lost", f"{instrument} at {reading.at_s} s")
        elif any(row[name] != value for name, value in reading.values.items()):
            findings.say("half row", f"{instrument} at {reading.at_s} s: {row}")


def _trials(connection: sqlite3.Connection, findings: Findings) -> None:
    """A trial that is finished has its averages, and each average what its uncertainty is made of."""
    bare = connection.execute(
        "SELECT t.id FROM trials t WHERE t.state = 'finished'"
        " AND NOT EXISTS (SELECT 1 FROM averages a WHERE a.trial_id = t.id)"
    ).fetchall()
    if bare:
        findings.say("half row", f"finished trials without averages: {bare}")


def contents(connection: sqlite3.Connection) -> dict[str, Any]:
    """How many rows each table that only grows has, and what came of each trial that has ended."""
    names = [
        name
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND (name LIKE 'readings_%'"
            " OR name IN ('gaps', 'events', 'clocks', 'sessions', 'trials', 'averages'))"
        )
    ]
    found: dict[str, Any] = {
        name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608 - names of our own store
        for name in names
    }
    if "averages" not in found:
        return found
    ended = "SELECT uuid, state FROM trials WHERE state <> 'running'"
    for uuid, state in connection.execute(ended).fetchall():
        means = connection.execute(
            "SELECT channel, mean, expanded_uncertainty FROM averages a JOIN trials t"
            " ON t.id = a.trial_id WHERE t.uuid = ? ORDER BY channel",
            (uuid,),
        ).fetchall()
        found[f"trial {uuid}"] = (state, tuple(means))
    return found


def _goes_on(before: object, now: object) -> bool:
    """A count may grow; what came of a trial stays."""
    if isinstance(before, int) and isinstance(now, int):
        return now >= before
    return before == now


def lines_done(store: Path) -> dict[int, int]:
    """How often each line of the newest session was done, by position: settled, or seen not to settle in the longest time."""
    with closing(sqlite3.connect(store)) as connection:
        rows = connection.execute(
            "SELECT position, count(*) FROM trials WHERE state NOT IN ('running', 'unfinished')"
            " AND session_id = (SELECT max(id) FROM sessions) GROUP BY position"
        )
        return dict(rows.fetchall())


def lines_settled(store: Path) -> int:
    """Trials of the newest session that have averages [1]."""
    with closing(sqlite3.connect(store)) as connection:
        (number,) = connection.execute(
            "SELECT count(*) FROM trials t WHERE session_id = (SELECT max(id) FROM sessions)"
            " AND state NOT IN ('running', 'unfinished')"
            " AND EXISTS (SELECT 1 FROM averages a WHERE a.trial_id = t.id)"
        ).fetchone()
        return int(number)


def newest_session(store: Path) -> tuple[int, str, int]:
    """Number and state of the newest session, and how many lines its order has."""
    with closing(sqlite3.connect(store)) as connection:
        row: tuple[int, str, int] = connection.execute(
            "SELECT id, state, json_array_length(order_json) FROM sessions ORDER BY id DESC"
        ).fetchone()
        return row
