"""The generator of start-ups: its truth is what closed forms say, and files give back what was written."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.startups import shapes
from tests.startups.folders import load_folder, write_folder
from tests.startups.kinds import POWER, Setup
from tests.startups.meter import Meter, RangeChange
from tests.startups.records import find_regimes, kinds, record
from tests.startups.shapes import Shape
from tests.startups.unrest import GRID_S

ALL = (*kinds("plain"), *kinds("foreign"))
TOLERANCE = POWER.tolerance
END_S = 600.0


def _setup(*deviations: Shape) -> Setup:
    meter = Meter(poll_hz=1.0, step=0.1, noise=0.0)
    return Setup(POWER, 1000.0, deviations, meter, END_S)


def test_a_warm_up_has_settled_when_its_exponential_enters_the_band():
    (regime,) = find_regimes(_setup(shapes.decay(4.0 * TOLERANCE, 60.0)), END_S)
    # 4 exp(-t/60) = 1 at t = 60 ln 4.
    assert regime.settle_s == pytest.approx(60.0 * math.log(4.0), abs=2.0 * GRID_S)
    assert regime.value == 1000.0


def test_creep_has_settled_when_its_power_of_time_enters_the_band():
    (regime,) = find_regimes(_setup(shapes.creep(5.0 * TOLERANCE, 20.0, 1.0)), END_S)
    # 5/(1 + t/20) = 1 at t = 80.
    assert regime.settle_s == pytest.approx(80.0, abs=2.0 * GRID_S)


def test_a_step_makes_two_regimes_each_with_its_own_value():
    stepped = replace(
        _setup(shapes.step_away(-6.0 * TOLERANCE, 100.0)),
        breaks_s=((100.0, -6.0 * TOLERANCE),),
    )
    before, after = find_regimes(stepped, END_S)
    assert (before.value, before.settle_s, before.to_s) == (970.0, 0.0, 100.0)
    assert (after.value, after.settle_s, after.to_s) == (1000.0, 100.0, END_S)


def test_a_meter_that_changes_its_range_settles_to_what_its_last_range_shows():
    setup = _setup(shapes.decay(4.0 * TOLERANCE, 60.0))
    change = RangeChange(at_s=30.0, factor=10.0, gain=0.2 * TOLERANCE)
    ranged = replace(setup, meter=replace(setup.meter, range_change=change))
    (regime,) = find_regimes(ranged, END_S)
    assert regime.value == pytest.approx(1001.0)
    assert ranged.meter.stated_resolution == pytest.approx(1.0)


@pytest.mark.parametrize("kind", ALL)
def test_a_record_is_the_same_every_time_and_another_number_makes_another(kind):
    first, again, other = record(kind, 3, 0), record(kind, 3, 0), record(kind, 3, 1)
    assert first.regimes == again.regimes
    np.testing.assert_array_equal(first.values, again.values)
    assert not np.array_equal(first.values, other.values)


@pytest.mark.parametrize("kind", ALL)
def test_what_settles_is_watched_for_five_minutes_after_and_what_does_not_never_does(
    kind,
):
    for index in range(5):
        made = record(kind, 4, index)
        last = made.regimes[-1]
        assert np.all(np.diff(made.times_s) > 0.0)
        assert np.all(np.isfinite(made.values))
        if made.never:
            assert all(r.settle_s is None for r in made.regimes)
        else:
            assert last.settle_s is not None
            assert last.to_s - last.settle_s >= 299.9


def test_a_dead_band_holds_the_value_until_it_would_move_by_more():
    meter = Meter(poll_hz=1.0, step=0.001, noise=0.0, dead_band=2.5)
    machine = np.repeat(np.arange(10.0), round(1.0 / GRID_S))
    _, values = meter.read(np.random.default_rng(1), machine, 0.0)
    assert values.tolist() == [0.0, 0.0, 0.0, 3.0, 3.0, 3.0, 6.0, 6.0, 6.0, 9.0]


def test_a_meter_that_refreshes_shows_the_mean_of_the_interval_before():
    meter = Meter(poll_hz=2.0, step=0.001, noise=0.0, refresh_s=1.0)
    machine = np.repeat([4.0, 8.0, 6.0], round(1.0 / GRID_S))
    _, values = meter.read(np.random.default_rng(1), machine, 0.0)
    assert values.tolist() == [0.0, 0.0, 4.0, 4.0, 8.0, 8.0]


def test_an_averaging_meter_shows_noise_of_the_stated_size():
    meter = Meter(poll_hz=1.0, step=1e-6, noise=0.5, averaging_s=5.0)
    machine = np.full(round(20_000.0 / GRID_S), 100.0)
    _, values = meter.read(np.random.default_rng(1), machine, 0.0)
    # 4000 independent means: the standard deviation is known to 1/sqrt(8000) = 1.1 %; four times that allowed.
    assert values[10:].std() == pytest.approx(0.5, rel=0.045)


def test_a_folder_gives_back_what_was_written(tmp_path):
    written = [record(kind, 5, 0) for kind in ALL]
    assert write_folder(tmp_path, written) == len(written)
    for before, after in zip(written, load_folder(tmp_path), strict=True):
        assert (before.kind, before.regimes) == (after.kind, after.regimes)
        np.testing.assert_array_equal(before.times_s, after.times_s)
        np.testing.assert_array_equal(before.values, after.values)
        assert before.resolution == after.resolution
