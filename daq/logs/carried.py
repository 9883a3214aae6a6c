"""Runs of a log judged as a live session would have judged them: the same session object is fed, run by run.

Each run has a session of one line. A live session would call again for a line that ended unfinished; the runs of a log
have been made, and the next run belongs to the next line whatever became of this one.
"""

from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from daq.logs.runs import Run
from daq.records import PlannedTrial, Reading, TrialResult, TrialState
from daq.trials.session import Occurrence, Session, SessionRules
from daq.trials.stages import SWITCHED_OFF, Happening

_JUDGING_OVER = frozenset({Happening.TIME_UP, Happening.LIMIT_BROKEN})
_LOG_ENDS = "the log ends while the machine runs"


@dataclass(frozen=True, slots=True)
class CarriedTrial:
    """A run as a trial.

    Attributes:
        result: How it ended.
        first: Position of its first reading [1].
        end: Position of the first reading after it [1].
        judged_end: Position of the first reading that the rule was not given [1]; None where it was given all.
    """

    result: TrialResult
    first: int
    end: int
    judged_end: int | None


def carry_out(
    readings: Sequence[Reading],
    runs: Sequence[Run],
    pairs: Sequence[tuple[Run, PlannedTrial]],
    rules: SessionRules,
    *,
    new_trial_id: Callable[[], str],
) -> tuple[CarriedTrial, ...]:
    """Judge every run that has a line.

    Args:
        readings: Of all instruments, in order of time.
        runs: Of the log, also those that count for nothing.
        pairs: Runs with their lines.
        rules: Of plan and channels.
        new_trial_id: Gives each trial its UUID.
    """
    times_s = [reading.at_s for reading in readings]
    trials = []
    for run, line in pairs:
        before = next((r for r in reversed(runs) if r.number < run.number), None)
        after = next((r for r in runs if r.number > run.number), None)
        first = bisect_left(times_s, before.end_s) if before else 0
        end = bisect_left(times_s, after.on.latest_s) if after else len(times_s)
        session = Session(rules, [line], has_meters=False, new_trial_id=new_trial_id)
        trials.append(_Trial(session, line).carried(readings, first, end))
    return tuple(trials)


class _Trial:
    """One run on its way through a session."""

    def __init__(self, session: Session, line: PlannedTrial) -> None:
        self._session, self._line = session, line
        self._first = -1
        self._judged_end: int | None = None
        self._result: TrialResult | None = None
        self._is_over = False

    def carried(
        self, readings: Sequence[Reading], first: int, end: int
    ) -> CarriedTrial:
        for position in range(first, end):
            for occurrence in self._session.feed(readings[position]):
                self._take(occurrence, position)
            if self._is_over:
                return self._kept(self._result, position)
        view = self._session.trial()
        if view is None:
            msg = f"run for line {self._line.position} began no trial"
            raise ValueError(msg)
        result = self._result or TrialResult(
            view.trial_id,
            self._line,
            1,
            TrialState.UNFINISHED,
            view.started_s,
            readings[end - 1].at_s,
        )
        note = "; ".join(filter(None, (result.note, _LOG_ENDS)))
        ended_s = max(readings[end - 1].at_s, view.started_s)
        return self._kept(replace(result, ended_s=ended_s, note=note), end)

    def _take(self, occurrence: Occurrence, position: int) -> None:
        if occurrence.happening is Happening.SWITCHED_ON:
            self._first = position
        if occurrence.happening in _JUDGING_OVER and self._judged_end is None:
            self._judged_end = position
        self._result = occurrence.result or self._result
        self._is_over = self._is_over or occurrence.happening in SWITCHED_OFF

    def _kept(self, result: TrialResult | None, end: int) -> CarriedTrial:
        if result is None:
            msg = f"line {self._line.position} ended without a result"
            raise ValueError(msg)
        return CarriedTrial(result, self._first, end, self._judged_end)
