"""A session that was never carried out: means chosen so that the comparison can be reckoned by hand."""

import dataclasses
from collections.abc import Mapping, Sequence

import numpy as np

from daq.comparison.observations import Observation, Quantity
from daq.comparison.rules import (
    Circuit,
    ComparisonRules,
    ConditionFacts,
    Nameplate,
    PlanFacts,
    Surroundings,
)
from daq.comparison.session import (
    SessionComparison,
    SessionFigures,
    compare_session,
)
from daq.report.content import ChannelTrace, ReportContent, TrialTrace

VELOCITY = Quantity(
    "velocity", "Outlet velocity", "velocity", "m/s", "outlet", required=True
)
BASELINE = "short lead"
# Three trials of each: means 20 and 19, spread 0.1, so the difference is 1 m/s, 5 %.
REAL = {BASELINE: (19.9, 20.0, 20.1), "long lead": (18.9, 19.0, 19.1)}
ONCE = {BASELINE: (20.0,), "long lead": (19.0,)}
SAME = {BASELINE: (19.9, 20.0, 20.1), "other lead": (19.9, 20.0, 20.1)}


def figures_of(
    means: Mapping[str, Sequence[float]],
    *,
    baseline: str = BASELINE,
    machine: str = "Blower",
    quantity: Quantity = VELOCITY,
) -> SessionFigures:
    """A session of one quantity, its conditions one after the other."""
    listed = [(name, mean) for name, group in means.items() for mean in group]
    return SessionFigures(
        number=3,
        bench="bench",
        plan="leads",
        machine=machine,
        started_utc="2026-03-02T10:00:00.000Z",
        software="steadybench 0.1.0",
        analysis=0,
        baseline=baseline,
        facts=PlanFacts(
            Nameplate(),
            tuple(ConditionFacts(name) for name in means),
            Circuit(),
            ComparisonRules(),
        ),
        surroundings=Surroundings(),
        quantities=(quantity,),
        observations={
            quantity.name: tuple(
                Observation(number, name, 300.0 * number, mean, 0.01, 20.0)
                for number, (name, mean) in enumerate(listed, 1)
            )
        },
    )


def compared(means: Mapping[str, Sequence[float]]) -> SessionComparison:
    return compare_session(figures_of(means))


def trace(number: int = 1, condition: str = BASELINE) -> TrialTrace:
    """Two minutes of readings, one a second; the second of them averaged."""
    elapsed_s = np.arange(120.0)
    values = 20.0 - np.exp(-elapsed_s / 10.0)
    channel = ChannelTrace(
        "velocity", "Outlet velocity", "m/s", elapsed_s, values, 20.0, 0.1, 20.0
    )
    return TrialTrace(number, condition, 1, "finished", 6.0, (60.0, 119.0), (channel,))


def content(comparison: SessionComparison, **more: object) -> ReportContent:
    made = ReportContent(comparison, traces=(trace(),), software="steadybench 0.1.0")
    return dataclasses.replace(made, **more)  # type: ignore[arg-type]  # as each test chooses
