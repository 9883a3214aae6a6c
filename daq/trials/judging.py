"""What the settling rule says of one trial: how it is asked, and what becomes of its answer.

Shared by the live session and by re-analysis, so that both ask the same and make the same of it.
"""

import dataclasses
import json
import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from daq.records import Channel, TrialAverage, Window
from daq.settling.group import SettlingGroup
from daq.settling.level import LevelEstimate, relative_drift_allowed
from daq.settling.normalising import Normalising
from daq.settling.options import (
    OptionError,
    parameters_from_json,
    parameters_to_json,
)
from daq.settling.parameters import Parameters
from daq.settling.phases import ChannelSetup
from daq.settling.verdicts import HeldBackBy
from daq.trials.averaging import trial_averages, zeros_missing
from daq.trials.limits import Limit
from daq.trials.reasons import noted
from daq.trials.switching import StartRule
from daq.typed import TypedReadings

CAN_BE_AVERAGED = "can be averaged as not settled: daq reanalyse --even-so"
"""What a trial without averages is marked with."""
_NO_READINGS = "no average, readings are missing"
AVERAGED_EVEN_SO = "not settled, averaged on request; the uncertainty holds the drift"
"""What a trial is marked with that has averages although it did not settle."""


@dataclass(frozen=True, slots=True)
class SessionRules:
    """What a plan and a bench say, in the terms of this module.

    Attributes:
        channels: Every channel of the bench.
        required: Names of those a trial waits for.
        tolerances: Relative drift that counts as settled, by channel [1].
        start: When the machine is on.
        limits: Watched all the time.
        parameters: Of the settling rule.
        target: Relative uncertainty at which averaging may stop [1], or None.
        longest_s: A trial that has not settled by then is given up, and a machine still on is alarmed [s].
        normalising: Which readings are taken to a reference voltage; None where nothing is.
        typed: Names of the channels that the operator types: a trial waits for their readings, not for them to settle.
    """

    channels: tuple[Channel, ...]
    required: tuple[str, ...]
    tolerances: Mapping[str, float]
    start: StartRule
    limits: tuple[Limit, ...]
    parameters: Parameters
    target: float | None
    longest_s: float
    normalising: Normalising | None = None
    typed: tuple[str, ...] = ()

    @property
    def waited_for(self) -> tuple[str, ...]:
        """Names of the channels without which a trial is not done, whatever it waits for in each."""
        return (*self.required, *self.typed)


@dataclass(frozen=True, slots=True)
class Judgement:
    """Averages of a settled trial, and what has to be said of them."""

    averages: tuple[TrialAverage, ...]
    notes: tuple[str, ...]


def settling_group(
    rules: SessionRules, start_s: float, typed: TypedReadings
) -> SettlingGroup:
    """The rule, ready for the readings of a trial that begins.

    Args:
        rules: Of plan and bench.
        start_s: Switch-on [s].
        typed: Collects what the operator types of it; the window lasts until that is enough.
    """
    setups = [
        ChannelSetup(
            name=c.name,
            tolerance=rules.tolerances[c.name],
            resolution=c.accuracy.resolution,
            interval_s=c.interval_s,
            required=c.name in rules.required,
        )
        for c in rules.channels
        if c.name not in rules.typed
    ]
    return SettlingGroup(
        setups,
        start_s=start_s,
        parameters=rules.parameters,
        target=rules.target,
        normalising=rules.normalising,
        is_awaited=typed.is_awaited,
    )


def reading_order(rules: SessionRules) -> tuple[Channel, ...]:
    """The channels as one reading's values are taken: the start channel's first, for it bears on the others."""
    return tuple(sorted(rules.channels, key=lambda c: c.name != rules.start.channel))


def settled_averages(
    group: SettlingGroup,
    rules: SessionRules,
    *,
    idle: Mapping[str, Sequence[float]],
    typed: TypedReadings,
) -> Judgement:
    """What a confirmed group's levels come to.

    Args:
        group: Confirmed.
        rules: As it was made with.
        idle: Readings with the machine off, by channel, for those whose zero is taken off.
        typed: What the operator typed.
    """
    spikes = [
        f"{name}: spikes left out: {count}" for name, count in group.spikes().items()
    ]
    notes = (*_not_normalised(group, rules), *spikes)
    return _averages(
        group.levels(), group.window, rules, idle=idle, typed=typed, notes=notes
    )


def _not_normalised(group: SettlingGroup, rules: SessionRules) -> Iterator[str]:
    """Which channels that the plan wants normalised are not, and why."""
    asked = rules.normalising
    if asked is None:
        return
    for name, why in group.not_normalised().items():
        yield f"{name}: not normalised to {asked.reference_v:g} V, {why.in_words()}"


def unsettled_averages(
    group: SettlingGroup,
    rules: SessionRules,
    *,
    idle: Mapping[str, Sequence[float]],
    typed: TypedReadings,
) -> Judgement:
    """What a trial that did not settle comes to, averaged all the same; said so.

    Args:
        group: Fed to the end of the trial.
        rules: As it was made with.
        idle: As for `settled_averages`.
        typed: As for `settled_averages`.
    """
    found = group.unsettled()
    if found is None:
        return Judgement((), ())
    window, levels = found
    notes = (AVERAGED_EVEN_SO, *_not_normalised(group, rules))
    return _averages(levels, window, rules, idle=idle, typed=typed, notes=notes)


def _averages(
    levels: Mapping[str, LevelEstimate],
    window: Window | None,
    rules: SessionRules,
    *,
    idle: Mapping[str, Sequence[float]],
    typed: TypedReadings,
    notes: Sequence[str],
) -> Judgement:
    if window is None:
        return Judgement((), tuple(notes))
    resolutions = {c.name: c.accuracy.resolution for c in rules.channels}
    drift = _relative_drift_allowed(levels, rules, resolutions)
    levels = {**levels, **typed.levels(window, resolutions, relative_drift=drift)}
    averages = trial_averages(
        rules.channels, levels, window, required=rules.waited_for, idle=idle
    )
    missing = [
        f"{c.name}: {typed.shortage(c.name, window) if c.name in typed else _NO_READINGS}"
        for c in rules.channels
        if c.name not in levels
    ]
    zeros = zeros_missing(rules.channels, idle)
    strays = typed.notes_of_strays(window, resolutions)
    return Judgement(averages, (*missing, *zeros, *strays, *notes))


def _relative_drift_allowed(
    levels: Mapping[str, LevelEstimate],
    rules: SessionRules,
    resolutions: Mapping[str, float],
) -> float:
    """What a window may hold of drift in a channel of which nothing is fitted, by all that were waited for [1]."""
    shares = (
        relative_drift_allowed(
            level.mean,
            level.drift_in_mean,
            math.hypot(level.std_uncertainty, level.open_drift),
            tolerance=rules.tolerances[name],
            resolution=resolutions[name],
        )
        for name, level in levels.items()
        if name in rules.required
    )
    return max(shares, default=0.0)


def reasons_against(
    group: SettlingGroup, rules: SessionRules, *, idle: Collection[str] = ()
) -> tuple[str, ...]:
    """Which required channels are not settled, why, and what to do about it.

    Args:
        group: Fed so far.
        rules: As it was made with.
        idle: Channels that never rose above rest, as `LoadWatch.idle` gives them.
    """
    reasons = (
        (name, HeldBackBy.NO_LOAD if name in idle else group.why_not(name))
        for name in rules.required
    )
    return noted((name, reason) for name, reason in reasons if reason is not None)


_NOTHING_AT_REST = frozenset(
    {
        "power",
        "apparent power",
        "current",
        "airflow",
        "velocity",
        "pressure",
        "rotational speed",
    }
)
"""Quantities of which a machine that stands still has none."""

_RESTING_STEPS = 5.0
"""Below so many steps of its display a meter shows rest, as in a record."""


def rest_levels(rules: SessionRules, names: Iterable[str]) -> dict[str, float]:
    """Above what a channel shows a load, of those that show nothing at rest [unit of the channel].

    Args:
        rules: Of plan and bench.
        names: Of channels, in the order wanted.
    """
    channels = {c.name: c for c in rules.channels}
    rest = {
        name: _RESTING_STEPS * channels[name].accuracy.resolution
        for name in names
        if channels[name].quantity in _NOTHING_AT_REST
    }
    if rules.start.channel in rest:
        # What begins a trial by itself is a load.
        least = min(rest[rules.start.channel], rules.start.on_above)
        rest[rules.start.channel] = least
    return rest


class LoadWatch:
    """Whether the machine of a trial ever drew or moved anything.

    A start that is given by hand may be given to a machine that is off, and what is idle settles very well. One
    channel above rest is enough: another may be at zero for good reason.

    Attributes:
        has_risen: Whether there was a load.
    """

    def __init__(self, rules: SessionRules) -> None:
        # What a trial waits for comes first: of it the operator is told.
        watched = dict.fromkeys((*rules.required, rules.start.channel))
        self._rest = rest_levels(rules, [name for name in watched if name is not None])
        self.has_risen = False
        self._heard: set[str] = set()

    def feed(self, channel: str, value: float) -> None:
        """Take a reading, or the largest of many."""
        if not self.has_risen and channel in self._rest:
            self._heard.add(channel)
            self.has_risen = abs(value) > self._rest[channel]

    def idle(self) -> tuple[str, ...]:
        """Channels that should show a load, where none of those that were heard does."""
        if self.has_risen:
            return ()
        return tuple(name for name in self._rest if name in self._heard)


def render_rule(rules: SessionRules) -> str:
    """Everything that a trial's verdict depends on beside its readings and channels, as JSON."""
    return json.dumps(
        {
            "parameters": parameters_to_json(rules.parameters),
            "required": list(rules.required),
            "tolerances": dict(rules.tolerances),
            "target": rules.target,
            "longest_s": rules.longest_s,
            "normalising": _normalising_to_json(rules.normalising),
            "typed": list(rules.typed),
        }
    )


def recorded_channels(text: str) -> tuple[str, ...]:
    """Names of the channels that the bench had when this was written, in its order; also by earlier versions."""
    return tuple(json.loads(text).get("tolerances", ()))


def with_recorded_rule(rules: SessionRules, text: str) -> SessionRules:
    """The rules as they were when `render_rule` wrote this, to the bit.

    Args:
        rules: For what is not recorded: channels, start and limits.
        text: What was written.

    Raises:
        OptionError: If another version of the rule wrote it.
    """
    recorded = json.loads(text)
    if "parameters" not in recorded:
        problem = "written by another version of the rule"
        raise OptionError(problem)
    parameters = parameters_from_json(recorded["parameters"])
    return dataclasses.replace(
        rules,
        parameters=parameters,
        required=tuple(recorded["required"]),
        tolerances=recorded["tolerances"],
        target=recorded["target"],
        longest_s=recorded["longest_s"],
        normalising=_normalising_from_json(recorded.get("normalising")),
        typed=tuple(recorded.get("typed", ())),
    )


def _normalising_to_json(asked: Normalising | None) -> dict[str, Any] | None:
    return None if asked is None else dataclasses.asdict(asked)


def _normalising_from_json(recorded: Mapping[str, Any] | None) -> Normalising | None:
    if recorded is None:
        return None
    return Normalising(
        recorded["reference"], tuple(recorded["channels"]), recorded["reference_v"]
    )
