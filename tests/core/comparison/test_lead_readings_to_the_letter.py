"""How stretches about a switching are cut out, paired and held against each other, each side of every bound."""

import math
from dataclasses import replace

import pytest

from daq.comparison.lead_readings import (
    NOTHING,
    Stretch,
    TrialEdges,
    block_mean,
    connected,
    differences_over,
    loaded_until_s,
    pair,
    tells_of_a_lead,
)
from daq.records import Channel
from tests.core.comparison.observed import channel

COUNTING = Stretch(
    tuple(float(n) for n in range(61)), tuple(float(n * n) for n in range(61))
)
"""A reading a second, the square of its time."""


def test_a_stretch_holds_both_of_its_ends() -> None:
    found = COUNTING.between(3.0, 6.0)
    assert found == Stretch((3.0, 4.0, 5.0, 6.0), (9.0, 16.0, 25.0, 36.0))
    assert found.mean == 21.5
    assert len(COUNTING.between(3.1, 3.9)) == 0
    assert COUNTING.between(60.5, math.inf) == NOTHING


@pytest.mark.parametrize(
    ("quantity", "place", "tells"),
    [
        ("voltage", "supply end", True),
        ("current", "elsewhere", True),
        ("power", "machine end", True),
        ("power factor", "", True),
        ("temperature", "room", True),
        ("temperature", "outlet", False),
        ("velocity", "room", False),
    ],
)
def test_what_tells_of_a_lead(quantity: str, place: str, *, tells: bool) -> None:
    shown = replace(channel("shown", "V", place), quantity=quantity)
    assert tells_of_a_lead(shown) is tells


def test_readings_are_paired_at_the_moments_of_the_second_meter() -> None:
    first = Stretch((10.0, 12.0, 16.0), (230.0, 232.0, 236.0))
    second = Stretch(
        (9.9, 10.0, 11.0, 12.0, 15.0, 16.0, 16.1),
        (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0),
    )
    found = pair(first, second)
    # At the first meter's own moments as it reads, between them on a straight line, never beyond them.
    assert found.times_s == (10.0, 11.0, 12.0, 15.0, 16.0)
    assert found.first == (230.0, 231.0, 232.0, 235.0, 236.0)
    assert found.second == (2.0, 3.0, 4.0, 5.0, 6.0)
    assert found.differences == [228.0, 228.0, 228.0, 230.0, 230.0]
    assert len(found) == 5
    nothing = pair(first, Stretch((9.0,), (1.0,)))
    assert (len(nothing), nothing.differences) == (0, [])
    assert len(pair(NOTHING, second)) == len(pair(first, NOTHING)) == 0


def test_a_voltmeter_counts_from_the_switching_up_to_its_first_silence() -> None:
    stretch = Stretch((0.0, 1.0, 20.0, 21.0, 22.0), (231.0, 230.0, 229.0, 3.0, 228.0))
    assert connected(stretch, 220.0, from_the_end=False).times_s == (0.0, 1.0)
    assert connected(stretch, 220.0, from_the_end=True) == Stretch((22.0,), (228.0,))
    whole = replace(stretch, values=(231.0, 230.0, 229.0, 230.0, 228.0))
    assert connected(whole, 220.0, from_the_end=True) == Stretch(
        (20.0, 21.0, 22.0), (229.0, 230.0, 228.0)
    )
    assert connected(NOTHING, 220.0, from_the_end=True) == NOTHING


def test_the_machine_was_on_at_its_last_reading_of_a_minute_that_shows_it() -> None:
    current = Stretch((100.0, 140.0, 160.0, 161.0), (10.0, 10.0, 10.0, 0.1))
    assert loaded_until_s(current, 165.0) == 160.0
    # Of what is older than a minute nothing is known any more.
    assert loaded_until_s(current, 220.0) == 160.0
    assert loaded_until_s(current, 222.0) is None
    assert loaded_until_s(Stretch((160.0,), (0.0,)), 165.0) is None
    assert loaded_until_s(Stretch((160.0,), (-10.0,)), 165.0) is None


def test_a_block_needs_three_readings() -> None:
    assert block_mean(COUNTING, 3.0, 5.0) == 50.0 / 3.0
    assert block_mean(COUNTING, 3.0, 4.0) is None


@pytest.mark.parametrize(
    ("last", "count"), [(12, 0), (13, 1), (17, 1), (18, 2), (60, 10)]
)
def test_blocks_a_lag_apart_are_taken_as_far_as_they_fit(last: int, count: int) -> None:
    # Means over six readings differ by what the square gains in eight seconds: 16 t + 64 at the block's middle.
    found = differences_over(COUNTING.between(0.0, last), block_s=5.0, lag_s=8.0)
    middles = [2.5 + 5.0 * n for n in range(count)]
    assert list(found) == pytest.approx([16.0 * t + 64.0 for t in middles])
    assert differences_over(NOTHING, block_s=5.0, lag_s=8.0) == ()


def _edges(*channels: Channel, second_choice: tuple[str, ...] = ()) -> TrialEdges:
    readings = {c.name: COUNTING for c in channels if c.name != "silent"}
    return TrialEdges(1, "long", 10.0, 50.0, channels, readings, second_choice)


def test_channels_are_found_by_place_before_their_order_and_only_with_readings() -> (
    None
):
    machine, supply, room = (
        channel(name, "V", place)
        for name, place in (("m", "machine end"), ("s", "supply end"), ("r", "room"))
    )
    silent = channel("silent", "V")
    edges = _edges(silent, room, supply, machine)
    assert edges.at("voltage", "machine end", "supply end") == [machine, supply]
    assert edges.at("voltage", "supply end", "supply end", "room") == [supply, room]
    assert edges.at("current", "machine end") == []
    assert edges.find("voltage", "machine end", "supply end") == machine
    assert edges.find("voltage", "elsewhere") is None
    assert edges.of(silent) == NOTHING
    # The bench's own before what was typed or imported.
    typed = _edges(machine, supply, second_choice=("m",))
    assert typed.find("voltage", "machine end", "supply end") == supply
    assert typed.find("voltage", "machine end") == machine
