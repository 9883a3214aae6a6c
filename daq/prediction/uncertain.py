"""Every uncertain input of a prediction, moved by its standard uncertainty either way, one at a time."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from daq.prediction.circuit import Inputs
from daq.prediction.lead import AskedLead
from daq.prediction.machine import POWER, Machine
from daq.stats import normal_quantile

_NORMAL = normal_quantile(0.975)


class Origin(StrEnum):
    """Where uncertainty comes from."""

    FIT = "fit"
    SUPPLY = "supply"
    LEAD = "lead"
    LOAD = "power factor"
    BASELINE = "baseline"
    METERS = "meters"


@dataclass(frozen=True, slots=True)
class Move:
    """An input moved by its standard uncertainty, and by as much the other way."""

    origin: Origin
    coverage_factor: float
    inputs: Inputs
    opposite: Inputs


_OneWay = tuple[Origin, float, Inputs]


def moves(machine: Machine, lead: AskedLead, central: Inputs) -> Iterator[Move]:
    """Move each input.

    Args:
        machine: As a session found it.
        lead: That is asked about.
        central: Best estimates.
    """
    there, back = (_one_way(machine, lead, central, sign) for sign in (1.0, -1.0))
    for (origin, factor, inputs), (_, _, opposite) in zip(there, back, strict=True):
        yield Move(origin, factor, inputs, opposite)


def _one_way(
    machine: Machine, lead: AskedLead, central: Inputs, sign: float
) -> Iterator[_OneWay]:
    yield from _fits(machine, central, sign)
    yield from _circuit(machine, lead, central, sign)
    for source in _shared_sources(machine):
        moved = _with_error(machine, central, source, sign)
        yield Origin.METERS, _NORMAL, moved


def _fits(machine: Machine, central: Inputs, sign: float) -> Iterator[_OneWay]:
    for name, curve in machine.curves.items():
        factor = curve.fit.coverage_factor
        for change in curve.fit.directions():
            moved = {**central.curves, name: central.curves[name] + sign * change}
            yield Origin.FIT, factor, replace(central, curves=moved)
        if curve.fit.excess:
            departed = {name: sign * curve.fit.excess}
            yield Origin.FIT, factor, replace(central, departures=departed)


def _circuit(
    machine: Machine, lead: AskedLead, central: Inputs, sign: float
) -> Iterator[_OneWay]:
    supply = machine.supply.fit
    for change in supply.directions():
        fed = replace(central, supply=central.supply + sign * change)
        yield Origin.SUPPLY, supply.coverage_factor, fed
    for part in lead.contributions:
        resistance_ohm = central.resistance_ohm + sign * part.std_uncertainty
        longer = replace(central, resistance_ohm=resistance_ohm)
        yield Origin.LEAD, _NORMAL, longer
    if POWER not in machine.curves:
        factor = central.power_factor + sign * machine.power_factor_u
        yield Origin.LOAD, _NORMAL, replace(central, power_factor=factor)
    if machine.baseline:
        baseline_v = central.baseline_v + sign * machine.baseline.std_uncertainty_v
        other = replace(central, baseline_v=baseline_v)
        yield Origin.BASELINE, supply.coverage_factor, other


def _shared_sources(machine: Machine) -> list[str]:
    sources = [s for curve in machine.curves.values() for s in curve.points.shared]
    sources += [*machine.supply.shared]
    sources += [*machine.baseline.shared] if machine.baseline else []
    return list(dict.fromkeys(sources))


def _with_error(machine: Machine, central: Inputs, source: str, sign: float) -> Inputs:
    """Inputs as they are if that source is off by one standard uncertainty all the time."""
    curves = dict(central.curves)
    for name, curve in machine.curves.items():
        if source in curve.points.shared:
            change = curve.fit.estimator @ curve.points.shared[source]
            curves[name] = curves[name] + sign * change
    supply, baseline_v = central.supply, central.baseline_v
    if source in machine.supply.shared:
        change = machine.supply.fit.estimator @ machine.supply.shared[source]
        supply = supply + sign * change
    if machine.baseline:
        baseline_v += sign * machine.baseline.shared.get(source, 0.0)
    return replace(central, curves=curves, supply=supply, baseline_v=baseline_v)
