"""Air pressure as people state it, and the bench's air held against it."""

import pytest

from daq.checklist.air import (
    air_question,
    judge_air,
    needs_answer,
    parse_air_answer,
)
from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import Entry
from daq.checklist.pressures import bench_lines, parse_stated
from daq.comparison.rules import Air
from daq.physics.atmosphere import PressureKind

TODAY = "2026-11-30T08:00:00.000Z"
STATION = Air(
    temperature_c=20.0, pressure_hpa=914.0, pressure_kind=PressureKind.STATION
)
ALTITUDE = Air(temperature_c=20.0, altitude_m=914.0)
BAROMETER = Air(temperature_c=20.0, altitude_m=914.0, pressure_channel="room_pressure")


def answered(text: str) -> Entry:
    return Entry("air", "", text, TODAY)


def judged(
    air: Air | None, answer: str | None = None, *, measured_hpa: float | None = None
) -> Item:
    entry = answered(answer) if answer else None
    return judge_air(air, has_airflow=True, entry=entry, measured_hpa=measured_hpa)


# ---- statements


@pytest.mark.parametrize(
    ("text", "at_bench_pa"),
    [
        ("station 1004.2 hPa", 100420.0),
        ("Station 1004.2", 100420.0),
        ("QFE 1004.2 mbar", 100420.0),
        ("station 100.42 kPa", 100420.0),
        # 29.92 inHg are 1013.21 hPa (NIST SP 811, B.8).
        ("station 29.92 inHg", 101321.0),
        # The example of the formula's docstring, of a geopotential altitude: 0.13 m more of it are 1.5 Pa.
        ("QNH 1020 hPa 914 m", 91434.0),
        ("qnh 1020, 914m", 91434.0),
        ("QNH 1020 hPa 2998.7 ft", 91434.0),
        # U.S. Standard Atmosphere, 1976: 908.16 hPa in 914 m.
        ("altitude 914 m", 90816.0),
    ],
)
def test_a_statement_gives_the_pressure_at_the_bench(
    text: str, at_bench_pa: float
) -> None:
    stated = parse_stated(text)
    assert stated.at_bench.pressure_pa == pytest.approx(at_bench_pa, abs=3.0)


def test_a_pressure_reduced_with_the_days_temperature_is_less_sure() -> None:
    qnh = parse_stated("QNH 1019 hPa 914 m").at_bench
    qff = parse_stated("QFF 1019 hPa 914 m").at_bench
    assert qff.pressure_pa == pytest.approx(qnh.pressure_pa)
    # 0.38 % for 914 m and 10 K, and 15 K without any temperature.
    assert qff.std_uncertainty_pa == pytest.approx(0.0058 * qff.pressure_pa, rel=0.02)
    assert qnh.std_uncertainty_pa == pytest.approx(90.0, abs=1.0)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("1013 hPa", "got '1013 hPa', expected \"station 1004.2 hPa\""),
        ("QNH 1013,2 hPa 914 m", "decimals take a point"),
        ("QNH 1019 hPa", "QNH is not the bench's own pressure"),
        ("QFF 1019 hPa", "QFF is not the bench's own pressure"),
        ("altitude 914", "expected"),
        ("QNH 1019 hPa 914 m 20 C", "QNH does not go with the day's temperature"),
        ("QFF 1019 hPa 914 m 80 C", "temperature of the air 80"),
        ("station 10 hPa", "pressure at the bench"),
        ("QNH 1019 hPa 9140 m", "got 'QNH 1019 hPa 9140 m': altitude 9140 m, expected -1000 to 6000"),
        ("QFF 1019 hPa 20000 ft", "got 'QFF 1019 hPa 20000 ft': altitude 6096 m, expected -1000 to 6000"),
        ("sea level 1019 hPa 914 m", "expected"),
        ("", "got ''"),
    ],
)  # fmt: skip
def test_what_could_be_read_in_two_ways_is_refused(text: str, problem: str) -> None:
    with pytest.raises(ValueError, match=r"expected|outside") as caught:
        parse_air_answer(text)
    assert problem in str(caught.value)


def test_a_statement_becomes_lines_for_the_bench() -> None:
    lines = bench_lines(parse_stated("QNH 1020 hPa 914 m"))
    assert lines.startswith('pressure_hpa = 914.4, pressure_kind = "station", ')
    assert bench_lines(parse_stated("altitude 3000 ft")) == "altitude_m = 914.4"


@pytest.mark.parametrize("text", ["QFF 1019 hPa 914 m -10 C", "qff 1019, 914m, -10°C"])
def test_a_qff_goes_back_with_the_temperature_outdoors(text: str) -> None:
    stated = parse_stated(text, bench_air_c=20.0)
    # 1019 hPa exp(-9.80665 x 914/(287.053 x (263.15 + 0.00325 x 914))).
    assert stated.at_bench.pressure_pa == pytest.approx(906.18e2, abs=5.0)
    # 5 K of 266 K, times 0.117: 0.22 %.
    assert stated.at_bench.std_uncertainty_pa == pytest.approx(221.0, abs=3.0)
    assert stated.taken == "-10 °C outdoors"


def test_the_benchs_air_moves_a_qff_but_makes_it_no_surer() -> None:
    hot = parse_stated("QFF 1019 hPa 914 m", bench_air_c=35.0)
    told = parse_stated("QFF 1019 hPa 914 m 35 C")
    assert hot.at_bench.pressure_pa == pytest.approx(told.at_bench.pressure_pa)
    assert hot.at_bench.std_uncertainty_pa > 2.0 * told.at_bench.std_uncertainty_pa
    assert hot.taken == "35 °C of the bench's air"


# ---- the bench


def test_without_an_airflow_the_air_does_not_matter() -> None:
    item = judge_air(None, has_airflow=False, entry=None, measured_hpa=None)
    assert item.verdict is ItemVerdict.NOT_APPLICABLE


def test_a_bench_without_air_is_asked_and_told_what_to_write() -> None:
    assert needs_answer(None)
    assert judged(None).verdict is ItemVerdict.TO_DO
    item = judged(None, "QNH 1020 hPa 914 m")
    assert item.verdict is ItemVerdict.TO_DO
    assert "write a table [air]" in item.finding
    assert "pressure_hpa = 914.4" in item.finding


def test_a_pressure_in_the_file_is_of_some_day() -> None:
    assert needs_answer(STATION)
    assert '"yes" if the 914 hPa of the bench are of today' in air_question(STATION)
    assert judged(STATION).verdict is ItemVerdict.TO_DO
    item = judged(STATION, "yes")
    assert item.verdict is ItemVerdict.DONE
    assert "914.0 ± 2.0 hPa, of today" in item.finding


@pytest.mark.parametrize(
    ("answer", "verdict"),
    [
        # Within 2 sqrt(1.0² + 1.0²) hPa of 914.
        ("station 916.5 hPa", ItemVerdict.DONE),
        ("station 917.5 hPa", ItemVerdict.TO_DO),
        ("QNH 1020 hPa 914 m", ItemVerdict.DONE),
    ],
)
def test_a_pressure_in_the_file_is_held_against_todays(
    answer: str, verdict: ItemVerdict
) -> None:
    assert judged(STATION, answer).verdict is verdict


def test_a_reduced_pressure_that_is_stated_as_the_benchs_own_is_refused() -> None:
    air = Air(
        temperature_c=20.0,
        pressure_hpa=1019.0,
        pressure_kind=PressureKind.STATION,
        altitude_m=914.0,
    )
    for item in (judged(air, "yes"), judged(STATION, "station 1019 hPa 914 m")):
        assert item.verdict is ItemVerdict.REFUSED
        assert "it looks reduced to sea level" in item.finding


def test_a_measured_temperature_takes_the_place_of_the_benchs_figure_for_a_qff() -> (
    None
):
    cold = judge_air(
        STATION,
        has_airflow=True,
        entry=answered("QFF 1019 hPa 914 m"),
        measured_hpa=None,
        measured_c=-10.0,
    )
    assert "taken back with -10 °C of the bench's air" in cold.finding
    stated = judged(STATION, "QFF 1019 hPa 914 m")
    assert "taken back with 20 °C of the bench's air" in stated.finding


def test_an_altitude_alone_will_do() -> None:
    assert not needs_answer(ALTITUDE)
    item = judged(ALTITUDE)
    assert item.verdict is ItemVerdict.DONE
    # 1.5 % for one standard uncertainty.
    assert "908.2 ± 27.2 hPa" in item.finding


@pytest.mark.parametrize(
    ("measured_hpa", "verdict"),
    [
        (910.0, ItemVerdict.DONE),
        (1019.0, ItemVerdict.REFUSED),
        (10.0, ItemVerdict.REFUSED),
        (None, ItemVerdict.TO_DO),
    ],
)
def test_a_barometer_is_held_against_the_altitude(
    measured_hpa: float | None, verdict: ItemVerdict
) -> None:
    assert not needs_answer(BAROMETER)
    assert judged(BAROMETER, measured_hpa=measured_hpa).verdict is verdict
