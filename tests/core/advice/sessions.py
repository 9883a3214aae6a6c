"""Sessions made of given averages, compared."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from daq.comparison.observations import ErrorPart, Observation, Quantity
from daq.comparison.rules import (
    Airflow,
    Circuit,
    ComparisonRules,
    ConditionFacts,
    Nameplate,
    PlanFacts,
    Surroundings,
)
from daq.comparison.session import SessionComparison, SessionFigures, compare_session
from daq.comparison.spread import StatedSpread
from daq.physics.airflow import AirMeterKind

BARE = "bare"
CURRENT = Quantity("current", "Current", "current", "A", "machine end", required=True)
POWER = Quantity("power", "Power", "power", "W", "machine end", required=True)
VOLTS = Quantity("volts", "Machine voltage", "voltage", "V", "machine end")
MAINS = Quantity("mains", "Supply voltage", "voltage", "V", "supply end")
DROP = Quantity(
    "voltage_drop", "Voltage drop", "voltage", "V", "lead", formula="mains less volts"
)
FLOW = Quantity("airflow", "Airflow", "airflow", "m3/h", "duct", formula="from speed")
STANDARD = Quantity(
    "airflow_standard", "Airflow, standard air", "airflow", "m3/h", formula="at 1.2"
)
SPEED = Quantity("speed", "Speed", "velocity", "m/s", "duct", required=True)

Means = Mapping[str, Sequence[float]]
Values = Mapping[Quantity, Means]


def known(percent: float = 0.1) -> StatedSpread:
    """A spread that is stated in the plan, well known."""
    return StatedSpread(percent, 30.0, "thirty starts in May")


def observations(
    means: Means,
    *,
    within: float = 1e-3,
    errors: Mapping[str, float] | None = None,
    step_s: float = 600.0,
) -> tuple[Observation, ...]:
    """Trials of all conditions in turns, a trial every ten minutes; errors are common ones, by name."""
    parts = tuple(ErrorPart(n, u, is_common=True) for n, u in (errors or {}).items())
    turns = [
        (condition, theirs[turn])
        for turn in range(max(map(len, means.values())))
        for condition, theirs in means.items()
        if turn < len(theirs)
    ]
    return tuple(
        Observation(number, condition, step_s * number, mean, within, math.inf, parts)
        for number, (condition, mean) in enumerate(turns, 1)
    )


def compared(
    values: Values,
    *,
    conditions: Sequence[ConditionFacts] = (),
    nameplate: Nameplate | None = None,
    circuit: Circuit | None = None,
    within: float = 1e-3,
    errors: Mapping[str, float] | None = None,
    **rules: Any,
) -> SessionComparison:
    """A session of these averages, compared with the condition "bare"."""
    airflow = Airflow("airflow", "Airflow", "speed", AirMeterKind.VANE)
    facts = PlanFacts(
        nameplate=nameplate or Nameplate(),
        conditions=tuple(conditions),
        circuit=circuit or Circuit(),
        rules=ComparisonRules(**{"currency": "EUR", **rules}),
    )
    figures = SessionFigures(
        number=1,
        bench="bench",
        plan="plan",
        machine="blower",
        started_utc="2025-05-01T10:00:00Z",
        software="steadybench",
        analysis=0,
        baseline=BARE,
        facts=facts,
        surroundings=Surroundings(airflows=(airflow,)),
        quantities=tuple(values),
        observations={
            quantity.name: observations(means, within=within, errors=errors)
            for quantity, means in values.items()
        },
    )
    return compare_session(figures)
