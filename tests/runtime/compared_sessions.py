"""Sessions with chosen means, written into a store in no time: what a comparison reads back."""

import asyncio
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from uuid import uuid4

from daq.config.bench import Bench
from daq.config.plan import Plan, parse_plan
from daq.records import (
    Accuracy,
    Channel,
    Contribution,
    Distribution,
    Evaluation,
    NormalisedBy,
    PlannedTrial,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
)
from daq.uncertainty import combine, contributions_of_accuracy
from tests.core.comparison.bench_texts import AIRFLOW, BENCH, PLAN, compared_bench
from tests.runtime.conftest import RFC_US
from tests.runtime.stored_bench import opened

BEFORE = {
    "machine_voltage": 228.0,
    "current": 6.5,
    "power": 1400.0,
    "velocity": 20.0,
}
"""What the meters show with the short lead."""
_EXPONENTS = {"machine_voltage": 1, "current": 1, "power": 2, "velocity": 1}


@dataclass(frozen=True, slots=True)
class Carried:
    """One trial that was carried out.

    Attributes:
        condition: What was fitted.
        factor: By which the short lead's figures are multiplied; its square for the power.
        means: Figures to be taken instead, by channel; None for no average of it.
        normalised: Channels that were taken to 230 V.
        state, note: How it ended.
    """

    condition: str
    factor: float = 1.0
    means: Mapping[str, float | None] = field(default_factory=dict)
    normalised: tuple[str, ...] = ()
    state: TrialState = TrialState.FINISHED
    note: str = ""


REPEATED = (
    Carried("short lead", 1.0),
    Carried("long lead", 0.95),
    Carried("thin lead", 0.9),
    Carried("short lead", 1.001),
    Carried("long lead", 0.951),
    Carried("thin lead", 0.901),
)
"""Every condition twice: differences of 5 and 10 % that are real."""
ONCE = REPEATED[:3]


def store_session(
    path: Path,
    trials: Sequence[Carried] = REPEATED,
    *,
    plan: str = PLAN,
    bench: str = BENCH + AIRFLOW,
    accuracies: Sequence[Mapping[str, Accuracy]] = (),
) -> Path:
    """Write a session into a store, a new one or one that is there; returns the store.

    Args:
        path: Of the store.
        trials: In the order they were carried out.
        plan, bench: Texts of the files.
        accuracies: Of channels by name, for each trial, where a meter is changed on the way.
    """
    asyncio.run(_store_session(path, trials, plan, bench, accuracies))
    return path


async def _store_session(
    path: Path,
    trials: Sequence[Carried],
    plan: str,
    bench: str,
    accuracies: Sequence[Mapping[str, Accuracy]],
) -> None:
    parsed = compared_bench(bench)
    rules = parse_plan(plan, file="plan.toml", bench=parsed)
    order = _order(trials, rules.baseline)
    instruments = parsed.channels_by_instrument()
    session: int | None = None
    numbers = range(len(trials))
    # A meter is changed while the program is not running.
    for part in [[n] for n in numbers] if accuracies else [numbers]:
        described = _described(instruments, accuracies[part[0]] if accuracies else {})
        async with opened(path, described) as store:
            clock = await store.add_clock(
                "boot", monotonic_s=0.0, utc_us=RFC_US, speed=1.0
            )
            if session is None:
                session = await store.begin_session(
                    _facts(parsed, rules),
                    plan_digest="d1",
                    plan_text=plan,
                    bench_text=bench,
                    seed=7,
                    order=order,
                )
            for number in part:
                result = _result(trials[number], order[number], number, described)
                trial = store.begin_trial(
                    session,
                    order[number],
                    attempt=1,
                    uuid=result.trial_id,
                    clock_id=clock,
                    started_s=result.started_s,
                )
                await store.end_trial(trial, result, rule_json="{}", outbox=None)


def _facts(bench: Bench, plan: Plan) -> SessionFacts:
    return SessionFacts(
        session_id=str(uuid4()),
        number=0,
        bench=bench.name,
        plan=plan.name,
        machine=plan.machine,
        started_utc="1985-04-12T23:20:50.520Z",
        speed=1.0,
        software="steadybench 0.1.0",
    )


def _order(trials: Sequence[Carried], baseline: str) -> tuple[PlannedTrial, ...]:
    seen: dict[str, int] = {}
    order = []
    for position, carried in enumerate(trials, 1):
        seen[carried.condition] = seen.get(carried.condition, 0) + 1
        order.append(
            PlannedTrial(
                position,
                carried.condition,
                seen[carried.condition],
                baseline=carried.condition == baseline,
            )
        )
    return tuple(order)


def _described(
    instruments: Mapping[str, Sequence[Channel]], accuracies: Mapping[str, Accuracy]
) -> dict[str, tuple[Channel, ...]]:
    return {
        name: tuple(
            replace(c, accuracy=accuracies.get(c.name, c.accuracy)) for c in channels
        )
        for name, channels in instruments.items()
    }


def _result(
    carried: Carried,
    planned: PlannedTrial,
    number: int,
    described: Mapping[str, Sequence[Channel]],
) -> TrialResult:
    started_s = 300.0 * number
    means = {
        name: mean * carried.factor ** _EXPONENTS[name] for name, mean in BEFORE.items()
    }
    wanted = {**means, **carried.means}
    averages = [
        _average(channel, mean, started_s, is_normalised=name in carried.normalised)
        for channels in described.values()
        for channel in channels
        for name in [channel.name]
        if (mean := wanted[name]) is not None
    ]
    return TrialResult(
        trial_id=str(uuid4()),
        planned=planned,
        attempt=1,
        state=carried.state,
        started_s=started_s,
        ended_s=started_s + 200.0,
        averages=tuple(averages) if carried.state is TrialState.FINISHED else (),
        note=carried.note,
    )


def _average(
    channel: Channel, mean: float, started_s: float, *, is_normalised: bool
) -> TrialAverage:
    """Scatter of 0.02 % within the trial, and what the meter's accuracy makes."""
    scatter = Contribution(
        2e-4 * abs(mean),
        30.0,
        "scatter and drift",
        Evaluation.TYPE_A,
        Distribution.NORMAL,
    )
    systematic = contributions_of_accuracy(mean, channel.accuracy)
    combined = combine([scatter, *systematic])
    return TrialAverage(
        channel=channel.name,
        unit=channel.unit,
        required=channel.name == "power",
        mean=mean,
        plain_mean=mean,
        std_uncertainty_type_a=scatter.std_uncertainty,
        degrees_of_freedom_a=30.0,
        std_uncertainty_type_b=math.hypot(*(c.std_uncertainty for c in systematic)),
        std_uncertainty=combined.std_uncertainty,
        degrees_of_freedom=combined.degrees_of_freedom,
        coverage_factor=combined.coverage_factor,
        expanded_uncertainty=combined.expanded_uncertainty,
        count=60,
        effective_count=31.0,
        window=Window(started_s + 120.0, started_s + 180.0),
        contributions=(scatter, *systematic),
        normalised=NormalisedBy("supply_voltage", 230.0, 2.0, 0.1, 20.0, 228.0)
        if is_normalised
        else None,
    )
