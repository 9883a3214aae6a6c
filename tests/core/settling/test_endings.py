"""How much longer it will take, why a trial has no average, and what becomes of one that ends too soon."""

import numpy as np
import pytest

from daq.settling.parameters import STANDARD
from daq.settling.phases import Phase
from daq.settling.verdicts import HeldBackBy
from tests.core.settling.readings import (
    BOTH,
    LEVELS,
    TOLERANCE,
    channel,
    fed,
    group_of,
    in_time,
    steady,
)

# ---- how much longer


def _times_left(noise: float, *, target: float | None = None) -> list[float]:
    """What is told at every reading from the declaration to the end."""
    group, told = group_of(target=target), []
    for reading in steady("power", 900.0, noise=noise):
        group.feed(*reading)
        if group.phase is Phase.AVERAGING:
            told.append(group.time_left_s())
    assert group.phase is Phase.CONFIRMED
    return [left for left in told if left is not None]


def test_the_time_left_falls_with_the_time_that_passes() -> None:
    told = _times_left(0.15)
    assert told[0] == STANDARD.least_s
    assert told == sorted(told, reverse=True)
    # At the last bin before the end there is one more to wait for.
    assert told[-1] == 2.0


@pytest.mark.parametrize("noise", [1.5, 2.5])
def test_the_time_left_is_never_more_than_the_longest_averaging(noise: float) -> None:
    told = _times_left(noise, target=1e-6)
    assert max(told) <= STANDARD.longest_s
    assert told[-1] == 2.0


def test_while_settling_the_time_left_holds_the_averaging_too() -> None:
    group = group_of()
    told = []
    drift = np.exp(-np.arange(0.3, 400.0) / STANDARD.tau_max_s)
    for (name, t, value), left in zip(
        steady("power", 400.0, noise=0.02), drift.tolist(), strict=True
    ):
        group.feed(name, t, value + 4.0 * TOLERANCE * LEVELS["power"] * left)
        if group.phase is Phase.SETTLING:
            told.append((t, group.time_left_s()))
    declared_s = group.declared_s
    assert declared_s is not None
    # Half of many trials average for no more than the least time and a quarter of what is left to the longest.
    averaging_s = STANDARD.least_s + 0.25 * (STANDARD.longest_s - STANDARD.least_s)
    # Windows are full after the shortest one; then an exact decay is foreseen to a few bins.
    foreseen = [t + left - averaging_s for t, left in told if left is not None]
    assert foreseen
    assert min(foreseen) == pytest.approx(declared_s, abs=20.0)
    assert max(foreseen) == pytest.approx(declared_s, abs=20.0)


def test_nothing_is_foreseen_before_a_window_is_full() -> None:
    group = group_of()
    fed(group, steady("power", 20.0))
    assert group.time_left_s() is None


def test_nothing_is_left_to_wait_for_once_confirmed() -> None:
    group = group_of()
    fed(group, steady("power", 300.0))
    assert group.phase is Phase.CONFIRMED
    assert group.time_left_s() == 0.0


# ---- why not


def test_a_channel_that_would_do_alone_is_not_told_as_the_reason() -> None:
    group = group_of(*BOTH)
    drifting = [
        (n, t, v * (1.0 + 2e-4 * t)) for n, t, v in steady("velocity", 200.0, seed=2)
    ]
    fed(group, in_time(steady("power", 200.0), drifting))
    assert group.why_not("velocity") is HeldBackBy.DRIFT
    assert group.why_not("power") is None


def test_a_trial_that_ends_before_any_window_is_full_was_too_short() -> None:
    group = group_of()
    fed(group, steady("power", 20.0))
    assert group.why_not("power") is HeldBackBy.TOO_SHORT


def test_a_trial_that_ends_while_averaging_was_too_short() -> None:
    group = group_of()
    fed(group, steady("power", min(STANDARD.windows_s) + 20.0))
    assert group.phase is Phase.AVERAGING
    assert group.why_not("power") is HeldBackBy.TOO_SHORT


def test_a_channel_that_falls_silent_while_averaging_is_told_by_its_gaps() -> None:
    group = group_of(*BOTH)
    until_s = min(STANDARD.windows_s) + 20.0
    few = steady("velocity", until_s, seed=2)
    fed(group, in_time(steady("power", until_s + STANDARD.least_s), few))
    assert group.phase is Phase.AVERAGING
    assert group.why_not("velocity") is HeldBackBy.GAPS


def test_a_confirmed_trial_has_no_reason_against_it() -> None:
    group = group_of()
    fed(group, steady("power", 300.0))
    assert group.why_not("power") is None


# ---- the readings end


def test_an_average_of_half_the_least_time_is_accepted_when_the_readings_end() -> None:
    group = group_of()
    declared_s = fed(group, steady("power", 100.0))[-1].at_s
    until_s = declared_s + 0.5 * STANDARD.least_s + 4.0
    cut = group_of()
    fed(cut, steady("power", until_s))
    assert cut.phase is Phase.AVERAGING
    ended = cut.rule.finish()
    assert ended is not None
    assert ended.phase is Phase.CONFIRMED
    assert cut.window is not None
    assert cut.window.end_s == ended.at_s <= until_s
    assert "power" in cut.levels()


def test_a_shorter_average_is_not_accepted_and_stays_open() -> None:
    group = group_of()
    declared_s = fed(group, steady("power", 100.0))[-1].at_s
    cut = group_of()
    fed(cut, steady("power", declared_s + 0.5 * STANDARD.least_s - 4.0))
    assert cut.rule.finish() is None
    assert cut.phase is Phase.AVERAGING
    assert cut.levels() == {}


def test_a_trial_that_is_still_settling_is_not_finished_by_its_end() -> None:
    group = group_of()
    fed(group, steady("power", 20.0))
    assert group.rule.finish() is None


def test_the_end_accepts_no_channel_that_has_too_few_readings() -> None:
    group = group_of(*BOTH)
    both = in_time(steady("power", 100.0), steady("velocity", 100.0, seed=2))
    declared_s = fed(group, both)[-1].at_s
    silent = group_of(*BOTH)
    few = steady("velocity", declared_s + 4.0, seed=2)
    fed(silent, in_time(steady("power", declared_s + STANDARD.least_s - 4.0), few))
    assert silent.phase is Phase.AVERAGING
    assert silent.rule.finish() is None


def test_a_second_finish_changes_nothing() -> None:
    group = group_of()
    fed(group, steady("power", 300.0))
    levels = group.levels()
    assert group.rule.finish() is None
    assert group.levels() == levels


# ---- averaged even so


def test_what_did_not_settle_is_averaged_with_its_drift() -> None:
    # 2e-4 a second: 4.8 tolerances over the last two minutes, of which half lie on each side of the mean.
    group = group_of()
    drifting = [(n, t, v * (1.0 + 2e-4 * t)) for n, t, v in steady("power", 301.0)]
    fed(group, drifting)
    assert group.levels() == {}
    found = group.unsettled()
    assert found is not None
    window, levels = found
    assert (window.start_s, window.end_s) == (180.0, 300.0)
    level = levels["power"]
    inside = [v for _, t, v in drifting if window.start_s <= t < window.end_s]
    assert level.plain_mean == pytest.approx(float(np.mean(inside)), rel=1e-12)
    # The change over the window times tau_max over its length, as the half-width of a rectangular distribution.
    change = 2e-4 * 120.0 * LEVELS["power"]
    width = change * max(1.0, STANDARD.tau_max_s / 120.0)
    assert level.expanded_uncertainty >= 0.99 * 1.96 * width / np.sqrt(3.0)
    settled = group_of()
    fed(settled, steady("power", 301.0))
    sure = settled.levels()["power"].expanded_uncertainty
    assert level.expanded_uncertainty > 10.0 * sure


def test_a_slow_meter_has_an_unsettled_average_too() -> None:
    group = group_of(channel(interval_s=15.0))
    fed(group, steady("power", 900.0, interval_s=15.0, noise=40.0))
    assert group.phase is Phase.SETTLING
    found = group.unsettled()
    assert found is not None
    assert "power" in found[1]


def test_a_channel_that_fell_silent_is_left_out_of_an_unsettled_average() -> None:
    group = group_of(*BOTH)
    few = steady("velocity", 100.0, seed=2, noise=40.0)
    fed(group, in_time(steady("power", 400.0), few))
    found = group.unsettled()
    assert found is not None
    assert set(found[1]) == {"power"}


def test_a_trial_that_never_left_its_run_up_has_no_unsettled_average() -> None:
    group = group_of()
    doubling = [("power", 2.0 * k + 0.5, 1.5**k) for k in range(30)]
    assert fed(group, doubling) == []
    assert group.unsettled() is None


def test_a_trial_of_a_few_seconds_has_no_unsettled_average() -> None:
    group = group_of()
    fed(group, steady("power", 12.0))
    assert group.unsettled() is None
