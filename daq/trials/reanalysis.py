"""A trial judged again from its stored readings, by the rule that it was run with or by another.

The readings are fed in the order in which the live session was given them, to the same object, and its levels become
averages by the same functions: with the same rule the outcome is the same, to the bit.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daq.records import TrialResult, TrialState
from daq.settling.group import SettlingGroup
from daq.settling.phases import Phase
from daq.trials.judging import (
    Judgement,
    SessionRules,
    reasons_against,
    settled_averages,
    settling_group,
    unsettled_averages,
)


@dataclass(frozen=True, slots=True)
class ReadingBlock:
    """Readings of several channels in order of arrival; the three arrays are of one length.

    Attributes:
        channels: Names that `which` counts from 0.
        which: Whose reading it is [1].
        times_s: When it was true [s].
        values: [unit of the channel].
    """

    channels: tuple[str, ...]
    which: NDArray[np.intp]
    times_s: NDArray[np.float64]
    values: NDArray[np.float64]

    def where(self, wanted: NDArray[np.bool_]) -> "ReadingBlock":
        """Some of the readings, in the same order."""
        return ReadingBlock(
            self.channels, self.which[wanted], self.times_s[wanted], self.values[wanted]
        )


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
    group = settling_group(rules, recorded.started_s)
    for block in blocks():
        _feed(group, _while_judged(block, recorded.started_s, rules.longest_s))
        if group.phase is Phase.CONFIRMED:
            break
    if group.phase is Phase.CONFIRMED:
        state = _or_limit(recorded, TrialState.FINISHED)
        return _outcome(recorded, state, settled_averages(group, rules, idle=idle))
    reasons = reasons_against(group, rules) or (_ENDS_TOO_SOON,)
    if even_so:
        judgement = _averaged_even_so(recorded, rules, blocks, idle=idle)
        if judgement.averages:
            notes = (*reasons, *judgement.notes)
            judgement = Judgement(judgement.averages, notes)
            return _outcome(recorded, TrialState.NOT_SETTLED, judgement)
    is_unfinished = recorded.state in {TrialState.UNFINISHED, TrialState.RUNNING}
    state = TrialState.UNFINISHED if is_unfinished else TrialState.NOT_SETTLED
    return _outcome(recorded, _or_limit(recorded, state), Judgement((), reasons))


def _averaged_even_so(
    recorded: TrialResult,
    rules: SessionRules,
    blocks: ReadBlocks,
    *,
    idle: Mapping[str, Sequence[float]],
) -> Judgement:
    """Average what there is up to the switch-off, which was known only some readings later."""
    group = settling_group(rules, recorded.started_s)
    for block in blocks():
        judged = _while_judged(block, recorded.started_s, rules.longest_s)
        _feed(group, judged.where(judged.times_s < recorded.ended_s))
    return unsettled_averages(group, rules, idle=idle)


def _feed(group: SettlingGroup, block: ReadingBlock) -> None:
    group.feed_block(block.channels, block.which, block.times_s, block.values)


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
