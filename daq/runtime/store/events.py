"""Reads what happened, in the words in which it was told; read-only, as reading.py. Takes stores of any format."""

from dataclasses import dataclass
from pathlib import Path

from daq.errors import InputError
from daq.runtime.store.layout import utc_text
from daq.runtime.store.opening import reading_store
from daq.runtime.store.reading import numbered

CHECK = "check"
"""Kind of the lines that say what was walked through before a session."""


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """One line of the events.

    Attributes:
        session: Number of the session in its store; None between sessions.
        utc: RFC 3339.
        at_s: On the bench's clock [s].
        kind: What it is about, in a word.
        text: In words.
    """

    session: int | None
    utc: str
    at_s: float
    kind: str
    text: str


def read_events(path: Path, session: int | None = None) -> list[StoredEvent]:
    """Read what happened, in the order in which it was told.

    Args:
        path: Of the store.
        session: Number of the session; None for all, and what happened between them.

    Raises:
        InputError: If there is no such session.
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    with reading_store(path) as connection:
        sessions = [n for (n,) in connection.execute("SELECT id FROM sessions")]
        if session is not None and session not in sessions:
            msg = f"{path}: no session {session}, it holds {numbered(sessions)}"
            raise InputError(msg)
        rows = connection.execute(
            f"SELECT e.session_id, {utc_text('c', 'e.at_s')}, e.at_s, e.kind, e.text"  # noqa: S608 - names of ours
            " FROM events e JOIN clocks c ON c.id = e.clock_id"
            " WHERE ?1 IS NULL OR e.session_id = ?1 ORDER BY e.id",
            (session,),
        )
        return [StoredEvent(*row) for row in rows]
