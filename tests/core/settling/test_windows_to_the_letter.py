"""Single branches of run-up, windows and swings, each where nothing else decides."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from daq.settling.detection import Detector
from daq.settling.front_end import bin_of
from daq.settling.history import BinHistory
from daq.settling.level import LevelEstimate
from daq.settling.normalised import Normaliser
from daq.settling.normalising import Normalising
from daq.settling.parameters import STANDARD, Parameters
from daq.settling.phases import ChannelSetup, Phase
from daq.settling.rule import GroupRule
from daq.settling.verdicts import BinWindows, HeldBackBy
from daq.settling.window import AveragingWindow
from tests.core.settling.readings import (
    BOTH,
    LEVELS,
    LIMIT,
    TOLERANCE,
    channel,
    fed,
    group_of,
    steady,
)

BIN_S = 2.0
ONE_WINDOW = replace(STANDARD, windows_s=(80.0,))
BINS = 40
DECAY = np.exp(-BIN_S * np.arange(1.0 - BINS, 1.0) / STANDARD.tau_max_s)
"""The slowest one, as a window of these bins holds it: 1 at its end."""


def _windows(
    means: Sequence[float], *, unit: float = 1.0, parameters: Parameters = ONE_WINDOW
) -> BinWindows:
    """Those of the power that end with the last of some bins; all of it in another unit, if asked."""
    detector = Detector(
        tolerances=[TOLERANCE],
        resolutions=[1e-6 * unit],
        bin_s=BIN_S,
        parameters=parameters,
    )
    in_unit = [mean * unit for mean in means]
    history = BinHistory(["power"], kept=len(in_unit))
    for mean in in_unit:
        history.add({"power": bin_of([mean])})
    rows = np.array([in_unit])
    return BinWindows(
        detector.fit(rows),
        rows,
        growth=detector.growth,
        history=history,
        names=["power"],
        resolutions=[1e-6 * unit],
        bin_s=BIN_S,
        parameters=parameters,
    )


@pytest.mark.parametrize(
    ("errors", "reason"), [(2.05, HeldBackBy.DRIFT), (1.95, HeldBackBy.NOISE)]
)
def test_a_drift_stands_out_from_two_standard_uncertainties_on(
    errors: float, reason: HeldBackBy
) -> None:
    noise = np.random.default_rng(3).normal(0.0, 2.0 * LIMIT, BINS)
    alone = _windows((LEVELS["power"] + noise).tolist()).fits
    # A decay as the fit assumes it moves the amplitude by as much, and nothing else.
    wanted = errors * float(alone.error[0, 0])
    more = (wanted - float(alone.amplitude[0, 0])) * DECAY
    windows = _windows((LEVELS["power"] + noise + more).tolist())
    assert windows.fits.amplitude[0, 0] == pytest.approx(wanted)
    assert windows.detect() == [None]
    assert windows.held_back_by(0) is reason


def test_how_long_it_takes_to_settle_does_not_depend_on_the_unit() -> None:
    # Four times the amplitude that is allowed, and no noise: tau_max ln(4), in watts as in megawatts.
    left = 4.0 * STANDARD.amplitude * LIMIT
    for unit in (1.0, 1e-6):
        windows = _windows((LEVELS["power"] + left * DECAY).tolist(), unit=unit)
        # The tolerance is one of the mean, which lies above the level.
        share = LEVELS["power"] * unit * TOLERANCE / float(windows.fits.limit[0, 0])
        expected = STANDARD.tau_max_s * math.log(4.0 * share)
        assert windows.time_to_settle_s() == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("tau_s", [40.0, 60.0])
def test_what_a_decay_leaves_in_a_window_is_no_swing(tau_s: float) -> None:
    # Even where next to no swing is tolerated.
    falling = [
        (name, t, value + 6.0 * LIMIT * math.exp(-t / tau_s))
        for name, t, value in steady("power", 400.0, noise=0.05)
    ]
    group = group_of(parameters=replace(STANDARD, hunting=0.1))
    phases = [change.phase for change in fed(group, falling)]
    assert phases == [Phase.SETTLING, Phase.AVERAGING, Phase.CONFIRMED]


@pytest.mark.parametrize("factor", [1.0 / 1.06, 1.06])
def test_run_up_is_over_once_it_changes_by_no_more_than_a_twentieth(
    factor: float,
) -> None:
    # Six per cent a bin, up as a motor that gathers speed or down as the current of one that does; then half as much.
    fast = [LEVELS["power"] * factor**n for n in range(6)]
    slow = [fast[-1] * factor ** (0.5 * n) for n in range(1, 3)]
    rule = GroupRule([channel()], start_s=0.0, bin_s=BIN_S, parameters=STANDARD)
    changes = [rule.take({"power": bin_of([value])}) for value in [*fast, *slow]]
    assert [change is not None for change in changes] == [False] * 6 + [True, False]


@pytest.mark.parametrize(("share", "is_over"), [(0.0505, False), (0.0495, True)])
def test_a_twentieth_is_a_twentieth_of_the_newer_bin(
    share: float,
    is_over: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    rule = GroupRule([channel()], start_s=0.0, bin_s=BIN_S, parameters=STANDARD)
    new = LEVELS["power"]
    rule.take({"power": bin_of([new * (1.0 - share)])})
    assert (rule.take({"power": bin_of([new])}) is not None) is is_over


@pytest.mark.parametrize(("steps", "is_over"), [(3.95, True), (4.05, False)])
def test_four_steps_of_a_coarse_display_are_no_run_up(
    steps: float,
    is_over: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    # A step of two hundredths: four are more than a twentieth.
    setup = channel(resolution=0.02 * LEVELS["power"])
    rule = GroupRule([setup], start_s=0.0, bin_s=BIN_S, parameters=STANDARD)
    rule.take({"power": bin_of([LEVELS["power"]])})
    second = LEVELS["power"] - steps * setup.resolution
    assert (rule.take({"power": bin_of([second])}) is not None) is is_over


def test_a_run_up_lasts_a_minute_at_most() -> None:
    # Half as much again in every bin; the thirtieth ends after a minute.
    rule = GroupRule([channel()], start_s=0.0, bin_s=BIN_S, parameters=STANDARD)
    changes = [rule.take({"power": bin_of([1.5**n])}) for n in range(30)]
    assert [change is not None for change in changes] == [False] * 29 + [True]


def test_the_mean_so_far_is_that_of_the_window_from_the_declaration_on() -> None:
    # A long window at the declaration is taken in a few bins at a time; what is shown waits for none of it.
    means = [
        LEVELS["power"] + 2.0 * LIMIT * math.exp(-BIN_S * n / 60.0) for n in range(300)
    ]
    rule = GroupRule([channel()], start_s=0.0, bin_s=BIN_S, parameters=STANDARD)
    shown = 0
    for number, mean in enumerate(means):
        rule.take({"power": bin_of([mean])})
        window = rule.window
        if rule.phase is not Phase.AVERAGING or window is None:
            continue
        so_far = means[round(window.start_s / BIN_S) : number + 1]
        assert rule.progress("power").mean == pytest.approx(
            math.fsum(so_far) / len(so_far), rel=1e-12
        )
        shown += 1
    assert shown >= STANDARD.least_s / BIN_S


SUPPLY_V = 230.0


def _averaging(
    means: Sequence[float],
    *,
    declared: int,
    first: int,
    voltages: Sequence[float] | None = None,
) -> tuple[AveragingWindow, Callable[[int], None]]:
    """A window of the power when it was declared, and how to let it grow up to so many bins."""
    setup = channel()
    supply = ChannelSetup("supply", TOLERANCE, 1e-6, 1.0, required=False)
    asked = Normalising("supply", ("power",), SUPPLY_V) if voltages else None
    history = BinHistory(["power", "supply"], kept=400)

    def add(number: int) -> None:
        volts = voltages[number] if voltages else SUPPLY_V
        items = {"power": bin_of([means[number]]), "supply": bin_of([volts])}
        history.add(items)

    for number in range(declared):
        add(number)
    window = AveragingWindow(
        channels=[setup],
        firsts={"power": first},
        common=first,
        history=history,
        normaliser=Normaliser(asked, {"power": setup, "supply": supply}, bin_s=BIN_S),
        bin_s=BIN_S,
        parameters=STANDARD,
        target=None,
    )

    def grow_to(bins: int) -> None:
        for number in range(history.closed, bins):
            add(number)
            window.grow()

    return window, grow_to


def _goals(level: LevelEstimate) -> float:
    """Its uncertainty, in goals of the rule."""
    return level.expanded_uncertainty / (STANDARD.goal * TOLERANCE * level.plain_mean)


def test_an_uncertainty_is_expected_to_fall_like_the_length_to_the_power_of_seven_tenths() -> (
    None
):
    # As of the median of simulated trials; white noise would fall with the root.
    noise = np.random.default_rng(2).normal(0.0, 1.2 * LIMIT, 90)
    window, grow_to = _averaging(
        (LEVELS["power"] + noise).tolist(), declared=60, first=20
    )
    grow_to(90)
    goals = _goals(window.examine(enough=False).levels["power"])
    since_s = 30 * BIN_S
    expected_s = window.length * BIN_S * (goals ** (1.0 / 0.7) - 1.0)
    assert max(0.0, STANDARD.least_s - since_s) < expected_s
    assert expected_s < STANDARD.longest_s - since_s
    assert window.time_left_s() == pytest.approx(expected_s, rel=1e-9)


def test_the_next_look_is_planned_by_the_last_and_by_no_question_since() -> None:
    noise = np.random.default_rng(2).normal(0.0, 1.2 * LIMIT, 90)
    window, grow_to = _averaging(
        (LEVELS["power"] + noise).tolist(), declared=60, first=20
    )
    grow_to(80)
    goals = _goals(window.examine(enough=False).levels["power"])
    assert goals > 1.0
    # An uncertainty falls with the root of the number of bins.
    assert window.bins_to_goal() == pytest.approx(60.0 * (goals**2 - 1.0), rel=1e-9)
    grow_to(90)
    asked = _goals(window.examine(enough=True, is_question=True).levels["power"])
    assert asked != pytest.approx(goals, rel=1e-3)
    assert window.bins_to_goal() == pytest.approx(70.0 * (goals**2 - 1.0), rel=1e-9)


def test_an_exponent_is_fitted_anew_once_the_window_has_grown_by_half() -> None:
    random = np.random.default_rng(2)
    volts = SUPPLY_V + 2.0 * np.sin(np.arange(100.0) / 3.0)
    noise = random.normal(0.0, 0.2 * LIMIT, 100)
    means = LEVELS["power"] * (volts / SUPPLY_V) ** 1.8 + noise
    # Forty bins when it was declared, sixty when it is fitted anew.
    window, grow_to = _averaging(
        means.tolist(), declared=40, first=0, voltages=volts.tolist()
    )
    exponents = []
    for bins in range(41, 70):
        grow_to(bins)
        by = window.examine(enough=False).levels["power"].normalised
        assert by is not None
        exponents.append(by.exponent)
    assert set(exponents[:19]) == {exponents[0]}
    assert set(exponents[19:]) == {exponents[19]} != {exponents[0]}
    assert exponents == pytest.approx([1.8] * len(exponents), abs=0.1)


def test_a_level_is_that_of_the_common_window_whatever_a_channel_s_own_holds() -> None:
    # The power was higher before the velocity's window begins, which is the common one.
    power = [LEVELS["power"] + (2.0 * LIMIT if n < 40 else 0.01 * n) for n in range(80)]
    velocity = [LEVELS["velocity"]] * 80
    setups = {name: channel(name) for name in ("power", "velocity")}
    history = BinHistory(list(setups), kept=400)
    for values in zip(power[:70], velocity[:70], strict=True):
        items = zip(setups, values, strict=True)
        history.add({name: bin_of([value]) for name, value in items})
    window = AveragingWindow(
        channels=list(setups.values()),
        firsts={"power": 0, "velocity": 40},
        common=40,
        history=history,
        normaliser=Normaliser(None, setups, bin_s=BIN_S),
        bin_s=BIN_S,
        parameters=STANDARD,
        target=None,
    )
    for values in zip(power[70:], velocity[70:], strict=True):
        items = zip(setups, values, strict=True)
        history.add({name: bin_of([value]) for name, value in items})
        window.grow()
    level = window.examine(enough=True).levels["power"]
    since = pytest.approx(math.fsum(power[40:]) / 40.0, rel=1e-12)
    assert level.plain_mean == since
    assert level.mean + level.drift_in_mean == since
    assert window.mean_of("power") == since


def test_while_it_is_far_from_its_goal_it_waits_a_quarter_of_what_is_left() -> None:
    noise = np.random.default_rng(2).normal(0.0, 1.2 * LIMIT, 250)
    means = (LEVELS["power"] + noise).tolist()
    rule = GroupRule([channel()], start_s=0.0, bin_s=BIN_S, parameters=STANDARD)
    closed = 0
    while rule.window is None:
        rule.take({"power": bin_of([means[closed]])})
        closed += 1
    first = round(rule.window.start_s / BIN_S)
    window, grow_to = _averaging(means, declared=closed, first=first)
    next_look = closed + round(STANDARD.least_s / BIN_S)
    looks: list[int] = []
    expected: list[int] = []
    while rule.phase is Phase.AVERAGING:
        before = rule.funnel("power")
        rule.take({"power": bin_of([means[closed]])})
        closed += 1
        grow_to(closed)
        now = rule.funnel("power")
        assert before is not None
        assert now is not None
        # What is compared changes with every look, and with nothing else.
        looks += [closed] if now.bound != before.bound else []
        if closed == next_look:
            expected.append(next_look)
            window.examine(enough=False)
            next_look += max(1, math.floor(0.25 * window.bins_to_goal()))
    assert looks == expected
    assert max(b - a for a, b in pairwise(looks)) > 3


def test_an_uncertainty_beyond_a_thousand_goals_is_as_far_as_any() -> None:
    # To and fro about next to nothing.
    noise = np.random.default_rng(2).normal(0.0, LEVELS["power"], 90)
    window, grow_to = _averaging(
        (noise - noise[20:80].mean() + 1.0).tolist(), declared=60, first=20
    )
    grow_to(80)
    level = window.examine(enough=False).levels["power"]
    assert _goals(level) > 1e3
    assert window.bins_to_goal() == pytest.approx(60.0 * (1e6 - 1.0), rel=1e-9)


def test_where_noise_hides_the_drift_it_takes_a_window_longer_by_two_thirds_powers() -> (
    None
):
    # A bound falls with the window's length to the power of 1.5.
    noise = np.random.default_rng(3).normal(0.0, 8.0 * LIMIT, BINS)
    windows = _windows((LEVELS["power"] + noise).tolist())
    fits = windows.fits
    drift = abs(float(fits.amplitude[0, 0]))
    hidden, limit = float(fits.bound[0, 0]) - drift, float(fits.limit[0, 0])
    assert drift < hidden
    assert hidden > limit
    assert windows.time_to_settle_s() == pytest.approx(
        80.0 * ((hidden / limit) ** (2.0 / 3.0) - 1.0)
    )


def test_while_it_settles_the_time_left_holds_settling_persistence_and_average() -> (
    None
):
    # An exact decay of the slowest kind, four times what is allowed at the newest bin.
    left = 4.0 * STANDARD.amplitude * LIMIT
    means = (LEVELS["power"] + left * DECAY).tolist()
    rule = GroupRule([channel()], start_s=0.0, bin_s=BIN_S, parameters=ONE_WINDOW)
    rule.take({"power": bin_of([means[0]])})
    for mean in means:
        assert rule.time_left_s() is None
        rule.take({"power": bin_of([mean])})
    windows = _windows(means)
    share = LEVELS["power"] * TOLERANCE / float(windows.fits.limit[0, 0])
    settling_s = STANDARD.tau_max_s * math.log(4.0 * share)
    likely_s = STANDARD.least_s + 0.25 * (STANDARD.longest_s - STANDARD.least_s)
    persistence_s = STANDARD.persistence * BIN_S
    assert rule.time_left_s() == pytest.approx(
        settling_s + persistence_s + likely_s, rel=1e-4
    )


@pytest.mark.parametrize(
    ("hole", "share"), [(slice(10, 30), 0.75), (slice(45, 60), 0.625)]
)
def test_readings_must_be_there_in_a_channel_s_own_window_and_in_the_common_one(
    hole: slice, share: float
) -> None:
    # Eighty bins of its own, of which the last forty are common: 60 of 80, or 25 of 40.
    means: list[float | None] = [LEVELS["power"]] * 80
    means[hole] = [None] * (hole.stop - hole.start)
    setups = {name: channel(name) for name in ("power", "velocity")}
    history = BinHistory(list(setups), kept=400)
    for mean in means:
        power = [] if mean is None else [mean]
        items = {"power": bin_of(power), "velocity": bin_of([LEVELS["velocity"]])}
        history.add(items)
    window = AveragingWindow(
        channels=list(setups.values()),
        firsts={"power": 0, "velocity": 40},
        common=40,
        history=history,
        normaliser=Normaliser(None, setups, bin_s=BIN_S),
        bin_s=BIN_S,
        parameters=STANDARD,
        target=None,
    )
    assert window.present_shares() == {"power": share, "velocity": 1.0}


@pytest.mark.parametrize(
    ("missing", "reason"), [(9, HeldBackBy.TOO_SHORT), (10, HeldBackBy.GAPS)]
)
def test_just_the_least_share_of_readings_is_enough(
    missing: int, reason: HeldBackBy
) -> None:
    # Twenty bins when it is declared, and ten more: 21 of 30 are seven tenths.
    rule = GroupRule([channel()], start_s=0.0, bin_s=BIN_S, parameters=STANDARD)
    while rule.window is None:
        rule.take({"power": bin_of([LEVELS["power"]])})
    assert rule.window.end_s - rule.window.start_s == 20 * BIN_S
    for number in range(10):
        mean = [] if number < missing else [LEVELS["power"]]
        rule.take({"power": bin_of(mean)})
    assert rule.why_not("power") is reason


def test_a_declaration_is_withdrawn_for_the_channels_of_one_reason() -> None:
    # From the declaration on the power scatters too much and the velocity swings.
    no_steps = replace(STANDARD, jump=1e6)
    rule = GroupRule(BOTH, start_s=0.0, bin_s=BIN_S, parameters=no_steps)
    random = np.random.default_rng(4)
    withdrawn = None
    for number in range(300):
        is_declared = rule.window is not None
        scatter = 8.0 if is_declared else 0.1
        swing = 1.9 * math.sin(2.0 * math.pi * number / 5.0) if is_declared else 0.0
        power = LEVELS["power"] * (1.0 + TOLERANCE * scatter * random.normal())
        noise = 0.1 * random.normal()
        velocity = LEVELS["velocity"] * (1.0 + TOLERANCE * (swing + noise))
        change = rule.take({"power": bin_of([power]), "velocity": bin_of([velocity])})
        if change is not None and change.reason is not None:
            withdrawn = change
            break
    assert withdrawn is not None
    assert (withdrawn.reason, withdrawn.channels) == (HeldBackBy.NOISE, ("power",))
    # The other is known all the same.
    assert rule.progress("velocity").held_back_by is HeldBackBy.HUNTING


def test_with_too_few_bins_since_a_step_the_mean_is_of_these_alone() -> None:
    rule = GroupRule([channel()], start_s=0.0, bin_s=BIN_S, parameters=STANDARD)
    old, new = LEVELS["power"], 1.04 * LEVELS["power"]
    for mean in [*[old] * 15, *[new] * 10]:
        rule.take({"power": bin_of([mean])})
    point = rule.funnel("power")
    assert point is not None
    assert point.bound is None
    assert point.mean == pytest.approx(new, rel=1e-12)
    assert point.tolerance == pytest.approx(TOLERANCE * new)
