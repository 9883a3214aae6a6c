"""What stands beside the page: a terminal or plain lines, its keys, and how a run ended."""

import signal
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from daq.errors import Refusal
from daq.operations import CannotRead, Repeat, Stop, TakeBack, TypedReading
from daq.records import PlannedTrial, TrialResult
from daq.runtime.snapshot import EventLine, Snapshot


class Key(Enum):
    """What the operator can tell at the terminal."""

    SWITCHED = "switched"
    ACKNOWLEDGED = "acknowledged"
    TYPING = "typing"


Told = Key | TypedReading | CannotRead | TakeBack | Repeat | Stop
"""What comes from the keyboard: a key, an answer to what the operator is asked for, or one that was wrong."""


class Display(Protocol):
    """A screen beside the page: a terminal, or plain lines."""

    def attach(self, on_told: Callable[[Told], None]) -> None:
        """Pass on what the operator tells, where there is a keyboard."""

    def refused(self, code: Refusal, text: str) -> None:
        """An answer that was typed here is not kept, or doubted first."""

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
        order: Every line of the order.
        results: Newest result of each line of the order that has one.
        stopped_by: The signal that stopped it, or None where the session was finished or left.
        in_hand: The trial that ran when it was stopped; it is asked for again.
        skipped: Positions of the lines that were left out.
        is_machine_on: The machine ran when it was last seen, with a trial or without.
    """

    session: int
    order: tuple[PlannedTrial, ...]
    results: tuple[TrialResult, ...]
    stopped_by: signal.Signals | None
    in_hand: PlannedTrial | None = None
    skipped: frozenset[int] = frozenset()
    is_machine_on: bool = False
