"""A stored session into what is compared: observations with their errors, and what the plan said beforehand.

Chooses which averages count (as conditions.py does) and names the meters; the arithmetic is in daq/comparison. Its rules:

- A meter that was changed or described anew between trials has errors of its own from then on.
- An average that was taken to a reference voltage is not compared with one that was not.
- What is left out is said, with the reason.
"""

import datetime
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from daq.comparison.derived import derive_quantities
from daq.comparison.observations import ErrorPart, Observation, Quantity
from daq.comparison.rules import PlanFacts, Surroundings
from daq.comparison.session import LeftOut, SessionFigures
from daq.comparison.systematic import error_parts
from daq.conditions import counting_averages
from daq.export import StoredAverage, StoredTrial
from daq.records import Channel, Contribution, TrialState
from daq.repeats import Spread, TrialMean, pool_spread
from daq.trials.limits import Limit
from daq.uncertainty import contributions_of_accuracy


@dataclass(frozen=True, slots=True)
class Meter:
    """A channel as it was described when a trial was averaged.

    Attributes:
        number: Of the description in the store [1]; another one where anything was changed.
        channel: The description.
    """

    number: int
    channel: Channel


@dataclass(frozen=True, slots=True)
class BudgetedAverage:
    """One stored average with what its uncertainty is made of.

    Attributes:
        average: As stored.
        contributions: Its budget; empty in stores of format 1.
        meter: That read it; None where the store does not know.
    """

    average: StoredAverage
    contributions: tuple[Contribution, ...]
    meter: Meter | None


@dataclass(frozen=True, slots=True)
class StoredSessionParts:
    """What a store holds of one session.

    Attributes:
        number: Of the session.
        bench, plan, machine: Names.
        started_utc: RFC 3339.
        software: Name and version that recorded it.
        speed: [1] bench seconds a real second.
        analysis: Whose averages; 0: live.
        baseline: By the plan.
        facts: What the plan says beyond the trials.
        surroundings: What the bench says of air and airflow.
        limits: That the plan had watched.
        trials: All of them.
        averages: Of these.
        second_choice: Names of channels that were typed or imported.
        lost_something: Numbers of the trials that lost something when the file was salvaged.
    """

    number: int
    bench: str
    plan: str
    machine: str
    started_utc: str
    software: str
    speed: float
    analysis: int
    baseline: str
    facts: PlanFacts
    surroundings: Surroundings
    limits: tuple[Limit, ...]
    trials: tuple[StoredTrial, ...]
    averages: tuple[BudgetedAverage, ...]
    second_choice: frozenset[str] = frozenset()
    lost_something: tuple[int, ...] = ()


def session_figures(
    session: StoredSessionParts, *, earlier: Iterable[StoredSessionParts] = ()
) -> SessionFigures:
    """Make what is compared of a stored session.

    Args:
        session: The session.
        earlier: Sessions before it, of the same machine.
    """
    quantities, observations, remarks = _observed(session)
    facts, said = _answerable(session.facts, [q.name for q in quantities])
    return SessionFigures(
        number=session.number,
        bench=session.bench,
        plan=session.plan,
        machine=session.machine,
        started_utc=session.started_utc,
        software=session.software,
        analysis=session.analysis,
        baseline=session.baseline,
        facts=facts,
        surroundings=session.surroundings,
        limits=session.limits,
        quantities=quantities,
        observations=observations,
        earlier=_earlier_spreads(quantities, earlier),
        left_out=_left_out(session),
        remarks=(*said, *_never_measured(session), *remarks),
        normalised=_normalised_and_derived(session),
        second_choice=session.second_choice & observations.keys(),
        unstated=_unstated(session, observations),
        lost_something=session.lost_something,
    )


def _never_measured(session: StoredSessionParts) -> list[str]:
    """Conditions of the plan that no trial was begun of."""
    begun = {trial.condition for trial in session.trials}
    names = [c.name for c in session.facts.conditions if c.name not in begun]
    if not names or not begun:
        return []
    return [f"no trial yet of {', '.join(map(repr, names))}"]


def _normalised_and_derived(session: StoredSessionParts) -> frozenset[str]:
    rows = counting_averages(each.average for each in session.averages)
    channels = _normalised(rows)
    flows = [a.name for a in session.surroundings.airflows if a.channel in channels]
    return frozenset([*channels, *flows, *(f"{name}_standard" for name in flows)])


def _answerable(facts: PlanFacts, there: Sequence[str]) -> tuple[PlanFacts, list[str]]:
    """The plan's facts, without the wish for an answer that this session cannot give."""
    wanted = facts.rules.answer
    if wanted is None or wanted in there or not there:
        return facts, []
    said = (
        f"the plan wants the answer about {wanted!r}, of which this session has no value: it is about something else;"
        f" there are {', '.join(there)}"
    )
    return replace(facts, rules=replace(facts.rules, answer=None)), [said]


def _observed(
    session: StoredSessionParts,
) -> tuple[tuple[Quantity, ...], dict[str, tuple[Observation, ...]], tuple[str, ...]]:
    rows = counting_averages(each.average for each in session.averages)
    counting, remarks = _alike(rows, session.averages)
    channels: dict[str, Channel] = {}
    measured: dict[str, Quantity] = {}
    observations: dict[str, list[Observation]] = {}
    first_s = _seconds(session.started_utc)
    meters = _meter_names(counting)
    for each in counting:
        average = each.average
        if each.meter:
            channels[average.channel] = each.meter.channel
        measured.setdefault(average.channel, _quantity(each))
        observations.setdefault(average.channel, []).append(
            _observation(each, session, first_s, meters)
        )
    if not counting:
        # Whatever could be derived has nothing to be derived from: that need not be said of each.
        return (), {}, tuple(remarks)
    own_first = sorted(observations, key=lambda name: name in session.second_choice)
    in_order = {name: _by_time(observations[name]) for name in own_first}
    remarks += _missing(rows)
    remarks += _changed(counting)
    derived, more, said = derive_quantities(
        [channels[name] for name in own_first if name in channels],
        session.surroundings,
        in_order,
        normalised=_normalised(each.average for each in counting),
        second_choice=session.second_choice,
    )
    return (
        (*(measured[name] for name in own_first), *derived),
        {**in_order, **more},
        (*remarks, *said),
    )


def _normalised(averages: Iterable[StoredAverage]) -> set[str]:
    return {a.channel for a in averages if a.reference_v is not None}


def _alike(
    rows: Sequence[StoredAverage], averages: Iterable[BudgetedAverage]
) -> tuple[list[BudgetedAverage], list[str]]:
    """Averages that are compared, and what is said of those of a channel that are not of one kind."""
    by_average = {(e.average.trial, e.average.channel): e for e in averages}
    first: dict[str, StoredAverage] = {}
    for row in sorted(rows, key=lambda r: not r.baseline):
        first.setdefault(row.channel, row)
    kept: list[BudgetedAverage] = []
    others: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        if why := _unlike(row, first[row.channel]):
            others.setdefault((row.channel, why), []).append(_trial(row))
        else:
            kept.append(by_average[row.trial, row.channel])
    return kept, [
        f"{channel} of {_trials(trials)} is not compared: {why}"
        for (channel, why), trials in others.items()
    ]


def _unlike(row: StoredAverage, first: StoredAverage) -> str:
    """Why an average is not compared with the first of its channel, the baseline's if there is one; empty if it is."""
    if row.unit != first.unit:
        return f"it is in {row.unit}, that of {_trials([_trial(first)])} is in {first.unit}"
    if row.reference_v == first.reference_v:
        return ""
    return f"it is {_taken(row)}, that of {_trials([_trial(first)])} is {_taken(first)}"


def _taken(row: StoredAverage) -> str:
    if row.reference_v is None:
        return "as it was read"
    return f"taken to {row.reference_v:g} V"


def _trial(row: StoredAverage) -> str:
    return f"{row.trial} ({row.condition})"


def _trials(shown: Sequence[str]) -> str:
    return f"{'trial' if len(shown) == 1 else 'trials'} {', '.join(shown)}"


def _meter_names(counting: Sequence[BudgetedAverage]) -> dict[int, str]:
    """What each meter's errors are called: one name a description."""
    numbers: dict[str, list[int]] = {}
    for each in counting:
        if each.meter:
            known = numbers.setdefault(each.average.channel, [])
            if each.meter.number not in known:
                known.append(each.meter.number)
    return {
        number: channel if index == 0 else f"{channel} (changed, {index + 1})"
        for channel, known in numbers.items()
        for index, number in enumerate(known)
    }


def _changed(counting: Iterable[BudgetedAverage]) -> Iterator[str]:
    """Meters that were not the same throughout."""
    by_channel: dict[str, dict[int, StoredAverage]] = {}
    for each in counting:
        if each.meter:
            known = by_channel.setdefault(each.average.channel, {})
            known.setdefault(each.meter.number, each.average)
    for channel, known in by_channel.items():
        since = [_trial(first) for first in known.values()][1:]
        if since:
            yield (
                f"the meter of {channel} was changed or described anew before {_trials(since)}: what it is off by is not"
                " taken to be the same before and after"
            )


def _observation(
    each: BudgetedAverage,
    session: StoredSessionParts,
    first_s: float,
    meters: Mapping[int, str],
) -> Observation:
    average = each.average
    middle_s = 0.5 * (average.window_start_s + average.window_end_s)
    since_s = (_seconds(average.started_utc) - first_s) * session.speed
    return Observation(
        trial=average.trial,
        condition=average.condition,
        at_s=since_s + middle_s,
        mean=average.mean,
        std_uncertainty_within=average.std_uncertainty_type_a,
        degrees_of_freedom_within=average.degrees_of_freedom_a,
        errors=_errors(each, session.facts.rules.common_share, meters),
    )


def _errors(
    each: BudgetedAverage, common_share: float, meters: Mapping[int, str]
) -> tuple[ErrorPart, ...]:
    average = each.average
    if each.meter is None:
        # Nothing tells what it is made of, so nothing of it is taken to be common.
        u = average.std_uncertainty_type_b
        return (ErrorPart(f"{average.channel}: meter", u, is_common=False),)
    accuracy = each.meter.channel.accuracy
    return error_parts(
        meters[each.meter.number],
        average.mean,
        each.contributions or contributions_of_accuracy(average.mean, accuracy),
        accuracy,
        common_share=common_share,
    )


def _quantity(each: BudgetedAverage) -> Quantity:
    average = each.average
    return Quantity(
        name=average.channel,
        title=average.title,
        quantity=average.quantity,
        unit=average.unit,
        place=average.place,
        required=average.required,
        instrument=each.meter.channel.instrument if each.meter else "",
    )


def _unstated(session: StoredSessionParts, compared: Iterable[str]) -> tuple[str, ...]:
    """Channels of whose errors nothing is stated."""
    without = {
        each.average.channel
        for each in session.averages
        if each.meter
        and not contributions_of_accuracy(1.0, each.meter.channel.accuracy)
    }
    return tuple(name for name in compared if name in without)


def _missing(rows: Sequence[StoredAverage]) -> list[str]:
    trials = {row.trial: _trial(row) for row in rows}
    there: dict[str, set[int]] = {}
    for row in rows:
        there.setdefault(row.channel, set()).add(row.trial)
    return [
        f"{channel} has no average in {_trials(without)}"
        for channel, known in there.items()
        if (without := [shown for n, shown in trials.items() if n not in known])
    ]


def _left_out(session: StoredSessionParts) -> tuple[LeftOut, ...]:
    counted = {
        row.trial
        for row in counting_averages(each.average for each in session.averages)
    }
    return tuple(
        LeftOut(
            trial.trial,
            trial.condition,
            trial.state,
            trial.note or _why_left_out(trial.state),
        )
        for trial in session.trials
        if trial.trial not in counted
    )


def _why_left_out(state: str) -> str:
    if state == TrialState.FINISHED:
        return "a later trial of the same line took its place, or it has no average"
    return ""


def _earlier_spreads(
    quantities: Iterable[Quantity], earlier: Iterable[StoredSessionParts]
) -> dict[str, tuple[tuple[int, Spread], ...]]:
    units = {quantity.name: quantity.unit for quantity in quantities}
    found: dict[str, list[tuple[int, Spread]]] = {}
    for session in earlier:
        theirs, observations, _ = _observed(session)
        for quantity in theirs:
            spread = _spread(observations[quantity.name])
            if spread and units.get(quantity.name) == quantity.unit:
                found.setdefault(quantity.name, []).append((session.number, spread))
    return {name: tuple(spreads) for name, spreads in found.items()}


def _spread(observations: Iterable[Observation]) -> Spread | None:
    groups: dict[str, list[TrialMean]] = {}
    for o in observations:
        groups.setdefault(o.condition, []).append(
            TrialMean(o.mean, o.std_uncertainty_within, o.degrees_of_freedom_within)
        )
    return pool_spread(list(groups.values()))


def _by_time(observations: Iterable[Observation]) -> tuple[Observation, ...]:
    return tuple(sorted(observations, key=lambda o: (o.at_s, o.trial)))


def _seconds(utc: str) -> float:
    return datetime.datetime.fromisoformat(utc).timestamp()
