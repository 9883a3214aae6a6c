"""Supply, lead and machine in series: the voltage that the machine's own current leaves it, and all that follows."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.physics.leads import LoadedLead, loaded_lead
from daq.prediction.lead import AskedLead
from daq.prediction.machine import CURRENT, POWER, Machine, power_factor_at

VOLTAGE, DROP, LOST = "voltage", "voltage drop", "power lost in the lead"
"""Names of figures that are no curves: at the machine [V], along the lead [V], its heat [W]."""

_ROUNDS = 200


class LeadTooWeakError(ValueError):
    """The machine would not run behind such a lead."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """All that the circuit is solved with; one of them is moved at a time."""

    curves: Mapping[str, NDArray[np.float64]]
    departures: Mapping[str, float]
    supply: NDArray[np.float64]
    resistance_ohm: float
    power_factor: float
    baseline_v: float


def central_inputs(machine: Machine, lead: AskedLead) -> Inputs:
    """Best estimates of everything."""
    return Inputs(
        {name: curve.fit.parameters for name, curve in machine.curves.items()},
        {},
        machine.supply.fit.parameters,
        lead.resistance_ohm,
        machine.power_factor,
        machine.baseline.voltage_v if machine.baseline else math.nan,
    )


def solved(
    machine: Machine, lead: AskedLead, inputs: Inputs
) -> tuple[dict[str, float], dict[str, float]]:
    """Figures, and their ratios to the baseline, by name."""

    def at(voltage_v: float) -> dict[str, float]:
        return {
            name: curve.value(voltage_v, inputs.curves[name])
            * math.exp(inputs.departures.get(name, 0.0))
            for name, curve in machine.curves.items()
        }

    loaded, current_a = _balanced(machine, lead, inputs, at)
    found = at(loaded.machine_v)
    levels = {VOLTAGE: loaded.machine_v, DROP: loaded.drop_v, LOST: loaded.lost_w}
    levels |= found | {CURRENT: current_a}
    if machine.baseline is None:
        return levels, {}
    base = {
        name: curve.value(inputs.baseline_v, inputs.curves[name])
        for name, curve in machine.curves.items()
    }
    ratios = {name: levels[name] / base[name] for name in base}
    ratios[VOLTAGE] = loaded.machine_v / inputs.baseline_v
    return levels, ratios


def _balanced(
    machine: Machine,
    lead: AskedLead,
    inputs: Inputs,
    at: Callable[[float], dict[str, float]],
) -> tuple[LoadedLead, float]:
    """The lead under the current that the machine draws at the voltage which that very current leaves."""
    voltage_v = math.exp(machine.curves[CURRENT].centre)
    for _ in range(_ROUNDS):
        found = at(voltage_v)
        current_a = found[CURRENT]
        try:
            loaded = loaded_lead(
                supply_v=machine.supply.voltage(current_a, inputs.supply),
                current_a=current_a,
                resistance_ohm=max(inputs.resistance_ohm, 0.0),
                reactance_ohm=lead.reactance_ohm,
                power_factor=power_factor_at(
                    voltage_v,
                    current_a,
                    found.get(POWER),
                    otherwise=inputs.power_factor,
                ),
            )
        except (ValueError, OverflowError) as exc:
            raise _too_weak(lead) from exc
        if abs(loaded.machine_v - voltage_v) < 1e-10 * voltage_v:
            return loaded, current_a
        voltage_v = loaded.machine_v
    raise _too_weak(lead)


def _too_weak(lead: AskedLead) -> LeadTooWeakError:
    return LeadTooWeakError(
        f"the machine would not run behind {lead.designation}, or only just, by what the session tells"
    )
