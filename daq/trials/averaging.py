"""Levels of a settled window into trial averages: each with its uncertainty budget.

Type A from the readings and from the zero measured with the machine off, type B from what the profile states and from
the display's step. Live trials and later analyses come here alike.
"""

import math
import statistics
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from daq.records import (
    Channel,
    Contribution,
    Distribution,
    Evaluation,
    TrialAverage,
    Window,
)
from daq.settling.level import LevelEstimate
from daq.settling.normalising import exponent_contribution
from daq.stats import estimate_mean, undithered_half_step
from daq.uncertainty import (
    combine,
    contributions_of_accuracy,
    std_uncertainty_of_accuracy,
)

LEAST_IDLE_READINGS = 10
"""Fewer say too little of a zero's scatter [1]."""
SCATTER_AND_DRIFT, OPEN_DRIFT = "scatter and drift", "drift left open"
"""What the rule is unsure of, as the budget has it."""


@dataclass(frozen=True, slots=True)
class Zero:
    """What a channel read with the machine off [unit of the channel]; `half_step`: what rounding may hide of it."""

    mean: float
    std_uncertainty: float
    degrees_of_freedom: float
    half_step: float
    count: int


def zero_from_readings(values: Sequence[float], *, resolution: float) -> Zero | None:
    r"""Zero of a meter from readings taken with the machine off.

    .. math:: z = \frac1n \sum x_i

    with the uncertainty of a mean of autocorrelated readings.

    Args:
        values: Idle readings in order of time [unit of the channel].
        resolution: The display's step [unit of the channel].

    Returns:
        Zero with its uncertainty [unit of the channel]; None for fewer than LEAST_IDLE_READINGS.

    Validity:
        The zero stays during the trial what it was before it.

    Source:
        JCGM 100:2008 (GUM), 4.2.3; correlation as in `estimate_mean`.
    """
    if len(values) < LEAST_IDLE_READINGS:
        return None
    found = estimate_mean(values)
    return Zero(
        mean=found.mean,
        std_uncertainty=found.std_uncertainty,
        degrees_of_freedom=found.degrees_of_freedom,
        half_step=undithered_half_step(statistics.stdev(values), resolution),
        count=found.count,
    )


def zeros_missing(
    channels: Sequence[Channel], idle: Mapping[str, Sequence[float]]
) -> tuple[str, ...]:
    """Say for which channels no zero could be taken off, and why.

    Args:
        channels: Of the bench.
        idle: Readings with the machine off, by channel.
    """
    return tuple(
        f"{c.name}: zero not subtracted, {count or 'no'} readings with the machine off,"
        f" at least {LEAST_IDLE_READINGS} are needed"
        for c in channels
        if c.subtract_idle
        and (count := len(idle.get(c.name, ()))) < LEAST_IDLE_READINGS
    )


def trial_averages(
    channels: Sequence[Channel],
    levels: Mapping[str, LevelEstimate],
    window: Window,
    *,
    required: Collection[str],
    idle: Mapping[str, Sequence[float]],
) -> tuple[TrialAverage, ...]:
    """Average every channel that has a level.

    Args:
        channels: Of the bench, in its order.
        levels: Settled levels, by channel.
        window: What was averaged.
        required: Names of the channels that the plan waited for.
        idle: Readings with the machine off, by channel, for those whose zero is taken off.
    """
    zeros = {
        c.name: zero_from_readings(
            idle.get(c.name, ()), resolution=c.accuracy.resolution
        )
        for c in channels
        if c.subtract_idle
    }
    return tuple(
        trial_average(
            c,
            levels[c.name],
            window,
            required=c.name in required,
            zero=zeros.get(c.name),
            voltage_u_v=_voltage_u_v(levels[c.name], channels, levels),
        )
        for c in channels
        if c.name in levels
    )


def _voltage_u_v(
    level: LevelEstimate,
    channels: Sequence[Channel],
    levels: Mapping[str, LevelEstimate],
) -> float:
    """Type B uncertainty of the mean voltage that a level was normalised by [V]; its scatter is in the level's."""
    by = level.normalised
    if by is None:
        return 0.0
    meter = next(c.accuracy for c in channels if c.name == by.reference)
    stated = std_uncertainty_of_accuracy(by.mean_voltage_v, meter)
    read = levels.get(by.reference)
    if meter.counts or read is None:
        return stated
    return math.hypot(stated, read.half_step / math.sqrt(3.0))


def trial_average(
    channel: Channel,
    level: LevelEstimate,
    window: Window,
    *,
    required: bool,
    zero: Zero | None = None,
    voltage_u_v: float = 0.0,
) -> TrialAverage:
    r"""One channel's average of one trial.

    .. math:: y = x - z, \quad u_c^2 = u_A^2 + u_d^2 + u_z^2 + \sum u_{B,i}^2 + Q^2/3 + Q_z^2/3

    and, where x is normalised to a reference voltage, the parts of the exponent k and of the voltmeter,

    .. math:: u_k^2 = \left(u(k) \, x \ln\frac{V_0}{\bar V}\right)^2, \quad
        u_V^2 = \left(k \, x \, u_B(\bar V) / \bar V\right)^2

    Args:
        channel: With its accuracy statement.
        level: Settled level x with its type A uncertainty, open drift u_d and half step Q [unit of the channel].
        window: What was averaged [s].
        required: Whether the plan waited for this channel [bool].
        zero: The meter's zero z, with half step Q_z [unit of the channel]; None where it is not taken off.
        voltage_u_v: Type B uncertainty of the mean voltage that the level was normalised by [V].

    Returns:
        Mean with standard, combined and expanded uncertainty, and what they are made of [unit of the channel].

    Validity:
        Where the accuracy is stated in counts it contains the display's step, and Q and Q_z are left out. Percents
        of reading are those of what the meter showed. The errors of voltmeter and meter are taken as independent, also
        where one instrument is both. The zero is taken off after normalising: the exponent was fitted with the zero
        in the readings and is the smaller for it, which makes the two orders equal but for terms of second order.

    Source:
        JCGM 100:2008 (GUM), 4.3.7, 5.1.2 and G.4.
    """
    budget = (*_budget(channel, level, zero), *_of_voltage(level, voltage_u_v))
    type_a = [part for part in budget if part.kind is Evaluation.TYPE_A]
    type_b = [part for part in budget if part.kind is Evaluation.TYPE_B]
    # One contribution is what it was: combining it would round its degrees of freedom.
    whole_a = combine(type_a) if len(type_a) > 1 else type_a[0]
    combined = combine(budget)
    offset = zero.mean if zero else 0.0
    return TrialAverage(
        channel=channel.name,
        unit=channel.unit,
        required=required,
        mean=level.mean - offset,
        plain_mean=level.plain_mean - offset,
        std_uncertainty_type_a=whole_a.std_uncertainty,
        degrees_of_freedom_a=whole_a.degrees_of_freedom,
        std_uncertainty_type_b=math.hypot(*(p.std_uncertainty for p in type_b)),
        std_uncertainty=combined.std_uncertainty,
        degrees_of_freedom=combined.degrees_of_freedom,
        coverage_factor=combined.coverage_factor,
        expanded_uncertainty=combined.expanded_uncertainty,
        count=level.count,
        effective_count=level.effective_count,
        window=window,
        zero_offset=offset,
        contributions=budget,
        normalised=level.normalised,
    )


def _budget(
    channel: Channel, level: LevelEstimate, zero: Zero | None
) -> Iterator[Contribution]:
    yield Contribution(
        level.std_uncertainty,
        level.degrees_of_freedom,
        name=SCATTER_AND_DRIFT,
        kind=Evaluation.TYPE_A,
        detail=f"{level.count} readings worth {level.effective_count:.0f}",
    )
    if level.open_drift > 0.0:
        yield Contribution(
            level.open_drift,
            name=OPEN_DRIFT,
            detail="what the settling rule allows beyond what the readings tell",
        )
    if zero is not None:
        yield Contribution(
            zero.std_uncertainty,
            zero.degrees_of_freedom,
            name="zero",
            kind=Evaluation.TYPE_A,
            detail=f"{zero.mean:.4g} subtracted, {zero.count} idle readings",
        )
    if not channel.accuracy.counts:
        yield from _rounding("rounding", level.half_step)
        yield from _rounding("rounding of zero", zero.half_step if zero else 0.0)
    yield from contributions_of_accuracy(
        level.mean, channel.accuracy, zero_subtracted=zero is not None
    )


def _of_voltage(level: LevelEstimate, voltage_u_v: float) -> Iterator[Contribution]:
    """What normalising adds; nothing where there was none."""
    by = level.normalised
    if by is None:
        return
    yield exponent_contribution(level.mean, by)
    if voltage_u_v > 0.0:
        yield Contribution(
            abs(by.exponent * level.mean / by.mean_voltage_v) * voltage_u_v,
            name="reference voltage",
            detail=f"u = {voltage_u_v:.3g} V by what is stated of {by.reference}",
        )


def _rounding(name: str, half_step: float) -> Iterator[Contribution]:
    if half_step > 0.0:
        yield Contribution(
            half_step / math.sqrt(3.0),
            name=name,
            distribution=Distribution.RECTANGULAR,
            detail=f"up to {half_step:.3g} hidden by the display's step",
        )
