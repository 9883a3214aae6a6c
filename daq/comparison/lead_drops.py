"""The voltage that a lead costs, from the readings about one trial's switching, with what it is uncertain by.

Between two voltmeters: the difference under load less that with the machine off, so that offsets fall out and gains act on
the change alone. At one voltmeter: its step at switching, taken over seconds, held against what the supply does by itself
over as many seconds with nothing switched. Inrush and run-up are in neither.
"""

import math
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daq.comparison.lead_readings import (
    Pairs,
    Stretch,
    TrialEdges,
    block_mean,
    connected,
    differences_over,
    is_steady,
    pair,
)
from daq.records import Accuracy, Channel, Contribution, Evaluation
from daq.stats import MeanEstimate, estimate_mean, undithered_half_step
from daq.uncertainty import Combined, combine, std_uncertainty_of_accuracy

GUARD_S = 2.0
"""So near to a switching a meter may still be on its way [s]."""
LOADED_S = 60.0
"""The last stretch under load that is taken: the lead is warm by then [s]."""
LEAST_PAIRS = 10
"""Fewer readings say too little of a difference's scatter [1]."""
BLOCK_S = 5.0
"""A step is taken from means over so long on either side [s]."""
_RUN_UP_S = (3.0, 20.0)
"""After switch-on a steady stretch is looked for between these [s]."""
_STEADY_SHARE = 0.02
"""A current that stays within this share of itself has run up [1]."""
_LEAST_DIFFERENCES = 4
_LEAST_IN_BLOCK = 3

IDLE, SCATTER = "idle difference of the voltmeters", "scatter under load"
DISPLAY, GAIN = "display of the voltmeters", "gain of the voltmeters"
LIMITS, WANDER = "accuracy of the voltmeters", "wander of the supply"


@dataclass(frozen=True, slots=True)
class Drop:
    """A voltage drop.

    Attributes:
        value_v: [V].
        machine_v: At the machine under load [V].
        current_a: Meanwhile [A].
        contributions: What it is uncertain by [V].
        remarks: What is to be doubted.
    """

    value_v: float
    machine_v: float
    current_a: float
    contributions: tuple[Contribution, ...]
    remarks: tuple[str, ...] = ()


def loaded_since_s(edges: TrialEdges, end_s: float) -> float:
    """Where the last stretch under load begins: run-up is left out, of a short run as much of it as there is [s].

    Args:
        edges: Of one trial.
        end_s: The machine was on until then [s].
    """
    earliest_s, latest_s = (edges.on_s + each for each in _RUN_UP_S)
    run_up_end_s = latest_s if end_s - latest_s >= BLOCK_S else earliest_s
    return max(end_s - LOADED_S, run_up_end_s)


def drop_between(
    edges: TrialEdges, supply: Channel, machine: Channel, current: Channel, end_s: float
) -> Drop | None:
    """Drop between two voltmeters.

    Args:
        edges: Of one trial.
        supply: Voltmeter at the supply's end.
        machine: At the machine's end.
        current: Ammeter.
        end_s: The machine was on until then [s].

    Returns:
        Drop; None for too few readings under load.
    """
    start_s = loaded_since_s(edges, end_s)
    loaded = pair(
        edges.of(supply).between(start_s, end_s),
        edges.of(machine).between(start_s, end_s),
    )
    amperes = edges.of(current).between(start_s, end_s)
    if len(loaded) < LEAST_PAIRS or not len(amperes):
        return None
    machine_v = statistics.fmean(loaded.second)
    idle = [
        found
        for stretch in _idle_stretches(edges, machine, machine_v)
        if len(found := pair(edges.of(supply), stretch)) >= LEAST_PAIRS
    ]
    scatter = _scatter(SCATTER, [estimate_mean(loaded.differences)])
    meters = _Voltmeters(supply.accuracy, machine.accuracy)
    estimates = [estimate_mean(each.differences) for each in idle]
    idle_v = statistics.fmean(e.mean for e in estimates) if estimates else 0.0
    return Drop(
        value_v=statistics.fmean(loaded.differences) - idle_v,
        machine_v=machine_v,
        current_a=amperes.mean,
        contributions=(
            scatter,
            *(_idle_parts(estimates) if idle else ()),
            *(meters.of_change(loaded, idle) if idle else meters.of_level(loaded)),
        ),
        remarks=tuple(_idle_remarks(edges, estimates)),
    )


def drop_at_switching(
    edges: TrialEdges, machine: Channel, current: Channel, end_s: float
) -> Drop | None:
    """Drop of everything before the machine, from its voltmeter's steps at switch-off and switch-on.

    Args:
        edges: Of one trial.
        machine: Voltmeter at the machine's end.
        current: Ammeter.
        end_s: The machine was on until then [s].

    Returns:
        Drop; None where no step can be taken, or too little is known of how the supply wanders.
    """
    voltage, amperes = edges.of(machine), edges.of(current)
    start_s = loaded_since_s(edges, end_s)
    loaded = voltage.between(start_s, end_s)
    # The last block of a shorter run would have inrush and run-up in it.
    if end_s - start_s < BLOCK_S or len(loaded) < _LEAST_IN_BLOCK:
        return None
    before, after = _idle_stretches(edges, machine, loaded.mean)
    quiet = (before, loaded, after)
    steps = [
        step
        for step in (
            _step(voltage, amperes, quiet, end_s - BLOCK_S, edges.off_s + GUARD_S)
            if len(after)
            else None,
            _run_up_step(edges, voltage, amperes, quiet) if len(before) else None,
        )
        if step
    ]
    if not steps:
        return None
    weights = [1.0 / step.wander_v**2 if step.wander_v else 1.0 for step in steps]
    total = math.fsum(weights)
    # Of two switchings the later one's current; the drop of the other as if it had been that.
    current_a = steps[0].current_a
    value_v = (
        math.fsum(
            w * s.value_v * current_a / s.current_a
            for w, s in zip(weights, steps, strict=True)
        )
        / total
    )
    wander = math.hypot(*(w * s.wander_v for w, s in zip(weights, steps, strict=True)))
    half_step = undithered_half_step(
        statistics.stdev(loaded.values), machine.accuracy.resolution
    )
    return Drop(
        value_v=value_v,
        machine_v=steps[0].loaded_v,
        current_a=current_a,
        contributions=(
            Contribution(
                wander / total,
                min(s.degrees_of_freedom for s in steps),
                name=WANDER,
                kind=Evaluation.TYPE_A,
            ),
            Contribution(math.sqrt(2.0 / 3.0) * half_step, name=DISPLAY),
            Contribution(gain_share(machine.accuracy) * abs(value_v), name=GAIN),
        ),
    )


def gain_share(accuracy: Accuracy) -> float:
    r"""Relative standard uncertainty of a change that a meter shows, small beside its range.

    .. math:: u^2 = \left(p_r^2 + p_g^2 + (p_T \Delta T)^2 + (2 \pi p_l)^2\right)/3 + (p_c/k)^2

    Args:
        accuracy: What the profile states [units there].

    Returns:
        u [1].

    Validity:
        A statement in one piece counts as gain with all its percent of reading; its counts are an offset and drop out. A
        linearity is taken to be one smooth wave over the range (our assumption).

    Source:
        JCGM 100:2008 (GUM), 4.3.7.
    """
    rectangular = math.hypot(
        accuracy.percent_of_reading,
        accuracy.gain_percent,
        accuracy.temperature_percent_per_k * accuracy.temperature_span_k,
        2.0 * math.pi * accuracy.linearity_percent,
    )
    certified = accuracy.certificate_u_percent / accuracy.certificate_k
    return math.hypot(rectangular / math.sqrt(3.0), certified) / 100.0


def without_standby(drop: Drop, idle_a: float) -> Drop:
    """Take in that some current flowed with the machine off, too: the drop is that of the change in current."""
    share = idle_a / drop.current_a
    if not 0.002 < share < 0.5:
        return drop
    factor = 1.0 / (1.0 - share)
    # At which angle it flowed is not known.
    doubt = Contribution(0.3 * share * abs(drop.value_v), name="standby current")
    return Drop(
        drop.value_v * factor,
        drop.machine_v,
        drop.current_a,
        (*drop.contributions, doubt),
        drop.remarks,
    )


@dataclass(frozen=True, slots=True)
class _Voltmeters:
    """What two voltmeters' statements are worth for the difference between them."""

    supply: Accuracy
    machine: Accuracy

    def of_change(self, loaded: Pairs, idle: Sequence[Pairs]) -> Iterator[Contribution]:
        """With the idle difference taken off: gains act on each meter's change, rounding on each mean."""
        before_v = statistics.fmean(v for each in idle for v in each.first)
        machine_before_v = statistics.fmean(v for each in idle for v in each.second)
        gain = math.hypot(
            gain_share(self.supply) * (statistics.fmean(loaded.first) - before_v),
            gain_share(self.machine)
            * (statistics.fmean(loaded.second) - machine_before_v),
        )
        yield Contribution(gain, name=GAIN)
        yield self._display([loaded, *idle])

    def of_level(self, loaded: Pairs) -> Iterator[Contribution]:
        """With nothing known of the idle difference: all that the makers state."""
        limits = math.hypot(
            std_uncertainty_of_accuracy(statistics.fmean(loaded.first), self.supply),
            std_uncertainty_of_accuracy(statistics.fmean(loaded.second), self.machine),
        )
        yield Contribution(limits, name=LIMITS)
        yield self._display([loaded])

    def _display(self, all_pairs: Sequence[Pairs]) -> Contribution:
        halves = [
            undithered_half_step(statistics.stdev(values), accuracy.resolution)
            for pairs in all_pairs
            for values, accuracy in (
                (pairs.first, self.supply),
                (pairs.second, self.machine),
            )
        ]
        # Before and after a trial a display rounds alike: of two idle stretches one counts.
        return Contribution(
            math.hypot(*sorted(halves, reverse=True)[:4]) / math.sqrt(3.0), name=DISPLAY
        )


def _idle_stretches(
    edges: TrialEdges, machine: Channel, loaded_v: float
) -> tuple[Stretch, Stretch]:
    """The machine's voltmeter with the machine off, before and after the trial, as long as it stayed connected."""
    readings = edges.of(machine)
    before = readings.between(-math.inf, edges.on_s - GUARD_S)
    after = readings.between(edges.off_s + GUARD_S, math.inf)
    return (
        connected(before, loaded_v, from_the_end=True),
        connected(after, loaded_v, from_the_end=False),
    )


def _scatter(name: str, estimates: Sequence[MeanEstimate]) -> Contribution:
    found = _mean_of(estimates)
    return Contribution(
        found.std_uncertainty,
        found.degrees_of_freedom,
        name=name,
        kind=Evaluation.TYPE_A,
    )


def _mean_of(estimates: Sequence[MeanEstimate]) -> Combined:
    """Of the plain mean of some estimates."""
    return combine(
        [
            Contribution(e.std_uncertainty / len(estimates), e.degrees_of_freedom)
            for e in estimates
        ]
    )


def _idle_parts(estimates: Sequence[MeanEstimate]) -> Iterator[Contribution]:
    yield _scatter(IDLE, estimates)
    if len(estimates) > 1:
        moved = abs(estimates[1].mean - estimates[0].mean)
        # Under load it was somewhere between the two.
        yield Contribution(
            moved / 2.0 / math.sqrt(3.0), name=IDLE, detail="moved meanwhile"
        )


def _idle_remarks(
    edges: TrialEdges, estimates: Sequence[MeanEstimate]
) -> Iterator[str]:
    label = f"trial {edges.trial} ({edges.condition})"
    if not estimates:
        yield (
            f"{label}: what the two voltmeters differ by with the machine off is not known, their whole accuracy counts;"
            " leave the lead connected with the machine off for half a minute before switching on"
        )
    if len(estimates) == 2:
        before, after = estimates
        u = combine(
            [
                Contribution(e.std_uncertainty, e.degrees_of_freedom)
                for e in (before, after)
            ]
        )
        if abs(after.mean - before.mean) > u.expanded_uncertainty:
            yield (
                f"{label}: what the two voltmeters differ by with the machine off moved from {before.mean:+.3f} V to"
                f" {after.mean:+.3f} V during the trial, more than its uncertainty of {u.expanded_uncertainty:.3f} V"
            )


@dataclass(frozen=True, slots=True)
class _Step:
    """One switching, as a drop under load."""

    value_v: float
    loaded_v: float
    current_a: float
    wander_v: float
    degrees_of_freedom: float


def _step(
    voltage: Stretch,
    current: Stretch,
    quiet: Sequence[Stretch],
    loaded_s: float,
    idle_s: float,
) -> _Step | None:
    """From blocks of BLOCK_S that begin at these moments."""
    loaded_v = block_mean(voltage, loaded_s, loaded_s + BLOCK_S)
    idle_v = block_mean(voltage, idle_s, idle_s + BLOCK_S)
    current_a = block_mean(current, loaded_s, loaded_s + BLOCK_S)
    lag_s = abs(idle_s - loaded_s)
    wander = [
        each
        for stretch in quiet
        for each in differences_over(stretch, block_s=BLOCK_S, lag_s=lag_s)
    ]
    if loaded_v is None or idle_v is None or not current_a:
        return None
    if len(wander) < _LEAST_DIFFERENCES:
        return None
    rms = math.sqrt(math.fsum(d * d for d in wander) / len(wander))
    return _Step(idle_v - loaded_v, loaded_v, current_a, rms, len(wander))


def _run_up_step(
    edges: TrialEdges, voltage: Stretch, current: Stretch, quiet: Sequence[Stretch]
) -> _Step | None:
    """At switch-on: against the first block in which the current has run up."""
    earliest_s, latest_s = _RUN_UP_S
    for later_s in range(int(earliest_s), int(latest_s)):
        start_s = edges.on_s + later_s
        block = current.between(start_s, start_s + BLOCK_S)
        if is_steady(block, share=_STEADY_SHARE):
            idle_s = edges.on_s - GUARD_S - BLOCK_S
            return _step(voltage, current, quiet, start_s, idle_s)
    return None
