"""Settled levels into trial averages, against combinations worked by hand."""

import math

import pytest

from daq.records import Accuracy, Channel, Window
from daq.settling.level import LevelEstimate
from daq.trials.averaging import trial_average

WINDOW = Window(40.0, 140.0)


def _channel(accuracy: Accuracy) -> Channel:
    return Channel(
        name="supply_voltage",
        title="Supply voltage",
        quantity="voltage",
        unit="V",
        place="supply end",
        instrument="meter",
        field_index=0,
        accuracy=accuracy,
        interval_s=1.0,
    )


def _level(
    *, u: float = 0.12, nu: float = 8.0, half_step: float = 0.0
) -> LevelEstimate:
    return LevelEstimate(
        mean=120.0,
        plain_mean=120.1,
        std_uncertainty=u,
        degrees_of_freedom=nu,
        half_step=half_step,
        expanded_uncertainty=2.31 * u,
        count=100,
        effective_count=9.0,
    )


def test_readings_and_makers_statement_combine_as_in_the_gum() -> None:
    # u_B = (0.5 % of 120 V + 2 x 0.1 V)/sqrt(3) = 0.46188 V; u_A = 0.12 V with 8 degrees of freedom:
    # u_c = 0.47721 V, nu_eff = u_c^4/(0.12^4/8) = 2001;
    # k = z + (z^3 + z)/(4 nu) = 1.9611 with z = 1.95996 (Abramowitz and Stegun 26.7.5).
    channel = _channel(Accuracy(0.5, counts=2, resolution=0.1))
    average = trial_average(channel, _level(), WINDOW, required=True)
    assert average.std_uncertainty_type_a == 0.12
    assert average.std_uncertainty_type_b == pytest.approx(0.46188, abs=1e-5)
    assert average.std_uncertainty == pytest.approx(0.47721, abs=1e-5)
    assert average.degrees_of_freedom == pytest.approx(2001.0, abs=1.0)
    assert average.coverage_factor == pytest.approx(1.9611, abs=1e-4)
    assert average.expanded_uncertainty == pytest.approx(1.9611 * 0.47721, abs=1e-4)


def test_few_degrees_of_freedom_make_the_factor_larger() -> None:
    # u_B = 0.05/sqrt(3) is small: nu_eff = (0.12^2 + 0.0008333)^2/(0.12^4/8) = 8.95; GUM Table G.2, t95(8) = 2.31.
    channel = _channel(Accuracy(absolute=0.05))
    average = trial_average(channel, _level(), WINDOW, required=True)
    assert average.degrees_of_freedom == pytest.approx(8.953, abs=0.001)
    assert average.coverage_factor == pytest.approx(2.31, abs=0.005)


def test_hidden_rounding_counts_where_the_maker_states_no_counts() -> None:
    # Half a step of 0.1 V: 0.05/sqrt(3), beside 0.5 % of 120 V: 0.6/sqrt(3).
    channel = _channel(Accuracy(0.5, resolution=0.1))
    average = trial_average(channel, _level(half_step=0.05), WINDOW, required=True)
    assert average.std_uncertainty_type_b == pytest.approx(
        math.hypot(0.6, 0.05) / math.sqrt(3.0)
    )


def test_hidden_rounding_is_not_counted_twice_where_counts_are_stated() -> None:
    channel = _channel(Accuracy(0.5, counts=2, resolution=0.1))
    plain = trial_average(channel, _level(), WINDOW, required=True)
    coarse = trial_average(channel, _level(half_step=0.05), WINDOW, required=True)
    assert coarse.std_uncertainty_type_b == plain.std_uncertainty_type_b


def test_what_is_no_uncertainty_is_handed_on_as_it_is() -> None:
    average = trial_average(_channel(Accuracy()), _level(), WINDOW, required=False)
    assert average.channel == "supply_voltage"
    assert average.unit == "V"
    assert (average.mean, average.plain_mean) == (120.0, 120.1)
    assert (average.count, average.effective_count) == (100, 9.0)
    assert average.degrees_of_freedom_a == 8.0
    assert average.window == WINDOW
    assert not average.required
