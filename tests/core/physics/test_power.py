"""Power factor and its kin, against closed forms and the definitions on a synthetic waveform."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.physics.power import (
    apparent_power,
    energy_cost,
    energy_wh,
    interval_power_factor,
    nonactive_power,
    power_factor,
)

# Harmonics of an invented load: order, rms, degrees.
VOLTS = ((1, 120.0, 0.0), (3, 3.0, 10.0))
AMPERES = ((1, 10.0, -20.0), (3, 2.0, -60.0), (5, 1.0, 30.0))


def _wave(parts):
    angle = np.linspace(0.0, 2.0 * math.pi, 4096, endpoint=False)
    return sum(
        math.sqrt(2.0) * rms * np.sin(order * angle + math.radians(degrees))
        for order, rms, degrees in parts
    )


def test_power_factor_and_nonactive_power_of_distorted_waves_follow_the_definitions() -> (
    None
):
    # IEEE Std 1459-2010, 3.1: P is the mean of v i, S = V I in rms values, N² = S² - P².
    v, i = _wave(VOLTS), _wave(AMPERES)
    power_w = float(np.mean(v * i))
    apparent_va = apparent_power(math.sqrt(np.mean(v**2)), math.sqrt(np.mean(i**2)))
    # By hand, harmonic by harmonic: 120·10·cos 20° + 3·2·cos 70°; (120² + 3²)(10² + 2² + 1²).
    by_hand_w = 1200.0 * math.cos(math.radians(20.0)) + 6.0 * math.cos(
        math.radians(70.0)
    )
    by_hand_va = math.sqrt((120.0**2 + 3.0**2) * 105.0)
    assert power_w == pytest.approx(by_hand_w, rel=1e-9)
    assert apparent_va == pytest.approx(by_hand_va, rel=1e-9)
    assert power_factor(power_w, apparent_va) == pytest.approx(0.91843, abs=5e-6)
    assert nonactive_power(power_w, apparent_va) == pytest.approx(486.5806, abs=1e-3)


def test_a_phase_cut_resistance_has_the_power_factor_of_the_closed_form() -> None:
    # A resistance behind a control that fires at 90°: half the power, rms 1/sqrt(2), so PF = 1/sqrt(2).
    power_w, current_a = 0.5 * 1000.0, 10.0 / math.sqrt(2.0)
    assert power_factor(power_w, apparent_power(100.0, current_a)) == pytest.approx(
        math.sqrt(0.5)
    )


def test_the_power_factor_of_an_interval_weighs_by_apparent_power() -> None:
    # 2200 W of 2340 VA; the mean of the two ratios would be 0.941307.
    assert interval_power_factor([1000.0, 1200.0], [1050.0, 1290.0]) == pytest.approx(
        2200.0 / 2340.0
    )


def test_readings_that_do_not_pair_are_refused() -> None:
    with pytest.raises(ValueError, match="2 readings of power and 1 of apparent"):
        interval_power_factor([1.0, 2.0], [3.0])
    with pytest.raises(ValueError, match="at least one"):
        interval_power_factor([], [])


def test_a_power_factor_above_one_is_refused_with_the_remedy() -> None:
    with pytest.raises(ValueError, match=r"power factor 1\.05 .*scaling"):
        power_factor(1050.0, 1000.0, relative_tolerance=0.02)


def test_a_power_factor_above_one_within_the_meters_tolerance_is_one() -> None:
    assert power_factor(1010.0, 1000.0, relative_tolerance=0.02) == 1.0
    assert nonactive_power(1010.0, 1000.0, relative_tolerance=0.02) == 0.0


def test_power_that_flows_back_has_a_negative_power_factor() -> None:
    assert power_factor(-500.0, 1000.0) == -0.5


@pytest.mark.parametrize("apparent_va", [0.0, -1.0, math.nan, math.inf])
def test_without_apparent_power_there_is_no_power_factor(apparent_va: float) -> None:
    with pytest.raises(ValueError, match="apparent power"):
        power_factor(0.0, apparent_va)


def test_a_reading_that_is_not_a_number_is_refused() -> None:
    with pytest.raises(ValueError, match="power factor nan"):
        power_factor(math.nan, 1000.0)
    with pytest.raises(ValueError, match="voltage"):
        apparent_power(-230.0, 1.0)


def test_energy_and_what_it_costs() -> None:
    # A quarter of an hour of 1250 W; 45.74 W for 500 h at 0.15 the kWh: 22.87 kWh.
    assert energy_wh(1250.0, 900.0) == pytest.approx(312.5)
    energy = energy_wh(45.74, 500.0 * 3600.0)
    assert energy_cost(energy, 0.15) == pytest.approx(22.87 * 0.15)
    with pytest.raises(ValueError, match="duration"):
        energy_wh(1.0, -1.0)
    with pytest.raises(ValueError, match="price"):
        energy_cost(1.0, -0.1)


@given(st.floats(1.0, 5000.0), st.floats(0.0, 1.0))
def test_active_and_nonactive_power_make_up_the_apparent(
    apparent_va: float, factor: float
) -> None:
    power_w = factor * apparent_va
    nonactive = nonactive_power(power_w, apparent_va, relative_tolerance=1e-12)
    assert math.hypot(power_w, nonactive) == pytest.approx(apparent_va, rel=1e-9)
