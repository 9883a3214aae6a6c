"""A trial judged again from its stored readings, by the rule that it was run with or by another.

The readings are fed in the order in which the live session was given them, to the same object, and its levels become
averages by the same functions: with the same rule the outcome is the same, to the bit.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from daq.records import TrialResult, TrialState
from daq.settling.group import SettlingGroup
from daq.settling.normalising import Normalising
from daq.settling.options import OptionError, with_options
from daq.settling.parameters import Parameters
from daq.settling.phases import Phase
from daq.trials.judging import (
    Judgement,
    LoadWatch,
    SessionRules,
    reasons_against,
    settled_averages,
    settling_group,
    unsettled_averages,
)
from daq.typed import TakenBack, TypedReadings


@dataclass(frozen=True, slots=True)
class ReadingBlock:
    """Readings of several channels in order of arrival; the three arrays are of one length.

    Attributes:
        channels: Names that `which` counts from 0.
        which: Whose reading it is [1].
        times_s: When it was true [s].
        values: [unit of the channel].
        taken_back: Typed readings that the operator took back before the first of these came.
    """

    channels: tuple[str, ...]
    which: NDArray[np.intp]
    times_s: NDArray[np.float64]
    values: NDArray[np.float64]
    taken_back: tuple[TakenBack, ...] = ()

    def where(self, wanted: NDArray[np.bool_]) -> "ReadingBlock":
        """Some of the readings, in the same order."""
        return replace(
            self,
            which=self.which[wanted],
            times_s=self.times_s[wanted],
            values=self.values[wanted],
        )


@dataclass(frozen=True, slots=True)
class OtherRule:
    """What is asked otherwise than a trial was run with; what is absent stays as it was.

    Attributes:
        base: Parameters to start from, instead of the recorded ones.
        changes: Single parameters, by name.
        tolerance: Of every channel [1].
        tolerances: Of single ones, by name [1]; they go before it.
        target: Relative uncertainty at which averaging may stop [1].
        required: Channels that a trial waits for; empty for those of the plan.
    """

    base: Parameters | None = None
    changes: Mapping[str, object] = field(default_factory=dict)
    tolerance: float | None = None
    tolerances: Mapping[str, float] = field(default_factory=dict)
    target: float | None = None
    required: tuple[str, ...] = ()

    @property
    def is_the_recorded(self) -> bool:
        """Nothing is asked otherwise: what was averaged live must come out again."""
        return self == OtherRule()

    def instead_of(self, rules: SessionRules) -> SessionRules:
        """The rules to judge by.

        Raises:
            OptionError: If they do not go together, or name a channel that the bench did not have.
        """
        known = [c.name for c in rules.channels]
        for name in (*self.tolerances, *self.required):
            if name not in known:
                problem = f"no channel {name!r}, expected one of {', '.join(known)}"
                raise OptionError(problem)
        for name in self.required:
            if name in rules.typed:
                problem = f"{name!r} was typed by the operator: a few readings cannot tell when it is settled"
                raise OptionError(problem)
        tolerances = dict(rules.tolerances)
        if self.tolerance is not None:
            tolerances = dict.fromkeys(tolerances, self.tolerance)
        required = self.required or rules.required
        changed = replace(
            rules,
            parameters=with_options(self.base or rules.parameters, self.changes),
            required=required,
            tolerances={**tolerances, **self.tolerances},
            target=rules.target if self.target is None else self.target,
            normalising=_of_those(rules.normalising, required),
        )
        try:
            settling_group(changed, 0.0, TypedReadings(changed.typed))
        except ValueError as exc:
            raise OptionError(str(exc)) from exc
        return changed


def _of_those(asked: Normalising | None, required: Sequence[str]) -> Normalising | None:
    """Only what a trial waits for can be normalised."""
    if asked is None:
        return None
    channels = tuple(name for name in asked.channels if name in required)
    return replace(asked, channels=channels) if channels else None


_ENDS_TOO_SOON = "the readings end before an average was confirmed"
ReadBlocks = Callable[[], Iterable[ReadingBlock]]
"""Gives a trial's readings from the first on; may be called again."""


def judge_again(
    recorded: TrialResult,
    rules: SessionRules,
    blocks: ReadBlocks,
    *,
    idle: Mapping[str, Sequence[float]],
    even_so: bool,
) -> TrialResult:
    """What the rules say of a trial that was recorded.

    Args:
        recorded: The trial as it ended live; its state says what else befell it.
        rules: To judge it by.
        blocks: Its readings.
        idle: Readings with the machine off, by channel, for those whose zero is taken off.
        even_so: Average a trial that did not settle all the same, marked as not settled.

    Returns:
        The trial with its new state, averages and note. Averaged even so it is NOT_SETTLED, whatever else befell it.
    """
    typed, load = TypedReadings(rules.typed), LoadWatch(rules)
    group = settling_group(rules, recorded.started_s, typed)
    reasons: tuple[str, ...] = ()
    for block in _undecided(blocks(), group, typed, rules):
        judged = _while_judged(block, recorded.started_s, rules.longest_s)
        _watch(load, judged)
        running, stopped = _parted_at_switch_off(judged, recorded, rules)
        _feed(group, typed, running)
        if stopped.which.size and not reasons:
            # As in the live session: before the rule is given what a stopped machine reads.
            reasons = reasons_against(group, rules, idle=load.idle())
        _feed(group, typed, stopped)
    if group.phase is Phase.CONFIRMED and not load.idle():
        state = _or_limit(recorded, TrialState.FINISHED)
        judgement = settled_averages(group, rules, idle=idle, typed=typed)
        return _outcome(recorded, state, judgement)
    reasons = reasons or reasons_against(group, rules, idle=load.idle())
    reasons = reasons or (_ENDS_TOO_SOON,)
    if even_so:
        judgement = _averaged_even_so(recorded, rules, blocks, idle=idle)
        if judgement.averages:
            notes = (*reasons, *judgement.notes)
            judgement = Judgement(judgement.averages, notes)
            return _outcome(recorded, TrialState.NOT_SETTLED, judgement)
    is_unfinished = recorded.state in {TrialState.UNFINISHED, TrialState.RUNNING}
    state = TrialState.UNFINISHED if is_unfinished else TrialState.NOT_SETTLED
    return _outcome(recorded, _or_limit(recorded, state), Judgement((), reasons))


def _undecided(
    blocks: Iterable[ReadingBlock],
    group: SettlingGroup,
    typed: TypedReadings,
    rules: SessionRules,
) -> Iterator[ReadingBlock]:
    """The blocks until the window is confirmed; what was typed is taken back as the operator did, also after that."""
    for block in blocks:
        _take_back(typed, block)
        if group.phase is not Phase.CONFIRMED:
            yield block
        elif not rules.typed:
            return


def _averaged_even_so(
    recorded: TrialResult,
    rules: SessionRules,
    blocks: ReadBlocks,
    *,
    idle: Mapping[str, Sequence[float]],
) -> Judgement:
    """Average what there is up to the switch-off, which was known only some readings later."""
    typed = TypedReadings(rules.typed)
    group = settling_group(rules, recorded.started_s, typed)
    for block in blocks():
        _take_back(typed, block)
        judged = _while_judged(block, recorded.started_s, rules.longest_s)
        _feed(group, typed, judged.where(judged.times_s < recorded.ended_s))
    return unsettled_averages(group, rules, idle=idle, typed=typed)


def _parted_at_switch_off(
    block: ReadingBlock, recorded: TrialResult, rules: SessionRules
) -> tuple[ReadingBlock, ReadingBlock]:
    """What came before the start channel first told of the switch-off, and what came from then on."""
    is_later = block.times_s >= recorded.ended_s
    if rules.start.channel in block.channels and is_later.any():
        is_start = block.which == block.channels.index(rules.start.channel)
        is_later = np.logical_or.accumulate(is_later & is_start)
        return block.where(~is_later), block.where(is_later)
    return block, block.where(np.zeros(block.which.size, dtype=np.bool_))


def _watch(load: LoadWatch, block: ReadingBlock) -> None:
    if load.has_risen:
        return
    for number, name in enumerate(block.channels):
        values = block.values[block.which == number]
        if values.size:
            load.feed(name, float(np.abs(values).max()))


def _take_back(typed: TypedReadings, block: ReadingBlock) -> None:
    for taken in block.taken_back:
        if taken.channel in typed:
            typed.take_back(taken)


def _feed(group: SettlingGroup, typed: TypedReadings, block: ReadingBlock) -> None:
    """What was typed goes to its collection when its turn comes; all else goes to the rule."""
    by_hand = [n for n, name in enumerate(block.channels) if name in typed]
    is_typed = np.isin(block.which, by_hand)
    begin = 0
    for position in np.flatnonzero(is_typed).tolist():
        _feed_rule(group, block, np.s_[begin:position], without=by_hand)
        if group.phase is Phase.CONFIRMED:
            return
        name = block.channels[block.which[position]]
        at_s, value = block.times_s[position], block.values[position]
        typed.take(name, float(at_s), float(value))
        begin = position + 1
    _feed_rule(group, block, np.s_[begin:], without=by_hand)


def _feed_rule(
    group: SettlingGroup, block: ReadingBlock, part: slice, *, without: Sequence[int]
) -> None:
    """Readings of channels that the rule knows, counted without those that it does not."""
    which = block.which[part]
    if which.size:
        names = [name for n, name in enumerate(block.channels) if n not in without]
        fewer = np.searchsorted(np.array(without, np.intp), which)
        group.feed_block(names, which - fewer, block.times_s[part], block.values[part])


def _while_judged(
    block: ReadingBlock, started_s: float, longest_s: float
) -> ReadingBlock:
    """The session gives the rule nothing from before the switch-on, nor after the plan's longest time."""
    elapsed_s = block.times_s - started_s
    return block.where((block.times_s >= started_s) & (elapsed_s < longest_s))


def _or_limit(recorded: TrialResult, state: TrialState) -> TrialState:
    """A limit that was broken stays broken, whatever rule is asked."""
    is_broken = recorded.state is TrialState.LIMIT_BROKEN
    return TrialState.LIMIT_BROKEN if is_broken else state


def _outcome(
    recorded: TrialResult, state: TrialState, judgement: Judgement
) -> TrialResult:
    return replace(
        recorded,
        state=state,
        averages=judgement.averages,
        note="; ".join(judgement.notes),
    )


def is_reproduced(recorded: TrialResult, again: TrialResult) -> bool:
    """Whether the same averages came out, to the bit, or none both times; those of a trial not settled do not count."""
    settled = again.state is not TrialState.NOT_SETTLED
    return recorded.averages == (again.averages if settled else ())
