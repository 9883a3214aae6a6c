"""Is the lead that was called for the one that is fitted? Asked once a trial, soon after run-up, by the session's own readings.

The arithmetic is that of the findings afterwards (lead_findings.py); a state machine that takes time as an argument. It
warns only where another lead of the plan fits and the one called for does not; what it cannot tell it leaves unsaid.
"""

from collections import deque
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field

from daq.comparison.lead_decisions import likely_fitted
from daq.comparison.lead_findings import find_leads
from daq.comparison.lead_ranges import lead_range
from daq.comparison.lead_readings import Stretch, TrialEdges, tells_of_a_lead
from daq.comparison.rules import Air, ConditionFacts, LeadFacts
from daq.records import Channel
from daq.units import senml_value, unit_of

ASK_AFTER_S = 35.0
"""By then there are some seconds under load beyond any inrush [s]."""
ASK_AGAIN_S = 60.0
"""Where it could not be told before, once more [s]."""
_BEFORE_ON_S = 62.0
_AFTER_OFF_S = 32.0
_SLACK_S = 5.0
_MOST_BASELINES = 3


@dataclass(slots=True)
class _Trial:
    """The machine under one condition, so far."""

    number: int
    condition: str
    on_s: float
    off_s: float | None = None
    asked: int = 0
    answered: bool = False
    before: dict[str, list[tuple[float, float]]] = field(default_factory=dict)


class LeadWatch:
    """Collects readings about each switch-on, and says which lead seems to be fitted instead."""

    def __init__(
        self,
        channels: Iterable[Channel],
        conditions: Sequence[ConditionFacts],
        *,
        baseline: str,
        air: Air | None = None,
    ) -> None:
        """Prepare for a session.

        Args:
            channels: Of the bench.
            conditions: Of the plan.
            baseline: Name of the condition that one voltmeter's results are relative to.
            air: What the bench says of the room's air.
        """
        self._channels = tuple(c for c in channels if tells_of_a_lead(c))
        self._conditions = tuple(conditions)
        self._baseline = baseline
        self._air = air
        self._recent: dict[str, deque[tuple[float, float]]] = {
            c.name: deque() for c in self._channels
        }
        self._units = {c.name: unit_of(c.unit) for c in self._channels}
        self._baselines: deque[TrialEdges] = deque(maxlen=_MOST_BASELINES)
        self._trial: _Trial | None = None
        self._count = 0

    def feed(self, channel: str, at_s: float, value: float) -> None:
        """Take a reading [s; unit of the channel]."""
        recent = self._recent.get(channel)
        if recent is None:
            return
        recent.append((at_s, senml_value(value, self._units[channel])))
        kept_s = _BEFORE_ON_S + _AFTER_OFF_S + _SLACK_S
        while recent[0][0] < at_s - kept_s:
            recent.popleft()

    def machine_on(self, condition: str, at_s: float) -> None:
        """A trial begins [s]."""
        self._keep_baseline()
        self._count += 1
        before = {
            name: [r for r in recent if at_s - _BEFORE_ON_S <= r[0]]
            for name, recent in self._recent.items()
        }
        self._trial = _Trial(self._count, condition, at_s, before=before)

    def machine_off(self, at_s: float) -> None:
        """The trial's machine was switched off [s]."""
        if self._trial is not None:
            self._trial.off_s = at_s

    def warning(self, now_s: float) -> str | None:
        """What seems to be wrong with the lead; None where nothing is, or it was said, or cannot be told.

        Args:
            now_s: The present [s].
        """
        trial = self._trial
        if trial is None or trial.off_s is not None or trial.answered:
            return None
        due_s = (ASK_AFTER_S, ASK_AGAIN_S)
        if trial.asked >= len(due_s) or now_s < trial.on_s + due_s[trial.asked]:
            return None
        trial.asked += 1
        return self._asked(trial, now_s)

    # ---- inside

    def _asked(self, trial: _Trial, now_s: float) -> str | None:
        report = find_leads(
            [*self._baselines, self._edges(trial, now_s)],
            self._conditions,
            baseline=self._baseline,
            air=self._air,
        )
        found = next(
            (f for f in report.findings if f.condition == trial.condition), None
        )
        if found is None or found.resistance_ohm is None or found.uncertainty is None:
            return None
        if trial.number not in found.trials:
            return None
        trial.answered = True
        expanded = found.uncertainty.expanded_uncertainty
        fitted = likely_fitted(
            found.resistance_ohm,
            expanded,
            self._conditions,
            called_for=trial.condition,
        )
        if fitted is None:
            return None
        return warning_sentence(
            fitted,
            self._leads,
            called_for=trial.condition,
            resistance_ohm=found.resistance_ohm,
            expanded_ohm=expanded,
        )

    @property
    def _leads(self) -> Mapping[str, LeadFacts]:
        return {c.name: c.lead for c in self._conditions if c.lead}

    def _edges(self, trial: _Trial, end_s: float) -> TrialEdges:
        """What was read about it up to a moment, which stands for the switch-off while the machine runs."""
        readings = {}
        for name, recent in self._recent.items():
            before = trial.before.get(name, [])
            last_s = before[-1][0] if before else trial.on_s - _BEFORE_ON_S
            later = [r for r in recent if r[0] > last_s]
            times, values = (
                zip(*before, *later, strict=True) if before or later else ((), ())
            )
            readings[name] = Stretch(times, values)
        return TrialEdges(
            trial=trial.number,
            condition=trial.condition,
            on_s=trial.on_s,
            off_s=end_s if trial.off_s is None else trial.off_s,
            channels=self._channels,
            readings=readings,
        )

    def _keep_baseline(self) -> None:
        """One voltmeter knows a lead against the baseline's: what was read about that is kept."""
        trial = self._trial
        if trial and trial.off_s is not None and trial.condition == self._baseline:
            self._baselines.append(self._edges(trial, trial.off_s))


def warning_sentence(
    fitted: str,
    leads: Mapping[str, LeadFacts],
    *,
    called_for: str,
    resistance_ohm: float,
    expanded_ohm: float,
) -> str:
    """What the operator is told of a lead that seems to be another one.

    Args:
        fitted: Name of the condition whose lead seems to be fitted.
        leads: Of the plan, by condition.
        called_for: Name of the condition that was asked for.
        resistance_ohm: Of the loop at 20 °C [ohm].
        expanded_ohm: Its expanded uncertainty [ohm].
    """
    stated = lead_range(leads[called_for])
    expected = ""
    if stated is not None:
        high = "" if stated.high_ohm is None else f" to {stated.high_ohm:.2f}"
        expected = f", where {stated.low_ohm:.2f}{high} ohm are expected"
    return (
        f"The lead of {fitted!r} seems to be fitted instead of {called_for!r}: its loop has"
        f" {resistance_ohm:.2f} ± {expanded_ohm:.2f} ohm{expected}. If so, switch off, pull the plug,"
        " change the lead and switch on again: the trial is then asked for once more."
    )


def unwatched(channels: Iterable[Channel], conditions: Sequence[ConditionFacts]) -> str:
    """Why a wrong lead cannot be noticed, as a clause; empty where it can, or where no lead is compared.

    Args:
        channels: Of the bench.
        conditions: Of the plan.
    """
    why = _why_unwatched({(c.quantity, c.place) for c in channels}, conditions)
    return f"a wrong lead is not noticed: {why}" if why else ""


def _why_unwatched(
    there: Set[tuple[str, str]], conditions: Sequence[ConditionFacts]
) -> str:
    changed = [c for c in conditions if "lead" in c.changes]
    if not changed:
        return ""
    if not all(c.lead and lead_range(c.lead) for c in changed):
        return (
            "the plan does not state size and length of every lead ([condition.lead])"
        )
    if not any(quantity == "current" for quantity, _ in there):
        return "there is no current channel"
    if ("voltage", "machine end") in there:
        return ""
    if ("voltage", "supply end") in there:
        return (
            "a voltage measured at the supply's end alone says nothing of the lead, put a voltmeter at the machine's end"
            " (place = 'machine end')"
        )
    return "there is no voltmeter at the machine's end (place = 'machine end')"
