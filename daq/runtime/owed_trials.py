"""Trials that can be carried out once more: a limit broke them, or typed channels lack an average. Which is offered, and in what words.

Their lines are done with, and nobody would know without being told.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from daq.config.plan import Plan
from daq.records import PlannedTrial, TrialResult, TrialState
from daq.runtime.snapshot import RepeatLine
from daq.trials.session import Session
from daq.trials.stages import OVER, Stage
from daq.wording import DONE_WITH, WAS_BASELINE, Urgency, trial_name


@dataclass(slots=True)
class OwedTrials:
    """What a session owes.

    Attributes:
        results: Newest result of each line, by the line's position; another keeps them.
        newest: UUID of the trial that was told of last.
        is_answered_at_end: Somebody can say at the end whether a limit's trial is repeated: the service waits for that.
    """

    plan: Plan
    session: Session
    results: Mapping[int, TrialResult]
    newest: str = ""
    is_answered_at_end: bool = True

    def offer(self) -> RepeatLine | None:
        """The trial that may be carried out once more.

        While it runs, once it is averaged or a limit is broken; after a broken limit until the next trial begins; where the
        session is finished, the first that was not called for once more.
        """
        line = self._offered()
        if line is None:
            return None
        number = self.session.order.index(line) + 1
        return RepeatLine(line.position, number, line.condition, line.repeat)

    def is_called_for_again(self, position: int) -> bool:
        """Whether the trial at this position lacks what it was made for, and a line that repeats it is still open."""
        line = next((x for x in self.session.order if x.position == position), None)
        if line is None or not self._lacks(line) or line in self._owed():
            return False
        planned, ended = self._planned, self.results
        return any(
            other.condition == line.condition
            and other.position > planned
            and other.position not in self.session.skipped
            and (
                other.position not in ended
                or ended[other.position].state is TrialState.UNFINISHED
            )
            for other in self.session.order
        )

    def call(self, *, by_key: bool) -> tuple[str, Urgency] | None:
        """What is said across the room of typed channels that lack an average, and at the end of a broken limit; None where nothing is."""
        trial, line = self.session.trial(), self._offered()
        if trial is not None and trial.lacking and self.session.stage is Stage.DONE:
            off = "Switch off, then press Enter" if by_key else "Switch off"
            again = "This trial is called for once more."
            what = again if line is None else "Repeat this trial?"
            words = f"{off}: only {', '.join(trial.lacking)}. {what}"
            return words, Urgency.ACTION
        if line is None or self.session.stage is not Stage.FINISHED:
            return None
        lacks = (
            "broke a limit"
            if self._is_broken(line)
            else f"has no average of {', '.join(self._lacking_in(line))}"
        )
        words = f"Finished, but {trial_name(line)} {lacks}. Repeat it, or end?"
        return words, Urgency.ACTION

    def sentence(self, usual: str) -> str:
        """How a trial is carried out once more, and how not; what is said at this stage otherwise, where nothing is owed."""
        session, line = self.session, self._offered()
        if line is None:
            is_broken = session.stage is Stage.LIMIT
            return (
                f"{usual} This trial is called for once more." if is_broken else usual
            )
        number = session.order.index(line) + 1
        is_broken, is_over = self._is_broken(line), session.stage is Stage.FINISHED
        counting = "" if is_broken else "; both trials count"
        ways = f"Repeat: the key r at the terminal, the page, or daq session BENCH repeat {number}{counting}."
        if is_broken:
            baseline = f" {WAS_BASELINE}" if line.baseline else ""
            ways = f"{trial_name(line)} broke a limit. {DONE_WITH}{baseline} {ways}"
        if is_over:
            return f"{ways} End: the key e, the page, or daq session BENCH stop."
        if is_broken:
            return f"{usual} {ways}"
        return f"All else is averaged. {ways} Without it the trial stands as it is."

    def note(self, line: PlannedTrial, note: str) -> str:
        """What is noted of a line's trial, and that it is not asked for again by itself where a limit broke it."""
        if not self._is_broken(line) or line not in self._owed():
            return note
        return "; ".join(filter(None, [note, "not asked for again by itself"]))

    # ---- inside

    @property
    def _planned(self) -> int:
        """Lines that the plan itself asks for [1]; those with higher positions were added."""
        return len(self.plan.order(seed=0))

    def _offered(self) -> PlannedTrial | None:
        stage = self.session.stage
        owed = self._owed()
        if stage in OVER:
            owed = [line for line in owed if line == self.session.called_for]
        elif stage is Stage.WAITING:
            owed = [x for x in owed if self._is_broken(x) and self._is_newest(x)]
        elif stage is not Stage.FINISHED:
            owed = []
        elif not self.is_answered_at_end:
            owed = [line for line in owed if not self._is_broken(line)]
        return owed[0] if owed else None

    def _owed(self) -> list[PlannedTrial]:
        """Lines whose trial lacks what it was made for, without those that were called for once more since."""
        owed: list[PlannedTrial] = []
        if not any(self._lacks(line) for line in self.session.order):
            return owed
        planned = self._planned
        # In order of calling: a line that was added and carried out before is no repeat of a trial that came later.
        for line in self.session.order:
            alike = [other for other in owed if other.condition == line.condition]
            if alike and line.position > planned:
                owed.remove(alike[0])
            if self._lacks(line):
                owed.append(line)
        return owed

    def _lacks(self, line: PlannedTrial) -> bool:
        return self._is_broken(line) or bool(self._lacking_in(line))

    def _is_broken(self, line: PlannedTrial) -> bool:
        result = self.results.get(line.position)
        return result is not None and result.state is TrialState.LIMIT_BROKEN

    def _is_newest(self, line: PlannedTrial) -> bool:
        return self.results[line.position].trial_id == self.newest

    def _lacking_in(self, line: PlannedTrial) -> tuple[str, ...]:
        """Titles of the typed channels of which a line's finished trial has no average."""
        result, rules = self.results.get(line.position), self.plan.rules
        if result is None or result.state is not TrialState.FINISHED:
            return ()
        missing = set(rules.typed) - {average.channel for average in result.averages}
        return tuple(c.title for c in rules.channels if c.name in missing)
