"""Airflows of each trial from what the bench's meters follow: actual, standard, and the power that is in them.

The density that "standard" refers to stands in every formula's text. Formulas are those of daq/physics; errors of area,
profile and stated air are the same in every trial.
"""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from daq.comparison.air_states import AirState, AirStates, air_states
from daq.comparison.flow_maker import FlowMaker
from daq.comparison.observations import Observation, Quantity, propagate
from daq.comparison.rules import Airflow, Surroundings
from daq.comparison.trial_inputs import (
    Derivation,
    TrialInputs,
    derive_by_trial,
    derive_from,
    trials_named,
)
from daq.physics.air_power import air_power
from daq.physics.airflow import AirMeterKind, reference_of_density
from daq.records import Channel
from daq.units import unit_of

_NOTABLE_SHARE = 0.01
"""Share of the room's pressure from which a duct's own matters to its density [1]."""


def airflow_derivations(
    inputs: TrialInputs, surroundings: Surroundings
) -> list[Derivation]:
    """Actual and standard flow, and air power, of every airflow that the bench describes.

    Args:
        inputs: Of the session.
        surroundings: What the bench says of air and airflow.
    """
    air = air_states(inputs, surroundings.air) if surroundings.air else None
    reference = (
        surroundings.air.reference_density_kg_per_m3 if surroundings.air else math.nan
    )
    found: list[Derivation] = []
    for airflow in surroundings.airflows:
        channel = inputs.named(airflow.channel)
        if channel is None:
            why = f"{airflow.name} is not derived: {airflow.channel} has no average in this session"
            found.append(Derivation(_quantity(airflow, None), remarks=(why,)))
            continue
        first = not any(each.quantity.quantity == "air power" for each in found)
        maker = FlowMaker(airflow, channel, air, reference)
        found += _derivations(inputs, maker, air_power_name=_power_name(airflow, first))
    if air and found:
        found[0] = replace(found[0], remarks=(*air.remarks, *found[0].remarks))
    return found


def _derivations(
    inputs: TrialInputs, maker: FlowMaker, *, air_power_name: str
) -> Iterator[Derivation]:
    pressure = inputs.named(maker.airflow.pressure_channel)
    actual = derive_by_trial(
        _quantity(maker.airflow, maker), inputs, [maker.channel], maker.actual
    )
    doubts = _doubts(inputs, maker, actual, pressure)
    yield replace(actual, remarks=(*actual.remarks, *doubts))
    if maker.air:
        yield derive_by_trial(
            _standard_quantity(maker), inputs, [maker.channel], maker.standard
        )
    if pressure:
        yield _air_power(inputs, actual, pressure, name=air_power_name)


def _quantity(airflow: Airflow, maker: FlowMaker | None) -> Quantity:
    return Quantity(
        name=airflow.name,
        title=airflow.title,
        quantity="airflow",
        unit=airflow.unit,
        place=maker.channel.place if maker else "",
        formula=_actual_words(maker) if maker else "",
    )


def _standard_quantity(maker: FlowMaker) -> Quantity:
    airflow, reference = maker.airflow, maker.reference_kg_per_m3
    known = reference_of_density(reference)
    source = f" ({known.source})" if known else ""
    how = {
        AirMeterKind.VANE: "the volume that the meter shows",
        AirMeterKind.OWN_DENSITY: "the volume that the meter shows",
        AirMeterKind.THERMAL: f"the mass that the meter shows, scaled at {airflow.calibrated_at_kg_per_m3:g} kg/m³",
        AirMeterKind.FIXED_DENSITY: f"a pressure's root, scaled at {airflow.calibrated_at_kg_per_m3:g} kg/m³",
    }[maker.kind]
    if maker.is_from_pressure:
        how = "the volume derived here"
    return Quantity(
        name=f"{airflow.name}_standard",
        title=f"{airflow.title}, standard air",
        quantity="airflow",
        unit=airflow.unit,
        place=maker.channel.place,
        formula=(
            f"{how} of {maker.channel.name}, as volume of the same mass at {reference:g} kg/m³{source};"
            " density of the moist air by CIPM-2007"
        ),
    )


def _actual_words(maker: FlowMaker) -> str:
    airflow, name = maker.airflow, maker.channel.name
    if airflow.orifice is not None:
        plate = airflow.orifice
        return (
            f"orifice plate of {plate.bore_mm:g} mm in a pipe of {plate.pipe_mm:g} mm, {plate.taps} taps, from {name}"
            " (ISO 5167-2:2003), with the room's pressure before the plate"
        )
    parts = [name]
    if maker.is_from_pressure:
        parts = [f"velocity from {name} (pitot tube, ISO 3966, density by CIPM-2007)"]
    if airflow.area_m2:
        parts.append(f"{airflow.area_m2:.4g} m²")
    if airflow.profile_factor != 1.0:
        parts.append(f"profile factor {airflow.profile_factor:g}")
    taken = {
        AirMeterKind.THERMAL: f"the meter follows the mass at {airflow.calibrated_at_kg_per_m3:g} kg/m³",
        AirMeterKind.FIXED_DENSITY: f"the meter takes the air to have {airflow.calibrated_at_kg_per_m3:g} kg/m³",
    }.get(maker.kind)
    return " times ".join(parts) + (
        f"; {taken}, taken to the air's density by CIPM-2007" if taken else ""
    )


def _air_power(
    inputs: TrialInputs, flow: Derivation, pressure: Channel, *, name: str
) -> Derivation:
    factor = unit_of(flow.quantity.unit).factor
    flow_name = flow.quantity.name
    quantity = Quantity(
        name=name,
        title="Air power"
        if name == "air_power"
        else f"Air power, {flow.quantity.title}",
        quantity="air power",
        unit="W",
        place=pressure.place,
        formula=f"{flow_name} times {pressure.name}, at one plane, incompressible",
    )

    def formula(observed: Sequence[Observation]) -> Observation:
        through, at = observed
        # Suction may be shown as negative: what is asked for is its size.
        power = air_power(factor * through.mean, abs(at.mean))
        return propagate(
            power,
            [
                (factor * abs(at.mean), through),
                (math.copysign(factor * through.mean, at.mean), at),
            ],
        )

    normalised = [*inputs.normalised, *([flow_name] if flow.is_normalised else [])]
    sources = {flow_name: flow.by_trial, pressure.name: inputs.of(pressure)}
    return derive_from(quantity, sources, formula, normalised=normalised)


def _power_name(airflow: Airflow, is_first: bool) -> str:  # noqa: FBT001 - private, of one caller
    return "air_power" if is_first else f"{airflow.name}_air_power"


def _doubts(
    inputs: TrialInputs,
    maker: FlowMaker,
    actual: Derivation,
    pressure: Channel | None,
) -> Iterator[str]:
    """What was derived and is to be doubted."""
    name = maker.airflow.name
    if maker.air is None:
        yield f"{name}_standard is not derived: the bench file has no table [air]"
    if still := [o for o in actual.observations if not o.mean > 0.0]:
        yield (
            f"{name} is not above zero in {trials_named(still)}: nothing flows, or check {maker.channel.name} and the"
            " way its meter faces"
        )
    yield from _indicative(inputs, maker, actual)
    if pressure and maker.air:
        yield from _thin_air(inputs, maker.air, pressure, name)


def _indicative(
    inputs: TrialInputs, maker: FlowMaker, actual: Derivation
) -> Iterator[str]:
    """Which limits of the standard an orifice plate breaks, each once."""
    readings = inputs.of(maker.channel)
    broken: dict[str, str] = {}
    trials = 0
    for trial in actual.by_trial if maker.airflow.orifice else ():
        flow = maker.plate_flow(readings[trial].mean, maker.air_of(trial))
        if flow and flow.is_indicative:
            trials += 1
            for text in flow.limits_broken:
                broken.setdefault(re.split(r"\d", text, maxsplit=1)[0], text)
    if broken:
        yield (
            f"{maker.airflow.name} is indicative, good for comparing but no statement of a flow, in {trials} of"
            f" {len(actual.observations)} trials: outside ISO 5167-2:2003 with {'; '.join(broken.values())}"
        )


def _thin_air(
    inputs: TrialInputs, air: AirStates, pressure: Channel, name: str
) -> Iterator[str]:
    """Whether the duct's own pressure makes its air notably thinner or denser than the room's, which was used."""
    shares = [
        abs(o.mean) / state.pressure_pa
        for o in inputs.of(pressure).values()
        if isinstance(state := air.by_trial[o.trial], AirState)
    ]
    if shares and max(shares) > _NOTABLE_SHARE:
        yield (
            f"{name}: the density used is that of the room, but {pressure.name} is up to {100 * max(shares):.1f} % of the"
            " room's pressure; if the air meter sits there, its air is thinner (suction) or denser by as much"
        )
