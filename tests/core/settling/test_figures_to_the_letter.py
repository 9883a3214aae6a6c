"""Single figures of the settling rule, each against its closed form."""

import statistics
from collections.abc import Sequence

import numpy as np
import pytest

from daq.settling.drift_left import DriftLeft
from daq.settling.front_end import (
    Bin,
    FrontEnd,
    are_far,
    bin_of,
    close_bins,
    rounding_of,
)
from daq.settling.history import BinHistory
from daq.settling.hunting import are_hunting
from daq.settling.normalising import Exponent, fit_exponent


def test_a_bound_is_looked_for_up_to_sixty_four_limits_and_no_further() -> None:
    one = (1, 1, 1)
    left = DriftLeft(
        drift=np.full(one, 1000.0),
        deviation=np.full(one, 1e-3),
        weight=np.ones(one),
        degrees_of_freedom=np.full(one, 1e9),
        hidden=np.zeros(one),
        units=np.ones(1),
    )
    # The drift is two thousand times the limit: no band of six doublings holds it.
    assert left.bounds(np.array([0.5]), risk=0.35).tolist() == [32.0]


@pytest.mark.parametrize("missing", [0, 1])
def test_every_fitted_figure_costs_a_degree_of_freedom(missing: int) -> None:
    t = 2.0 * np.arange(60.0)
    v = 230.0 + np.sin(t / 3.0)
    noise = np.random.default_rng(7).standard_normal(60)
    y = 0.02 * v**2 * (1.0 + 1e-4 * noise)
    y[30 : 30 + missing] = np.nan
    found = fit_exponent(y, v, t)
    assert isinstance(found, Exponent)
    # Pairs of neighbours, less exponent, correlation, level, slope and three decays; a hole takes two pairs.
    assert found.degrees_of_freedom == pytest.approx(59 - 2 * missing - 7)


def test_a_quiet_stretch_makes_the_next_spikes_the_first() -> None:
    quiet = [100.0, 100.1, 99.9, 100.0, 100.1, 99.9, 100.0]
    values = [*quiet, 110.0, *quiet, *quiet, 110.0, 110.0, *quiet]
    front_end = FrontEnd(resolution=0.1, start_s=0.0, bin_s=2.0)
    for i, value in enumerate(values):
        front_end.feed(2.0 * i, value)
    bins = [front_end.close_bin() for _ in values]
    # Two spikes in a row are left out, and neither is an excursion, however long ago the one before was.
    assert [item.spikes for item in bins] == [int(value > 101.0) for value in values]
    assert [item.excursion for item in bins[:-8]] == [None] * (len(bins) - 8)


def _closed(values: Sequence[float]) -> list[Bin]:
    """Bins of a reading a second each."""
    front_end = FrontEnd(resolution=0.1, start_s=0.0, bin_s=1.0)
    for number, value in enumerate(values):
        front_end.feed(number + 0.5, value)
    return [front_end.close_bin() for _ in values]


@pytest.mark.parametrize(("last", "is_one"), [(112.0, True), (108.0, False)])
def test_what_is_off_to_either_side_of_what_was_believed_last_is_no_excursion(
    last: float,
    is_one: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    # Two are off to 110 for a second, which is an excursion; the third is believed, and the next two are off from there.
    bins = _closed([*[100.0, 100.1, 99.9] * 3, 110.0, 110.0, 110.0, 112.0, last])
    assert [item.spikes for item in bins] == [0] * 9 + [1, 1, 0, 1, 1]
    assert bins[10].excursion == 110.0
    assert [item.excursion for item in bins[11:]] == [
        None,
        None,
        last if is_one else None,
    ]


@pytest.mark.parametrize(("apart_s", "is_one"), [(0.85, False), (0.95, True)])
def test_off_readings_nine_tenths_of_a_second_apart_are_an_excursion(
    apart_s: float,
    is_one: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    front_end = FrontEnd(resolution=0.1, start_s=0.0, bin_s=2.0)
    for number in range(9):
        front_end.feed(number + 0.5, (100.0, 100.1, 99.9)[number % 3])
    for at_s in (10.0, 10.0 + apart_s):
        front_end.feed(at_s, 130.0)
    *_, last = [front_end.close_bin() for _ in range(6)]
    assert (last.mean, last.spikes) == (None, 2)
    assert last.excursion == (130.0 if is_one else None)


@pytest.mark.parametrize("level", [1000.0, -1000.0, 0.0])
def test_far_is_eight_scaled_median_deviations_from_the_median_of_seven(
    level: float,
) -> None:
    rng = np.random.default_rng(5)
    for _ in range(100):
        seven = (level + rng.standard_t(2.0, 7) * 5.0).tolist()
        median = statistics.median(seven)
        # 1.4826 median absolute deviations are one standard deviation of a normal distribution.
        spread = 1.4826 * statistics.median(abs(value - median) for value in seven)
        # Or 2 % of the level, or four steps of the display.
        allowed = max(8.0 * spread, 0.02 * abs(median), 4.0 * 0.1)
        for share, expected in ((0.99, False), (1.01, True)):
            for side in (-1.0, 1.0):
                last = median + side * share * allowed
                far = are_far(np.array([*seven, last]), resolution=0.1)
                assert far[7] == expected
                bins = _closed([*seven, last])
                assert [item.spikes for item in bins] == [0] * 7 + [int(expected)]


@pytest.mark.parametrize("missing", [[0], [59], [30], [10, 11, 12, 13]])
@pytest.mark.parametrize("drift", [1e-4, -3e-4])
def test_a_hole_in_the_bins_lets_no_drift_into_the_exponent(
    missing: list[int], drift: float
) -> None:
    t = 2.0 * np.arange(60.0)
    v = 230.0 + np.sin(t / 3.0)
    # The square of the voltage, times a drift that the fit leaves nothing of.
    y = 0.02 * v**2 * np.exp(drift * t)
    y[missing] = np.nan
    found = fit_exponent(y, v, t)
    assert isinstance(found, Exponent)
    assert found.value == pytest.approx(2.0, abs=1e-9)


def test_a_bin_no_longer_kept_is_told_with_what_is() -> None:
    history = BinHistory(["power"], kept=10)
    for number in range(57):
        history.add({"power": bin_of([float(number)])})
    with pytest.raises(ValueError, match="expected one of the last") as refused:
        history.means(["power"], 46)
    assert str(refused.value) == "bin 46 of 57, expected one of the last 10"


@pytest.mark.parametrize(("values", "step"), [(12, 2.5), (13, 0.1)])
def test_up_to_twelve_different_readings_show_the_display_s_step(
    values: int, step: float
) -> None:
    # Steps of 2.5, in as many bins as there are values, or all in one.
    shown = [100.0 + 2.5 * number for number in range(values)]
    apart = [bin_of([value, value]) for value in shown]
    assert rounding_of(apart, 0.1).step() == step
    assert rounding_of([bin_of(shown)], 0.1).step() == step


@pytest.mark.parametrize("spike_at", [None, 3, 19])
def test_many_readings_looked_at_together_are_believed_as_one_by_one(
    spike_at: int | None,
) -> None:
    # Ten channels, twenty readings a bin.
    random = np.random.default_rng(8)
    together, alone = (
        [FrontEnd(resolution=0.1, start_s=0.0, bin_s=2.0) for _ in range(10)]
        for _ in range(2)
    )
    closed: list[Bin] = []
    for index in range(3):
        for number in range(20):
            for channel, ends in enumerate(zip(together, alone, strict=True)):
                value = 100.0 + float(random.normal(0.0, 0.5))
                is_spike = (index, number, channel) == (2, spike_at, 4)
                for end in ends:
                    end.feed(2.0 * index + 0.1 * number, value + 50.0 * is_spike)
        closed = close_bins(together)
        assert closed == [end.close_bin() for end in alone]
    spikes = [int(spike_at is not None and channel == 4) for channel in range(10)]
    assert [item.spikes for item in closed] == spikes


@pytest.mark.parametrize(("share", "is_so"), [(0.58, True), (0.565, False)])
@pytest.mark.parametrize("n", [20, 21])
def test_a_swing_stands_out_by_the_first_term_of_fisher_s_series(
    n: int,
    share: float,
    is_so: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    # Nine periods of 20 bins, ten of 21, and p = m (1 - g)^(m-1): 9 · 0.42^8 = 0.0087 and 9 · 0.435^8 = 0.0115.
    times = 2.0 * np.pi * np.arange(float(n)) / n
    m = (n - 1) // 2
    # The share of the largest line that has the same p with ten periods as with nine.
    g = 1.0 - (9.0 * (1.0 - share) ** 8 / m) ** (1.0 / (m - 1))
    residuals = np.sqrt(g) * np.sin(3.0 * times) + np.sqrt(1.0 - g) * np.sin(
        7.0 * times
    )
    assert are_hunting(residuals[None, :], np.array([0.1])) == [is_so]
    # Amplitudes up to what is tolerated are left in peace.
    tolerated = np.array([np.sqrt(g) * 1.001, np.sqrt(g) * 0.999])
    both = np.stack([residuals, residuals])
    assert are_hunting(both, tolerated) == [False, is_so]
