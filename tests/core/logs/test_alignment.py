"""The offset of one clock against another, from the switchings of both: right, as sure as it says, or refused."""

import math

import numpy as np
import pytest

from daq.errors import InputError
from daq.logs.alignment import Alignment, find_alignment, state_alignment
from daq.logs.edges import Edge
from daq.trials.switching import Switch

SPACING_S = 1.0
OFFSET_S = 3600.0
UNEVEN = ((50.12, 320.71), (371.45, 655.93), (702.28, 1001.56), (1044.83, 1390.07))


def seen(
    runs: tuple[tuple[float, float], ...],
    *,
    phase_s: float = 0.0,
    late_s: tuple[float, float] = (0.0, 0.0),
) -> list[Edge]:
    """Edges as readings every second would show them; a meter may be late at on and at off."""
    edges = []
    for pair in runs:
        for to, at_s, late in zip((Switch.ON, Switch.OFF), pair, late_s, strict=True):
            first = math.ceil((at_s + late - phase_s) / SPACING_S) * SPACING_S + phase_s
            edges.append(Edge(to, first - SPACING_S, first))
    return edges


def by_clock(edges: list[Edge], offset_s: float, drift: float = 0.0) -> list[Edge]:
    """The same on a clock whose times need this offset to be ours."""

    def shown(at_s: float) -> float:
        return at_s * (1.0 - drift) - offset_s

    return [Edge(e.to, shown(e.earliest_s), shown(e.latest_s)) for e in edges]


def found(bench: list[Edge], log: list[Edge], *, length_s: float = 1450.0) -> Alignment:
    begin_s = log[0].earliest_s - 40.0
    return find_alignment(
        bench, log, span_s=(begin_s, begin_s + length_s), step_s=0.001
    )


def test_the_offset_is_found_within_its_uncertainty() -> None:
    alignment = found(seen(UNEVEN), by_clock(seen(UNEVEN, phase_s=0.3), OFFSET_S))
    assert len(alignment.matched) == 8
    assert alignment.missed == 0
    middle_s = alignment.reference_s
    u_s = alignment.expanded_uncertainty_s(middle_s)
    assert abs(alignment.bench_s(middle_s) - middle_s - OFFSET_S) <= u_s
    assert u_s < SPACING_S


@pytest.mark.slow
def test_the_uncertainty_holds_the_truth_as_often_as_stated() -> None:
    random = np.random.default_rng(5)
    held = total = 0
    for _ in range(60):
        ends = np.cumsum(random.uniform(40.0, 400.0, 8)).reshape(4, 2)
        runs = tuple((float(on), float(off)) for on, off in ends)
        drift = float(random.normal(0.0, 1e-4))
        log = by_clock(seen(runs, phase_s=random.uniform()), OFFSET_S, drift)
        length_s = log[-1].latest_s - log[0].earliest_s + 80.0
        bench = seen(runs, phase_s=random.uniform())
        alignment = found(bench, log, length_s=length_s)
        for at_s in (runs[0][0], runs[-1][1]):
            log_s = at_s * (1.0 - drift) - OFFSET_S
            off_s = abs(alignment.bench_s(log_s) - at_s)
            held += off_s <= alignment.expanded_uncertainty_s(log_s)
            total += 1
    # 95 of 100 are stated: 114 of 120, with a standard deviation of 2.4; fewer than 107 are beyond three of them.
    assert (held >= 107, total) == (True, 120)


def test_a_clock_that_gains_is_found_out() -> None:
    hours = tuple((10 * on, 10 * off) for on, off in UNEVEN)
    log = by_clock(seen(hours, phase_s=0.4), OFFSET_S, drift=2e-4)
    alignment = found(seen(hours), log, length_s=14500.0)
    assert alignment.tells_drift
    u = alignment.coverage_factor * alignment.std_uncertainty_drift
    # The log's seconds are shorter by 2e-4: the bench's clock gains 2e-4 on it, to the first order.
    assert abs(alignment.drift - 2e-4) <= u
    assert u < 2e-4


HOURS = ((100.3, 3700.8), (4100.2, 7900.6))


@pytest.mark.parametrize("late_s", [(0.0, 0.0), (1.5, 3.0)])
def test_drift_and_offset_are_those_of_least_squares_with_a_level_for_each_kind(
    late_s: tuple[float, float],
) -> None:
    bench = seen(HOURS)
    # One edge of the log is less sure than the others: it has less weight, also in its kind's level.
    log = by_clock(seen(HOURS, phase_s=0.4, late_s=late_s), OFFSET_S, drift=3e-4)
    log[2] = Edge(Switch.ON, log[2].earliest_s - 3.0, log[2].latest_s + 1.0)
    alignment = found(bench, log, length_s=7800.0)
    line = _least_squares(bench, log)
    assert alignment.drift == pytest.approx(line[2], rel=1e-6)
    counted = [log[i].middle_s for i in range(4)]
    assert min(counted) < alignment.reference_s < max(counted)
    by_kinds = _share_of_on(bench, log)
    between = by_kinds * line[0] + (1.0 - by_kinds) * line[1]
    at_reference = between + line[2] * alignment.reference_s
    assert alignment.offset_s == pytest.approx(at_reference, abs=1e-6)


def _weights(bench: list[Edge], log: list[Edge]) -> np.ndarray:
    squares = [
        b.half_width_s**2 + e.half_width_s**2 for b, e in zip(bench, log, strict=True)
    ]
    return 1.0 / (np.array(squares) / 3.0 + 0.001**2 / 12.0)


def _share_of_on(bench: list[Edge], log: list[Edge]) -> float:
    weights = _weights(bench, log)
    return float(weights[::2].sum() / weights.sum())


def _least_squares(bench: list[Edge], log: list[Edge]) -> np.ndarray:
    """Level of the on-edges, of the off-edges, and slope; clocks drift by 3e-4 beforehand, which is a row of its own."""
    log_s = np.array([e.middle_s for e in log])
    off_s = np.array([b.middle_s for b in bench]) - log_s
    is_on = np.array([e.to is Switch.ON for e in log])
    rows = np.column_stack([is_on, ~is_on, log_s]).astype(np.float64)
    root = np.sqrt(_weights(bench, log))
    prior = [[0.0, 0.0, 1.0 / 3e-4]]
    solved, *_ = np.linalg.lstsq(
        np.vstack([rows * root[:, None], prior]), np.append(off_s * root, 0.0)
    )
    return np.asarray(solved)


def test_two_runs_of_an_hour_tell_the_drift_of_a_clock() -> None:
    log = by_clock(seen(HOURS, phase_s=0.4), OFFSET_S, drift=3e-4)
    alignment = found(seen(HOURS), log, length_s=7800.0)
    u = alignment.coverage_factor * alignment.std_uncertainty_drift
    assert abs(alignment.drift - 3e-4) <= u
    # What clocks are like beforehand draws it towards none, by a seventh at these edges and no more.
    assert alignment.drift > 0.8 * 3e-4


def test_two_switchings_tell_an_offset_and_no_drift() -> None:
    one = UNEVEN[:1]
    alignment = found(seen(one), by_clock(seen(one), OFFSET_S), length_s=400.0)
    assert len(alignment.matched) == 2
    assert not alignment.tells_drift
    assert alignment.drift == 0.0


def test_a_machine_switched_in_even_time_is_refused_where_the_log_has_more_runs() -> (
    None
):
    even = tuple((100.0 * i, 100.0 * i + 60.0) for i in range(1, 7))
    log = by_clock(seen(even), OFFSET_S)
    with pytest.raises(InputError, match=r"several offsets alike.*state --offset"):
        found(seen(even[:3]), log, length_s=700.0)


EVEN = tuple((300.0 * i + 0.3, 300.0 * i + 200.3) for i in range(1, 7))


def test_even_time_is_refused_even_where_every_run_was_logged() -> None:
    # Had logger and bench each missed a run, at different ends, they would show the same.
    log = by_clock(seen(EVEN), OFFSET_S)
    with pytest.raises(InputError, match="several offsets alike"):
        found(seen(EVEN), log, length_s=1800.0)


def test_a_dated_clock_that_was_set_tells_runs_in_even_time_apart() -> None:
    log = by_clock(seen(EVEN), OFFSET_S + 40.0)
    span_s = (log[0].earliest_s - 30.0, log[-1].latest_s + 30.0)
    even = (seen(EVEN), log)
    with pytest.raises(InputError, match="several offsets alike"):
        find_alignment(*even, span_s=span_s, step_s=1.0)
    # An hour and 40 s is a zone and a clock set within two minutes; 300 s beside that is none.
    alignment = find_alignment(*even, span_s=span_s, step_s=1.0, is_dated=True)
    assert alignment.offset_s == pytest.approx(OFFSET_S + 40.0, abs=0.5)


def test_one_run_of_several_tells_too_little() -> None:
    log = by_clock(seen(UNEVEN), OFFSET_S)
    with pytest.raises(InputError, match=r"one run alone agrees, at 3600\.\d s"):
        found(seen(UNEVEN[2:3]), log)


def test_the_log_of_another_session_is_refused() -> None:
    other = ((20.0, 150.0), (420.0, 500.0), (760.0, 1300.0))
    with pytest.raises(InputError, match="poorly: at best"):
        found(seen(UNEVEN), by_clock(seen(other), OFFSET_S))


def test_a_log_of_which_one_switching_fits_is_refused_as_such() -> None:
    # Of the one run that the bench saw, the log shows the end at most.
    log = by_clock(seen(((20.0, 150.0), (900.0, 1000.0)))[1:3], OFFSET_S)
    with pytest.raises(InputError, match="poorly: at best one agrees;"):
        found(seen(UNEVEN[:1]), log, length_s=850.0)


def test_a_log_without_switchings_is_refused() -> None:
    with pytest.raises(InputError, match="no switching in the log"):
        find_alignment(seen(UNEVEN), [], span_s=(0.0, 100.0), step_s=1.0)


def test_runs_outside_the_session_do_not_mislead() -> None:
    more = ((-900.0, -700.0), (-600.0, -240.0), *UNEVEN, (1500.0, 1570.0))
    log = by_clock(seen(more), OFFSET_S)
    alignment = found(seen(UNEVEN), log, length_s=2700.0)
    assert alignment.offset_s == pytest.approx(OFFSET_S, abs=0.5)


def test_one_switching_that_does_not_fit_is_left_out_and_counted() -> None:
    bench = seen(UNEVEN)
    bench[3] = Edge(Switch.OFF, 600.0, 601.0)
    alignment = found(bench, by_clock(seen(UNEVEN), OFFSET_S))
    assert (len(alignment.matched), alignment.missed) == (7, 2)
    assert alignment.offset_s == pytest.approx(OFFSET_S, abs=0.5)


def test_a_log_of_only_half_the_session_is_matched_by_that_half() -> None:
    log = by_clock(seen(UNEVEN[:2]), OFFSET_S)
    alignment = found(seen(UNEVEN), log, length_s=640.0)
    assert (len(alignment.matched), alignment.missed) == (4, 0)


def test_what_runs_up_and_down_slowly_makes_the_offset_less_sure() -> None:
    log = by_clock(seen(UNEVEN, late_s=(0.5, 3.5)), OFFSET_S)
    alignment = found(seen(UNEVEN), log)
    at_s = alignment.reference_s
    assert abs(alignment.bench_s(at_s) - at_s - OFFSET_S) <= (
        alignment.expanded_uncertainty_s(at_s)
    )


def test_a_stated_offset_is_taken_and_held_against_the_switchings() -> None:
    log = by_clock(seen(UNEVEN), OFFSET_S)
    span_s = (log[0].earliest_s - 40.0, log[-1].latest_s + 40.0)
    good = state_alignment(OFFSET_S + 1.0, seen(UNEVEN), log, span_s=span_s)
    assert good.is_stated
    assert good.bench_s(10.0) == OFFSET_S + 11.0
    assert {edge.residual_s for edge in good.matched} == {-1.0}
    bad = state_alignment(OFFSET_S + 70.0, seen(UNEVEN), log, span_s=span_s)
    assert bad.missed > len(bad.matched)
