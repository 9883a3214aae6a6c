"""The rule over bins: what withdraws a declaration and why, what a disturbance asks for, when time is up."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np
import pytest

from daq.settling.front_end import Bin, bin_of
from daq.settling.parameters import STANDARD, Parameters
from daq.settling.phases import ChannelSetup, Phase, PhaseChange
from daq.settling.rule import GroupRule
from daq.settling.verdicts import HeldBackBy
from tests.core.settling.readings import BOTH, LEVELS, LIMIT, channel

BIN_S = 2.0
Course = Callable[[float], float]
"""Of a channel, in tolerances about its level, by the time since switch-on [s]."""


def _rule(
    *channels: ChannelSetup,
    target: float | None = None,
    parameters: Parameters = STANDARD,
) -> GroupRule:
    return GroupRule(
        channels or (channel(),),
        start_s=0.0,
        bin_s=BIN_S,
        parameters=parameters,
        target=target,
    )


def _bins(
    course: Course, until_s: float, *, noise: float = 0.1, seed: int = 1
) -> list[dict[str, Bin]]:
    """Bins of the power, each of one reading; noise in tolerances."""
    scatter = np.random.default_rng(seed).normal(0.0, noise, int(until_s / BIN_S))
    return [
        {"power": bin_of([LEVELS["power"] + LIMIT * (course(number * BIN_S) + e)])}
        for number, e in enumerate(scatter.tolist())
    ]


def _taken(rule: GroupRule, bins: Iterable[dict[str, Bin]]) -> list[PhaseChange]:
    """Take bins up to the one that confirms; the phases that they brought about."""
    changes: list[PhaseChange] = []
    for items in bins:
        change = rule.take(items)
        changes += [change] if change is not None else []
        if rule.phase is Phase.CONFIRMED:
            break
    return changes


def _reasons(changes: Sequence[PhaseChange]) -> list[HeldBackBy]:
    """Why declarations were withdrawn."""
    return [change.reason for change in changes if change.reason is not None]


def _flat(_at_s: float) -> float:
    return 0.0


# ---- the declaration


def test_it_is_declared_after_as_many_passing_bins_as_persistence_asks_for() -> None:
    # Bins that never change pass as soon as the shortest window is full; the first bin is still run-up's.
    for persistence in (1, 3, 7):
        rule = _rule(parameters=replace(STANDARD, persistence=persistence))
        bins = [{"power": bin_of([1000.0])}] * 100
        changes = _taken(rule, bins)
        full_s = BIN_S + BIN_S * round(STANDARD.windows_s[0] / BIN_S)
        run_up = next(c for c in changes if c.phase is Phase.SETTLING)
        first_bin_s = run_up.at_s - BIN_S
        expected_s = first_bin_s + full_s - BIN_S + (persistence - 1) * BIN_S
        assert changes[1] == PhaseChange(Phase.AVERAGING, expected_s)


def test_one_bin_that_does_not_pass_begins_the_count_anew() -> None:
    bins = [{"power": bin_of([1000.0])}] * 100
    expected_s = _taken(_rule(), bins)[1].at_s
    # The last bin before the declaration is missing: it does not pass, and the next three do.
    missing = round(expected_s / BIN_S) - 1
    holed = [*bins[:missing], {"power": Bin(None)}, *bins[missing:]]
    changes = _taken(_rule(), holed)
    assert changes[1].phase is Phase.AVERAGING
    assert changes[1].at_s > expected_s


def test_bins_too_long_for_every_window_are_refused() -> None:
    with pytest.raises(ValueError, match="expected the longest window"):
        GroupRule(
            [channel(interval_s=60.0)], start_s=0.0, bin_s=120.0, parameters=STANDARD
        )


# ---- withdrawn


@pytest.mark.parametrize("size", [2.5 * STANDARD.jump, -10.0])
def test_a_step_while_averaging_withdraws_within_two_bins(size: float) -> None:
    bins = _bins(lambda t: size if t >= 70.0 else 0.0, 80.0)
    rule = _rule()
    changes = _taken(rule, bins)
    assert _reasons(changes) == [HeldBackBy.STEP]
    assert changes[-1].at_s <= 70.0 + 2.0 * BIN_S
    assert rule.withdrawn == 1
    assert rule.declared_s is None
    assert rule.window is None


def test_a_step_within_the_jump_that_is_allowed_is_found_out_as_drift_or_averaged() -> (
    None
):
    rule = _rule()
    changes = _taken(rule, _bins(lambda t: 0.5 if t >= 70.0 else 0.0, 600.0))
    assert HeldBackBy.STEP not in _reasons(changes)
    assert rule.phase is Phase.CONFIRMED


@pytest.mark.parametrize("amplitude", [-5.0, 5.0])
def test_a_decay_slower_than_detection_expects_is_withdrawn_as_drift(
    amplitude: float,
) -> None:
    # Twice tau_max: it is declared with more than the tolerance left, and while averaging that shows.
    tau_s = 2.0 * STANDARD.tau_max_s
    bins = _bins(lambda t: amplitude * math.exp(-t / tau_s), 400.0, noise=0.02)
    changes = _taken(_rule(), bins)
    assert _reasons(changes)[0] is HeldBackBy.DRIFT
    withdrawn = next(c for c in changes if c.reason)
    left = abs(amplitude) * math.exp(-changes[1].at_s / tau_s)
    assert changes[1].phase is Phase.AVERAGING
    assert left > 1.0
    assert withdrawn.at_s - changes[1].at_s < STANDARD.longest_s


def test_after_drift_the_next_declaration_may_reach_back_as_far_as_it_likes() -> None:
    # Nothing happened that would forbid the past: the shortest window is full at once.
    tau_s = 2.0 * STANDARD.tau_max_s
    bins = _bins(lambda t: 5.0 * math.exp(-t / tau_s), 600.0, noise=0.02)
    changes = _taken(_rule(), bins)
    index = next(i for i, c in enumerate(changes) if c.reason is HeldBackBy.DRIFT)
    assert changes[index + 1].phase is Phase.AVERAGING
    again_s = changes[index + 1].at_s - changes[index].at_s
    assert again_s < STANDARD.windows_s[0]


def test_an_average_that_stays_too_uncertain_is_withdrawn_as_noise_when_time_is_up() -> (
    None
):
    strict = replace(STANDARD, refuse=0.01)
    rule = _rule(parameters=strict)
    changes = _taken(rule, _bins(_flat, 600.0, noise=1.0))
    assert _reasons(changes)[0] is HeldBackBy.NOISE
    withdrawn = next(c for c in changes if c.reason)
    declared = next(c.at_s for c in changes if c.phase is Phase.AVERAGING)
    assert withdrawn.at_s - declared == STANDARD.longest_s


def test_a_long_silence_is_withdrawn_as_gaps_when_time_is_up_and_not_later() -> None:
    bins = _bins(_flat, 60.0) + [{"power": Bin(None)}] * 400
    changes = _taken(_rule(), bins)
    assert [c.phase for c in changes] == [
        Phase.SETTLING,
        Phase.AVERAGING,
        Phase.SETTLING,
    ]
    assert changes[-1].reason is HeldBackBy.GAPS
    assert changes[-1].at_s - changes[-2].at_s == STANDARD.longest_s


@pytest.mark.parametrize("windows_s", [STANDARD.windows_s, (240.0,), (150.0, 240.0)])
def test_a_channel_silent_just_before_time_is_up_is_decided_upon_then(
    windows_s: tuple[float, ...],
) -> None:
    # No average is ever sure enough for this target, so averaging lasts until time is up.
    rule = _rule(*BOTH, parameters=replace(STANDARD, windows_s=windows_s), target=1e-9)
    declared_s, ended = math.inf, None
    for number in range(1000):
        at_s = number * BIN_S
        silent = at_s > declared_s + STANDARD.longest_s - 10.0
        velocity = Bin(None) if silent else bin_of([12.0 + 0.001 * (number % 3)])
        change = rule.take({"power": bin_of([1000.0]), "velocity": velocity})
        if change is not None and change.phase is Phase.AVERAGING:
            declared_s = change.at_s
        elif change is not None and math.isfinite(declared_s):
            ended = change
            break
    assert ended is not None
    assert ended.at_s - declared_s == pytest.approx(STANDARD.longest_s, abs=BIN_S)


# ---- disturbances


def _dips(at_s: float, every_s: float) -> float:
    """Eight tolerances down for five seconds, time and again."""
    return -8.0 if at_s % every_s < 5.0 else 0.0


# One that comes more seldom was settled before its first visit, as far as anybody could know.
@pytest.mark.parametrize(
    "every_s", [40.0, 60.0, 90.0, STANDARD.windows_s[0] + STANDARD.least_s]
)
@pytest.mark.parametrize("seed", [1, 2])
def test_a_load_that_comes_and_goes_is_never_settled_between_two_of_its_visits(
    every_s: float, seed: int
) -> None:
    rule = _rule()
    changes = _taken(rule, _bins(lambda t: _dips(t, every_s), 1200.0, seed=seed))
    assert Phase.CONFIRMED not in [c.phase for c in changes]
    assert rule.levels() == {}


def test_after_one_step_it_is_settled_once_it_was_quiet_for_long_enough() -> None:
    rule = _rule()
    step_s = 200.0
    # Noise too large to be sure before the step.
    bins = _bins(lambda t: -8.0 if t >= step_s else 0.0, 900.0, noise=2.0)
    changes = _taken(rule, bins)
    assert rule.phase is Phase.CONFIRMED
    assert rule.window is not None
    assert rule.window.start_s >= step_s - BIN_S
    run_up_s = changes[0].at_s
    quiet_s = max(
        STANDARD.quiet_least_s, STANDARD.quiet_after_one * (step_s - run_up_s)
    )
    assert changes[-1].at_s - rule.window.start_s >= quiet_s - BIN_S


def test_the_time_left_holds_the_quiet_that_a_disturbance_asks_for() -> None:
    rule = _rule()
    _taken(rule, _bins(lambda t: -8.0 if t >= 30.0 else 0.0, 120.0))
    assert rule.phase is Phase.AVERAGING
    assert rule.window is not None
    left_s = rule.time_left_s()
    assert left_s is not None
    so_far_s = rule.window.end_s - rule.window.start_s
    assert left_s + so_far_s >= STANDARD.quiet_least_s


def test_what_keeps_visiting_is_told_as_hunting_and_what_came_once_as_a_step() -> None:
    # Right after a visit no window is full, so only what happened can be told.
    for visits, reason in ((1, HeldBackBy.STEP), (3, HeldBackBy.HUNTING)):
        rule = _rule()
        last_s = 60.0 + 60.0 * (visits - 1)
        dips = _bins(lambda t: _dips(t, 60.0) if t >= 50.0 else 0.0, last_s + 16.0)
        _taken(rule, dips)
        assert rule.phase is Phase.SETTLING
        assert rule.progress("power").held_back_by is reason
        assert rule.why_not("power") is reason
