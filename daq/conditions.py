"""A session's averages put together: each condition's mean of each channel, from its repeats.

Chooses which trials count and sorts them; the arithmetic is in repeats.py. Its rules:

- A trial counts if it finished; of several attempts at one line of the order the last
  finished one counts.
- A channel whose unit was changed in the meantime is two channels; so is one that some trials took to a reference
  voltage and some did not.
- An average whose uncertainty is without limit (not finite) cannot be weighed and is left out.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from daq.export import ConditionRow, StoredAverage
from daq.records import TrialState
from daq.repeats import (
    ConditionMean,
    Spread,
    TrialMean,
    add_common,
    average_trials,
    pool_spread,
)
from daq.stats import sample_mean

_Key = tuple[str, str, float | None]


def average_conditions(averages: Iterable[StoredAverage]) -> list[ConditionRow]:
    """Average the trials of each condition, channel by channel.

    Args:
        averages: Of one session, and of one analysis of it.

    Returns:
        Conditions as they first came, each with its channels as they first came. A condition
        of which no trial counts is not there.
    """
    counting = counting_averages(averages)
    pooled = _pooled_by_channel(counting)
    groups: dict[str, dict[_Key, list[StoredAverage]]] = {}
    for row in counting:
        channels = groups.setdefault(row.condition, {})
        channels.setdefault(_key(row), []).append(row)
    return [
        _condition_row(rows, pooled[channel])
        for channels in groups.values()
        for channel, rows in channels.items()
    ]


def _key(row: StoredAverage) -> _Key:
    """What averages must have in common to be averaged."""
    return row.channel, row.unit, row.reference_v


def counting_averages(averages: Iterable[StoredAverage]) -> list[StoredAverage]:
    """Averages that count, by number of the trial.

    Args:
        averages: Of one session, and of one analysis of it.
    """
    newest: dict[tuple[int, str], StoredAverage] = {}
    for row in averages:
        line = (row.position, row.channel)
        held = newest.get(line)
        if _counts(row) and (held is None or row.attempt >= held.attempt):
            newest[line] = row
    return sorted(newest.values(), key=lambda row: row.trial)


def _counts(row: StoredAverage) -> bool:
    finite = math.isfinite(row.mean) and math.isfinite(row.std_uncertainty)
    return finite and row.state == TrialState.FINISHED


def _trial_means(rows: Iterable[StoredAverage]) -> list[TrialMean]:
    return [
        TrialMean(row.mean, row.std_uncertainty_type_a, row.degrees_of_freedom_a)
        for row in rows
    ]


def _pooled_by_channel(
    rows: Iterable[StoredAverage],
) -> dict[_Key, Spread | None]:
    by_channel: dict[_Key, dict[str, list[StoredAverage]]] = {}
    for row in rows:
        conditions = by_channel.setdefault(_key(row), {})
        conditions.setdefault(row.condition, []).append(row)
    return {
        channel: pool_spread([_trial_means(trials) for trials in conditions.values()])
        for channel, conditions in by_channel.items()
    }


def _condition_row(
    rows: Sequence[StoredAverage], pooled: Spread | None
) -> ConditionRow:
    first = rows[0]
    found = average_trials(_trial_means(rows), pooled=pooled)
    common = [row.std_uncertainty_type_b for row in rows]
    combined = add_common(
        found, common, degrees_of_freedom=min(map(_degrees_of_freedom_b, rows))
    )
    row = ConditionRow(
        session=first.session,
        session_id=first.session_id,
        bench=first.bench,
        plan=first.plan,
        machine=first.machine,
        condition=first.condition,
        baseline=first.baseline,
        channel=first.channel,
        title=first.title,
        quantity=first.quantity,
        place=first.place,
        unit=first.unit,
        trials=found.trials,
        trial_numbers=" ".join(str(trial.trial) for trial in rows),
        mean=found.mean,
        expanded_uncertainty=combined.expanded_uncertainty,
        coverage_factor=combined.coverage_factor,
        std_uncertainty=combined.std_uncertainty,
        degrees_of_freedom=combined.degrees_of_freedom,
        std_uncertainty_type_a=found.std_uncertainty,
        degrees_of_freedom_a=found.degrees_of_freedom,
        std_uncertainty_type_b=sample_mean(common),
        basis=found.basis.value,
        std_uncertainty_within=found.std_uncertainty_within,
        reference_v=first.reference_v,
        analysis=first.analysis,
    )
    return _with_spread(row, found, pooled)


def _degrees_of_freedom_b(row: StoredAverage) -> float:
    """Degrees of freedom of type B [1], from Welch and Satterthwaite's equation solved for them.

    An average states those of type A and of both together. Where type B is exact the difference is
    nothing but rounding, and what comes out is as good as without limit.
    """
    both = row.std_uncertainty**4 / row.degrees_of_freedom
    rest = both - row.std_uncertainty_type_a**4 / row.degrees_of_freedom_a
    return row.std_uncertainty_type_b**4 / rest if rest > 0.0 else math.inf


def _with_spread(
    row: ConditionRow, found: ConditionMean, pooled: Spread | None
) -> ConditionRow:
    """Add what only repeats tell."""
    if pooled:
        row = replace(
            row,
            pooled_std_dev=pooled.std_dev,
            pooled_degrees_of_freedom=pooled.degrees_of_freedom,
        )
    if found.spread and (parts := found.components):
        row = replace(
            row,
            std_dev_of_trials=found.spread.std_dev,
            std_dev_within=parts.std_dev_within,
            std_dev_between=parts.std_dev_between,
            between_is_hidden=parts.is_hidden,
            f_ratio=parts.f_ratio,
            f_probability=parts.f_probability,
        )
    return row
