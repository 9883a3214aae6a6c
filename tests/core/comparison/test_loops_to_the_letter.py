"""Single branches on the way from readings to a lead's loop, each against its closed form."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from daq.comparison.lead_drops import drop_between, gain_share
from daq.comparison.lead_findings import find_leads, observed_resistances
from daq.comparison.lead_measuring import measure_loop
from daq.comparison.lead_ranges import lead_range
from daq.comparison.lead_readings import (
    Stretch,
    connected,
    is_steady,
    loaded_until_s,
    pair,
)
from daq.comparison.rules import ConditionFacts, LeadFacts
from daq.records import Accuracy
from daq.uncertainty import combine
from tests.core.comparison.lead_runs import (
    CURRENT,
    LONG,
    MACHINE,
    OFF_S,
    POWER_FACTOR,
    SUPPLY,
    edges_of,
    levels_of,
    reread,
)
from tests.core.comparison.observed import channel, observation


def test_of_two_repeats_the_spread_is_not_told() -> None:
    # One degree of freedom is next to none: what each trial knows of itself stands.
    for drops, is_told in (((5.0, 8.0), False), ((5.0, 6.5, 8.0), True)):
        runs = [edges_of(levels_of(d), trial=i) for i, d in enumerate(drops, 1)]
        (found,) = find_leads(runs, (LONG,), baseline="short lead").findings
        names = [c.name for c in found.contributions]
        assert ("from trial to trial" in names) is is_told


def test_a_loop_as_a_quantity_keeps_what_each_trial_has_anew_apart() -> None:
    # A supply's end that flickers by itself, so that scatter and idle difference are known to so many degrees.
    random = np.random.default_rng(3)
    edges = reread(
        edges_of(levels_of(6.65)),
        {SUPPLY: lambda _t, v: v + float(random.normal(0.0, 0.02))},
    )
    report = find_leads((edges,), (LONG,), baseline="short lead")
    (loop,) = report.measurements
    anew = [
        c
        for c in loop.contributions
        if c.name in {"scatter under load", "idle difference of the voltmeters"}
    ]
    whole = combine(anew)
    assert math.isfinite(whole.degrees_of_freedom)
    like = [observation(1.0, condition="long lead", nu=3.0)]
    _, (seen,) = observed_resistances(report.measurements, like)
    assert seen.std_uncertainty_within == whole.std_uncertainty
    assert seen.degrees_of_freedom_within == whole.degrees_of_freedom


def test_of_an_error_that_both_leads_have_what_differs_counts() -> None:
    # One voltmeter, 0.3 % of reading: 4.2 V before the baseline's end, 10.85 V with the long lead, at 10 A.
    meter = replace(MACHINE, accuracy=Accuracy(percent_of_reading=0.3))
    short, long = (
        {
            meter: (230.0, 230.0 - drop_v),
            CURRENT: (0.0, 10.0),
            POWER_FACTOR: (0.0, 1.0),
        }
        for drop_v in (4.2, 10.85)
    )
    report = find_leads(
        (edges_of(short, condition="short lead"), edges_of(long, trial=2)),
        (ConditionFacts("short lead", lead=LeadFacts(loop_ohm=0.05)), LONG),
        baseline="short lead",
    )
    found = next(f for f in report.findings if f.condition == "long lead")
    (gain,) = [c for c in found.contributions if c.name.startswith("gain of the")]
    # Copper at 30 °C, taken to 20 °C by IEC 60228.
    at_20c = 254.5 / 264.5
    assert gain.std_uncertainty == pytest.approx(
        0.003 / math.sqrt(3.0) * (1.085 - 0.42) * at_20c, rel=0.01
    )


@pytest.mark.parametrize("place", ["machine end", "supply end"])
def test_a_power_factor_of_the_ammeter_s_own_instrument_goes_first(place: str) -> None:
    other, own = (
        replace(channel(name, "1", place), instrument=name) for name in ("other", "own")
    )
    ammeter = replace(CURRENT, instrument="own")
    levels = {SUPPLY: (230.0, 229.0), MACHINE: (230.0, 222.35), ammeter: (0.0, 10.0)}
    for first, second in ((other, own), (own, other)):
        shown = {each: (0.0, 0.9 if each is own else 0.5) for each in (first, second)}
        loop = measure_loop(edges_of({**levels, **shown}), LONG.lead).measurement
        assert loop is not None
        assert loop.power_factor == pytest.approx(0.9)


def test_a_change_is_as_uncertain_as_all_that_acts_on_the_gain() -> None:
    parts = Accuracy(
        gain_percent=0.2,
        temperature_percent_per_k=0.01,
        temperature_span_k=10.0,
        linearity_percent=0.05,
        counts=3,
    )
    rectangular = math.hypot(0.2, 0.1, 2.0 * math.pi * 0.05) / math.sqrt(3.0)
    assert gain_share(parts) == pytest.approx(rectangular / 100.0)
    whole = Accuracy(percent_of_reading=0.3)
    assert gain_share(whole) == pytest.approx(0.003 / math.sqrt(3.0))
    # A certificate's U of 0.4 % for k = 2 comes on top in squares.
    certified = Accuracy(
        percent_of_reading=0.3, certificate_u_percent=0.4, certificate_k=2.0
    )
    assert gain_share(certified) == pytest.approx(
        math.hypot(0.003 / math.sqrt(3.0), 0.002)
    )


def test_what_a_drop_is_uncertain_by_bears_these_names() -> None:
    coarse = Accuracy(percent_of_reading=0.5, resolution=0.1)
    levels = {
        replace(SUPPLY, accuracy=coarse): (230.0, 229.0),
        replace(MACHINE, accuracy=coarse): (230.0, 222.35),
        CURRENT: (0.0, 10.0),
    }
    edges = edges_of(levels)
    supply, machine, _ = edges.channels
    drop = drop_between(edges, supply, machine, CURRENT, OFF_S - 1.0)
    assert drop is not None
    assert list(dict.fromkeys(c.name for c in drop.contributions)) == [
        "scatter under load",
        "idle difference of the voltmeters",
        "gain of the voltmeters",
        "display of the voltmeters",
    ]


@pytest.mark.parametrize(("apart_s", "is_used"), [(10.0, True), (10.5, False)])
def test_a_voltmeter_silent_for_more_than_ten_seconds_may_have_been_unplugged(
    apart_s: float,
    is_used: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    first = Stretch((0.0, apart_s), (230.0, 232.0))
    found = pair(first, Stretch((apart_s / 2.0,), (220.0,)))
    assert found.differences == ([231.0 - 220.0] if is_used else [])
    kept = connected(first, 230.0, from_the_end=False)
    assert len(kept) == (2 if is_used else 1)


@pytest.mark.parametrize(
    ("values", "steady"),
    [
        ((100.0, 101.0), False),
        ((100.0, 100.5, 101.0), True),
        ((100.0, 101.5, 100.0), False),
        ((99.4, 100.0, 100.6), False),
        ((), False),
    ],
)
def test_three_readings_within_a_share_of_their_mean_are_steady(
    values: tuple[float, ...],
    steady: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    stretch = Stretch(tuple(float(n) for n in range(len(values))), values)
    assert is_steady(stretch, share=0.01) is steady


@pytest.mark.parametrize(
    "others", [("elsewhere", "supply end"), ("supply end", "elsewhere")]
)
def test_a_current_at_the_supply_s_end_goes_before_one_of_another_place(
    others: tuple[str, str],
) -> None:
    meters = [replace(CURRENT, name=place, place=place) for place in others]
    levels = {
        SUPPLY: (230.0, 229.0),
        MACHINE: (230.0, 222.35),
        POWER_FACTOR: (0.0, 1.0),
    }
    shown = {m: (0.0, 10.0 if m.place == "supply end" else 5.0) for m in meters}
    loop = measure_loop(edges_of({**levels, **shown}), LONG.lead).measurement
    assert loop is not None
    assert loop.resistance_ohm == pytest.approx(0.665, rel=1e-3)


@pytest.mark.parametrize(("share", "is_on"), [(0.51, True), (0.49, False)])
def test_the_machine_counts_as_on_with_more_than_half_of_its_last_current(
    share: float,
    is_on: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    times = tuple(float(n) for n in range(1200, 1240))
    current = Stretch(times, (*[10.0] * 39, 10.0 * share))
    assert loaded_until_s(current, OFF_S) == (1239.0 if is_on else 1238.0)


@pytest.mark.parametrize(("share", "is_there"), [(0.51, True), (0.49, False)])
def test_a_voltmeter_is_connected_at_more_than_half_of_the_loaded_voltage(
    share: float,
    is_there: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    stretch = Stretch((0.0, 1.0), (230.0, share * 220.0))
    assert len(connected(stretch, 220.0, from_the_end=False)) == 1 + is_there


# IEC 60228:2004, table 3, as far as leads are sold.
SIZES_MM2 = (0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0)


@pytest.mark.parametrize(("smaller", "size"), list(pairwise(SIZES_MM2)))
def test_the_next_smaller_size_is_the_one_that_leads_are_sold_in(
    smaller: float, size: float
) -> None:
    found = lead_range(LeadFacts(area_mm2=size, length_m=25.0))
    assert found is not None
    # 1/58 ohm mm²/m by IEC 60028.
    assert found.smaller_ohm == pytest.approx(50.0 / 58.0 / smaller)
