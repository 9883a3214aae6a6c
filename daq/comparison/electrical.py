"""Apparent power, power factor and voltage drop of each trial, and the efficiency where there is an air power."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

from daq.comparison.observations import Observation, Quantity, propagate
from daq.comparison.trial_inputs import (
    MACHINE_END,
    SUPPLY_END,
    Derivation,
    TrialInputs,
    derive_by_trial,
    derive_from,
)
from daq.physics.air_power import efficiency
from daq.physics.power import apparent_power, power_factor
from daq.records import Channel
from daq.uncertainty import Contribution, combine


@dataclass(frozen=True, slots=True)
class LoadChannels:
    """Channels that measure one load at one place.

    Attributes:
        place: Where on the bench.
        voltage: There.
        current: There, or elsewhere in the same loop.
        power: There; None where nobody measures it.
    """

    place: str
    voltage: Channel
    current: Channel
    power: Channel | None


def load_channels(inputs: TrialInputs) -> LoadChannels | None:
    """Voltage, current and power of the load: at the machine's end if that can be, else at the supply's, else elsewhere.

    Args:
        inputs: Of the session.

    Returns:
        Channels of one place, with the power before without it, and then as roles.py has it: the bench's own, of one
        instrument; None where there is no voltage or no current.
    """
    places = _places(inputs)
    pairs = [
        (voltage, current)
        for place in places
        for voltage in inputs.at("voltage", place)
        for current in inputs.at("current", place, *places)
    ]
    complete = [
        (voltage, current, power)
        for voltage, current in pairs
        for power in inputs.at("power", voltage.place)
    ]
    if found := inputs.best(complete or pairs):
        voltage, current, *power = found
        return LoadChannels(voltage.place, voltage, current, next(iter(power), None))
    return None


def _without_power(inputs: TrialInputs, load: LoadChannels) -> LoadChannels:
    """What an apparent power is made of: the load's own pair, unless the bench reads one itself and that is none."""
    if inputs.is_own(load.voltage, load.current):
        return load
    without = replace(
        inputs, channels=tuple(c for c in inputs.channels if c.quantity != "power")
    )
    return load_channels(without) or load


def _places(inputs: TrialInputs) -> list[str]:
    """All places, the machine's end first and then the supply's."""
    elsewhere = [channel.place for channel in inputs.channels]
    return list(dict.fromkeys([MACHINE_END, SUPPLY_END, *elsewhere]))


def electrical_derivations(inputs: TrialInputs) -> list[Derivation]:
    """Apparent power, power factor and voltage drop, as far as the channels allow; none that a channel measures."""
    derivations = []
    if load := load_channels(inputs):
        pair = _without_power(inputs, load)
        if not inputs.is_measured("apparent power", pair.voltage, pair.current):
            derivations.append(_apparent_power(inputs, pair))
        if load.power and not inputs.is_measured(
            "power factor", load.voltage, load.current, load.power
        ):
            derivations.append(_power_factor(inputs, load, load.power))
    ends = product(inputs.at("voltage", SUPPLY_END), inputs.at("voltage", MACHINE_END))
    if found := inputs.best(ends):
        supply, machine = found
        derivations.append(_voltage_drop(inputs, supply, machine))
    return derivations


def efficiency_derivations(
    inputs: TrialInputs, airflows: Sequence[Derivation]
) -> list[Derivation]:
    """Air power over electric power, for every air power among what was derived of the airflows."""
    power = inputs.find("power", *_places(inputs))
    if power is None:
        return []
    return [
        _efficiency(inputs, each, power)
        for each in airflows
        if each.quantity.quantity == "air power" and each.observations
    ]


def expanded_uncertainty(observation: Observation) -> float:
    """Expanded uncertainty of one trial's value with all its errors, 95 % [unit of the quantity]."""
    within = Contribution(
        observation.std_uncertainty_within, observation.degrees_of_freedom_within
    )
    systematic = Contribution(observation.std_uncertainty_systematic)
    return combine([within, systematic]).expanded_uncertainty


def observed_power_factor(observed: Sequence[Observation]) -> Observation:
    r"""Power factor of one trial.

    .. math:: \lambda = P / (V I), \quad
        c_P = 1/(V I), \quad c_V = -\lambda/V, \quad c_I = -\lambda/I

    Args:
        observed: Power P [W], voltage V [V] and current I [A] of one trial.

    Returns:
        Power factor [1]; what is above 1 by no more than its expanded uncertainty is 1.

    Raises:
        ValueError: If it is above 1 beyond that, or there is no voltage or current.

    Source:
        IEEE Std 1459-2010, single-phase definitions (clause 3.1); JCGM 100:2008 (GUM), 5.1.3 for the sensitivities.
    """
    p, v, i = observed
    apparent_va = apparent_power(v.mean, i.mean)
    if not apparent_va > 0.0:
        msg = f"{v.mean:g} V and {i.mean:g} A, expected both above 0: check the meters' wiring"
        raise ValueError(msg)
    ratio = p.mean / apparent_va
    inputs = [(1.0 / apparent_va, p), (-ratio / v.mean, v), (-ratio / i.mean, i)]
    expanded = expanded_uncertainty(propagate(ratio, inputs))
    try:
        factor = power_factor(p.mean, apparent_va, relative_tolerance=expanded)
    except ValueError as exc:
        msg = (
            f"power factor {ratio:.3f} ± {expanded:.3f}, which cannot be above 1: check the meters' scaling, and that"
            " power, voltage and current are of the same machine"
        )
        raise ValueError(msg) from exc
    return propagate(factor, inputs)


def _apparent_power(inputs: TrialInputs, load: LoadChannels) -> Derivation:
    quantity = Quantity(
        name="apparent_power",
        title="Apparent power",
        quantity="apparent power",
        unit="VA",
        place=load.place,
        formula=f"{load.voltage.name} times {load.current.name} (IEEE Std 1459-2010, single phase)",
        choice=inputs.choice(load.voltage, load.current),
    )
    return derive_by_trial(
        quantity, inputs, [load.voltage, load.current], _observed_apparent_power
    )


def _observed_apparent_power(observed: Sequence[Observation]) -> Observation:
    v, i = observed
    return propagate(apparent_power(v.mean, i.mean), [(i.mean, v), (v.mean, i)])


def _power_factor(
    inputs: TrialInputs, load: LoadChannels, power: Channel
) -> Derivation:
    quantity = Quantity(
        name="power_factor",
        title="Power factor",
        quantity="power factor",
        unit="1",
        place=load.place,
        formula=(
            f"{power.name} over {load.voltage.name} times {load.current.name}, of their means over one window"
            " (IEEE Std 1459-2010, single phase)"
        ),
        choice=inputs.choice(power, load.voltage, load.current),
    )
    channels = [power, load.voltage, load.current]
    return derive_by_trial(quantity, inputs, channels, observed_power_factor)


def _voltage_drop(inputs: TrialInputs, supply: Channel, machine: Channel) -> Derivation:
    quantity = Quantity(
        name="voltage_drop",
        title="Voltage drop",
        quantity="voltage",
        unit="V",
        place="lead",
        formula=(
            f"{supply.name} less {machine.name} under load; what the two meters differ by with the machine off is not"
            " taken off here, it cancels between conditions"
        ),
        choice=inputs.choice(supply, machine),
    )
    return derive_by_trial(quantity, inputs, [supply, machine], _observed_drop)


def _observed_drop(observed: Sequence[Observation]) -> Observation:
    supply, machine = observed
    return propagate(supply.mean - machine.mean, [(1.0, supply), (-1.0, machine)])


def _efficiency(inputs: TrialInputs, air: Derivation, power: Channel) -> Derivation:
    name = air.quantity.name
    quantity = Quantity(
        name=name.replace("air_power", "efficiency"),
        title=air.quantity.title.replace("Air power", "Efficiency"),
        quantity="efficiency",
        unit="1",
        formula=f"{name} over {power.name}",
        choice=inputs.choice(power),
    )
    normalised = [*inputs.normalised, *([name] if air.is_normalised else [])]
    sources = {name: air.by_trial, power.name: inputs.of(power)}
    return derive_from(quantity, sources, _observed_efficiency, normalised=normalised)


def _observed_efficiency(observed: Sequence[Observation]) -> Observation:
    air_w, drawn_w = observed
    eta = efficiency(air_w.mean, drawn_w.mean).value
    return propagate(eta, [(1.0 / drawn_w.mean, air_w), (-eta / drawn_w.mean, drawn_w)])
