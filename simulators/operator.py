"""The simulated person: reads the page, fits what it asks for, switches on and off.

A small state machine on what the page shows. It acts some seconds after it first sees an
instruction, as a person does, and only on what it sees: while the page is away nothing
happens, and what was about to be done is thought over again when the page is back.

| the page shows                | machine off           | machine on                     |
|-------------------------------|-----------------------|--------------------------------|
| waiting                       | 6-12 s: fit and start | just started: wait; else stop  |
| done, not-settled, limit      | nothing               | 3-6 s: stop                    |
| anything else                 | nothing               | nothing                        |

A condition that the person does not know is complained about once and left alone.
"Just started" lasts until the page has shown something else than waiting, but at most
`PATIENCE_S`. All times are bench time, handed in.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import Enum
from random import Random

WAITING = "waiting"
OVER = frozenset({"done", "not-settled", "limit"})
PATIENCE_S = 60.0


@dataclass(frozen=True)
class Seen:
    """What a person takes from the page at one glance."""

    stage: str
    condition: str | None
    occasion: tuple[object, ...]
    """Tells one instruction from the next, even where the condition is the same."""


class Act(Enum):
    """What the person does now."""

    FIT_AND_START = "fits and switches on"
    STOP = "switches off"
    COMPLAIN = "does not know the condition"


def seen_on(snapshot: Mapping[str, object]) -> Seen:
    """What the page's snapshot tells; a page that says less is seen as less."""
    stage = _part(snapshot, "stage").get("name")
    condition = _part(snapshot, "condition")
    name = condition.get("name")
    occasion = (
        stage,
        name,
        condition.get("repeat"),
        condition.get("position"),
        _part(snapshot, "session").get("number"),
    )
    return Seen(str(stage), name if isinstance(name, str) else None, occasion)


class Operator:
    """One person in front of the page; see the module's head."""

    def __init__(self, random: Random, *, known: Collection[str]) -> None:
        self._random = random
        self._known = known
        self._occasion: tuple[object, ...] | None = None
        self._act_at_s = 0.0
        self._started_s: float | None = None
        self._complained = False

    def look_away(self) -> None:
        """The page is gone; think again when it is back."""
        self._occasion = None

    def look(self, seen: Seen, *, is_running: bool, now_s: float) -> Act | None:
        """What to do now, given the page and the machine."""
        if seen.stage != WAITING:
            self._started_s = None
        if seen.occasion != self._occasion:
            self._occasion = seen.occasion
            self._act_at_s = now_s + self._pause_s(seen)
            self._complained = False
        if seen.stage == WAITING and seen.condition is not None:
            return self._while_waiting(seen, is_running=is_running, now_s=now_s)
        if seen.stage in OVER and is_running and now_s >= self._act_at_s:
            return Act.STOP
        return None

    def _while_waiting(
        self, seen: Seen, *, is_running: bool, now_s: float
    ) -> Act | None:
        if is_running:
            if self._has_just_started(now_s):
                return None
            self._started_s = None
            self._act_at_s = now_s + self._pause_s(seen)
            return Act.STOP
        if now_s < self._act_at_s:
            return None
        if seen.condition not in self._known:
            return self._complain()
        self._started_s = now_s
        return Act.FIT_AND_START

    def _complain(self) -> Act | None:
        if self._complained:
            return None
        self._complained = True
        return Act.COMPLAIN

    def _has_just_started(self, now_s: float) -> bool:
        return self._started_s is not None and now_s - self._started_s < PATIENCE_S

    def _pause_s(self, seen: Seen) -> float:
        if seen.stage == WAITING:
            return self._random.uniform(6.0, 12.0)
        return self._random.uniform(3.0, 6.0)


def _part(snapshot: Mapping[str, object], key: str) -> Mapping[str, object]:
    part = snapshot.get(key)
    return part if isinstance(part, Mapping) else {}
