"""A lead's loop resistance from the readings about one trial's switching, with what its uncertainty is made of.

With a voltmeter at each end it is the lead's own; with one at the machine's end that of everything up to the voltage
source, the lead among it. A voltmeter at the supply's end alone says nothing of a lead. Current and power factor are taken
in: dividing volts by amperes would make a loop some percent too small.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import product

from daq.comparison.lead_drops import (
    Drop,
    drop_at_switching,
    drop_between,
    loaded_since_s,
    without_standby,
)
from daq.comparison.lead_readings import TrialEdges, loaded_until_s
from daq.comparison.rules import LeadFacts
from daq.comparison.trial_inputs import MACHINE_END, SUPPLY_END
from daq.physics.lead_resistance import Measured, loop_resistance
from daq.physics.leads import REACTANCE_OHM_PER_M, loop_ohm
from daq.physics.power import apparent_power
from daq.records import Channel, Contribution
from daq.uncertainty import std_uncertainty_of_accuracy
from daq.units import unit_of

ASSUMED_POWER_FACTOR = Measured(0.9, 0.06)
"""Of a motor at full speed where nobody measures it: 0.8 to 1, rectangular; common practice, no published source."""

_DROP = "voltage drop"
_ASSUMED_LENGTH_M = 25.0
_REACTANCE_U_SHARE = 0.3
_AT_SUPPLY_U = 0.01
"""What a power factor of the supply's end may differ by from the machine's [1]."""
_HIGHEST_POWER_FACTOR = 1.05
"""What meters may show of a power factor of 1."""


class Method(StrEnum):
    """How a loop was measured."""

    TWO_VOLTMETERS = "two voltmeters"
    STEP = "voltage step at the machine's end"


@dataclass(frozen=True, slots=True)
class LoopMeasurement:
    """Loop resistance by one trial, at the copper's temperature.

    Attributes:
        trial: Number in the store.
        condition: What was fitted.
        method: How; by the step it is that of the lead with wiring and supply.
        resistance_ohm: [ohm].
        contributions: What it is uncertain by [ohm], sensitivity applied.
        drop_v: The drop that it follows from [V].
        current_a: [A].
        power_factor: At the machine [1].
        power_factor_is_assumed: Nobody measured it.
    """

    trial: int
    condition: str
    method: Method
    resistance_ohm: float
    contributions: tuple[Contribution, ...]
    drop_v: float
    current_a: float
    power_factor: float
    power_factor_is_assumed: bool


@dataclass(frozen=True, slots=True)
class TrialLoop:
    """What one trial says of its lead.

    Attributes:
        measurement: None where it says nothing.
        remarks: Why, or what is to be doubted.
    """

    measurement: LoopMeasurement | None
    remarks: tuple[str, ...] = ()


def measure_loop(edges: TrialEdges, lead: LeadFacts | None) -> TrialLoop:
    """Loop resistance by one trial.

    Args:
        edges: Readings about its switching.
        lead: What the plan says of the lead that was fitted; its length gives the reactance.
    """
    label = f"trial {edges.trial} ({edges.condition})"
    supply = edges.find("voltage", SUPPLY_END)
    places = [c.place for c in edges.channels]
    currents = edges.at("current", MACHINE_END, SUPPLY_END, *places)
    taken = edges.best(product(edges.at("voltage", MACHINE_END), currents))
    if taken is None:
        why = _why_nothing(supply, currents)
        return TrialLoop(None, (f"{label}: {why}",))
    machine, current = taken
    amperes = edges.of(current)
    end_s = loaded_until_s(amperes, edges.off_s)
    if end_s is None:
        why = f"{label}: no current before switch-off, the lead's resistance cannot be told"
        return TrialLoop(None, (why,))
    drop, method = _drop(edges, supply, machine, current, end_s)
    if drop is None:
        why = f"{label}: too few readings about its switching to tell the lead's resistance"
        return TrialLoop(None, (why,))
    idle = amperes.between(edges.on_s - 60.0, edges.on_s - 2.0)
    drop = without_standby(drop, idle.mean if len(idle) else 0.0)
    try:
        measurement = _measured(
            edges, drop, method=method, current=current, end_s=end_s, lead=lead
        )
    except ValueError as exc:
        return TrialLoop(None, (*drop.remarks, f"{label}: {exc}"))
    return TrialLoop(measurement, drop.remarks)


def _why_nothing(supply: Channel | None, currents: Sequence[Channel]) -> str:
    if not currents:
        return "the lead's resistance cannot be told without a current channel"
    if supply is None:
        return "the lead's resistance cannot be told without a voltmeter at the machine's end"
    return (
        "a voltage at the supply's end alone says nothing of the lead, put a voltmeter at the machine's end"
        " (place = 'machine end')"
    )


def _drop(
    edges: TrialEdges,
    supply: Channel | None,
    machine: Channel,
    current: Channel,
    end_s: float,
) -> tuple[Drop | None, Method]:
    """With two voltmeters between them; with one, or too few readings of the other, at the switching."""
    if supply:
        between = drop_between(edges, supply, machine, current, end_s)
        if between:
            return between, Method.TWO_VOLTMETERS
    return drop_at_switching(edges, machine, current, end_s), Method.STEP


def _measured(
    edges: TrialEdges,
    drop: Drop,
    *,
    method: Method,
    current: Channel,
    end_s: float,
    lead: LeadFacts | None,
) -> LoopMeasurement:
    length_m = (lead.length_m if lead else None) or _ASSUMED_LENGTH_M
    reactance_ohm = loop_ohm(length_m, REACTANCE_OHM_PER_M)
    amperes = Measured(drop.current_a, _u_of(current, drop.current_a))
    found = _power_factor(edges, drop, amperes, end_s, ammeter=current.instrument)
    factor = found or ASSUMED_POWER_FACTOR
    drop_u_v = math.hypot(*(part.std_uncertainty for part in drop.contributions))
    loop = loop_resistance(
        drop_v=Measured(drop.value_v, drop_u_v),
        machine_v=Measured(drop.machine_v),
        current_a=amperes,
        power_factor=factor,
        reactance_ohm=Measured(reactance_ohm, _REACTANCE_U_SHARE * reactance_ohm),
    )
    of_drop = [part for part in loop.contributions if part.name == _DROP]
    others = [part for part in loop.contributions if part.name != _DROP]
    ohm_per_v = of_drop[0].std_uncertainty / drop_u_v if of_drop else 0.0
    return LoopMeasurement(
        trial=edges.trial,
        condition=edges.condition,
        method=method,
        resistance_ohm=loop.resistance_ohm,
        contributions=(
            *(
                replace(part, std_uncertainty=ohm_per_v * part.std_uncertainty)
                for part in drop.contributions
                if part.std_uncertainty
            ),
            *others,
        ),
        drop_v=drop.value_v,
        current_a=drop.current_a,
        power_factor=factor.value,
        power_factor_is_assumed=found is None,
    )


def _power_factor(
    edges: TrialEdges, drop: Drop, current: Measured, end_s: float, *, ammeter: str
) -> Measured | None:
    """Of the machine, as near to it as anybody measures; None where nobody does, or what cannot be is shown."""
    taken = edges.best(
        [channel]
        for place in (MACHINE_END, SUPPLY_END)
        for kind in ("power factor", "power")
        for channel in sorted(
            edges.at(kind, place), key=lambda c: c.instrument != ammeter
        )
    )
    if taken is None:
        return None
    channel = taken[0]
    place = channel.place
    shown = edges.of(channel).between(loaded_since_s(edges, end_s), end_s)
    if not len(shown):
        return None
    u = _u_of(channel, shown.mean)
    if channel.quantity == "power factor":
        found = Measured(shown.mean, u)
    else:
        found = _from_power(Measured(shown.mean, u), drop, current, place)
    if place == SUPPLY_END:
        found = Measured(found.value, math.hypot(found.std_uncertainty, _AT_SUPPLY_U))
    is_possible = 0.0 < found.value <= _HIGHEST_POWER_FACTOR
    return replace(found, value=min(found.value, 1.0)) if is_possible else None


def _from_power(
    power_w: Measured, drop: Drop, current: Measured, place: str
) -> Measured:
    """Power factor at the machine; of a power at the supply's end the lead's own loss is taken off first."""
    at_machine_w = power_w.value
    if place == SUPPLY_END:
        # The loss of a drop that is nearly in phase with the current.
        at_machine_w -= drop.value_v * current.value
    value = at_machine_w / apparent_power(drop.machine_v, current.value)
    relative = math.hypot(
        power_w.std_uncertainty / power_w.value if power_w.value else 0.0,
        current.std_uncertainty / current.value,
    )
    return Measured(value, abs(value) * relative)


def _u_of(channel: Channel, value: float) -> float:
    """Standard uncertainty of what a meter shows, by what its maker states [SI unit]."""
    factor = unit_of(channel.unit).factor
    return factor * std_uncertainty_of_accuracy(value / factor, channel.accuracy)
