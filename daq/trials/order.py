"""The order in which a session asks for its conditions."""

from collections.abc import Sequence
from enum import StrEnum

import numpy as np

from daq.records import PlannedTrial


class OrderKind(StrEnum):
    """How the order is made."""

    AS_WRITTEN = "as written"
    RANDOMISED = "randomised"
    BASELINE_FIRST_AND_LAST = "baseline first and last"


def plan_order(
    conditions: Sequence[str],
    *,
    baseline: str,
    repeats: int,
    kind: OrderKind,
    seed: int,
) -> tuple[PlannedTrial, ...]:
    """Lay out every trial of a session, round by round: each round holds every condition once.

    Args:
        conditions: Names in the plan's order; the baseline is one of them.
        baseline: The condition that the others are compared with.
        repeats: Rounds [1].
        kind: As written; each round shuffled; or the baseline before everything and once more after it.
        seed: Of the shuffle; the same seed gives the same order.

    Raises:
        ValueError: If the baseline is no condition or there is no round.
    """
    if baseline not in conditions:
        msg = f"baseline {baseline!r} is no condition, expected one of {', '.join(conditions)}"
        raise ValueError(msg)
    if repeats < 1:
        msg = f"{repeats} repeats, expected at least 1"
        raise ValueError(msg)
    rounds = [list(conditions) for _ in range(repeats)]
    if kind is OrderKind.RANDOMISED:
        generator = np.random.default_rng(seed)
        rounds = [
            [names[int(i)] for i in generator.permutation(len(names))]
            for names in rounds
        ]
    names = [name for names in rounds for name in names]
    if kind is OrderKind.BASELINE_FIRST_AND_LAST:
        others = [name for name in names if name != baseline]
        names = [
            baseline,
            *_with_baselines_between(others, baseline, repeats),
            baseline,
        ]
    return _numbered(names, baseline)


def _with_baselines_between(
    others: list[str], baseline: str, repeats: int
) -> list[str]:
    """A baseline between rounds, so that drift is bracketed from round to round."""
    per_round = len(others) // repeats
    laid_out: list[str] = []
    for number in range(repeats):
        if number:
            laid_out.append(baseline)
        laid_out += others[number * per_round : (number + 1) * per_round]
    return laid_out


def _numbered(names: list[str], baseline: str) -> tuple[PlannedTrial, ...]:
    seen: dict[str, int] = {}
    planned = []
    for position, name in enumerate(names, start=1):
        seen[name] = seen.get(name, 0) + 1
        planned.append(PlannedTrial(position, name, seen[name], name == baseline))
    return tuple(planned)
