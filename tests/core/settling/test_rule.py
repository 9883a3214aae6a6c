"""Detection in one channel, and the watch for steps, against closed forms."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.settling.front_end import bin_of
from daq.settling.parameters import STANDARD
from daq.settling.rule import ChannelRule, Detection, HeldBackBy, StepWatch

BIN_S = 2.0
LEVEL = 1000.0
TOLERANCE = 0.005
LIMIT = TOLERANCE * LEVEL


def _rule(*, resolution: float = 0.1) -> ChannelRule:
    return ChannelRule(
        tolerance=TOLERANCE, resolution=resolution, bin_s=BIN_S, parameters=STANDARD
    )


def _passes(
    rule: ChannelRule, means: NDArray[np.float64] | list[float | None]
) -> list[int]:
    """Numbers of the bins at which a settled window ends."""
    passed = []
    for number, mean in enumerate(means):
        rule.add(bin_of([] if mean is None else [float(mean)]))
        rule.detect()
        if rule.detection is not None and mean is not None:
            passed.append(number)
    return passed


def _noise(count: int, std_dev: float, seed: int = 1) -> NDArray[np.float64]:
    return LEVEL + np.random.default_rng(seed).normal(0.0, std_dev, count)


# ---- what passes, and what may not


@pytest.mark.parametrize("tau_s", [5.0, 12.0, 30.0, 60.0, 100.0, 149.0, 150.0])
@pytest.mark.parametrize("start", [-40.0, -8.0, 3.0, 25.0])
def test_no_window_passes_while_more_than_the_tolerance_is_left_of_a_decay(
    tau_s: float, start: float
) -> None:
    # Without noise the drift that is still to come is known: start * exp(-t/tau).
    t = np.arange(400) * BIN_S
    left = start * LIMIT * np.exp(-t / tau_s)
    passed = _passes(_rule(), LEVEL + left)
    assert passed
    # The tolerance is taken of the window's mean, which a falling machine has a little above its level.
    assert max(abs(left[passed])) <= LIMIT * (1.0 + 0.02)


def test_a_decay_of_the_slowest_time_constant_passes_when_it_fits_the_tolerance() -> (
    None
):
    # tau = 150 s is what the bound assumes, so without noise it is exact: 4 exp(-t/150) = 1 at t = 207.9 s.
    t = np.arange(200) * BIN_S
    passed = _passes(_rule(resolution=1e-6), LEVEL + 4.0 * LIMIT * np.exp(-t / 150.0))
    assert passed[0] * BIN_S == pytest.approx(150.0 * math.log(4.0), abs=2.0 * BIN_S)


def test_a_constant_channel_passes_as_soon_as_the_shortest_window_is_full() -> None:
    passed = _passes(_rule(), [LEVEL] * 30)
    # 30 s are 15 bins. A display that never changes hides half a step, which is small here.
    assert passed[0] == 14


def test_detection_is_of_the_shortest_window_that_passes() -> None:
    rule = _rule()
    _passes(rule, _noise(100, 0.05 * LIMIT))
    assert rule.detection is not None
    assert rule.detection.length == 15
    assert rule.detection.mean == pytest.approx(LEVEL, abs=0.1 * LIMIT)


# ---- why not


@pytest.mark.parametrize(
    ("means", "reason"),
    [
        (_noise(10, 0.1), HeldBackBy.TOO_SHORT),
        (LEVEL + 0.2 * LIMIT * np.arange(100), HeldBackBy.DRIFT),
        (_noise(60, 4.0 * LIMIT), HeldBackBy.NOISE),
        (
            LEVEL + 3.0 * LIMIT * np.sin(np.arange(120) * 2.0 * math.pi / 5.0),
            HeldBackBy.HUNTING,
        ),
    ],
    ids=lambda value: str(value) if isinstance(value, HeldBackBy) else "",
)
def test_the_reason_is_told(means: NDArray[np.float64], reason: HeldBackBy) -> None:
    rule = _rule()
    assert _passes(rule, means) == []
    assert rule.held_back_by is reason


def test_a_display_too_coarse_to_show_drift_holds_back() -> None:
    # One step is 1.5 tolerances: a window of 30 s could hide 2 Q/(exp(30/150) - 1) = 6.8 tolerances.
    rule = _rule(resolution=1.5 * LIMIT)
    assert _passes(rule, [LEVEL] * 15) == []
    assert rule.held_back_by is HeldBackBy.RESOLUTION


def test_a_window_with_too_many_holes_does_not_pass() -> None:
    rule = _rule()
    # Two bins of three are there, 70 % are needed.
    means: list[float | None] = [None if i % 3 == 0 else LEVEL for i in range(90)]
    assert _passes(rule, means) == []
    assert rule.held_back_by is HeldBackBy.GAPS


def test_a_window_with_few_holes_passes() -> None:
    means: list[float | None] = [None if i % 5 == 0 else LEVEL for i in range(90)]
    assert _passes(_rule(), means)


def test_no_window_reaches_back_before_what_is_forbidden() -> None:
    rule = _rule()
    rule.forbid_before(20)
    assert _passes(rule, [LEVEL] * 40)[0] == 34


def test_a_restart_counts_passing_bins_anew() -> None:
    rule = _rule()
    _passes(rule, [LEVEL] * 20)
    assert rule.passed_in_a_row == 6
    rule.restart(HeldBackBy.STEP)
    assert rule.held_back_by is HeldBackBy.STEP
    assert rule.detection is None
    _passes(rule, [LEVEL])
    assert rule.passed_in_a_row == 1


def test_fits_need_a_detected_window() -> None:
    with pytest.raises(ValueError, match="no settled window"):
        _rule().open_fits(0)


# ---- steps


@pytest.mark.parametrize(
    ("step", "bins"),
    # The allowance is 1 standard deviation: 6 is passed once n (z - 1) > 6.
    [(2.0, 7), (3.0, 4), (4.5, 2), (8.0, 1), (-3.0, 4)],
)
def test_a_step_is_seen_after_as_many_bins_as_page_says(step: float, bins: int) -> None:
    watch = StepWatch(Detection(15, LEVEL, 1.0), limit=0.5)
    seen = [watch.sees_step(LEVEL + step) for _ in range(bins)]
    assert seen == [False] * (bins - 1) + [True]


def test_a_difference_within_the_allowance_is_never_a_step() -> None:
    watch = StepWatch(Detection(15, LEVEL, 1.0), limit=0.5)
    assert not any(watch.sees_step(LEVEL + 1.0) for _ in range(1000))


def test_a_quiet_channel_may_move_by_half_a_tolerance_without_a_step() -> None:
    watch = StepWatch(Detection(15, LEVEL, 0.01), limit=5.0)
    assert not any(watch.sees_step(LEVEL + 2.5) for _ in range(1000))


def test_a_channel_without_scatter_notices_any_change() -> None:
    watch = StepWatch(Detection(15, LEVEL, 0.0), limit=5.0)
    assert not watch.sees_step(LEVEL)
    assert watch.sees_step(LEVEL + 0.1)
