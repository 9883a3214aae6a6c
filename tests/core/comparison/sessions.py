"""Sessions as the comparison is handed them, from lists of trial means."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from daq.comparison.observations import ErrorPart, Observation, Quantity
from daq.comparison.rules import (
    Circuit,
    ComparisonRules,
    Nameplate,
    PlanFacts,
    Surroundings,
)
from daq.comparison.session import SessionFigures

BASELINE = "bare"
FLOW = Quantity("airflow", "Airflow", "airflow", "m3/h")
POWER = Quantity("power", "Power", "power", "W", required=True)
RULES = ComparisonRules()
Means = Mapping[str, Sequence[float]]


def in_turns(
    means: Means, *, within: float = 0.01, own: float = 0.0
) -> tuple[Observation, ...]:
    """Observations from lists of means by condition, carried out in turns, 300 s each.

    Args:
        means: [any unit] by condition.
        within: Standard uncertainty within a trial [same unit].
        own: Of a meter's error that conditions do not share [same unit].
    """
    rows = [
        (condition, of_it[turn])
        for turn in range(max(map(len, means.values())))
        for condition, of_it in means.items()
        if turn < len(of_it)
    ]
    errors = (ErrorPart("vane: accuracy", own, is_common=False),) if own else ()
    return tuple(
        Observation(number, condition, 300.0 * number, mean, within, 30.0, errors)
        for number, (condition, mean) in enumerate(rows, 1)
    )


def figures_of(
    measured: Mapping[Quantity, Means],
    *,
    rules: ComparisonRules = RULES,
    within: float = 0.01,
    own: float = 0.0,
    **others: Any,
) -> SessionFigures:
    """A session's figures; others are fields of the record."""
    figures = SessionFigures(
        number=1,
        bench="bench",
        plan="plan",
        machine="Duct fan",
        started_utc="2026-01-05T10:00:00.000Z",
        software="steadybench 0.1.0",
        analysis=0,
        baseline=BASELINE,
        facts=PlanFacts(Nameplate(), (), Circuit(), rules),
        surroundings=Surroundings(),
        quantities=tuple(measured),
        observations={
            quantity.name: in_turns(means, within=within, own=own)
            for quantity, means in measured.items()
        },
    )
    return replace(figures, **others)
