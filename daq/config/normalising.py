"""What a plan asks to be normalised to a reference voltage, and whether that may be.

A voltage may serve as reference only where nothing that the conditions change can reach it: at the supply's end, and not
where the supply's voltage is itself the condition. Anything else would delete the very effect that is looked for.
"""

from collections.abc import Iterator, Mapping, Sequence

from daq.config.faults import Source
from daq.config.models import NormaliseModel, PlanModel
from daq.config.toml_lines import Path
from daq.errors import Fault
from daq.records import Channel
from daq.settling.normalising import SUPPLY_END, Normalising

_TABLE = ("settling", "normalise")
_LEAST_SHARE = 0.1
"""Nobody measures a supply with less than this share of a meter's range."""
_FOLLOWING = {
    "power",
    "apparent power",
    "current",
    "airflow",
    "velocity",
    "pressure",
    "rotational speed",
}
"""Quantities that follow the supply voltage by a power of it, and have a true zero."""


def normalising_of(model: PlanModel) -> Normalising | None:
    """What the plan asks for; None where it does not."""
    asked = model.settling.normalise
    if asked is None:
        return None
    return Normalising(asked.reference, tuple(asked.channels), asked.voltage)


def named_channels(model: PlanModel) -> list[tuple[Path, str]]:
    """Where the table names which channels."""
    asked = model.settling.normalise
    if asked is None:
        return []
    reference: tuple[Path, str] = ((*_TABLE, "reference"), asked.reference)
    return [
        reference,
        *(((*_TABLE, "channels", i), name) for i, name in enumerate(asked.channels)),
    ]


def normalising_faults(
    source: Source,
    model: PlanModel,
    channels: Sequence[Channel],
    *,
    bin_s: float,
    highest: Mapping[str, float | None],
) -> list[Fault]:
    """Why what the plan asks for may not be done.

    Args:
        source: The plan's text.
        model: The plan.
        channels: Of the bench.
        bin_s: Length of the settling rule's bins with this plan [s].
        highest: Most that a channel can show, by name, where its profile says so [unit of the channel].
    """
    asked = model.settling.normalise
    if asked is None:
        return []
    by_name = {c.name: c for c in channels}
    found = (
        *_of_reference(asked, by_name, model, bin_s),
        *_of_voltage(asked, highest.get(asked.reference)),
        *_of_conditions(model),
        *_of_channels(asked, by_name, model.settling.required),
    )
    return [source.fault(path, problem) for path, problem in found]


def _of_reference(
    asked: NormaliseModel,
    by_name: Mapping[str, Channel],
    model: PlanModel,
    bin_s: float,
) -> Iterator[tuple[Path, str]]:
    channel = by_name.get(asked.reference)
    if channel is None:
        return
    path = (*_TABLE, "reference")
    if channel.quantity != "voltage":
        yield path, f"{channel.name!r} measures {channel.quantity}, expected a voltage"
    elif channel.place != SUPPLY_END:
        yield path, _wrong_place(channel, model)
    if problem := _too_slow(channel, bin_s):
        yield path, problem


def _of_voltage(
    asked: NormaliseModel, highest_v: float | None
) -> Iterator[tuple[Path, str]]:
    """A voltage that the supply cannot have: readings would be carried far beyond where the exponent was fitted."""
    if highest_v is None or highest_v * _LEAST_SHARE <= asked.voltage <= highest_v:
        return
    yield (
        (*_TABLE, "voltage"),
        f"{asked.voltage:g} V is no supply that {asked.reference!r} could measure, expected the supply's own voltage,"
        f" {highest_v * _LEAST_SHARE:g} to {highest_v:g} V with this meter",
    )


def _wrong_place(channel: Channel, model: PlanModel) -> str:
    measured = (
        f"measured at {channel.place!r}"
        if channel.place
        else "measured nobody knows where"
    )
    leads = any("lead" in condition.changes for condition in model.condition)
    reason = (
        "behind the leads, to normalise to it would delete what they do"
        if leads
        else "the machine's own current moves the voltage there"
    )
    return (
        f"{channel.name!r} is {measured}, expected a voltage with place = {SUPPLY_END!r}: {reason};"
        " without one leave [settling.normalise] out"
    )


def _of_conditions(model: PlanModel) -> Iterator[tuple[Path, str]]:
    for index, condition in enumerate(model.condition):
        if "supply voltage" in condition.changes:
            yield (
                ("condition", index, "changes"),
                "the supply voltage is what is compared, to normalise to it would delete the effect;"
                " leave [settling.normalise] out",
            )
        elif not condition.changes and condition.name != model.baseline:
            yield (
                ("condition", index),
                f'changes missing, expected changes = ["lead"], or what else {condition.name!r} changes:'
                " [settling.normalise] depends on it",
            )


def _of_channels(
    asked: NormaliseModel, by_name: Mapping[str, Channel], required: Sequence[str]
) -> Iterator[tuple[Path, str]]:
    for index, name in enumerate(asked.channels):
        channel = by_name.get(name)
        if channel is None:
            continue
        path = (*_TABLE, "channels", index)
        if channel.quantity == "voltage":
            yield path, f"{name!r} is a voltage itself, expected what follows from one"
        elif channel.quantity not in _FOLLOWING:
            yield (
                path,
                f"{name!r} measures {channel.quantity}, expected one of {', '.join(sorted(_FOLLOWING))}",
            )
        elif name not in required:
            yield (
                path,
                f"{name!r} is not in settling.required, expected a channel that trials wait for",
            )


def _too_slow(channel: Channel, bin_s: float) -> str | None:
    """Two readings a bin, as the rule has of a required channel, or its bins are not those of the voltage."""
    if 2.0 * channel.interval_s <= bin_s:
        return None
    return (
        f"{channel.name!r} is read every {channel.interval_s:g} s, expected at most every {bin_s / 2.0:g} s"
        f" beside these required channels; set interval_s of instrument {channel.instrument!r}"
    )
