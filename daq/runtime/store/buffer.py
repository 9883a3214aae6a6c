"""Rows on their way to the disk: in order, bounded, counted.

Filled in the event loop's thread and emptied in the writer's. Adding costs under a
microsecond and never waits for the disk. Knows no SQL beyond carrying statements.
"""

import threading
from collections import deque

from daq.runtime.store.layout import SqlValue

Row = tuple[str, tuple[SqlValue, ...]]
"""An insert statement and its values."""


class RowBuffer:
    """First in, first out; beyond its limit the oldest rows are dropped and counted.

    Rows in the writer's hand are not counted against the limit. Statements in `kept` are
    never dropped: other rows refer to theirs.
    """

    def __init__(self, limit: int, *, kept: frozenset[str] = frozenset()) -> None:
        self._limit = limit
        self._kept = kept
        self._lock = threading.Lock()
        self._waiting: deque[Row] = deque()
        self._in_hand = 0
        self._dropped = 0

    def __len__(self) -> int:
        """Rows that are not on the disk yet."""
        return len(self._waiting) + self._in_hand

    @property
    def dropped(self) -> int:
        """Rows that were given up because the buffer was full."""
        return self._dropped

    def add(self, row: Row) -> None:
        """Append one row."""
        with self._lock:
            self._waiting.append(row)
            self._trim()

    def take(self, most: int) -> list[Row]:
        """Hand out the oldest rows until `done` or `put_back` is called."""
        with self._lock:
            count = min(most, len(self._waiting))
            self._in_hand = count
            return [self._waiting.popleft() for _ in range(count)]

    def done(self) -> None:
        """What was handed out is on the disk."""
        self._in_hand = 0

    def put_back(self, rows: list[Row]) -> None:
        """What was handed out is not on the disk: it comes first again."""
        with self._lock:
            self._waiting.extendleft(reversed(rows))
            self._in_hand = 0
            self._trim()

    def _trim(self) -> None:
        spared: list[Row] = []
        while len(self._waiting) + len(spared) > self._limit and self._waiting:
            row = self._waiting.popleft()
            if row[0] in self._kept:
                spared.append(row)
            else:
                self._dropped += 1
        self._waiting.extendleft(reversed(spared))
