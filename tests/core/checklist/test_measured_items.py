"""Pairs of voltmeters and zeros without flow: what is done, what is refused, and how sure the figures are."""

import math
from random import Random

import pytest

from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import Entry
from daq.checklist.pairs import (
    figures_of,
    judge_pair_readings,
    pair_difference,
    pair_of_entry,
    paired,
)
from daq.checklist.zeros import (
    allowed_at_zero,
    judge_zero_readings,
    measured_zero,
)
from daq.records import Accuracy, Channel

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


def test_too_few_readings_are_refused() -> None:
    item = pair_item(0.0, count=3)
    assert item.verdict is ItemVerdict.REFUSED
    assert "3 readings of both came, expected 20" in item.finding


def test_without_stated_accuracies_there_is_nothing_to_hold_it_against() -> None:
    bare = (voltmeter("a", Accuracy()), voltmeter("b", Accuracy()))
    item = judge_pair_readings("pair:b", [(230.0, 240.0)] * 20, bare)
    assert item.verdict is ItemVerdict.DONE
    assert "neither profile states an accuracy" in item.finding


def test_each_reading_is_paired_with_the_nearest_in_time() -> None:
    first = [(0.0, 1.0), (1.0, 2.0), (2.0, 3.0)]
    second = [(0.2, 10.0), (0.9, 20.0), (2.4, 30.0)]
    assert paired(first, second) == ((1.0, 10.0), (2.0, 20.0), (3.0, 30.0))
    assert paired(first, []) == ()


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
        zero = measured_zero(readings)
        covered += math.fabs(zero.mean - true) <= zero.expanded_uncertainty
    assert covered / 400 >= 0.917


def test_too_few_readings_of_a_zero_are_refused() -> None:
    assert "2 readings of velocity came" in zero_item([0.0, 0.0]).finding
