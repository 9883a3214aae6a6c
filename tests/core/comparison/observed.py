"""Channels and trial averages as the comparison is given them."""

import math

from daq.comparison.observations import ErrorPart, Observation
from daq.records import Accuracy, Channel
from daq.units import unit_of


def channel(name: str, unit: str, place: str = "machine end") -> Channel:
    return Channel(
        name=name,
        title=name.replace("_", " ").capitalize(),
        quantity=unit_of(unit).quantity,
        unit=unit,
        place=place,
        instrument="meter",
        field_index=0,
        accuracy=Accuracy(),
        interval_s=1.0,
    )


def observation(
    mean: float,
    *errors: tuple[str, float],
    trial: int = 1,
    condition: str = "short lead",
    within: float = 0.0,
    nu: float = math.inf,
) -> Observation:
    """One trial's average; errors are common ones, by name and standard uncertainty."""
    return Observation(
        trial=trial,
        condition=condition,
        at_s=100.0 * trial,
        mean=mean,
        std_uncertainty_within=within,
        degrees_of_freedom_within=nu,
        errors=tuple(ErrorPart(name, u, is_common=True) for name, u in errors),
    )


def error_of(seen: Observation, source: str) -> float:
    """Signed standard uncertainty of one error."""
    return math.fsum(e.std_uncertainty for e in seen.errors if e.source == source)
