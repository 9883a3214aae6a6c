"""Bins by number, in bounded memory, as objects and as an array that agree."""

import math
import pickle

import numpy as np
import pytest

from daq.settling.front_end import Bin, bin_of
from daq.settling.history import BinHistory

KEPT = 10


def _filled(bins: int) -> BinHistory:
    """Channel a counts up, b counts down and lacks every third bin."""
    history = BinHistory(["a", "b"], kept=KEPT)
    for number in range(bins):
        falling = bin_of([-float(number)] if number % 3 else [])
        history.add({"a": bin_of([float(number)]), "b": falling})
    return history


@pytest.mark.parametrize("bins", [1, 9, 10, 11, 39, 40, 41, 77, 1000])
def test_means_and_bins_from_a_number_on_are_those_that_were_added(bins: int) -> None:
    history = _filled(bins)
    first = max(0, bins - KEPT)
    expected = [
        [float(n) for n in range(first, bins)],
        [-float(n) if n % 3 else math.nan for n in range(first, bins)],
    ]
    assert history.closed == bins
    assert np.array_equal(history.means(["a", "b"], first), expected, equal_nan=True)
    for row, name in enumerate("ab"):
        means = [item.mean for item in history.bins_from(name, first)]
        nan_for_none = [math.nan if mean is None else mean for mean in means]
        assert np.array_equal(nan_for_none, expected[row], equal_nan=True)


def test_the_newest_bins_are_the_last_ones() -> None:
    history = _filled(57)
    assert history.newest("a").mean == 56.0
    assert [item.mean for item in history.newest_bins("a", 3)] == [54.0, 55.0, 56.0]
    assert history.newest("b") == Bin(-56.0, 1, 0.0, frozenset({-56.0}))


def test_means_that_are_no_longer_kept_are_refused() -> None:
    history = _filled(57)
    with pytest.raises(ValueError, match="expected one of the last 10"):
        history.means(["a"], 57 - KEPT - 1)


def test_means_handed_out_do_not_change_with_what_comes_later() -> None:
    history = _filled(39)
    means = history.means(["a"], 35)
    for _ in range(3 * KEPT):
        history.add({"a": bin_of([7.0]), "b": bin_of([7.0])})
    assert means.tolist() == [[35.0, 36.0, 37.0, 38.0]]


@pytest.mark.slow
def test_what_is_kept_does_not_grow() -> None:
    sizes = [len(pickle.dumps(_filled(bins))) for bins in (100, 50_000)]
    # A few numbers have more digits.
    assert sizes[1] <= 1.1 * sizes[0]
