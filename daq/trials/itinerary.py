"""Which lines of the order are done, left out, in hand or to come; the first of those to come is called for next.

A line's position is its identity and never changes; its place in the list is when it is called for. Lines are added
and moved, never taken away. Lines, positions left out and ended trials, as they are stored, give the same itinerary
again: nothing depends on how it came about.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from daq.records import PlannedTrial, TrialResult, TrialState

_COUNTS_FOR_NOTHING = frozenset({TrialState.UNFINISHED, TrialState.SET_ASIDE})
"""After a trial that ended like this its line is called for again."""


class Itinerary:
    """The order of a session and how far it has come."""

    def __init__(
        self,
        lines: Sequence[PlannedTrial],
        *,
        skipped: Collection[int] = (),
        earlier: Iterable[TrialResult] = (),
    ) -> None:
        """Begin or take up.

        Args:
            lines: In order of calling.
            skipped: Positions of lines that are left out.
            earlier: Trials that have ended.
        """
        self._lines = list(lines)
        self._skipped = set(skipped)
        self._in_hand: int | None = None
        self._done: dict[int, str] = {}
        self._attempts: dict[int, dict[str, int]] = {}
        for result in earlier:
            self._keep(result)

    # ---- what can be asked of it

    @property
    def lines(self) -> tuple[PlannedTrial, ...]:
        """Every line, in order of calling."""
        return tuple(self._lines)

    @property
    def skipped(self) -> frozenset[int]:
        """Positions of the lines that are left out."""
        return frozenset(self._skipped)

    @property
    def done(self) -> frozenset[int]:
        """Positions of the lines that need no repeat."""
        return frozenset(self._done)

    @property
    def conditions(self) -> tuple[str, ...]:
        """Names of the conditions, each once."""
        return tuple(dict.fromkeys(line.condition for line in self._lines))

    @property
    def baseline(self) -> str | None:
        """The condition that the others are compared with; None where no line says so."""
        return next((line.condition for line in self._lines if line.baseline), None)

    def next_line(self) -> PlannedTrial | None:
        """The first line to come; None where nothing is."""
        return next((line for line in self._lines if self._is_to_come(line)), None)

    def line_at(self, position: int) -> PlannedTrial | None:
        """The line with this position; None where there is none."""
        return next((line for line in self._lines if line.position == position), None)

    def attempts(self, position: int) -> int:
        """Highest attempt so far at a line [1]."""
        return max(self._attempts.get(position, {}).values(), default=0)

    # ---- what happens to it

    def begin(self, position: int) -> None:
        """A trial of this line begins: it is in hand, no longer to come."""
        self._in_hand = position

    def end(self, result: TrialResult) -> None:
        """The trial in hand has ended; its line is done, or to come again."""
        self._in_hand = None
        self._keep(result)

    def skip(self, position: int) -> None:
        """Leave a line out.

        Raises:
            ValueError: If it is not to come.
        """
        line = self.line_at(position)
        if line is None or not self._is_to_come(line):
            msg = f"line {position} is not to come, expected one that is"
            raise ValueError(msg)
        self._skipped.add(position)

    def add_next(self, condition: str) -> PlannedTrial:
        """Add a line directly before the next one to come, at the end where none is.

        Raises:
            ValueError: If no line has this condition.
        """
        alike = self._alike(condition)
        added = PlannedTrial(
            position=max(line.position for line in self._lines) + 1,
            condition=condition,
            repeat=max(line.repeat for line in alike) + 1,
            baseline=condition == self.baseline,
        )
        self._insert_next(added)
        return added

    def ask_again(self, position: int) -> None:
        """Call for a line next, whether it was done, left out or to come later; one in hand stays in hand.

        Raises:
            ValueError: If there is no such line.
        """
        line = self.line_at(position)
        if line is None:
            msg = f"there is no line {position}, expected a position of the order"
            raise ValueError(msg)
        self._done.pop(position, None)
        self._skipped.discard(position)
        if position != self._in_hand and self.next_line() != line:
            self._lines.remove(line)
            self._insert_next(line)

    def move_result(self, result: TrialResult, condition: str) -> PlannedTrial:
        """An ended trial was made under another condition; its own line is to come again if it was done by it.

        Args:
            result: As it is known so far.
            condition: What it was really made under.

        Returns:
            The line it belongs to now: the first of the condition to come, else one added for it. A trial that counts
            for nothing has none added, and goes to the condition's last line instead.

        Raises:
            ValueError: If no line has this condition.
        """
        alike = self._alike(condition)
        own = result.planned.position
        counts = self._done.get(own) == result.trial_id
        if counts:
            del self._done[own]
        self._attempts.get(own, {}).pop(result.trial_id, None)
        line = next((line for line in alike if self._is_to_come(line)), None)
        if line is None:
            line = self.add_next(condition) if counts else alike[-1]
        self._keep(replace(result, planned=line))
        return line

    # ---- inside

    def _alike(self, condition: str) -> list[PlannedTrial]:
        alike = [line for line in self._lines if line.condition == condition]
        if not alike:
            msg = f"condition {condition!r} is in no line, expected one of {', '.join(self.conditions)}"
            raise ValueError(msg)
        return alike

    def _is_to_come(self, line: PlannedTrial) -> bool:
        position = line.position
        return (
            position not in self._done
            and position not in self._skipped
            and position != self._in_hand
        )

    def _insert_next(self, line: PlannedTrial) -> None:
        following = self.next_line()
        place = len(self._lines) if following is None else self._lines.index(following)
        self._lines.insert(place, line)

    def _keep(self, result: TrialResult) -> None:
        position = result.planned.position
        self._attempts.setdefault(position, {})[result.trial_id] = result.attempt
        if result.state not in _COUNTS_FOR_NOTHING:
            self._done[position] = result.trial_id
