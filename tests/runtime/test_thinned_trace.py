"""The recent past of a channel, thinned while it comes."""

import itertools
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.runtime.thinned_trace import STRETCH_S, ThinnedTrace

Readings = list[tuple[float, float | None]]
STEPS_S = st.floats(0.01, 5.0).map(lambda step_s: round(step_s, 2))
VALUES = st.none() | st.integers(-20, 20).map(float)


def told(readings: Readings, *, kept_s: float = 900.0, now_s: float = 0.0) -> Readings:
    trace = ThinnedTrace(kept_s)
    for at_s, value in readings:
        trace.append(at_s, value)
    shown = json.loads(trace.as_json(now_s), parse_constant=pytest.fail)
    assert shown.keys() == {"t", "v"}
    return list(zip(shown["t"], shown["v"], strict=True))


def every(step_s: float, values: list[float | None], *, from_s: float = 0.0) -> Readings:  # fmt: skip
    return [(round(from_s + n * step_s, 3), value) for n, value in enumerate(values)]


def test_nothing_was_read_yet() -> None:
    assert told([]) == []


def test_slow_readings_are_all_kept() -> None:
    readings = every(0.75, [1.0, None, 3.0, 2.0, 2.0, 2.0, 1.0, 5.0, None])
    assert told(readings) == readings


def test_of_many_readings_those_are_kept_that_stand_out_and_the_newest() -> None:
    # One stretch of 1.5 s, then the first reading of the next.
    values = [5.0, 1.0, 6.0, None, 9.0, 7.0, None, 6.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 4.0, 8.0]  # fmt: skip
    assert told(every(0.1, values)) == [
        (0.1, 1.0),
        (0.4, 9.0),
        (0.6, None),
        (1.4, 4.0),
        (1.5, 8.0),
    ]


def test_what_is_older_than_is_kept_is_forgotten_stretch_by_stretch() -> None:
    readings = every(1.5, [1.0, 2.0, 3.0, 4.0])
    # The first stretch ends at 1.5 s, the second at 3 s.
    assert told(readings, kept_s=3.5, now_s=4.9) == readings
    assert told(readings, kept_s=3.5, now_s=5.0) == readings[1:]
    # Of a meter that has fallen silent nothing is left in the end.
    assert told(readings, kept_s=3.5, now_s=100.0) == []


def test_a_trace_that_goes_on_for_long_does_not_grow() -> None:
    trace = ThinnedTrace(30.0)
    sizes = []
    for n in range(5000):
        trace.append(10_000.0 + n / 10.0, float(n % 7))
        sizes.append(len(trace.as_json(0.0)))
    assert max(sizes[1000:]) <= 1.05 * max(sizes[:1000])


@pytest.mark.slow
@given(st.lists(st.tuples(STEPS_S, VALUES), max_size=80))
def test_whatever_comes_the_extremes_and_the_gaps_of_every_stretch_are_told(
    steps: list[tuple[float, float | None]],
) -> None:
    readings, at_s = [], 1000.0
    for step_s, value in steps:
        at_s = round(at_s + step_s, 3)
        readings.append((at_s, value))
    shown = told(readings)
    assert [t for t, _ in shown] == sorted({t for t, _ in shown})
    assert set(shown) <= set(readings)
    for number in {t // STRETCH_S for t, _ in readings}:
        came = [v for t, v in readings if t // STRETCH_S == number]
        kept = [v for t, v in shown if t // STRETCH_S == number]
        values, kept_values = [v for v in came if v is not None], [v for v in kept if v is not None]  # fmt: skip
        assert len(kept) <= 4
        assert (None in kept) == (None in came)
        assert min(values, default=None) == min(kept_values, default=None)
        assert max(values, default=None) == max(kept_values, default=None)


@given(st.lists(st.integers(-20, 20).map(float), min_size=2, max_size=200))
def test_thinning_makes_no_silence_that_the_page_would_show(
    values: list[float | None],
) -> None:
    shown = told(every(0.1, values, from_s=1000.0))
    steps_s = [b - a for (a, _), (b, _) in itertools.pairwise(shown)]
    # At ten readings a second the page parts a line after 2 s (traces.js, bench.js).
    assert max(steps_s, default=0.0) < 2.0


def test_a_reading_that_is_dropped_leaves_the_others_of_its_stretch_and_later_ones() -> (
    None
):
    trace = ThinnedTrace(900.0)
    for at_s, value in [(0.1, 5.0), (0.5, 9.0), (2.0, 6.0), (3.1, 7.0)]:
        trace.append(at_s, value)
    trace.drop(0.5)
    trace.drop(2.0)
    trace.drop(3.1)
    trace.append(3.2, 8.0)
    assert json.loads(trace.as_json(0.0)) == {"t": [0.1, 3.2], "v": [5.0, 8.0]}
