"""Switchings in a log's channel, between which readings they were, and levels found from the numbers."""

import pytest

from daq.errors import InputError
from daq.logs.edges import Edge, find_edges, guess_edges, stated_edges
from daq.trials.switching import StartRule, Switch

RULE = StartRule("power", on_above=100.0, off_below=50.0, least_off_s=2.0)
TIMES = [float(t) for t in range(20)]
VALUES = [0.0] * 5 + [900.0] * 8 + [0.0] * 7


def test_an_edge_lies_between_two_readings() -> None:
    assert find_edges(TIMES, VALUES, RULE) == (
        Edge(Switch.ON, 4.0, 5.0),
        Edge(Switch.OFF, 12.0, 13.0),
    )


def test_a_dip_shorter_than_the_least_off_time_is_no_edge() -> None:
    values = [*VALUES[:8], 0.0, *VALUES[9:]]
    assert len(find_edges(TIMES, values, RULE)) == 2


def test_what_runs_when_the_log_begins_was_switched_on_nobody_knows_when() -> None:
    edges = find_edges(TIMES, [900.0] * 10 + [0.0] * 10, RULE)
    assert [edge.to for edge in edges] == [Switch.OFF]


def test_readings_far_apart_leave_an_edge_wide() -> None:
    (edge, _) = find_edges(
        [0.0, 10.0, 60.0, 70.0, 80.0, 90.0], [0, 0, 900, 900, 0, 0], RULE
    )
    assert (edge.middle_s, edge.half_width_s) == (35.0, 25.0)


def test_on_and_off_are_the_two_levels_that_the_numbers_show() -> None:
    assert guess_edges("power", TIMES, VALUES) == find_edges(TIMES, VALUES, RULE)


def test_suction_below_zero_means_on_though_it_falls() -> None:
    suction = [0.3 - value for value in VALUES]
    assert guess_edges("suction", TIMES, suction) == find_edges(TIMES, VALUES, RULE)


def test_a_stated_level_that_suction_falls_below_is_refused_with_what_to_do() -> None:
    suction = [0.3 - value for value in VALUES]
    with pytest.raises(
        InputError, match=r"suction: falls when the machine is on.*leave --on-above out"
    ):
        stated_edges("suction", TIMES, suction, on_above=-5.0, off_below=None)


def test_a_stated_level_counts_whatever_the_levels_are() -> None:
    edges = stated_edges("power", TIMES, VALUES, on_above=100.0, off_below=50.0)
    assert edges == find_edges(TIMES, VALUES, RULE)
    below_zero = [value - 10.0 for value in VALUES]
    edges = stated_edges("power", TIMES, below_zero, on_above=-5.0, off_below=None)
    assert edges == find_edges(TIMES, VALUES, RULE)


@pytest.mark.parametrize("values", [[230.0] * 20, [float(t) for t in range(20)]])
def test_a_channel_without_two_levels_tells_nothing(values: list[float]) -> None:
    with pytest.raises(InputError, match="no two levels"):
        guess_edges("voltage", TIMES, [v + 1e-9 for v in values])
