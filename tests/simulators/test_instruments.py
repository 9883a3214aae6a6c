"""What meters make of the physics: accuracy, refresh, averaging, range."""

import math
from dataclasses import replace
from decimal import Decimal
from statistics import fmean, stdev

import pytest

from simulators.instruments import Meter, Sense
from simulators.kinds import KINDS
from simulators.models.operating import (
    OperatingPoint,
    Temperatures,
    quantities_at,
)
from simulators.rig import seeded

EXACT = Sense("velocity", Decimal("0.01"), full_scale=40.0)


def point(
    *,
    velocity_m_per_s: float = 0.0,
    air_c: float = 20.0,
    current_a: float = 0.0,
    voltage_v: float = 230.0,
    power_w: float = 0.0,
    duct_pa: float = 0.0,
    room: float = 0.0,
) -> OperatingPoint:
    return OperatingPoint(
        current_a=current_a,
        supply_end_v=voltage_v,
        machine_end_v=voltage_v,
        supply_end_w=power_w,
        machine_end_w=power_w,
        speed_rad_per_s=0.0,
        velocity_m_per_s=velocity_m_per_s,
        duct_pa=duct_pa,
        temperatures=Temperatures(20.0, 20.0, air_c),
        room=dict.fromkeys(("temperature", "humidity", "barometric pressure"), room),
    )


def meter_of(
    *senses: Sense,
    place: str = "duct",
    refresh_s: float = 0.1,
    averaging_s: float = 0.1,
    seed: int = 1,
) -> Meter:
    return Meter(
        place=place,
        senses=senses,
        refresh_s=refresh_s,
        averaging_s=averaging_s,
        random=seeded(seed, "meter"),
    )


def _place_of(kind: str) -> str:
    """A place where everything is that a kind of meter senses."""
    quantities = set(KINDS[kind].quantities)
    places = ("machine end", "duct", "room")
    return next(
        place
        for place in places
        if quantities <= set(quantities_at(place, air_place="duct"))
    )


@pytest.mark.slow
@pytest.mark.parametrize("kind", sorted(KINDS))
def test_errors_stay_inside_the_stated_accuracy_over_many_runs(kind: str) -> None:
    senses = [
        replace(sense, noise_percent=0.0, noise_counts=0.0)
        for sense in KINDS[kind].senses
    ]
    place = _place_of(kind)
    worst = 0.0
    for seed in range(150):
        for share in (0.02, 0.1, 0.3, 0.6):
            true = point(
                velocity_m_per_s=28.0 * share,
                duct_pa=2400.0 * share,
                room=55.0 * share,
                air_c=100.0 * share - 10.0,
                voltage_v=290.0 * share,
                current_a=15.0 * share,
                power_w=290.0 * 15.0 * share**2 * 0.95,
            )
            meter = meter_of(*senses, place=place, seed=seed)
            meter.observe(true, at_s=seed * 30.0)
            for sense in senses:
                value = true.value(place, sense.quantity)
                off = abs(meter.shown(sense.quantity) - value)
                # 1e-9 for the rounding of binary numbers.
                assert off <= sense.allowed(value) + 1e-9
                worst = max(worst, off / sense.allowed(value))
    # The errors are really there: some run uses most of what is allowed.
    assert worst > 0.6


def test_a_meter_holds_its_display_between_two_refreshes() -> None:
    meter = meter_of(EXACT, refresh_s=1.0)
    shown = []
    for sample in range(100):
        now_s = sample * 0.1
        meter.observe(point(velocity_m_per_s=now_s), now_s)
        shown.append(meter.shown("velocity"))
    # Ten seconds, one refresh a second, and one at the very start.
    assert len(set(shown)) == meter.refreshes
    assert meter.refreshes in (10, 11)


def test_a_meter_shows_the_mean_over_its_own_window() -> None:
    meter = meter_of(EXACT, averaging_s=1.0)
    for sample in range(30):
        meter.observe(point(velocity_m_per_s=sample * 0.1), sample * 0.1)
    # The last ten samples are 2.0, 2.1 ... 2.9; their mean is 2.45.
    assert meter.shown("velocity") == pytest.approx(2.45, abs=0.011)


def test_a_reading_is_a_whole_number_of_counts() -> None:
    sense = replace(EXACT, percent=1.0, counts=2, noise_percent=0.5)
    meter = meter_of(sense)
    for sample in range(100):
        meter.observe(point(velocity_m_per_s=12.3456), sample * 0.1)
        counts = meter.shown("velocity") / 0.01
        assert counts == pytest.approx(round(counts), abs=1e-6)


def test_noise_has_the_stated_size() -> None:
    meter = meter_of(replace(EXACT, noise_percent=0.5))
    shown = []
    for sample in range(4000):
        meter.observe(point(velocity_m_per_s=20.0), sample * 0.1)
        shown.append(meter.shown("velocity"))
    # 0.5 % of 20 m/s = 0.1 m/s; four standard errors of mean and of spread.
    assert fmean(shown) == pytest.approx(20.0, abs=4 * 0.1 / math.sqrt(4000))
    assert stdev(shown) == pytest.approx(0.1, rel=4 / math.sqrt(8000) + 0.01)


def test_beyond_its_range_a_meter_shows_infinity() -> None:
    meter = meter_of(EXACT)
    meter.observe(point(velocity_m_per_s=40.5), 0.0)
    assert meter.shown("velocity") == math.inf


def test_an_undefined_power_factor_is_shown_as_such() -> None:
    kind = KINDS["power-analyser-query"]
    meter = meter_of(*kind.senses, place="machine end")
    meter.observe(point(), 0.0)
    assert math.isnan(meter.shown("power factor"))
    assert meter.shown("current") <= 0.002


def test_only_a_temperature_goes_below_zero() -> None:
    meter = meter_of(*KINDS["vane-anemometer-stream"].senses)
    for sample in range(50):
        meter.observe(point(air_c=-10.0), sample * 0.1)
        assert meter.shown("velocity") >= 0
    assert meter.shown("temperature") == pytest.approx(-10, abs=1.0)
