"""A session in hand: its state machine with what stands beside it, and its trials by their numbers in the store."""

from collections.abc import Mapping

from daq.comparison.lead_watch import LeadWatch, unwatched
from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.errors import OperationRefusedError, Refusal
from daq.records import PlannedTrial, TrialResult, TrialState
from daq.runtime.beginning import Beginning
from daq.runtime.session_lines import SessionLines
from daq.trials.session import Occurrence, Session
from daq.trials.stages import SWITCHED_OFF, Happening, Stage
from daq.wording import normalising_sentence


class Running:
    """One session, from its beginning or its resumption until it is left."""

    def __init__(
        self,
        bench: Bench,
        plan: Plan,
        start: Beginning,
        *,
        found_running_s: float | None = None,
    ) -> None:
        """Begin or resume.

        Args:
            bench: The meters.
            plan: Of the session.
            start: Of the session, or how it goes on.
            found_running_s: Now, where a machine was left running or may be running [s].
        """
        self.plan = plan
        self.facts = start.facts
        self.session = Session(
            plan.rules,
            start.order,
            earlier=start.earlier,
            skipped=start.skipped,
            paused=start.is_paused,
            found_running=found_running_s is not None,
        )
        if found_running_s is not None:
            # At once: there must be no moment in which nothing says so.
            self.session.tick(found_running_s)
        # What is typed comes too seldom for the watch over the lead.
        polled = tuple(c for i in bench.instruments for c in i.channels)
        self.leads = LeadWatch(
            polled,
            plan.facts.conditions,
            baseline=plan.baseline,
            air=bench.surroundings.air,
        )
        self.lines = SessionLines(
            plan,
            self.session,
            start.facts.number,
            trials=dict(start.numbers),
            found_running_s=self.session.running_since_s,
        )
        self.lines.take_results(start.earlier)
        numbers = start.numbers
        self._ended = {
            numbers[r.trial_id]: r for r in start.earlier if r.trial_id in numbers
        }
        why = unwatched(polled, plan.facts.conditions, baseline=plan.baseline)
        unwatched_words = f" {why[:1].upper()}{why[1:]}." if why else ""
        self.words = (
            f"{start.words} {normalising_sentence(plan.rules)}{unwatched_words}"
        )

    @property
    def is_finished(self) -> bool:
        """Whether nothing is left to do."""
        return self.session.stage is Stage.FINISHED

    @property
    def in_hand(self) -> PlannedTrial | None:
        """The line whose trial runs."""
        trial = self.session.trial()
        return trial.planned if trial else None

    @property
    def results(self) -> tuple[TrialResult, ...]:
        """Newest result of each line that has one, in the order's order."""
        results = self.lines.results
        return tuple(
            results[line.position]
            for line in self.session.order
            if line.position in results
        )

    def means_of(self, channel: str) -> tuple[float, ...]:
        """What a channel averaged to in the trials that count [unit of the channel]."""
        return tuple(
            average.mean
            for result in self.results
            for average in result.averages
            if average.channel == channel
        )

    @property
    def ended(self) -> Mapping[int, TrialResult]:
        """Trials that have ended, by their numbers in the store."""
        return self._ended

    @property
    def finished_count(self) -> int:
        """Trials that ended with averages and count: what the session's comparison is made of [1]."""
        states = [result.state for result in self._ended.values()]
        return states.count(TrialState.FINISHED)

    def happened(self, occurrence: Occurrence, *, trial: int | None) -> None:
        """Take what happened to the trial of this number."""
        begins = occurrence.happening is Happening.SWITCHED_ON
        if begins and occurrence.planned is not None:
            self.lines.trial_began(trial or 0)
            self.leads.machine_on(occurrence.planned.condition, occurrence.at_s)
        result = occurrence.result
        if occurrence.happening in SWITCHED_OFF:
            self.leads.machine_off(
                occurrence.at_s,
                is_finished=result is not None
                and result.state is not TrialState.UNFINISHED,
            )
        if result is None:
            return
        self.lines.take_results([result])
        if occurrence.happening in SWITCHED_OFF and trial is not None:
            self._ended[trial] = result
            self.lines.trials[result.trial_id] = trial

    def altered(self, trial: int, result: TrialResult) -> None:
        """A trial that has ended counts for another line now, or no longer."""
        self.lines.moved(self._ended[trial], result)
        self._ended[trial] = result

    def trial_of(self, number: int) -> TrialResult:
        """A trial that has ended.

        Raises:
            OperationRefusedError: If there is none of that number in this session.
        """
        if number not in self._ended:
            known = ", ".join(str(n) for n in sorted(self._ended)) or "none yet"
            text = (
                f"no trial {number} of this session has ended, expected one of {known}"
            )
            raise OperationRefusedError(Refusal.UNKNOWN_TRIAL, text)
        return self._ended[number]

    def newest_of(self, position: int) -> tuple[int, TrialResult] | None:
        """Number and result of the newest ended trial of a line."""
        found = self.lines.results.get(position)
        if found is None or found.trial_id not in self.lines.trials:
            return None
        number = self.lines.trials[found.trial_id]
        return number, self._ended[number]
