"""A plan, checked against its bench, into the rules of a session."""

import dataclasses
import difflib
from dataclasses import dataclass

from daq.config.bench import Bench
from daq.config.faults import Source, validated
from daq.config.models import PlanModel
from daq.errors import ConfigurationError, Fault
from daq.records import Channel, PlannedTrial
from daq.settling.group import ChannelSetup, SettlingGroup
from daq.settling.parameters import STANDARD, Parameters
from daq.trials.limits import Limit
from daq.trials.order import OrderKind, plan_order
from daq.trials.session import SessionRules
from daq.trials.switching import StartRule

_AIR_TOLERANCE = 0.01
"""Airflow and velocity are turbulent: twice the tolerance of electrical quantities unless the plan says otherwise."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What a plan file says, resolved.

    Attributes:
        name: Of the plan.
        text: The file as it was.
        machine: The machine under test.
        baseline: Name of the condition that the others are compared with.
        instructions: What to do, by condition.
        seed: Of the shuffle, or None.
        rules: For the session.
    """

    name: str
    text: str
    machine: str
    baseline: str
    instructions: dict[str, str]
    repeats: int
    order_kind: OrderKind
    seed: int | None
    rules: SessionRules

    def order(self, seed: int) -> tuple[PlannedTrial, ...]:
        """Every trial of a session, shuffled by the seed where the plan asks for it."""
        return plan_order(
            tuple(self.instructions),
            baseline=self.baseline,
            repeats=self.repeats,
            kind=self.order_kind,
            seed=seed,
        )


def parse_plan(text: str, *, file: str, bench: Bench) -> Plan:
    """A plan file, checked against its bench.

    Raises:
        ConfigurationError: With every fault.
    """
    source = Source(file, text)
    model = validated(PlanModel, source, text)
    faults = _faults(source, model, bench)
    if faults:
        raise ConfigurationError(faults)
    return Plan(
        name=model.name,
        text=text,
        machine=model.machine.title,
        baseline=model.baseline,
        instructions={
            c.name: c.instruction or f"Fit {c.name}" for c in model.condition
        },
        repeats=model.order.repeats,
        order_kind=OrderKind(model.order.kind),
        seed=model.order.seed,
        rules=_rules(model, bench),
    )


def check_plan_alone(text: str, *, file: str) -> None:
    """What can be said of a plan whose bench cannot be read.

    Raises:
        ConfigurationError: With every fault.
    """
    validated(PlanModel, Source(file, text), text)


def _rules(model: PlanModel, bench: Bench) -> SessionRules:
    averaging, start = model.averaging, model.start
    return SessionRules(
        channels=bench.channels,
        required=tuple(model.settling.required),
        tolerances={c.name: _tolerance(model, c) for c in bench.channels},
        start=StartRule(
            start.channel,
            start.on_above or 0.0,
            start.off_below or 0.0,
            start.least_off_s,
        ),
        limits=tuple(
            Limit(m.channel, m.above, m.below, m.for_s, m.reason) for m in model.limit
        ),
        parameters=_parameters(model),
        target=averaging.target_percent / 100.0 if averaging.target_percent else None,
        longest_s=model.trial_longest_s,
    )


def _parameters(model: PlanModel) -> Parameters:
    averaging = model.averaging
    return dataclasses.replace(
        STANDARD, least_s=averaging.least_s, longest_s=averaging.longest_s
    )


def _tolerance(model: PlanModel, channel: Channel) -> float:
    settling = model.settling
    if channel.name in settling.tolerances:
        return settling.tolerances[channel.name]
    stated = "tolerance" in settling.model_fields_set
    if channel.quantity in {"airflow", "velocity"} and not stated:
        return _AIR_TOLERANCE
    return settling.tolerance


def _faults(source: Source, model: PlanModel, bench: Bench) -> list[Fault]:
    faults = []
    conditions = [c.name for c in model.condition]
    if model.baseline not in conditions:
        problem = (
            f"no condition {model.baseline!r}, expected one of {', '.join(conditions)}"
        )
        faults.append(source.fault(("baseline",), problem))
    channels = [c.name for c in bench.channels]
    named: list[tuple[tuple[str | int, ...], str]] = []
    if model.start.channel is not None:
        named.append((("start", "channel"), model.start.channel))
    named += [
        (("settling", "required", i), name)
        for i, name in enumerate(model.settling.required)
    ]
    named += [
        (("settling", "tolerances", name), name) for name in model.settling.tolerances
    ]
    named += [
        (("limit", i, "channel"), limit.channel) for i, limit in enumerate(model.limit)
    ]
    for path, name in named:
        if name not in channels:
            faults.append(source.fault(path, _unknown_channel(name, channels)))
    return faults + _interval_faults(source, model, bench)


def _interval_faults(source: Source, model: PlanModel, bench: Bench) -> list[Fault]:
    """Required channels whose readings are too far apart for the settling rule."""
    parameters = _parameters(model)
    channels = {c.name: c for c in bench.channels}
    faults = []
    for index, name in enumerate(model.settling.required):
        channel = channels.get(name)
        if channel is None or _has_window(channel.interval_s, parameters):
            continue
        problem = (
            f"{name!r} is read every {channel.interval_s:g} s, expected at most every"
            f" {_longest_interval_s(parameters)} s: the settling rule has no longer window;"
            f" set interval_s of instrument {channel.instrument!r}, or take another channel"
        )
        faults.append(source.fault(("settling", "required", index), problem))
    return faults


def _has_window(interval_s: float, parameters: Parameters) -> bool:
    """Whether the rule takes a channel with readings so far apart; the rule itself is asked."""
    setup = ChannelSetup(
        "", tolerance=1.0, resolution=0.0, interval_s=interval_s, required=True
    )
    try:
        SettlingGroup([setup], start_s=0.0, parameters=parameters)
    except ValueError:
        return False
    return True


def _longest_interval_s(parameters: Parameters) -> int:
    """Longest interval that the rule takes [whole s]."""
    longest_s = int(max(parameters.windows_s))
    return next(s for s in range(longest_s, 0, -1) if _has_window(s, parameters))


def _unknown_channel(name: str, channels: list[str]) -> str:
    close = difflib.get_close_matches(name, channels, n=1)
    hint = (
        f"did you mean {close[0]!r}?"
        if close
        else f"expected one of {', '.join(channels)}"
    )
    return f"the bench has no channel {name!r}, {hint}"
