"""A plan, checked against its bench, into the rules of a session."""

import difflib
import math
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from daq.comparison.rules import ConditionFacts, PlanFacts, Surroundings
from daq.config.bench import Bench
from daq.config.compared import comparison_faults, lead_facts, plan_facts
from daq.config.faults import Source, alike_faults, unprintable_faults
from daq.config.models import PlanModel
from daq.config.normalising import (
    named_channels,
    normalising_faults,
    normalising_of,
)
from daq.config.sound import judged, refusal
from daq.config.typed import typed_faults
from daq.errors import Fault
from daq.printable import as_it_looks
from daq.records import Channel, PlannedTrial
from daq.settling.group import SettlingGroup
from daq.settling.normalising import LEAST_BINS
from daq.settling.options import OptionError, checked_option, with_options
from daq.settling.parameters import STANDARD, Parameters
from daq.settling.phases import ChannelSetup
from daq.settling.presets import PRESETS
from daq.trials.judging import settling_group
from daq.trials.limits import Limit
from daq.trials.order import OrderKind, plan_order
from daq.trials.session import SessionRules
from daq.trials.switching import StartRule
from daq.typed import TypedReadings

_OWN_KEYS = ("least_s", "longest_s")
"""Parameters of the rule that the plan has keys for, in [averaging]."""
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
        facts: What it says beyond the trials: nameplate, leads, prices, how to compare.
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
    facts: PlanFacts

    @property
    def states_longest(self) -> bool:
        """Whether it says itself how long a trial may last. No field: a session's digest is made of all fields."""
        return "trial_longest_s" in tomllib.loads(self.text)

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
    highest = {
        c.name: field.high or field.full_scale
        for i in bench.instruments
        for c in i.channels
        for field in [i.profile.field[c.field_index]]
    }
    return _parsed(
        text,
        file=file,
        channels=bench.channels,
        highest=highest,
        surroundings=bench.surroundings,
        typed=tuple(meter.channel.name for meter in bench.typed),
        lags_s={c.name: i.lag_s for i in bench.instruments for c in i.channels},
    )


def parse_stored_plan(
    text: str, *, session: int, channels: tuple[Channel, ...], file: str | None = None
) -> Plan:
    """A plan checked against the channels that a stored session had; its own, unless a file is named.

    Raises:
        ConfigurationError: If this version cannot read it.
    """
    file = file or f"plan of session {session}"
    # Maybe one that logs alone are to make, without a bench.
    return _parsed(text, file=file, channels=channels, has_no="the session has no")


def _parsed(
    text: str,
    *,
    file: str,
    channels: tuple[Channel, ...],
    highest: Mapping[str, float | None] = MappingProxyType({}),
    surroundings: Surroundings | None = None,
    lags_s: Mapping[str, float] = MappingProxyType({}),
    typed: tuple[str, ...] = (),
    has_no: str = "the bench has no",
) -> Plan:
    source = Source(file, text)

    def faults(model: PlanModel) -> list[Fault]:
        found = _faults(source, model, channels, highest, has_no=has_no)
        by_hand = typed_faults(source, model, typed, _parameters_or_usual(model))
        told = {fault.key for fault in by_hand}
        found = [*by_hand, *(fault for fault in found if fault.key not in told)]
        # With readings too far apart there are no bins to come too late for.
        found = found or _lag_faults(source, model, channels, lags_s)
        if surroundings is not None:
            # Of a file, and not of what a session was carried out with.
            found += unprintable_faults(source, text)
            found += _condition_faults(source, model)
            found += comparison_faults(source, model.comparison, channels, surroundings)
        else:
            found += _condition_faults(source, model, alike=str)
        return found

    model = _checked(source, text, faults)
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
        rules=_rules(model, channels, typed),
        facts=_facts(model),
    )


def _facts(model: PlanModel) -> PlanFacts:
    return plan_facts(
        nameplate=model.machine.nameplate,
        conditions=tuple(
            ConditionFacts(c.name, tuple(c.changes), c.price, lead_facts(c.lead))
            for c in model.condition
        ),
        circuit=model.circuit,
        comparison=model.comparison,
        prices=model.prices,
    )


def check_plan_alone(
    text: str, *, file: str, channels: Sequence[str] | None = None
) -> None:
    """What can be said of a plan whose bench has faults.

    Args:
        text: TOML of the plan.
        file: Its name, for faults.
        channels: Names of the bench's channels, or None where not all are known.

    Raises:
        ConfigurationError: With every fault.
    """
    source = Source(file, text)

    def faults(model: PlanModel) -> list[Fault]:
        found = [*_baseline_faults(source, model), *_condition_faults(source, model)]
        if channels is not None:
            found += _name_faults(source, model, channels, has_no="the bench has no")
        return found

    _checked(source, text, faults)


def _checked(
    source: Source, text: str, more: Callable[[PlanModel], list[Fault]]
) -> PlanModel:
    """A plan without faults; those of single keys and those that only the whole can tell are told together."""
    plan = judged(PlanModel, source, text)
    model = plan.model
    if model is None:
        raise refusal(plan.faults, is_all=False)
    whole = _rule_faults(source, model) or _averaging_faults(source, model)
    faults = [*plan.faults, *plan.elsewhere([*whole, *more(model)])]
    if faults:
        raise refusal(faults, is_all=True)
    return model


def _rules(
    model: PlanModel, channels: tuple[Channel, ...], typed: tuple[str, ...]
) -> SessionRules:
    averaging, start = model.averaging, model.start
    return SessionRules(
        channels=channels,
        required=tuple(model.settling.required),
        tolerances={c.name: _tolerance(model, c) for c in channels},
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
        normalising=normalising_of(model),
        typed=typed,
    )


def _parameters(model: PlanModel) -> Parameters:
    """The preset, then what the plan sets otherwise.

    Raises:
        OptionError: For the first parameter that cannot be so.
    """
    preset = PRESETS[model.settling.preset]
    return with_options(preset.parameters, {**_averaging(model), **model.settling.rule})


def _parameters_or_usual(model: PlanModel) -> Parameters:
    """For what else can be said of a plan whose rule is faulty."""
    try:
        return _parameters(model)
    except (OptionError, KeyError):
        return STANDARD


def _averaging(model: PlanModel) -> dict[str, object]:
    """Parameters of the rule that have keys of their own, where they are set."""
    stated = {name: getattr(model.averaging, name) for name in _OWN_KEYS}
    return {name: value for name, value in stated.items() if value is not None}


def _rule_faults(source: Source, model: PlanModel) -> list[Fault]:
    """What is wrong with the preset's name and with single parameters."""
    settling = model.settling
    if settling.preset not in PRESETS:
        problem = f"no preset {settling.preset!r}, expected one of {_listed(settling.preset, PRESETS)}"
        return [source.fault(("settling", "preset"), problem)]
    faults = []
    for name, value in settling.rule.items():
        path = ("settling", "rule", name)
        try:
            checked_option(name, value)
        except OptionError as exc:
            faults.append(source.fault(path, exc.problem))
        if name in _averaging(model):
            problem = f"set in [averaging] too, expected {name} in one place"
            faults.append(source.fault(path, problem))
    return faults


def _averaging_faults(source: Source, model: PlanModel) -> list[Fault]:
    """What only all parameters together can tell."""
    places: list[tuple[str, ...]] = [("averaging", name) for name in _averaging(model)]
    places += [("settling", "rule", name) for name in model.settling.rule]
    place = next(iter(places), ("settling", "preset"))
    try:
        _parameters(model)
    except OptionError as exc:
        return [source.fault(place[:-1], exc.problem)]
    return []


def _listed(name: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(name, known, n=1)
    guess = f"; did you mean {close[0]!r}?" if close else ""
    return f"{', '.join(known)}{guess}"


def _quoted(name: str, known: Iterable[str]) -> str:
    """Names of conditions may hold commas."""
    close = difflib.get_close_matches(name, list(known), n=1)
    guess = f"; did you mean {close[0]!r}?" if close else ""
    return f"{', '.join(map(repr, known))}{guess}"


def _tolerance(model: PlanModel, channel: Channel) -> float:
    settling = model.settling
    if channel.name in settling.tolerances:
        return settling.tolerances[channel.name]
    stated = "tolerance" in settling.model_fields_set
    if channel.quantity in {"airflow", "velocity"} and not stated:
        return _AIR_TOLERANCE
    return settling.tolerance


def _faults(
    source: Source,
    model: PlanModel,
    channels: tuple[Channel, ...],
    highest: Mapping[str, float | None],
    *,
    has_no: str = "the bench has no",
) -> list[Fault]:
    faults = _baseline_faults(source, model)
    faults += _name_faults(source, model, [c.name for c in channels], has_no=has_no)
    return faults + (
        _interval_faults(source, model, channels)
        or normalising_faults(
            source, model, channels, bin_s=_bin_s(model, channels), highest=highest
        )
    )


def _baseline_faults(source: Source, model: PlanModel) -> list[Fault]:
    conditions = [c.name for c in model.condition]
    if model.baseline in conditions:
        return []
    problem = f"no condition {model.baseline!r}, expected one of {_quoted(model.baseline, conditions)}"
    return [source.fault(("baseline",), problem)]


def _condition_faults(
    source: Source, model: PlanModel, *, alike: Callable[[str], str] = as_it_looks
) -> list[Fault]:
    names = [(("condition", i, "name"), c.name) for i, c in enumerate(model.condition)]
    instead = "or one condition and repeats in [order] for more trials of it"
    return alike_faults(source, names, alike=alike, instead=instead)


def _name_faults(
    source: Source, model: PlanModel, channels: Sequence[str], *, has_no: str
) -> list[Fault]:
    """Channels that the plan names and nobody has."""
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
    named += named_channels(model)
    return [
        source.fault(path, f"{has_no} channel {name!r}, {_known(name, channels)}")
        for path, name in named
        if name not in channels
    ]


def plan_cautions(plan: Plan) -> Iterator[str]:
    """What is no fault, and will hardly do what is wanted."""
    rules, parameters = plan.rules, plan.rules.parameters
    if rules.normalising is None:
        return
    bin_s = settling_group(rules, 0.0, TypedReadings(rules.typed)).bin_s
    needed_s = LEAST_BINS * bin_s
    if min(parameters.windows_s) + parameters.least_s <= needed_s:
        yield (
            f"normalising needs {LEAST_BINS} bins of {bin_s:g} s, and by this rule a trial may be over after little"
            f" more than {needed_s:g} s: it will often be averaged as read; take preset 'standard', or set least_s in"
            " [averaging]"
        )


def _interval_faults(
    source: Source, model: PlanModel, channels: tuple[Channel, ...]
) -> list[Fault]:
    """Required channels whose readings are too far apart for the settling rule."""
    parameters = _parameters_or_usual(model)
    by_name = {c.name: c for c in channels}
    faults = []
    for index, name in enumerate(model.settling.required):
        channel = by_name.get(name)
        if channel is None or _has_window(channel.interval_s, parameters):
            continue
        problem = (
            f"{name!r} is read every {channel.interval_s:g} s, expected at most every"
            f" {_longest_interval_s(parameters)} s: the settling rule has no longer window;"
            f" set interval_s of instrument {channel.instrument!r}, or take another channel"
        )
        faults.append(source.fault(("settling", "required", index), problem))
    return faults


def _lag_faults(
    source: Source,
    model: PlanModel,
    channels: tuple[Channel, ...],
    lags_s: Mapping[str, float],
) -> list[Fault]:
    """Required channels whose readings come later than the settling rule waits for them."""
    bin_s = _bin_s(model, channels)
    return [
        source.fault(
            ("settling", "required", index),
            f"{name!r} is {lags_s[name]:g} s old when it comes (lag_s of its profile), expected at most {bin_s:g} s:"
            " the settling rule waits no longer; take another channel, or a longer interval_s of the others",
        )
        for index, name in enumerate(model.settling.required)
        if lags_s.get(name, 0.0) > bin_s
    ]


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


def _bin_s(model: PlanModel, channels: tuple[Channel, ...]) -> float:
    """Length of the rule's bins [s]; the rule itself is asked."""
    required = model.settling.required
    setups = [
        ChannelSetup(
            c.name,
            tolerance=1.0,
            resolution=0.0,
            interval_s=c.interval_s,
            required=True,
        )
        for c in channels
        if c.name in required
    ]
    if not setups:
        return math.inf
    parameters = _parameters_or_usual(model)
    return SettlingGroup(setups, start_s=0.0, parameters=parameters).bin_s


def _longest_interval_s(parameters: Parameters) -> int:
    """Longest interval that the rule takes [whole s]."""
    longest_s = int(max(parameters.windows_s))
    return next(s for s in range(longest_s, 0, -1) if _has_window(s, parameters))


def _known(name: str, channels: Sequence[str]) -> str:
    """What may have been meant by a name that no channel has."""
    close = difflib.get_close_matches(name, channels, n=1)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"expected one of {', '.join(channels)}"
