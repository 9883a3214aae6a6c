"""Runs whose meters stand still, so that a lead's arithmetic can be followed by hand."""

from collections.abc import Callable, Mapping
from dataclasses import replace

from daq.comparison.lead_readings import Stretch, TrialEdges
from daq.comparison.rules import ConditionFacts, LeadFacts
from daq.records import Channel
from tests.core.comparison.observed import channel

SUPPLY = channel("supply_voltage", "V", "supply end")
MACHINE = channel("machine_voltage", "V")
CURRENT = channel("current", "A")
POWER_FACTOR = channel("power_factor", "1")
# IEC 60228 allows 13.3 ohm/km for 1.5 mm²: 0.665 ohm in the loop of 25 m.
LEAD = LeadFacts(area_mm2=1.5, length_m=25.0)
LONG = ConditionFacts("long lead", ("lead",), None, LEAD)
ON_S, OFF_S = 1000.0, 1240.0
Levels = Mapping[Channel, tuple[float, float]]
"""What each channel shows with the machine off, and on."""


def edges_of(
    levels: Levels,
    *,
    trial: int = 1,
    condition: str = "long lead",
    idle_s: float = 40.0,
    after: Mapping[Channel, float] | None = None,
    after_s: float = 28.0,
) -> TrialEdges:
    """A run whose meters stand still but for a flicker of a hundredth, so that the arithmetic can be followed by hand."""
    times = [ON_S - idle_s + i for i in range(round(idle_s + 30.0))]
    times += [OFF_S - 60.0 + i for i in range(round(60.0 + after_s))]
    readings = {}
    for each, (off, on) in levels.items():
        values = []
        for i, t in enumerate(times):
            level = on if ON_S <= t < OFF_S else off
            if t >= OFF_S and after and each in after:
                level = after[each]
            flicker = 0.01 if i % 2 else -0.01
            is_voltage = each.quantity == "voltage" and level > 0.0
            values.append(level + (flicker if is_voltage else 0.0))
        readings[each.name] = Stretch(tuple(times), tuple(values))
    return TrialEdges(trial, condition, ON_S, OFF_S, tuple(levels), readings)


def levels_of(drop_v: float, *, offset_v: float = 0.0) -> Levels:
    """10 A at a power factor of 1 from 230 V; the machine's voltmeter shows `offset_v` too much."""
    return {
        SUPPLY: (230.0, 229.0),
        MACHINE: (230.0 + offset_v, 229.0 - drop_v + offset_v),
        CURRENT: (0.0, 10.0),
        POWER_FACTOR: (0.0, 1.0),
    }


def reread(
    edges: TrialEdges, shown: Mapping[Channel, Callable[[float, float], float | None]]
) -> TrialEdges:
    """The same run with other readings of some channels: of time and value; None for no reading."""
    readings = dict(edges.readings)
    for each, changed in shown.items():
        was = readings[each.name]
        now = [
            (t, value)
            for t, v in zip(was.times_s, was.values, strict=True)
            if (value := changed(t, v)) is not None
        ]
        readings[each.name] = Stretch(
            tuple(t for t, _ in now), tuple(v for _, v in now)
        )
    return replace(edges, readings=readings)
