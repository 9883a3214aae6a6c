"""Meters without a port: what a bench file says of them, and what a plan may not ask of their channels.

Nobody types fast enough for a channel to be judged settled, to tell when the machine is on, or to be watched for a limit.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daq.config.accuracy import accuracy_of
from daq.config.faults import Source
from daq.config.models import PlanModel, TypedModel
from daq.config.toml_lines import Path
from daq.errors import Fault
from daq.records import Channel
from daq.settling.parameters import Parameters
from daq.typed import Display
from daq.typed.askings import least_averaging_s

_INTERVAL_S = 60.0
"""Two readings of a trial are hardly ever further apart; what is older is told as old [s]."""


@dataclass(frozen=True, slots=True)
class TypedMeter:
    """A meter whose readings the operator types: an instrument of one channel."""

    channel: Channel
    display: Display


def typed_meter(model: TypedModel) -> TypedMeter:
    """What a table [[typed]] says."""
    channel = Channel(
        name=model.name,
        title=model.title or model.name.replace("_", " ").capitalize(),
        quantity=model.quantity,
        unit=model.unit,
        place=model.place,
        instrument=model.name,
        field_index=0,
        accuracy=accuracy_of(
            model.accuracy,
            resolution=model.resolution,
            full_scale=model.full_scale or 0.0,
        ),
        interval_s=_INTERVAL_S,
    )
    display = Display(
        model.name, model.resolution, model.low, model.high, model.full_scale
    )
    return TypedMeter(channel, display)


def typed_name_faults(
    source: Source, typed: Sequence[TypedMeter], polled: Sequence[Channel]
) -> list[Fault]:
    """Names that are taken: its own is that of a channel and of an instrument."""
    channels = {channel.name for channel in polled}
    instruments = {channel.instrument for channel in polled}
    faults = []
    for index, meter in enumerate(typed):
        name = meter.channel.name
        kind = "channel" if name in channels else "instrument"
        if name in channels | instruments:
            problem = f"there is {kind} {name!r} already, expected another name"
            faults.append(source.fault(("typed", index, "name"), problem))
        channels.add(name)
    return faults


def typed_faults(
    source: Source, model: PlanModel, typed: Sequence[str], parameters: Parameters
) -> list[Fault]:
    """What a plan asks of typed channels that they cannot do."""
    faults = [
        source.fault(path, f"{name!r} is typed by the operator: {problem}")
        for path, name, problem in _asked(model)
        if name in typed
    ]
    least_s = least_averaging_s(len(typed))
    if typed and parameters.longest_s < least_s:
        stated = model.averaging.longest_s is not None
        problem = (
            f"longest_s is {parameters.longest_s:g} s, expected at least {least_s:g} s: "
            f"{len(typed)} typed channel{'s' * (len(typed) > 1)} cannot be read often enough in less"
            + ("" if stated else f"; write longest_s = {least_s:g} under [averaging]")
        )
        path = ("averaging", "longest_s") if stated else ("settling", "preset")
        faults.append(source.fault(path, problem))
    return faults


def _asked(model: PlanModel) -> Iterator[tuple[Path, str, str]]:
    for index, name in enumerate(model.settling.required):
        problem = "every trial waits for its readings anyway, and a few of them cannot tell when it is settled; leave it out here"
        yield ("settling", "required", index), name, problem
    if model.start.channel is not None:
        problem = "it cannot tell when the machine is on; expected a channel that is read by wire, or no [start]"
        yield ("start", "channel"), model.start.channel, problem
    for index, limit in enumerate(model.limit):
        problem = "it cannot be watched; expected a channel that is read by wire"
        yield ("limit", index, "channel"), limit.channel, problem
    if model.settling.normalise is not None:
        name = model.settling.normalise.reference
        problem = "it cannot be the reference; expected a voltage that is read by wire"
        yield ("settling", "normalise", "reference"), name, problem
