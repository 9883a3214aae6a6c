"""What counts as a jump, what never does, and how long it must have been quiet after one."""

from collections.abc import Callable, Iterable, Sequence

import numpy as np
import pytest

from daq.settling.disturbances import DisturbanceLog, JumpWatch
from daq.settling.front_end import bin_of
from daq.settling.parameters import STANDARD

LEVEL = 1000.0
TOLERANCE = 0.005
LIMIT = TOLERANCE * LEVEL
STEP_AT = 60
JUMP = STANDARD.jump
"""Jumps up to so many tolerances are no disturbance."""


def _watch(*, resolution: float = 0.1) -> JumpWatch:
    return JumpWatch(tolerance=TOLERANCE, resolution=resolution, parameters=STANDARD)


def _jumps(values: Iterable[float | None]) -> list[int]:
    """Numbers of the bins that a watch calls jumps; values in tolerances about the level."""
    watch = _watch()
    items = [
        bin_of([] if value is None else [LEVEL + LIMIT * value]) for value in values
    ]
    return [number for number, item in enumerate(items) if watch.sees_jump(item)]


def _noise(size: float, *, bins: int = 150, seed: int = 1) -> list[float]:
    """White noise, in tolerances."""
    return np.random.default_rng(seed).normal(0.0, size, bins).tolist()


def _added(noise: Sequence[float], course: Callable[[int], float]) -> list[float]:
    return [value + course(number) for number, value in enumerate(noise)]


# ---- jumps


@pytest.mark.parametrize("size", [2.0 * JUMP, -2.0 * JUMP, 20.0 * JUMP])
def test_a_step_is_a_jump_by_its_second_bin(size: float) -> None:
    stepped = _added(_noise(0.1), lambda k: size if k >= STEP_AT else 0.0)
    jumps = _jumps(stepped)
    assert jumps[0] in {STEP_AT, STEP_AT + 1}
    # It is over once the new level fills the five bins that the next are held against.
    assert jumps[-1] <= STEP_AT + 7


def test_a_step_within_what_is_allowed_is_no_jump() -> None:
    stepped = _added(_noise(0.01), lambda k: 0.9 * JUMP if k >= STEP_AT else 0.0)
    assert _jumps(stepped) == []


def test_a_quiet_channel_needs_no_more_than_the_allowance() -> None:
    # No noise at all: 10 % above the allowance are a jump, once both bins lie on the new level.
    steady = [0.0] * STEP_AT
    assert _jumps([*steady, *[1.1 * JUMP] * 2]) == [STEP_AT + 1]


def test_a_dip_of_two_bins_is_seen() -> None:
    dipped = _added(
        _noise(0.1), lambda k: -3.0 * JUMP if STEP_AT <= k < STEP_AT + 2 else 0.0
    )
    assert set(_jumps(dipped)) & {STEP_AT, STEP_AT + 1}


def test_a_step_behind_a_missing_bin_is_seen_by_its_second_bin() -> None:
    steady: list[float | None] = [0.0] * STEP_AT
    assert _jumps([*steady, None, 5.0 * JUMP, 5.0 * JUMP])[0] == STEP_AT + 2


def test_an_excursion_inside_one_bin_is_a_jump_by_itself() -> None:
    watch = _watch()
    for value in _noise(0.1, bins=STEP_AT):
        assert not watch.sees_jump(bin_of([LEVEL + LIMIT * value]))
    # The readings that are left lie on the level; those left out lasted too long.
    lasting = LEVEL + 5.0 * JUMP * LIMIT
    assert watch.sees_jump(bin_of([LEVEL], spikes=2, excursion=lasting))


def test_a_coarse_display_that_flickers_does_not_jump() -> None:
    # A step of two tolerances, which flickers at every bin: half a step from the mean, and the noise itself.
    watch = _watch(resolution=2.0 * LIMIT)
    flicker = [LEVEL + 2.0 * LIMIT * (k % 2) for k in range(40)]
    assert not any(watch.sees_jump(bin_of([value])) for value in flicker)


# ---- what is none


@pytest.mark.parametrize(("steps", "is_flicker"), [(1.0, True), (2.0, False)])
def test_a_jump_of_one_step_of_the_display_is_told_from_a_larger_one(
    steps: float, *, is_flicker: bool
) -> None:
    # One step is two tolerances, more than is allowed; it stays there for half a minute.
    resolution = 2.0 * LIMIT
    watch = _watch(resolution=resolution)
    jumped = False
    for number in range(120):
        at = LEVEL + (resolution * steps if 60 <= number < 75 else 0.0)
        jumped = watch.sees_jump(bin_of([at, at])) or jumped
    assert jumped
    assert watch.is_flicker is is_flicker


@pytest.mark.parametrize("seed", range(20))
def test_noise_within_the_tolerance_is_never_a_jump(seed: int) -> None:
    # Two bins less the mean of five scatter by sqrt(1/2 + 1/5) = 0.84: seven standard deviations short of a jump.
    assert _jumps(_noise(JUMP / 6.0, bins=400, seed=seed)) == []


@pytest.mark.slow
@pytest.mark.parametrize("size", [1.0, 10.0])
def test_noise_beyond_the_tolerance_is_hardly_ever_a_jump(size: float) -> None:
    # 200 runs of five minutes, 1 % allowed to see one: more than 6 have a probability of 0.004 (binomial).
    runs = [_jumps(_noise(size, seed=seed)) for seed in range(200)]
    assert sum(map(bool, runs)) <= 6


@pytest.mark.parametrize("tau_s", [10.0, 35.0, 150.0, 600.0])
@pytest.mark.parametrize("amplitude", [-1.0, 5.0, 40.0])
def test_a_decay_is_never_a_jump(tau_s: float, amplitude: float) -> None:
    course = amplitude * np.exp(-2.0 * np.arange(150) / tau_s)
    assert _jumps(_added(_noise(0.1), lambda k: float(course[k]))) == []


@pytest.mark.parametrize("slope", [0.05, 0.3, -1.0, 3.0])
def test_a_ramp_is_never_a_jump(slope: float) -> None:
    # Tolerances per bin.
    assert _jumps(_added(_noise(0.1), lambda k: slope * k)) == []


def test_missing_bins_are_never_a_jump() -> None:
    gaps: list[float | None] = [
        None if 40 <= k < 60 or k % 7 == 0 else value
        for k, value in enumerate(_noise(0.1))
    ]
    assert _jumps(gaps) == []


def test_nothing_is_a_jump_before_the_noise_can_be_told() -> None:
    # Of lag-3 changes it takes five: eight bins, and the jump itself is none of them.
    assert _jumps([0.0] * 7 + [50.0] * 2) == [8]
    assert _jumps([0.0] * 4 + [50.0]) == []


# ---- how long it must be quiet

BIN_S = 2.0


def _quiet_s(*at_bins: int, first_bin: int = 10) -> float:
    return _log(*at_bins, first_bin=first_bin).quiet_s()


def _log(*at_bins: int, first_bin: int = 10) -> DisturbanceLog:
    log = DisturbanceLog(STANDARD, bin_s=BIN_S)
    log.begin(first_bin)
    for at_bin in at_bins:
        log.add(at_bin)
    return log


def test_without_a_disturbance_no_quiet_is_asked_for() -> None:
    assert _log().quiet_s() == 0.0
    assert _log().count == 0


def test_after_one_disturbance_it_must_be_quiet_as_long_as_before_it() -> None:
    assert _log(510).count == 1
    assert _quiet_s(510) == STANDARD.quiet_after_one * 500 * BIN_S


def test_a_dip_counts_once_however_many_bins_see_it() -> None:
    assert _log(510, 511, 513, 518).count == 1
    assert _quiet_s(510, 511, 513, 518) == _quiet_s(510)


def test_after_more_it_must_be_quiet_longer_than_ever_between_two() -> None:
    # 40 bins before the first are no time between two: 300 and 200 are.
    assert _log(50, 350, 550).count == 3
    assert _quiet_s(50, 350, 550) == STANDARD.quiet_after_more * 300 * BIN_S


def test_a_long_disturbance_is_one_and_the_next_is_counted_from_its_end() -> None:
    assert _log(*range(50, 90), 389).count == 2
    assert _quiet_s(*range(50, 90), 389) == STANDARD.quiet_after_more * 300 * BIN_S


@pytest.mark.parametrize("at_bins", [(11,), (12, 30), (20, 40, 60, 80)])
def test_soon_after_the_run_up_a_least_quiet_is_asked_for_all_the_same(
    at_bins: tuple[int, ...],
) -> None:
    assert _quiet_s(*at_bins) == STANDARD.quiet_least_s
