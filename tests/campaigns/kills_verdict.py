"""What the kills of a campaign came to, and whether that proves anything.

Rules: as many kills and whole sessions as were asked for; each moment that was wanted was reached, and few kills fell on another one; the viewer was
shown readings, so that something was held against the store; and trials settled, so that something was there to be judged again.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from tests.campaigns.kills_findings import Findings
from tests.campaigns.kills_moments import WHILE_STARTING, Moment

MOST_ANOTHER = 0.25
"""Share of the kills that may fall on another moment than was wanted: on a busy computer some do."""
LEAST_CHECKED = 10
"""Readings held against the store, by the kills that a viewer could see: each meter is read every 42 ms, and what is older than 1.2 s counts."""


@dataclass
class Tally:
    """What came of the kills.

    Attributes:
        wanted, kills: At each moment, as was asked for and as it came [1].
        sessions: Carried to their end [1].
        lines, settled: Of those sessions, and of them those that have averages [1].
    """

    wanted: Counter[Moment] = field(default_factory=Counter)
    kills: Counter[Moment] = field(default_factory=Counter)
    findings: dict[Moment, Findings] = field(default_factory=dict)
    sessions: int = 0
    lines: int = 0
    settled: int = 0

    def of(self, moment: Moment) -> Findings:
        return self.findings.setdefault(moment, Findings())

    @property
    def checked(self) -> int:
        """Readings held against the store [1]."""
        return sum(found.checked for found in self.findings.values())

    @property
    def violations(self) -> list[str]:
        return [
            f"{moment}: {kind}: {text}"
            for moment, found in self.findings.items()
            for kind, texts in found.wrong.items()
            for text in texts
        ]


def unmeasured(
    tally: Tally, *, kills: int, sessions: int, is_broken_off: bool = False
) -> Iterator[str]:
    """What was asked for and not measured, in words; nothing where all of it was.

    Args:
        tally: What came of it.
        kills: Asked for [1].
        sessions: Asked for [1].
        is_broken_off: Whether an interrupt ended it.
    """
    if is_broken_off:
        yield "broken off"
    if tally.kills.total() < kills:
        yield f"{tally.kills.total()} of {kills} kills"
    if tally.sessions < sessions:
        yield f"{tally.sessions} of {sessions} sessions carried to their end"
    yield from unreached(tally.wanted, tally.kills)
    watched = sum(n for each, n in tally.wanted.items() if each not in WHILE_STARTING)
    if not tally.checked or tally.checked < LEAST_CHECKED * watched:
        yield f"{tally.checked} readings held against the store, of {watched} kills that a viewer could see"
    if tally.sessions and 2 * tally.settled < tally.lines:
        yield f"{tally.settled} of {tally.lines} trials settled, so that they could be judged again"
    if tally.sessions and not tally.lines:
        yield "no trial was done"


def unreached(
    wanted: Mapping[Moment, int], reached: Mapping[Moment, int]
) -> Iterator[str]:
    """Moments that were wanted and never came, and whether too many came at another."""
    for moment, count in wanted.items():
        if count and not reached.get(moment):
            yield f"never {moment}, though that was wanted {count} times"
    another, of_all = reached.get(Moment.ANOTHER, 0), sum(reached.values())
    if another > MOST_ANOTHER * of_all:
        yield f"{another} of {of_all} fell on another moment than was wanted"
