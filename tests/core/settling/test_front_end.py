"""Spikes out, readings into bins of equal time."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.settling.front_end import Bin, FrontEnd, bin_of, rounding_of

STEADY = settings(derandomize=True, deadline=None, max_examples=100)


def _fed(
    values: list[float], *, resolution: float = 0.1, spacing_s: float = 1.0
) -> FrontEnd:
    front_end = FrontEnd(resolution=resolution, start_s=0.0, bin_s=2.0)
    for i, value in enumerate(values):
        front_end.feed(i * spacing_s, value)
    return front_end


def _believed(values: list[float], **options: float) -> list[float]:
    """The readings that were let through, one a bin."""
    front_end = _fed(values, spacing_s=2.0, **options)
    means = [front_end.close_bin().mean for _ in values]
    return [mean for mean in means if mean is not None]


QUIET = [100.0, 100.1, 99.9, 100.0, 100.1, 99.9, 100.0]
"""Seven readings with median 100 and a median deviation of 0.1: the limit is 2 % of 100, so 2."""


# ---- bins


def test_a_reading_on_the_edge_belongs_to_the_later_bin() -> None:
    front_end = FrontEnd(resolution=0.1, start_s=10.0, bin_s=2.0)
    for at_s, value in [(10.0, 1.0), (11.999, 3.0), (12.0, 5.0)]:
        front_end.feed(at_s, value)
    assert front_end.close_bin() == Bin(2.0, 2, 2.0, frozenset({1.0, 3.0}))
    assert front_end.close_bin().mean == 5.0


def test_a_bin_without_readings_is_missing_and_not_zero() -> None:
    front_end = _fed([5.0], spacing_s=2.0)
    front_end.close_bin()
    empty = front_end.close_bin()
    assert empty.mean is None
    assert empty.count == 0


def test_equal_readings_are_never_dropped_for_being_equal() -> None:
    item = bin_of([4.0, 4.0, 4.0, 8.0])
    assert item.mean == 5.0
    assert item.count == 4


def test_more_than_twelve_different_readings_are_not_listed() -> None:
    assert bin_of([float(i) for i in range(12)]).distinct == frozenset(range(12))
    assert bin_of([float(i) for i in range(13)]).distinct is None


def test_a_reading_of_a_closed_bin_changes_nothing() -> None:
    front_end = _fed([5.0, 6.0], spacing_s=2.0)
    front_end.close_bin()
    front_end.feed(0.5, 99.0)
    assert front_end.close_bin().mean == 6.0


def test_a_reading_from_before_the_start_is_not_used() -> None:
    front_end = FrontEnd(resolution=0.1, start_s=10.0, bin_s=2.0)
    front_end.feed(9.9, 1.0)
    assert front_end.close_bin().mean is None


def test_readings_may_arrive_out_of_order_while_their_bin_is_open() -> None:
    front_end = FrontEnd(resolution=0.1, start_s=0.0, bin_s=2.0)
    for at_s, value in [(2.5, 8.0), (0.5, 4.0), (3.5, 6.0)]:
        front_end.feed(at_s, value)
    assert front_end.close_bin().mean == 4.0
    assert front_end.close_bin().mean == 7.0


@STEADY
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30))
def test_a_bin_holds_mean_and_scatter_of_its_readings(values: list[float]) -> None:
    item = bin_of(values)
    assert item.mean is not None
    assert item.mean == pytest.approx(float(np.mean(values)), rel=1e-12, abs=1e-9)
    expected = float(np.var(values)) * len(values)
    assert item.scatter == pytest.approx(expected, rel=1e-9, abs=1e-6)


# ---- spikes


@pytest.mark.parametrize("spike", [102.5, 97.5, 0.0, 1e6])
def test_one_spike_is_rejected(spike: float) -> None:
    assert _believed([*QUIET, spike, 100.0]) == [*QUIET, 100.0]


def test_two_spikes_in_a_row_are_rejected_and_counted_in_their_bins() -> None:
    front_end = _fed([*QUIET, 150.0, 150.0, 100.0])
    bins = [front_end.close_bin() for _ in range(5)]
    assert [item.spikes for item in bins] == [0, 0, 0, 1, 1]
    assert [item.count for item in bins] == [2, 2, 2, 1, 1]


def test_a_bin_of_spikes_only_is_missing_and_tells_how_many() -> None:
    front_end = _fed([*QUIET, 150.0, 150.0], spacing_s=0.25)
    front_end.close_bin()
    assert front_end.close_bin() == Bin(None, spikes=1)


def test_the_third_spike_in_a_row_is_a_step_and_is_believed() -> None:
    assert _believed([*QUIET, 150.0, 150.0, 150.0]) == [*QUIET, 150.0]


def test_after_a_step_the_new_level_is_soon_believed_throughout() -> None:
    believed = _believed([*QUIET, *[150.0] * 30])
    # Two of three are rejected until four of the last seven are new: eight of the first twelve.
    assert believed.count(150.0) == 30 - 8


@pytest.mark.parametrize("value", [101.9, 98.1])
def test_two_percent_from_the_median_is_no_spike(value: float) -> None:
    assert _believed([*QUIET, value])[-1] == value


def test_four_steps_of_the_display_are_no_spike() -> None:
    near_zero = [0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 0.0]
    assert _believed([*near_zero, 0.4], resolution=0.1)[-1] == 0.4


def test_a_noisy_channel_widens_what_is_believed() -> None:
    # Median 100, median deviation 10: eight robust standard deviations are 8 x 1.4826 x 10 = 118.6.
    noisy = [100.0, 110.0, 90.0, 100.0, 115.0, 90.0, 100.0]
    assert _believed([*noisy, 215.0])[-1] == 215.0
    assert _believed([*noisy, 220.0])[-1] != 220.0


def test_a_rejected_reading_still_tells_that_time_has_passed() -> None:
    front_end = _fed([*QUIET, 1e6], spacing_s=2.0)
    assert front_end.last_index == 7


# ---- excursions


def test_readings_that_are_off_for_a_second_are_an_excursion_with_their_mean() -> None:
    # Two rejected in one bin, 1 s apart: longer than any single sample.
    front_end = _fed([*QUIET, 100.0, 150.0, 154.0, 100.0, 100.0])
    bins = [front_end.close_bin() for _ in range(6)]
    assert [item.excursion for item in bins] == [None] * 4 + [152.0, None]
    assert bins[4].spikes == 2


def test_a_single_spike_is_no_excursion_however_long_the_next_reading_takes() -> None:
    front_end = _fed([*QUIET, 150.0, 100.0, 100.0], spacing_s=10.0)
    assert all(front_end.close_bin().excursion is None for _ in range(50))


def test_spikes_up_and_down_are_not_one_excursion() -> None:
    front_end = _fed([*QUIET, 100.0, 150.0, 50.0, 100.0, 100.0])
    bins = [front_end.close_bin() for _ in range(6)]
    assert all(item.excursion is None for item in bins)
    assert bins[4].spikes == 2


def test_fast_readings_that_are_off_for_less_than_a_second_are_spikes() -> None:
    front_end = _fed([*QUIET, 100.0, 150.0, 150.0, 100.0], spacing_s=0.25)
    bins = [front_end.close_bin() for _ in range(2)]
    assert [item.excursion for item in bins] == [None, None]


# ---- reading by reading, or a whole bin at once


class ReadingByReading:
    """The rule for spikes as its description has it: every reading is tested by itself."""

    def __init__(self, resolution: float) -> None:
        self._resolution = resolution
        self._recent: list[float] = []
        self._in_a_row = 0

    def believes(self, value: float) -> bool:
        if len(self._recent) == 7 and self._in_a_row < 2:
            median = float(np.median(self._recent))
            deviation = float(np.median([abs(v - median) for v in self._recent]))
            robust = 8.0 * 1.4826 * deviation
            limit = max(robust, 4.0 * self._resolution, 0.02 * abs(median))
            if abs(value - median) > limit:
                self._in_a_row += 1
                return False
        self._in_a_row = 0
        self._recent = [*self._recent, value][-7:]
        return True


def _odd_readings(level: float) -> st.SearchStrategy[float]:
    """Mostly near the level, some at the edge of what is believed, some far away."""
    near = st.floats(-0.009, 0.009).map(lambda e: level * (1.0 + e) + 0.1 * e)
    edge = st.sampled_from([-0.03, -0.0201, -0.02, 0.0, 0.0199, 0.02, 0.021, 0.5])
    off = edge.map(lambda e: level * (1.0 + e))
    return st.one_of(near, near, near, off, st.sampled_from([0.0, -level, 1e4]))


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=200)
@given(
    st.sampled_from([100.0, -50.0, 0.0, 0.3]).flatmap(
        lambda level: st.lists(
            st.lists(_odd_readings(level), max_size=6), min_size=3, max_size=25
        )
    ),
    st.sampled_from([0.0, 0.1]),
)
def test_a_quiet_bin_taken_at_once_gives_what_each_reading_by_itself_would(
    bins: list[list[float]], resolution: float
) -> None:
    front_end = FrontEnd(resolution=resolution, start_s=0.0, bin_s=2.0)
    plain = ReadingByReading(resolution)
    for index, values in enumerate(bins):
        times_s = [2.0 * index + 0.3 * i for i in range(len(values))]
        front_end.feed_bin(index, times_s, values)
        believed = [value for value in values if plain.believes(value)]
        item, expected = front_end.close_bin(), bin_of(believed)
        assert item.mean == expected.mean
        assert item.scatter == expected.scatter
        assert item.distinct == expected.distinct
        assert item.spikes == len(values) - len(believed)


# ---- what rounding hides


@STEADY
@given(
    st.lists(
        st.lists(st.floats(-1000.0, 1000.0), min_size=0, max_size=8),
        min_size=1,
        max_size=12,
    ).filter(any)
)
def test_the_scatter_of_the_readings_is_that_of_all_bins_together(
    bins: list[list[float]],
) -> None:
    rounding = rounding_of([bin_of(values) for values in bins], 0.1)
    together = [value for values in bins for value in values]
    assert rounding.count == len(together)
    assert rounding.scatter() == pytest.approx(
        float(np.std(together)), rel=1e-6, abs=1e-4
    )


def test_the_scatter_of_readings_far_from_zero_is_not_lost() -> None:
    # Deviations -1, +1, -1, +1 of a level of 1e8: standard deviation 1.
    bins = [bin_of([1e8 - 1.0, 1e8 + 1.0]), bin_of([1e8 - 1.0, 1e8 + 1.0])]
    assert rounding_of(bins, 0.1).scatter() == 1.0


def test_a_display_coarser_than_stated_is_seen_in_its_readings() -> None:
    bins = [bin_of([100.0, 102.5]), bin_of([97.5, 100.0])]
    assert rounding_of(bins, 0.1).step() == 2.5


def test_the_stated_step_stands_where_readings_lie_closer_or_vary_much() -> None:
    assert rounding_of([bin_of([1.0, 1.05])], 0.1).step() == 0.1
    many = [bin_of([float(i), i + 0.5]) for i in range(10)]
    assert rounding_of(many, 0.1).step() == 0.1
    many_in_one = [bin_of([2.0 * i for i in range(13)])]
    assert rounding_of(many_in_one, 0.1).step() == 0.1


def test_readings_that_never_change_may_hide_half_the_stated_step() -> None:
    rounding = rounding_of([bin_of([7.0, 7.0]), bin_of([]), bin_of([7.0])], 1.0)
    assert rounding.scatter() == 0.0
    assert rounding.step() == 1.0
    assert rounding.half_step() == 0.5


def test_readings_that_noise_dithers_hide_nothing() -> None:
    # The integers 5 to 8 scatter by 1.1 steps of 1: more than 0.6.
    rounding = rounding_of([bin_of([5.0, 8.0]), bin_of([7.0, 6.0])], 1.0)
    assert rounding.half_step() == 0.0
