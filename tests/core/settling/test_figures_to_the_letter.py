"""Single figures of the settling rule, each against its closed form."""

import numpy as np
import pytest

from daq.settling.drift_left import DriftLeft
from daq.settling.front_end import FrontEnd
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
