"""Whether each question, and each line that nobody asked for, has its reading or its gap; a table without that proves nothing.

Knows times, numbers and outcomes only; what is true of them is the judge's.
"""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field

from daq.records import Gap, Reading
from tests.campaigns.wire_faults_classes import binomial_bound
from tests.campaigns.wire_faults_meters import INTERVAL_S
from tests.campaigns.wire_faults_spoiling import UNDETECTABLE, Fault

ONE = 1
"""Poll that is cut off by the end of a run, or begins within its slot and not at its edge."""
LEAST_READ = 0.9
"""Of the polls whose answers were left alone; what is spoiled of others costs its own poll and no more."""
_FEW = 3
"""Polls on either side of a fault that may be caught in it where there are few [1]."""
UNTOLD_SILENT = 0.3
"""Of the lines of a stream that never came: of half of all lines lost, seven in ten are told (DEVELOPERS.md, "Faults on the wires")."""
UNTOLD_HEARD = 0.05
"""Of those of which something came, which is told when it comes; at most 2 in 100 were measured."""
UNTOLD_AT_EDGES = 10
"""Lines: the first five, and those at the end that no other has followed yet [1]."""
LEAST_LINES_READ = 0.4
"""Of those left alone: a line without its end takes the next one with it, a lost port those until it is open again."""
_GAPS_LAG_S = INTERVAL_S / 2.0
"""A bad line is told when it has ended, which may be after the next one has begun."""


@dataclass
class PolledAccount:
    """Of a meter that is asked.

    Attributes:
        polls: Begun [1].
        answered: Those of them that have an outcome [1].
        slots: Deadlines from the first poll to the last one [1].
        told: Those of them that readings and gaps stand for [1].
        sound: Polls with no answer that was spoiled [1].
    """

    polls: int = 0
    answered: int = 0
    slots: int = 0
    told: int = 0
    sound: int = 0
    _first_s: float = 0.0
    _so_far: int = 0

    def begin(self, at_s: float) -> None:
        """A poll was begun."""
        if not self.polls:
            # What was told before belongs to no poll: the line had to be opened.
            self._first_s, self._so_far = at_s, 0
        self.polls += 1
        self.slots = round((at_s - self._first_s) / INTERVAL_S)
        self.told = self._so_far

    def take(self, outcome: Reading | Gap, *, was_asked: bool) -> None:
        """An outcome was told."""
        self.answered += was_asked
        self._so_far += outcome.polls if isinstance(outcome, Gap) else 1

    def missing(self, fault: Fault, read: int) -> str:
        """What this does not prove; `read` of the sound polls were read."""
        if not 0 <= self.polls - self.answered <= ONE:
            return f"{self.polls} polls, {self.answered} outcomes"
        if abs(self.slots - self.told) > ONE:
            return f"{self.slots} polls due, {self.told} told"
        # Of an old answer in its place, or one that is still to come, the next poll knows nothing either.
        least = 1 if fault in UNDETECTABLE else LEAST_READ * self.sound - _FEW
        if read < max(least, 1):
            return f"{read} read of {self.sound} left alone"
        return ""


@dataclass
class StreamedAccount:
    """Of a meter that talks by itself: readings in the order of its lines, and holes between them.

    Attributes:
        lost: Lines of which there is no reading [1].
        untold: Those of them in whose hole there is no gap either [1].
    """

    lost: int = 0
    untold: int = 0
    _read: list[tuple[float, int]] = field(default_factory=lambda: [(0.0, 0)])
    _gaps_s: list[float] = field(default_factory=list)
    _false_s: list[float] = field(default_factory=list)

    def take(self, outcome: Reading | Gap, number: int | None) -> None:
        """An outcome was told; the number of its line, or None of a false reading."""
        if isinstance(outcome, Gap):
            self._gaps_s.append(outcome.at_s)
        elif number is None:
            self._false_s.append(outcome.at_s)
        else:
            self._read.append((outcome.at_s, number))

    def end(self, at_s: float, last: int) -> None:
        """Nothing comes any more; `last` is the number of the last line."""
        self._gaps_s.sort()
        self._false_s.sort()
        for before, after in zip(
            self._read, (*self._read[1:], (at_s, last + 1)), strict=True
        ):
            between = after[1] - before[1] - 1
            lost = max(between - _count(self._false_s, before[0], after[0]), 0)
            self.lost += lost
            if not _count(self._gaps_s, before[0], after[0]):
                self.untold += lost

    def missing(self, fault: Fault, read: int, *, sound: int) -> str:
        """What this does not prove; `read` of the `sound` lines that were left alone were read."""
        if read < max(LEAST_LINES_READ * sound - _FEW, 1):
            return f"{read} read of {sound} left alone"
        if fault in UNDETECTABLE:
            # An old line in place of a new one leaves no hole.
            return ""
        is_silent = fault in {Fault.SILENT, Fault.MIXED}
        share = UNTOLD_SILENT if is_silent else UNTOLD_HEARD
        if self.untold > binomial_bound(self.lost, share) + UNTOLD_AT_EDGES:
            return f"{self.untold} of {self.lost} lost lines untold"
        return ""


def _count(times_s: list[float], first_s: float, last_s: float) -> int:
    """How many of the sorted times lie between two readings [1]."""
    return max(
        bisect_right(times_s, last_s + _GAPS_LAG_S) - bisect_left(times_s, first_s), 0
    )
