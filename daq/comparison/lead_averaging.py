"""One condition's lead from the loops of its trials: repeats averaged, what is before the lead taken off, at 20 °C.

What repeats have in common does not shrink with their number. With one voltmeter a lead is known against the baseline's;
errors that both have by the same meters count by what is left of them.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from daq.comparison.lead_drops import GAIN, IDLE, SCATTER, WANDER
from daq.comparison.lead_measuring import LoopMeasurement, Method
from daq.comparison.lead_ranges import lead_range
from daq.comparison.lead_readings import TrialEdges
from daq.comparison.rules import Air, LeadFacts
from daq.physics.lead_resistance import LoopResistance, Measured, at_20c
from daq.records import Contribution, Evaluation
from daq.repeats import Spread
from daq.stats import sample_mean, sample_std_dev

SELF_HEATING = Measured(10.0, 20.0 / math.sqrt(12.0))
"""How much warmer than the room a loaded lead is: 0 to 20 K, rectangular [K]; common practice, no published source."""
_ROOM_U_K = 1.0
"""A thermometer in the room is not at the lead [K]; our allowance."""
_ROOMS_C = (-30.0, 60.0)
"""What is beyond is no room's temperature [°C]: a thermometer that is open, or in the duct."""
ASSUMED_ROOM = Measured(20.0, 5.0)
"""Where nobody says how warm the room is [°C]; our assumption."""

SHARED_WITH_BASELINE = (GAIN, "current", "power factor")
"""Errors that the steps of two conditions have in common."""
RANDOM = (IDLE, SCATTER, WANDER)
"""Contributions that each trial has anew."""
FROM_TRIAL_TO_TRIAL = "from trial to trial"


@dataclass(frozen=True, slots=True)
class BaselineLoop:
    """The baseline's loop by one voltmeter, and what is known of its lead at 20 °C."""

    name: str
    loop: LoopResistance | None
    lead: Measured | None


def baseline_loop(
    measured: Sequence[LoopMeasurement], baseline: str, lead: LeadFacts | None
) -> BaselineLoop:
    """What the other leads are held against where there is one voltmeter.

    Args:
        measured: Loops of a session.
        baseline: Name of the condition.
        lead: What the plan says of its lead.
    """
    steps = [m for m in measured if m.condition == baseline and m.method is Method.STEP]
    stated = lead_range(lead) if lead else None
    known = None
    if lead and lead.loop_ohm is not None:
        known = Measured(lead.loop_ohm, lead.loop_expanded_uncertainty_ohm / 2.0)
    elif stated and stated.high_ohm is not None:
        width = stated.high_ohm - stated.low_ohm
        known = Measured(stated.low_ohm + width / 2.0, width / math.sqrt(12.0))
    return BaselineLoop(baseline, _averaged(steps) if steps else None, known)


def copper_temperature(trials: Sequence[TrialEdges], air: Air | None) -> Measured:
    """Temperature of a loaded lead's copper [°C]: the room's and SELF_HEATING; the room's from a channel there, or as stated."""
    room = _measured_room(trials)
    if room is None:
        room = ASSUMED_ROOM
        if air and air.temperature_c is not None:
            room = Measured(air.temperature_c, air.temperature_u_k)
    return Measured(
        room.value + SELF_HEATING.value,
        math.hypot(room.std_uncertainty, SELF_HEATING.std_uncertainty),
    )


def room_doubts(trials: Sequence[TrialEdges]) -> Iterator[str]:
    """Temperatures of the room that are not believed, in sentences."""
    for edges, name, room_c in _rooms(trials):
        if not _is_a_room_s(room_c):
            yield (
                f"trial {edges.trial} ({edges.condition}): {name} shows {room_c:.0f} °C, which is no room's temperature; it is"
                " not used for the lead's copper"
            )


def _measured_room(trials: Sequence[TrialEdges]) -> Measured | None:
    means = [room_c for *_, room_c in _rooms(trials) if _is_a_room_s(room_c)]
    return Measured(sample_mean(means), _ROOM_U_K) if means else None


def _rooms(trials: Sequence[TrialEdges]) -> Iterator[tuple[TrialEdges, str, float]]:
    """Trials with a thermometer in the room: its name, and what it showed on average [°C]."""
    for edges in trials:
        if channel := edges.find("temperature", "room"):
            yield edges, channel.name, edges.of(channel).mean


def _is_a_room_s(temperature_c: float) -> bool:
    low, high = _ROOMS_C
    return low <= temperature_c <= high


def of_best_method(
    measured: Sequence[LoopMeasurement], condition: str
) -> list[LoopMeasurement]:
    """A condition's loops by two voltmeters, or, where there are none, by the step."""
    mine = [m for m in measured if m.condition == condition]
    between = [m for m in mine if m.method is Method.TWO_VOLTMETERS]
    return between or mine


def lead_alone(
    condition: str,
    mine: Sequence[LoopMeasurement],
    baseline: BaselineLoop,
    copper: Measured,
) -> LoopResistance | None:
    """The lead's own loop at 20 °C; None where it was not measured apart from what is before it."""
    if not mine:
        return None
    loop = _averaged(mine)
    if mine[0].method is Method.TWO_VOLTMETERS:
        return at_20c(loop, copper)
    if baseline.loop is None or condition == baseline.name:
        return None
    alone = at_20c(_less(loop, baseline.loop), copper)
    if baseline.lead is None:
        return alone
    own = Contribution(baseline.lead.std_uncertainty, name="baseline's lead")
    return LoopResistance(
        alone.resistance_ohm + baseline.lead.value, (*alone.contributions, own)
    )


def _averaged(measured: Sequence[LoopMeasurement]) -> LoopResistance:
    """Mean of repeats: what each trial has anew shrinks, the meters' own errors do not; a wider spread takes its place."""
    n = len(measured)
    parts: dict[str, list[Contribution]] = {}
    for each in measured:
        for part in each.contributions:
            parts.setdefault(part.name, []).append(part)
    random = [
        replace(part, std_uncertainty=part.std_uncertainty / n)
        for name in RANDOM
        for part in parts.pop(name, [])
    ]
    values = [m.resistance_ohm for m in measured]
    within = math.hypot(*(part.std_uncertainty for part in random))
    spread = Spread(sample_std_dev(values), n - 1) if n > 2 else None
    if spread and spread.std_dev / math.sqrt(n) > within:
        random = [
            Contribution(
                spread.std_dev / math.sqrt(n),
                spread.degrees_of_freedom,
                name=FROM_TRIAL_TO_TRIAL,
                kind=Evaluation.TYPE_A,
            )
        ]
    shared = [
        Contribution(
            math.fsum(p.std_uncertainty for p in found) / n,
            min(p.degrees_of_freedom for p in found),
            name=name,
        )
        for name, found in parts.items()
    ]
    return LoopResistance(sample_mean(values), (*random, *shared))


def _less(loop: LoopResistance, other: LoopResistance) -> LoopResistance:
    """A loop less another one; errors that both have by the same meter count by what is left of them."""
    shared = {
        c.name: c.std_uncertainty
        for c in other.contributions
        if c.name in SHARED_WITH_BASELINE
    }
    mine = [
        replace(c, std_uncertainty=abs(c.std_uncertainty - shared.get(c.name, 0.0)))
        for c in loop.contributions
    ]
    theirs = [c for c in other.contributions if c.name not in shared]
    return LoopResistance(loop.resistance_ohm - other.resistance_ohm, (*mine, *theirs))
