"""Pairs of voltmeters and zeros without flow: what is done, what is refused, and how sure the figures are."""

import math
from random import Random

import pytest

from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import Entry
from daq.checklist.pairs import (
    LEAST_PAIRS,
    figures_of,
    judge_loads,
    judge_pair_readings,
    pair_difference,
    pair_of_entry,
    paired,
    standby_remark,
)
from daq.checklist.zeros import (
    allowed_at_zero,
    judge_zero_readings,
    measured_zero,
)
from daq.records import Accuracy, Channel
from daq.trials.switching import StartRule

METER = Accuracy(percent_of_reading=0.3, counts=1, resolution=0.1, full_scale=300)
VANE = Accuracy(offset=0.02, resolution=0.01, full_scale=45)


def voltmeter(name: str, accuracy: Accuracy = METER) -> Channel:
    return Channel(name, name, "voltage", "V", "", name, 0, accuracy, 0.5)


BOTH = (voltmeter("supply"), voltmeter("machine"))


def anemometer(accuracy: Accuracy = VANE, *, subtract_idle: bool = False) -> Channel:
    return Channel(
        "velocity", "Velocity", "velocity", "m/s", "duct", "vane", 0, accuracy, 0.5,
        subtract_idle,
    )  # fmt: skip


def pair_item(difference_v: float, *, count: int = 20, level_v: float = 230.0) -> Item:
    return judge_pair_readings(
        "pair:machine", [(level_v, level_v + difference_v)] * count, BOTH
    )


# ---- both voltmeters on one outlet


def test_a_difference_that_both_accuracies_allow_is_done() -> None:
    item = pair_item(0.3)
    assert item.verdict is ItemVerdict.DONE
    # Two steps of 0.1 V, uniform: 1.96 * sqrt(2) * 0.1 / sqrt(12).
    assert item.figures["expanded_uncertainty_v"] == pytest.approx(0.0800, abs=1e-4)
    # 0.3 % of 230 V and one count, about, for each: 1.96 * sqrt(2) * 0.79 / sqrt(3).
    assert item.figures["allowed_v"] == pytest.approx(1.264, abs=1e-3)
    assert "machine less supply: 0.300 ± 0.080 V at 230 V" in item.finding


@pytest.mark.parametrize("difference_v", [1.4, -1.4])
def test_a_difference_beyond_both_accuracies_is_refused(difference_v: float) -> None:
    item = pair_item(difference_v)
    assert item.verdict is ItemVerdict.REFUSED
    assert "allow ± 1.3 V: see that both are on one outlet" in item.finding


def test_a_difference_that_may_be_within_is_not_refused() -> None:
    # 1.30 V less its 0.08 V is within 1.264 V.
    assert pair_item(1.30).verdict is ItemVerdict.DONE


def test_a_dead_outlet_tells_nothing() -> None:
    item = pair_item(0.0, level_v=0.2)
    assert item.verdict is ItemVerdict.REFUSED
    assert "the outlet is dead" in item.finding


def load(name: str, unit: str, accuracy: Accuracy) -> Channel:
    return Channel(name, "", name.partition("_")[0], unit, "", name, 0, accuracy, 0.5)


CURRENT = load(
    "current", "A", Accuracy(percent_of_reading=0.5, counts=3, resolution=0.01)
)
POWER = load("power", "W", Accuracy(resolution=1.0))


def test_a_pair_is_refused_while_a_current_shows_that_something_runs() -> None:
    shown = [(CURRENT, [5.4, 5.6]), (POWER, [0.0, 1.0])]
    item = judge_loads("pair:machine", shown, None)
    assert item is not None
    assert item.verdict is ItemVerdict.REFUSED
    assert item.finding == (
        "current shows 5.5 A, so something runs: switch the machine off and read again"
    )


BARE = load("power", "W", Accuracy())


@pytest.mark.parametrize(
    ("channel", "standby", "running"),
    [
        (BARE, 0.6, 21.0),
        (POWER, -3.0, -21.0),
        (CURRENT, 0.04, 0.11),
        (load("current_small", "mA", Accuracy()), 40.0, 110.0),
        (load("power_large", "kW", Accuracy()), 0.001, 0.021),
    ],
)
def test_standby_is_a_remark_and_only_what_runs_refuses_a_pair(
    channel: Channel, standby: float, running: float
) -> None:
    assert judge_loads("pair:machine", [(channel, [standby] * 20)], None) is None
    remark = standby_remark([(channel, [standby] * 20)], None)
    assert remark.startswith(f"{channel.name} shows {standby:g} ")
    assert remark.endswith(", taken for standby")
    item = judge_loads("pair:machine", [(channel, [running] * 20)], None)
    assert item is not None
    assert item.verdict is ItemVerdict.REFUSED
    assert standby_remark([(channel, [running] * 20)], None) == ""


def test_the_plan_says_below_what_its_start_channel_means_off() -> None:
    shown, start = [(BARE, [40.0] * 20)], StartRule("power", 200.0, 50.0, 1.0)
    assert judge_loads("pair:machine", shown, start) is None
    assert standby_remark(shown, start) == "power shows 40 W, taken for standby"
    assert judge_loads("pair:machine", [(BARE, [60.0] * 20)], start) is not None
    other = StartRule("current", 1.0, 0.5, 1.0)
    assert judge_loads("pair:machine", shown, other) is not None


def test_what_meters_may_show_of_no_load_is_not_worth_a_remark() -> None:
    # Three counts of 0.01 A, uniform: 1.96 * 0.03 / sqrt(3) = 0.034.
    shown = [(CURRENT, [0.03] * 20), (POWER, [])]
    assert judge_loads("pair:machine", shown, None) is None
    assert standby_remark(shown, None) == ""
    # A meter that may be off by more than what is usual in standby is not taken for a machine.
    coarse = load("power", "W", Accuracy(offset=100.0, resolution=1.0))
    assert judge_loads("pair:machine", [(coarse, [60.0] * 20)], None) is None


def test_too_few_pairs_are_to_be_read_again() -> None:
    item = pair_item(0.0, count=3)
    assert item.verdict is ItemVerdict.TO_DO
    assert "3 readings of both came near enough in time, expected 10" in item.finding
    assert not item.figures


def test_without_stated_accuracies_there_is_nothing_to_hold_it_against() -> None:
    bare = (voltmeter("a", Accuracy()), voltmeter("b", Accuracy()))
    item = judge_pair_readings("pair:b", [(230.0, 240.0)] * 20, bare)
    assert item.verdict is ItemVerdict.DONE
    assert "neither maker's accuracy is stated" in item.finding


@pytest.mark.parametrize("other_v", [230.1, 235.0])
def test_one_stated_accuracy_alone_refuses_nothing(other_v: float) -> None:
    one_only = (voltmeter("a"), voltmeter("b", Accuracy(resolution=0.1)))
    item = judge_pair_readings("pair:b", [(230.0, other_v)] * 20, one_only)
    assert item.verdict is ItemVerdict.DONE
    assert "only the accuracy of a is stated (± 0.89 V)" in item.finding


def test_each_reading_is_paired_with_the_nearest_in_time() -> None:
    first = [(0.0, 1.0), (1.0, 2.0), (2.0, 3.0)]
    second = [(0.2, 10.0), (0.9, 20.0), (2.4, 30.0)]
    assert paired(first, second) == ((1.0, 10.0), (2.0, 20.0), (3.0, 30.0))
    assert paired(first, []) == ()


def test_no_reading_is_used_for_two_pairs() -> None:
    # One meter four times as fast as the other: as many pairs as the slower has readings, each with the nearest.
    fast = [(0.25 * n, float(n)) for n in range(80)]
    slow = [(1.0 * n + 0.05, 100.0 + n) for n in range(20)]
    assert paired(fast, slow) == tuple((4.0 * n, 100.0 + n) for n in range(20))


def test_readings_far_apart_in_time_are_no_pair() -> None:
    # The second meter answered only after the first had stopped.
    first = [(1.0 * n, 230.0) for n in range(20)]
    late = [(25.0 + n, 231.0) for n in range(20)]
    assert paired(first, late) == ()
    # And one that was silent in the middle gives no pairs there.
    broken = [(at_s, 230.0) for at_s, _ in first if not 5.0 < at_s < 12.0]
    assert len(paired(first, broken)) == len(broken)


def test_meters_read_half_an_interval_apart_give_enough_pairs() -> None:
    random = Random(3)  # noqa: S311 - noise, no secret
    for _ in range(200):
        first, second = (
            [(n + shift_s + random.gauss(0.0, 0.05), 230.0) for n in range(20)]
            for shift_s in (0.0, 0.5)
        )
        assert len(paired(first, second)) >= LEAST_PAIRS


@pytest.mark.slow
def test_the_uncertainty_of_the_difference_covers_the_true_one() -> None:
    random = Random(7)  # noqa: S311 - noise, no secret
    covered = 0
    for _ in range(400):
        true_v = random.uniform(-0.5, 0.5)
        pairs = []
        for _ in range(20):
            level_v = 230.0 + random.gauss(0.0, 0.2)
            one_v = level_v + random.gauss(0.0, 0.08)
            other_v = level_v + true_v + random.gauss(0.0, 0.08)
            pairs.append((round(one_v, 1), round(other_v, 1)))
        found = pair_difference(pairs, BOTH)
        covered += abs(found.difference_v - true_v) <= found.expanded_uncertainty_v
    # Stated for 95 %; three standard deviations of 400 draws are 3.3 %.
    assert covered / 400 >= 0.917


def test_a_kept_difference_is_read_again_and_one_without_figures_is_not() -> None:
    pair = pair_difference([(230.0, 230.3)] * 20, BOTH)
    entry = Entry("pair:machine", "", "measured", "", figures_of(pair))
    assert pair_of_entry(entry) == pair
    assert pair_of_entry(Entry("pair:machine", "", "measured", "")) is None


# ---- the zero without flow


def zero_item(values: list[float], channel: Channel | None = None) -> Item:
    readings = [(0.5 * number, value) for number, value in enumerate(values)]
    return judge_zero_readings("zero:velocity", readings, channel or anemometer())


def test_a_still_zero_is_done() -> None:
    item = zero_item([0.0, 0.01] * 10)
    assert item.verdict is ItemVerdict.DONE
    assert item.figures["mean"] == pytest.approx(0.005)
    assert item.figures["unit"] == "m/s"


def test_an_error_at_zero_is_that_of_the_offset_and_two_steps_at_least() -> None:
    # Rectangular, k = 1.96: 1.96 * 0.02 / sqrt(3).
    assert allowed_at_zero(VANE) == pytest.approx(0.0226, abs=1e-4)
    assert allowed_at_zero(Accuracy(resolution=0.1)) == pytest.approx(0.2)


def test_air_that_flutters_is_refused() -> None:
    item = zero_item([0.0, 0.1] * 10)
    assert item.verdict is ItemVerdict.REFUSED
    assert "not still: readings spread by 0.051 m/s" in item.finding


def test_a_ramp_is_never_still() -> None:
    # Spread of a ramp of 0.06 over 20 readings: 0.06 / sqrt(12), about, is less than the 0.0226 that are allowed.
    item = zero_item([0.06 * number / 19 for number in range(20)])
    assert item.verdict is ItemVerdict.REFUSED
    assert "not still: it drifted by 0.06 m/s" in item.finding


def test_steady_air_through_an_inlet_that_is_not_capped_is_refused() -> None:
    item = zero_item([3.0] * 20)
    assert item.verdict is ItemVerdict.REFUSED
    assert "that is no zero" in item.finding


def test_a_zero_that_is_still_and_off_is_to_be_mended() -> None:
    item = zero_item([0.05] * 20)
    assert item.verdict is ItemVerdict.TO_DO
    assert "zero the meter by its key, or set subtract_idle = true" in item.finding


def test_a_zero_that_is_taken_off_anyway_may_be_off() -> None:
    item = zero_item([0.05] * 20, anemometer(subtract_idle=True))
    assert item.verdict is ItemVerdict.DONE


def test_noise_within_what_the_meter_states_is_hardly_ever_refused() -> None:
    random = Random(11)  # noqa: S311 - noise, no secret
    refused = 0
    for _ in range(400):
        values = [round(random.gauss(0.0, 0.01), 2) for _ in range(20)]
        refused += zero_item(values).verdict is ItemVerdict.REFUSED
    assert refused <= 4


def test_the_uncertainty_of_the_zero_covers_the_true_one() -> None:
    random = Random(5)  # noqa: S311 - noise, no secret
    covered = 0
    for _ in range(400):
        true = random.uniform(-0.02, 0.02)
        readings = [(0.5 * n, random.gauss(true, 0.01)) for n in range(20)]
        zero = measured_zero(readings, 0.0)
        covered += math.fabs(zero.mean - true) <= zero.expanded_uncertainty
    assert covered / 400 >= 0.917


def test_a_zero_that_stands_still_is_known_to_the_displays_step_only() -> None:
    zero = measured_zero([(0.5 * n, 0.01) for n in range(20)], 0.01)
    # GUM, F.2.2.1: u = step / sqrt(12), expanded by 1.96.
    assert zero.expanded_uncertainty == pytest.approx(1.96 * 0.01 / 12**0.5, rel=1e-3)


def test_the_uncertainty_of_a_zero_on_a_coarse_display_covers_the_true_one() -> None:
    random = Random(9)  # noqa: S311 - noise, no secret
    covered = 0
    for _ in range(400):
        true = random.uniform(-0.02, 0.02)
        shown = [round(random.gauss(true, 0.001), 2) for _ in range(20)]
        zero = measured_zero([(0.5 * n, value) for n, value in enumerate(shown)], 0.01)
        covered += math.fabs(zero.mean - true) <= zero.expanded_uncertainty
    assert covered / 400 >= 0.917


def test_too_few_readings_of_a_zero_are_refused() -> None:
    assert "2 readings of velocity came" in zero_item([0.0, 0.0]).finding
