"""Fewer points to draw, with every peak among them."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daq.report.thinning import thinned


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=400),
    st.integers(min_value=1, max_value=20),
)
def test_the_extremes_stay_and_the_number_is_bounded(
    values: list[float], buckets: int
) -> None:
    times = np.arange(float(len(values)))
    kept_at, kept = thinned(times, np.array(values), buckets=buckets)
    assert len(kept) <= max(2 * buckets, 2)
    assert (kept.min(), kept.max()) == (min(values), max(values))
    assert np.all(np.diff(kept_at) > 0.0)


def test_few_points_stay_as_they_are() -> None:
    times, values = np.arange(4.0), np.array([3.0, 1.0, 2.0, 5.0])
    assert thinned(times, values, buckets=2) == (times, values)


def test_a_gap_in_time_needs_no_points() -> None:
    times = np.array([0.0, 1.0, 2.0, 98.0, 99.0, 100.0])
    values = np.array([0.0, 9.0, 1.0, 5.0, 6.0, 4.0])
    kept_at, kept = thinned(times, values, buckets=2)
    assert kept_at.tolist() == [0.0, 1.0, 99.0, 100.0]
    assert kept.tolist() == [0.0, 9.0, 6.0, 4.0]


def test_readings_of_one_moment_are_thinned_too() -> None:
    times, values = np.zeros(50), np.arange(50.0)
    assert thinned(times, values, buckets=3)[1].tolist() == [0.0, 49.0]
