"""Is the lead that was called for the one that is fitted? Asked soon after run-up, by the session's own readings.

The arithmetic is that of the findings afterwards (lead_findings.py); a state machine that takes time as an argument. It
warns, once a trial, only where another lead of the plan fits and the one called for does not; what it cannot tell it
leaves unsaid.

What belongs to another trial never counts: idle readings begin after the last switch-off, a trial is judged alone, and a
baseline's trial that was broken off, or had the wrong lead, is nothing to hold others against.
"""

import statistics
from collections import deque
from collections.abc import Iterable, Sequence, Set
from dataclasses import dataclass, replace

from daq.comparison.lead_decisions import likely_fitted
from daq.comparison.lead_findings import find_leads
from daq.comparison.lead_measuring import Method
from daq.comparison.lead_ranges import lead_range
from daq.comparison.lead_readings import NOTHING, Stretch, TrialEdges, tells_of_a_lead
from daq.comparison.lead_report import LeadFinding
from daq.comparison.rules import Air, ConditionFacts
from daq.comparison.trial_inputs import MACHINE_END, SUPPLY_END
from daq.records import Channel
from daq.uncertainty import Combined
from daq.units import senml_value, unit_of

ASKED_AFTER_S = (35.0, 60.0, 90.0)
"""Seconds under load beyond any inrush; where it could not be told, once more with more of them, or from slower meters [s]."""
_BEFORE_ON_S = 62.0
_AFTER_OFF_S = 32.0
_SLACK_S = 5.0
_GUARD_S = 2.0
"""So soon after another trial's switch-off a reading may still be that one's [s]."""
_INRUSH_S = 3.0
_LOADED_SHARE = 0.5
_MOST_BASELINES = 3

_Readings = dict[str, list[tuple[float, float]]]


@dataclass(frozen=True, slots=True)
class LeadWarning:
    """Another lead seems to be fitted.

    Attributes:
        seen: In short, for the trial's record.
        text: For the operator, with what it rests on and what to do.
    """

    seen: str
    text: str


@dataclass(slots=True)
class _Trial:
    """The machine under one condition, so far; `about_on` are the readings that must outlast the buffer."""

    number: int
    condition: str
    on_s: float
    about_on: _Readings
    off_s: float | None = None
    asked: int = 0
    is_reference: bool = True
    warned: bool = False


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
        self._idle_since_s = float("-inf")
        self._count = 0

    def feed(self, channel: str, at_s: float, value: float) -> None:
        """Take a reading [s; unit of the channel]."""
        recent = self._recent.get(channel)
        if recent is None:
            return
        trial = self._trial
        if trial and trial.off_s is not None and at_s > trial.off_s + _AFTER_OFF_S:
            self._over(trial, at_s)
        recent.append((at_s, senml_value(value, self._units[channel])))
        kept_s = _BEFORE_ON_S + _AFTER_OFF_S + _SLACK_S
        while recent[0][0] < at_s - kept_s:
            recent.popleft()

    def machine_on(self, condition: str, at_s: float) -> None:
        """A trial begins [s]."""
        if self._trial:
            self._over(self._trial, at_s - _GUARD_S)
        self._count += 1
        since_s = max(at_s - _BEFORE_ON_S, self._idle_since_s)
        about_on = {
            name: [r for r in recent if r[0] >= since_s]
            for name, recent in self._recent.items()
        }
        self._trial = _Trial(self._count, condition, at_s, about_on)

    def machine_off(self, at_s: float, *, is_finished: bool) -> None:
        """The trial's machine was switched off [s], as it should be or too soon."""
        self._idle_since_s = at_s + _GUARD_S
        if self._trial is not None:
            self._trial.off_s = at_s
            self._trial.is_reference = is_finished and not self._trial.warned

    def warning(self, now_s: float) -> LeadWarning | None:
        """What seems to be wrong with the lead; None where nothing is, or it was said, or cannot be told.

        Args:
            now_s: The present [s].
        """
        trial = self._trial
        if trial is None or trial.off_s is not None or trial.warned:
            return None
        if trial.asked >= len(ASKED_AFTER_S):
            return None
        if now_s < trial.on_s + ASKED_AFTER_S[trial.asked]:
            return None
        trial.asked += 1
        trial.about_on = self._readings(trial, now_s)
        said = self._asked(trial, now_s)
        trial.warned = said is not None
        return said

    # ---- inside

    def _asked(self, trial: _Trial, now_s: float) -> LeadWarning | None:
        # Repeats are averaged by the arithmetic; this is about one of them.
        earlier = [] if trial.condition == self._baseline else self._baselines
        report = find_leads(
            [*earlier, self._edges(trial, now_s)],
            self._conditions,
            baseline=self._baseline,
            air=self._air,
        )
        of_it = (f for f in report.findings if trial.number in f.trials)
        found = next(of_it, None)
        if found is None or found.resistance_ohm is None or found.uncertainty is None:
            return None
        if found.is_least:
            # The baseline's own lead comes on top, and nobody knows how much that is.
            return None
        fitted = likely_fitted(
            found.resistance_ohm,
            found.uncertainty.expanded_uncertainty,
            self._conditions,
            called_for=trial.condition,
        )
        if not fitted:
            return None
        return _warning(
            fitted,
            found,
            found.resistance_ohm,
            found.uncertainty,
            baseline=self._baseline,
        )

    def _over(self, trial: _Trial, until_s: float) -> None:
        """One voltmeter knows a lead against the baseline's: what was read about that is kept."""
        self._trial = None
        if trial.condition == self._baseline and trial.is_reference:
            self._baselines.append(self._edges(trial, until_s))

    def _edges(self, trial: _Trial, until_s: float) -> TrialEdges:
        """What was read about it up to a moment, which stands for the switch-off while the machine runs."""
        readings = {
            name: Stretch(*zip(*found, strict=True)) if found else NOTHING
            for name, found in self._readings(trial, until_s).items()
        }
        off_s = until_s if trial.off_s is None else trial.off_s
        edges = TrialEdges(
            trial=trial.number,
            condition=trial.condition,
            on_s=trial.on_s,
            off_s=off_s,
            channels=self._channels,
            readings=readings,
        )
        return _told_late(edges)

    def _readings(self, trial: _Trial, until_s: float) -> _Readings:
        """Those about its switch-on, and the newest of those after them."""
        found: _Readings = {}
        for name, recent in self._recent.items():
            about_on = trial.about_on.get(name, [])
            last_s = about_on[-1][0] if about_on else trial.on_s
            later = [r for r in recent if last_s < r[0] <= until_s]
            found[name] = [*about_on, *later]
        return found


def _told_late(edges: TrialEdges) -> TrialEdges:
    """With switch-on where the current rose: the operator's key may come after it, and idle would not be idle."""
    places = (c.place for c in edges.channels)
    current = edges.find("current", MACHINE_END, SUPPLY_END, *places)
    if current is None:
        return edges
    amperes = edges.of(current)
    loaded = amperes.between(edges.on_s + _INRUSH_S, edges.off_s).values
    if not loaded:
        return edges
    least_a = _LOADED_SHARE * statistics.median(loaded)
    before = amperes.between(float("-inf"), edges.on_s)
    on_s = edges.on_s
    for at_s, value in zip(
        reversed(before.times_s), reversed(before.values), strict=True
    ):
        if value <= least_a:
            break
        on_s = at_s
    return replace(edges, on_s=on_s)


def _warning(
    fitted: str,
    found: LeadFinding,
    resistance_ohm: float,
    uncertainty: Combined,
    *,
    baseline: str,
) -> LeadWarning:
    """What is said of a lead that seems to be another one."""
    seen = f"the lead of {fitted!r} seems to be fitted instead of {found.condition!r}"
    expanded_ohm = uncertainty.expanded_uncertainty
    measured = f": its loop has {resistance_ohm:.3f} ± {expanded_ohm:.3f} ohm at 20 °C"
    expected = ""
    if found.stated is not None:
        low_ohm, high_ohm = found.stated.low_ohm, found.stated.high_ohm
        high = "" if high_ohm is None else f" to {high_ohm:.3f}"
        expected = f", where {low_ohm:.3f}{high} ohm are expected"
    against = ""
    if found.method is Method.STEP:
        against = f" It is measured against {baseline!r}: look whether that had the right lead, too."
    return LeadWarning(
        seen,
        f"{seen[:1].upper()}{seen[1:]}{measured}{expected}.{against} The trial goes on; it is for you to decide. If so,"
        " switch off, pull the plug, change the lead and switch on again: the trial is then asked for once more. If the"
        " right one is fitted, its conductors, plugs or joints are in doubt, and may get hot: switch off at the plug and"
        " look at them.",
    )


def unwatched(
    channels: Iterable[Channel], conditions: Sequence[ConditionFacts], *, baseline: str
) -> str:
    """Why a wrong lead cannot be noticed, as a clause; empty where it can, or where no lead is compared.

    Args:
        channels: Of the bench.
        conditions: Of the plan.
        baseline: Name of the condition that one voltmeter's results are relative to.
    """
    there = {(c.quantity, c.place) for c in channels}
    why = _why_unwatched(there, conditions, baseline)
    return f"a wrong lead is not noticed: {why}" if why else ""


def _why_unwatched(
    there: Set[tuple[str, str]], conditions: Sequence[ConditionFacts], baseline: str
) -> str:
    changed = [c for c in conditions if "lead" in c.changes]
    if not changed:
        return ""
    if not all(_is_stated(c) for c in changed):
        return (
            "the plan does not state size and length of every lead ([condition.lead])"
        )
    if not any(quantity == "current" for quantity, _ in there):
        return "there is no current channel"
    has_supply = ("voltage", SUPPLY_END) in there
    if ("voltage", MACHINE_END) in there:
        known = has_supply or any(
            c.name == baseline and _is_stated(c) for c in conditions
        )
        return (
            ""
            if known
            else (
                "with one voltmeter leads are known against the baseline's, and the plan does not state size and length of"
                f" that one ([condition.lead] of {baseline!r})"
            )
        )
    if has_supply:
        return (
            "a voltage measured at the supply's end alone says nothing of the lead, put a voltmeter at the machine's end"
            " (place = 'machine end')"
        )
    return "there is no voltmeter at the machine's end (place = 'machine end')"


def _is_stated(condition: ConditionFacts) -> bool:
    return condition.lead is not None and lead_range(condition.lead) is not None
