"""The funnel: bound and tolerance are what the rule itself compares, so it lies inside exactly when the rule is content."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest

from daq.settling.group import SettlingGroup
from daq.settling.parameters import STANDARD
from daq.settling.phases import ChannelSetup, FunnelPoint, Phase, PhaseChange
from daq.settling.verdicts import HeldBackBy
from tests.core.settling.readings import (
    BOTH,
    LEVELS,
    LIMIT,
    Readings,
    channel,
    group_of,
    in_time,
    shifted,
    steady,
)
from tests.startups.records import StartUp, kinds, record

SHORTEST_S = min(STANDARD.windows_s)
TAU_MAX_S = STANDARD.tau_max_s


def _points(
    group: SettlingGroup, readings: Readings, name: str = "power"
) -> Iterator[tuple[PhaseChange | None, FunnelPoint]]:
    """A point for every bin that closes, with the phase that it brought about."""
    at_s = -math.inf
    for reading in readings:
        changes = group.feed(*reading)
        point = group.funnel(name)
        if point is not None and point.at_s > at_s:
            at_s = point.at_s
            yield (changes[-1] if changes else None), point


def _inside(point: FunnelPoint) -> bool:
    assert point.bound is not None
    assert math.isfinite(point.bound)
    return point.bound <= point.tolerance


def _course(seconds: float, left: float, tau_s: float) -> Readings:
    """A decay without noise, one reading a second; `left` in tolerances at the beginning."""
    times = np.arange(0.3, seconds, 1.0)
    values = LEVELS["power"] + LIMIT * left * np.exp(-times / tau_s)
    return [("power", float(t), float(v)) for t, v in zip(times, values, strict=True)]


# ---- on recorded start-ups


def _started(one: StartUp) -> tuple[SettlingGroup, Readings]:
    setup = ChannelSetup(
        "x", one.tolerance, one.resolution, 1.0 / one.poll_hz, required=True
    )
    group = SettlingGroup([setup], start_s=one.on_s, parameters=STANDARD)
    pairs = zip(one.times_s.tolist(), one.values.tolist(), strict=True)
    return group, [("x", t, v) for t, v in pairs if t >= one.on_s]


_KINDS = (*kinds("plain"), *kinds("foreign"))


@pytest.mark.slow
@pytest.mark.parametrize("kind", _KINDS)
def test_at_a_declaration_it_lies_inside_and_while_drift_holds_back_outside(
    kind: str,
) -> None:
    for seed in (31, 32):
        group, readings = _started(record(kind, seed, 0))
        for change, point in _points(group, readings, "x"):
            if change is not None and change.phase is not Phase.SETTLING:
                # Declared, or confirmed.
                assert _inside(point), (seed, point)
            held_back_by = group.progress("x").held_back_by
            if held_back_by is HeldBackBy.DRIFT:
                assert not _inside(point), (seed, point)
            elif group.phase is Phase.SETTLING and held_back_by is None:
                assert _inside(point), (seed, point)


@pytest.mark.slow
def test_a_declaration_that_drift_withdraws_opens_it_again() -> None:
    # Level for minutes, then a warm-up begins: what was declared by then does not last.
    withdrawn = 0
    for seed in (31, 33):
        group, readings = _started(record("late_drift", seed, 0))
        for change, point in _points(group, readings, "x"):
            if change is not None and change.reason is HeldBackBy.DRIFT:
                withdrawn += 1
                assert not _inside(point)
    assert withdrawn == 2


# ---- what it shows


def test_there_is_none_before_the_run_up_is_over_nor_of_a_channel_that_nobody_waits_for() -> (
    None
):
    group = group_of(channel("power"), channel("velocity", required=False))
    assert group.funnel("power") is None
    for reading in in_time(steady("power", 30.0), steady("velocity", 30.0)):
        group.feed(*reading)
    assert group.funnel("power") is not None
    assert group.funnel("velocity") is None


def test_before_enough_bins_it_has_a_mean_and_a_tolerance_and_no_bound() -> None:
    points = [p for _, p in _points(group_of(), steady("power", SHORTEST_S))]
    assert points
    for point in points:
        assert point.bound is None
        assert point.mean == pytest.approx(LEVELS["power"], abs=LIMIT)
        assert point.tolerance == pytest.approx(LIMIT, rel=0.005)


def test_without_noise_the_bound_is_the_drift_still_to_come_over_what_is_allowed() -> (
    None
):
    # Of the slowest decay the fit is exact. The regression's error is nothing, so |A| / 0.65 is the larger.
    shown = 0
    for _, point in _points(group_of(), _course(600.0, 12.0, TAU_MAX_S)):
        if point.bound is None:
            continue
        if point.bound <= point.tolerance:
            break
        # The newest bin is the mean of two readings, its middle at 0.2 s before its end.
        left = LIMIT * 12.0 * math.exp(-(point.at_s - 1.2) / TAU_MAX_S)
        assert point.bound == pytest.approx(left / STANDARD.amplitude, rel=0.01)
        shown += 1
    assert shown > 50


def test_what_a_coarse_display_may_hide_is_in_the_bound() -> None:
    # Nothing moves: the whole bound is 2 Q / (exp(W/tau_max) - 1), with Q half a step, in the longest window so far.
    step = 0.6 * LIMIT
    readings = [("power", t + 0.3, LEVELS["power"]) for t in range(60)]
    group = group_of(channel(resolution=step))
    bounds = [p.bound for _, p in _points(group, readings) if p.bound is not None]
    hidden = [step / math.expm1(w / TAU_MAX_S) for w in STANDARD.windows_s]
    assert bounds
    for bound in bounds:
        assert min(abs(bound - each) for each in hidden) < 1e-6
    assert bounds[0] == pytest.approx(hidden[0])
    assert bounds[0] > LIMIT


def test_it_closes_in_as_evidence_gathers() -> None:
    wide = [
        p.bound / p.tolerance
        for change, p in _points(group_of(), steady("power", 400.0, noise=2.0))
        if p.bound is not None
    ]
    assert wide[0] > 1.5 * wide[-1]


def test_while_the_machine_swings_there_is_no_bound_or_it_lies_outside() -> None:
    times = np.arange(0.3, 500.0, 1.0)
    swing = LEVELS["power"] + 3.0 * LIMIT * np.sin(2.0 * np.pi * times / 24.0)
    readings = [
        ("power", float(t), float(v)) for t, v in zip(times, swing, strict=True)
    ]
    seen = 0
    group = group_of()
    for _, point in _points(group, readings):
        if group.progress("power").held_back_by is HeldBackBy.HUNTING:
            seen += 1
            assert point.bound is None or not _inside(point)
    assert seen > 50


def test_a_step_takes_the_bound_away_until_there_are_enough_bins_again() -> None:
    readings = shifted(steady("power", 200.0), 1.05, after_s=50.0)
    points = [p for _, p in _points(group_of(), readings)]
    before = [p for p in points if 45.0 < p.at_s <= 50.0]
    after = [p for p in points if 54.0 < p.at_s < 50.0 + SHORTEST_S]
    again = [p for p in points if p.at_s > 60.0 + SHORTEST_S]
    assert before
    assert after
    assert again
    assert all(p.bound is not None for p in (*before, *again))
    assert all(p.bound is None for p in after)
    assert after[-1].mean == pytest.approx(1.05 * LEVELS["power"], abs=LIMIT)


def test_while_a_meter_is_silent_there_is_no_bound_and_the_tolerance_stays() -> None:
    velocity = steady("velocity", 200.0)
    power = _course(60.0, 20.0, TAU_MAX_S)
    group = group_of(*BOTH)
    points = [p for _, p in _points(group, in_time(power, velocity))]
    assert any(p.bound is not None for p in points)
    silent = [p for p in points if p.at_s > 66.0]
    assert silent
    assert all(p.bound is None for p in silent)
    assert all(p.tolerance == pytest.approx(LIMIT, rel=0.1) for p in silent)
    # With no reading left among the newest bins there is nothing to average.
    assert silent[-1].mean is None


def test_once_confirmed_its_mean_is_the_average_and_it_lies_inside() -> None:
    group = group_of(*BOTH)
    for reading in in_time(steady("power", 400.0), steady("velocity", 400.0, seed=2)):
        group.feed(*reading)
    assert group.phase is Phase.CONFIRMED
    for name, level in group.levels().items():
        point = group.funnel(name)
        assert point is not None
        assert point.mean == level.mean
        assert _inside(point)


def test_while_averaging_its_mean_is_that_of_what_is_averaged() -> None:
    group = group_of()
    seen = 0
    for _, point in _points(group, steady("power", 400.0)):
        if group.phase is Phase.AVERAGING:
            assert point.mean == group.progress("power").mean
            seen += 1
    assert seen > 20


@pytest.mark.slow
def test_asking_changes_nothing() -> None:
    for kind in ("slow_warm_up", "noisy"):
        asked, readings = _started(record(kind, 33, 0))
        silent, _ = _started(record(kind, 33, 0))
        changes: list[PhaseChange] = []
        expected: list[PhaseChange] = []
        for reading in readings:
            changes += asked.feed(*reading)
            expected += silent.feed(*reading)
            asked.funnel("x")
        assert changes == expected
        assert asked.levels() == silent.levels()


def test_every_required_channel_lies_inside_when_all_are_declared_together() -> None:
    late = _and_velocity(_course(600.0, 30.0, 60.0))
    group = group_of(*BOTH, parameters=replace(STANDARD, persistence=1))
    declared = False
    for reading in late:
        if any(change.phase is Phase.AVERAGING for change in group.feed(*reading)):
            declared = True
            for name in LEVELS:
                point = group.funnel(name)
                assert point is not None
                assert _inside(point)
            break
    assert declared


def _and_velocity(power: Sequence[tuple[str, float, float]]) -> Readings:
    return in_time(power, steady("velocity", power[-1][1]))
