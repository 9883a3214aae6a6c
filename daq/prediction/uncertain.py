"""Every uncertain input of a prediction, moved by its standard uncertainty, one at a time."""

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
    """An input moved by its standard uncertainty."""

    origin: Origin
    coverage_factor: float
    inputs: Inputs


def moves(machine: Machine, lead: AskedLead, central: Inputs) -> Iterator[Move]:
    """Move each input.

    Args:
        machine: As a session found it.
        lead: That is asked about.
        central: Best estimates.
    """
    yield from _fits(machine, central)
    yield from _circuit(machine, lead, central)
    for source in _shared_sources(machine):
        yield Move(Origin.METERS, _NORMAL, _without_error(machine, central, source))


def _fits(machine: Machine, central: Inputs) -> Iterator[Move]:
    for name, curve in machine.curves.items():
        factor = curve.fit.coverage_factor
        for change in curve.fit.directions():
            moved = {**central.curves, name: central.curves[name] + change}
            yield Move(Origin.FIT, factor, replace(central, curves=moved))
        if curve.fit.excess:
            departed = {name: curve.fit.excess}
            yield Move(Origin.FIT, factor, replace(central, departures=departed))


def _circuit(machine: Machine, lead: AskedLead, central: Inputs) -> Iterator[Move]:
    supply = machine.supply.fit
    for change in supply.directions():
        fed = replace(central, supply=central.supply + change)
        yield Move(Origin.SUPPLY, supply.coverage_factor, fed)
    for part in lead.contributions:
        resistance_ohm = central.resistance_ohm + part.std_uncertainty
        longer = replace(central, resistance_ohm=resistance_ohm)
        yield Move(Origin.LEAD, _NORMAL, longer)
    if POWER not in machine.curves:
        # Towards less: above 1 there is nothing.
        factor = central.power_factor - machine.power_factor_u
        yield Move(Origin.LOAD, _NORMAL, replace(central, power_factor=factor))
    if machine.baseline:
        baseline_v = central.baseline_v + machine.baseline.std_uncertainty_v
        other = replace(central, baseline_v=baseline_v)
        yield Move(Origin.BASELINE, supply.coverage_factor, other)


def _shared_sources(machine: Machine) -> list[str]:
    sources = [s for curve in machine.curves.values() for s in curve.points.shared]
    sources += [*machine.supply.shared]
    sources += [*machine.baseline.shared] if machine.baseline else []
    return list(dict.fromkeys(sources))


def _without_error(machine: Machine, central: Inputs, source: str) -> Inputs:
    """Inputs as they are if that source has been off by one standard uncertainty all the time."""
    curves = dict(central.curves)
    for name, curve in machine.curves.items():
        if source in curve.points.shared:
            curves[name] = (
                curves[name] - curve.fit.estimator @ curve.points.shared[source]
            )
    supply, baseline_v = central.supply, central.baseline_v
    if source in machine.supply.shared:
        supply = supply - machine.supply.fit.estimator @ machine.supply.shared[source]
    if machine.baseline:
        baseline_v -= machine.baseline.shared.get(source, 0.0)
    return replace(central, curves=curves, supply=supply, baseline_v=baseline_v)
