"""The level of typed readings: Student's t over a handful, and half a step that never averages away."""

import math

import numpy as np
import pytest

from daq.records import Accuracy, Channel, Window
from daq.settling.level import relative_drift_allowed
from daq.trials.averaging import trial_average
from daq.typed import LEAST_READINGS, TakenBack, TypedReadings
from daq.typed.level import level_from_typed

# GUM 4.2.3 by hand: squares 0.0+0.01+0.0+0.01+0.0 about 12.3 (n 5): s = 0.070711, u = 0.0316228.
FIVE = (12.3, 12.4, 12.3, 12.2, 12.3)
T_975_OF_4 = (
    2.7764451  # Student's t, two-sided 95 %, 4 degrees of freedom: GUM table G.2, 2.78
)


def test_scatter_and_count_give_type_a() -> None:
    level = level_from_typed(FIVE, resolution=0.0)
    assert math.isclose(level.mean, 12.3, rel_tol=1e-12)
    assert level.std_uncertainty == pytest.approx(0.0316228, rel=1e-5)
    assert level.degrees_of_freedom == 4.0
    assert level.count == 5
    expected = T_975_OF_4 * 0.0316228
    assert level.expanded_uncertainty == pytest.approx(expected, rel=1e-5)


def test_readings_that_are_all_alike_still_have_the_resolutions_uncertainty() -> None:
    channel = Channel(
        "velocity", "Velocity", "velocity", "m/s", "", "velocity", 0, Accuracy(resolution=0.1), 60.0
    )  # fmt: skip
    level = level_from_typed((12.3,) * 5, resolution=0.1)
    average = trial_average(channel, level, Window(0.0, 60.0), required=True)
    # 0.1/sqrt(12), known exactly: k = 1.96.
    assert average.std_uncertainty == pytest.approx(0.028868, rel=1e-4)
    assert average.expanded_uncertainty == pytest.approx(1.95996 * 0.028868, rel=1e-4)


@pytest.mark.parametrize("step", [0.0, 0.5, 1.0, 3.0])
def test_the_interval_covers_the_level_at_least_93_times_in_100(step: float) -> None:
    generator = np.random.default_rng(7)
    covered = 0
    for _ in range(1000):
        # Scatter 1; the level lies anywhere between two steps of the display.
        level = float(generator.uniform(100.0, 100.0 + (step or 1.0)))
        read = level + generator.normal(size=LEAST_READINGS)
        shown = np.round(read / step) * step if step else read
        found = level_from_typed(shown.tolist(), resolution=step)
        covered += abs(found.mean - level) <= found.expanded_uncertainty
    # By a binomial law of 0.95 fewer than 930 of 1000 come once in 500 times; the seed is fixed.
    assert covered >= 930


def test_a_drift_that_the_window_may_hold_is_a_contribution_of_its_own() -> None:
    channel = Channel(
        "velocity", "Velocity", "velocity", "m/s", "", "velocity", 0, Accuracy(), 60.0
    )  # fmt: skip
    level = level_from_typed((-12.3,) * 5, resolution=0.0, relative_drift=0.01)
    # Nothing but 1 % of 12.3, known exactly: k = 1.96.
    assert level.expanded_uncertainty == pytest.approx(1.95996 * 0.123, rel=1e-4)
    average = trial_average(channel, level, Window(0.0, 60.0), required=True)
    assert average.std_uncertainty == pytest.approx(0.123, rel=1e-9)
    assert "drift left open" in [part.name for part in average.contributions]


@pytest.mark.parametrize(
    ("level", "drift", "u", "resolution", "expected"),
    [
        (1000.0, 3.0, 4.0, 0.1, 0.005),  # sqrt(9 + 16) of 1000
        (-1000.0, -3.0, 4.0, 0.1, 0.005),
        (0.0, 0.03, 0.04, 1.0, 0.001),  # a band of half a step, 0.5, is 1 %
        (0.0, 0.03, 0.04, 0.0, 0.0005),  # no band at all: held against 1
    ],
)
def test_what_a_required_channel_still_drifts_is_told_in_shares_of_its_level(
    level: float, drift: float, u: float, resolution: float, expected: float
) -> None:
    found = relative_drift_allowed(
        level, drift, u, tolerance=0.01, resolution=resolution
    )
    assert found == pytest.approx(expected, rel=1e-12)


def test_a_reading_far_from_the_others_is_told_beside_the_average() -> None:
    readings, window = TypedReadings(["power"]), Window(0.0, 60.0)
    for value in (4120.0, 412.0, 413.0, 412.0):
        readings.take("power", 30.0, value)
    # Four make no average.
    assert readings.notes_of_strays(window, {"power": 1.0}) == []
    readings.take("power", 40.0, 411.0)
    assert readings.notes_of_strays(window, {"power": 1.0}) == [
        "power: one typed reading is far from the others: 4120"
    ]
    readings.take("power", 50.0, 41.0)
    assert readings.notes_of_strays(window, {"power": 1.0}) == [
        "power: 2 typed readings are far from the others: 4120, 41"
    ]
    assert readings.notes_of_strays(Window(40.0, 60.0), {"power": 1.0}) == []


def test_one_reading_makes_no_level() -> None:
    with pytest.raises(ValueError, match="1 values, expected at least 2"):
        level_from_typed([1.0], resolution=0.1)


def test_only_readings_within_the_window_count() -> None:
    readings = TypedReadings(["velocity"])
    window = Window(100.0, 160.0)
    for at_s in (90.0, 100.0, 110.0, 120.0, 130.0):
        readings.take("velocity", at_s, 12.3)
    assert readings.is_awaited(window)
    assert readings.levels(window, {"velocity": 0.1}, relative_drift=0.0) == {}
    assert readings.shortage("velocity", window) == "too few typed readings: 4 of 5"
    readings.take("velocity", 161.0, 99.0)
    assert readings.is_awaited(window)
    readings.take("velocity", 160.0, 12.3)
    assert not readings.is_awaited(window)
    assert (
        readings.levels(window, {"velocity": 0.1}, relative_drift=0.0)["velocity"].count
        == 5
    )


def test_every_channel_is_awaited() -> None:
    readings = TypedReadings(["velocity", "pressure"])
    window = Window(0.0, 60.0)
    for _ in range(5):
        readings.take("velocity", 30.0, 12.3)
    assert readings.is_awaited(window)
    for _ in range(5):
        readings.take("pressure", 30.0, 900.0)
    assert not readings.is_awaited(window)


def test_without_typed_channels_nothing_is_awaited() -> None:
    assert not TypedReadings(()).is_awaited(Window(0.0, 60.0))


def test_a_reading_taken_back_counts_neither_for_the_window_nor_in_the_level() -> None:
    readings, window = TypedReadings(["velocity"]), Window(0.0, 60.0)
    for at_s, value in enumerate([12.3, 12.3, 13.3, 12.3, 12.3]):
        readings.take("velocity", float(at_s), value)
    readings.take_back(TakenBack("velocity", 2.0))
    assert readings.counts(window) == {"velocity": LEAST_READINGS - 1}
    assert readings.is_awaited(window)
    readings.take("velocity", 5.0, 12.3)
    levels = readings.levels(window, {"velocity": 0.1}, relative_drift=0.0)
    assert levels["velocity"].mean == pytest.approx(12.3)
    # What is not there any more is passed over: another rule may have been given fewer readings.
    readings.take_back(TakenBack("velocity", 2.0))
    assert len(readings.readings("velocity")) == LEAST_READINGS
