"""Quantities derived from a session's channels, trial by trial: airflow and its power, what the supply says of the machine.

Puts the parts together; the formulas are in daq/physics, what goes into them in airflows.py and electrical.py. Nothing
here ends a comparison: what cannot be derived is said in a sentence, and the rest is derived all the same.
"""

from collections.abc import Collection, Mapping, Sequence

from daq.comparison.airflows import airflow_derivations
from daq.comparison.electrical import (
    efficiency_derivations,
    electrical_derivations,
)
from daq.comparison.observations import Observation, Quantity
from daq.comparison.rules import Surroundings
from daq.comparison.trial_inputs import Derivation, TrialInputs
from daq.records import Channel


def derive_quantities(
    channels: Sequence[Channel],
    surroundings: Surroundings,
    observations: Mapping[str, tuple[Observation, ...]],
    *,
    normalised: Collection[str] = (),
    second_choice: Collection[str] = (),
) -> tuple[tuple[Quantity, ...], dict[str, tuple[Observation, ...]], tuple[str, ...]]:
    """Derive all that the bench's channels allow.

    Args:
        channels: As they were described.
        surroundings: What the bench says of air and airflow.
        observations: By name of the channel [unit of the channel], in order of time.
        normalised: Names of channels whose means were taken to a reference voltage; with channels that were not they
            make no derived quantity.
        second_choice: Names of channels that were typed or imported.

    Returns:
        What was derived, its observations by name, and in sentences what could not be derived or is to be doubted.
    """
    inputs = TrialInputs(tuple(channels), observations, normalised, second_choice)
    flows = airflow_derivations(inputs, surroundings)
    electrical = electrical_derivations(inputs)
    derived = [*flows, *electrical, *efficiency_derivations(inputs, flows)]
    kept: dict[str, Derivation] = {}
    remarks: list[str] = []
    for each in derived:
        remarks += each.remarks
        name = each.quantity.name
        if name in second_choice and name in observations and each.observations:
            remarks.append(
                f"{name} is not derived: a channel that was typed or imported has its name, and stands in the table instead"
            )
        # A channel of that name is the user's own.
        if each.observations and name not in observations:
            kept.setdefault(name, each)
    return (
        tuple(each.quantity for each in kept.values()),
        {name: each.observations for name, each in kept.items()},
        tuple(dict.fromkeys(remarks)),
    )
