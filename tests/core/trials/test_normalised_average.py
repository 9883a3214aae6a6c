"""An average at a reference voltage: what normalising adds to its uncertainty, by hand."""

import math
from dataclasses import replace

import pytest

from daq.records import (
    Accuracy,
    Channel,
    Contribution,
    Evaluation,
    NormalisedBy,
    TrialAverage,
    Window,
)
from daq.settling.level import LevelEstimate
from daq.trials.averaging import trial_averages
from daq.uncertainty import combine

WINDOW = Window(130.0, 190.0)
SUPPLY = Channel(
    *("supply", "Supply voltage", "voltage", "V", "supply end", "meter", 0),
    accuracy=Accuracy(percent_of_reading=0.4, resolution=0.1),
    interval_s=1.0,
)
POWER = Channel(
    *("power", "Power", "power", "W", "machine end", "meter", 1),
    accuracy=Accuracy(percent_of_reading=0.5, resolution=0.1),
    interval_s=1.0,
)
BY = NormalisedBy("supply", 230.0, 1.8, 0.05, 40.0, 227.0)
LEVELS = {
    "supply": LevelEstimate(227.0, 227.0, 0.05, 9.0, 0.05, 0.1, 60, 10.0),
    "power": replace(
        LevelEstimate(1200.0, 1172.0, 0.6, 12.0, 0.0, 1.4, 60, 13.0), normalised=BY
    ),
}


def averaged(
    voltmeter: Channel = SUPPLY, **levels: LevelEstimate
) -> dict[str, TrialAverage]:
    averages = trial_averages(
        [voltmeter, POWER], {**LEVELS, **levels}, WINDOW, required=["power"], idle={}
    )
    return {a.channel: a for a in averages}


def named(average: TrialAverage) -> dict[str, Contribution]:
    return {part.name: part for part in average.contributions}


def test_both_means_are_reported_and_what_the_one_was_normalised_by() -> None:
    power = averaged()["power"]
    assert (power.mean, power.plain_mean) == (1200.0, 1172.0)
    assert power.normalised == BY
    assert averaged()["supply"].normalised is None


def test_exponent_and_voltmeter_are_contributions_of_their_own() -> None:
    power = averaged()["power"]
    parts = named(power)
    # u(k) ln(V0/V) mean; k mean u_B(V)/V with u_B(V) = hypot(0.4 % of 227 V, half a hidden step of 0.05 V)/sqrt(3).
    of_exponent = 0.05 * math.log(230.0 / 227.0) * 1200.0
    of_voltmeter = 1.8 * 1200.0 / 227.0 * math.hypot(0.908, 0.05) / math.sqrt(3.0)
    assert parts["exponent of the voltage"].std_uncertainty == pytest.approx(
        of_exponent
    )
    assert parts["exponent of the voltage"].degrees_of_freedom == 40.0
    assert parts["reference voltage"].std_uncertainty == pytest.approx(of_voltmeter)
    assert parts["reference voltage"].kind is Evaluation.TYPE_B
    assert power.std_uncertainty_type_a == pytest.approx(math.hypot(0.6, of_exponent))
    of_meter = 6.0 / math.sqrt(3.0)
    assert power.std_uncertainty_type_b == pytest.approx(
        math.hypot(of_voltmeter, of_meter)
    )
    assert power.expanded_uncertainty == pytest.approx(
        combine(power.contributions).expanded_uncertainty
    )


def test_a_plain_average_has_neither() -> None:
    plain = averaged(power=replace(LEVELS["power"], normalised=None))["power"]
    assert set(named(plain)) == {"scatter and drift", "accuracy"}
    assert plain.normalised is None


def test_counts_contain_the_voltmeters_step() -> None:
    counting = replace(SUPPLY, accuracy=Accuracy(counts=2, resolution=0.1))
    part = named(averaged(counting)["power"])["reference voltage"]
    expected = 1.8 * 1200.0 / 227.0 * 0.2 / math.sqrt(3.0)
    assert part.std_uncertainty == pytest.approx(expected)


def test_a_voltmeter_of_which_nothing_is_stated_adds_nothing() -> None:
    silent = replace(SUPPLY, accuracy=Accuracy())
    supply = replace(LEVELS["supply"], half_step=0.0)
    assert "reference voltage" not in named(averaged(silent, supply=supply)["power"])
