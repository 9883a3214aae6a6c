"""Fan laws: density and speed."""

import pytest

from daq.physics.fan_laws import FanPoint, point_at_density, point_at_speed

MEASURED = FanPoint(100.0, 500.0, 300.0)


def test_thinner_air_takes_pressure_and_power_and_leaves_the_volume() -> None:
    # Conversion rules of ISO 5801 and AMCA 210, by hand: times 1.11735/1.2 = 0.931125.
    thin = point_at_density(MEASURED, 1.2, 1.11735)
    assert thin.flow_m3_per_s == 100.0
    assert thin.pressure_pa == pytest.approx(465.563, abs=1e-3)
    assert thin.power_w == pytest.approx(279.338, abs=1e-3)


def test_speed_acts_by_its_first_second_and_third_power() -> None:
    # By hand: 0.9, 0.81, 0.729.
    slower = point_at_speed(FanPoint(1.0, 1.0, 1.0), 0.9)
    assert slower.flow_m3_per_s == pytest.approx(0.9)
    assert slower.pressure_pa == pytest.approx(0.81)
    assert slower.power_w == pytest.approx(0.729)


def test_there_and_back_is_where_it_was() -> None:
    back = point_at_density(point_at_density(MEASURED, 1.2, 1.0), 1.0, 1.2)
    assert back.pressure_pa == pytest.approx(MEASURED.pressure_pa)
    back = point_at_speed(point_at_speed(MEASURED, 0.8), 1.25)
    assert back.power_w == pytest.approx(MEASURED.power_w)


def test_impossible_ratios_are_refused() -> None:
    with pytest.raises(ValueError, match="density 0 kg/m³"):
        point_at_density(MEASURED, 0.0, 1.2)
    with pytest.raises(ValueError, match="other density -1 kg/m³"):
        point_at_density(MEASURED, 1.2, -1.0)
    with pytest.raises(ValueError, match="speed ratio 0"):
        point_at_speed(MEASURED, 0.0)
