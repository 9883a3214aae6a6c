"""What a bench says of its air and of how airflow is measured, and what is said of mistakes."""

import math

import pytest

from daq.comparison.rules import Air, Airflow, Orifice, Pitot, Surroundings
from daq.config.surroundings import parse_stored_surroundings
from daq.errors import ConfigurationError
from daq.physics.airflow import AirMeterKind
from daq.physics.atmosphere import PressureKind
from tests.core.comparison.bench_texts import BENCH, compared_bench

AIR = """
[air]
temperature_c = 20
pressure_hpa = 1013.25
pressure_kind = "station"
"""
VELOCITY = """
[[airflow]]
name = "airflow"
channel = "velocity"
meter = "vane"
"""
ROUND = VELOCITY + "diameter_mm = 60\n"
# Meters of pressure, temperature and humidity are not on this bench: its voltage is used where a wrong one is wanted.


def surroundings(text: str) -> Surroundings:
    return compared_bench(BENCH + text).surroundings


def faults(text: str) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        surroundings(text)
    return str(caught.value).split("\n")


# ---- what becomes of it


def test_a_bench_that_says_nothing_has_no_surroundings():
    assert surroundings("") == Surroundings()


def test_figures_of_the_air_are_taken_over():
    found = surroundings(
        AIR
        + "humidity_percent = 40\naltitude_m = 500\nreference_density_kg_per_m3 = 1.204\n"
    )
    assert found.air == Air(
        temperature_c=20.0,
        humidity_percent=40.0,
        pressure_hpa=1013.25,
        pressure_kind=PressureKind.STATION,
        altitude_m=500.0,
        reference_density_kg_per_m3=1.204,
    )


def test_an_altitude_alone_is_enough_for_the_pressure():
    found = surroundings("[air]\ntemperature_c = 20\naltitude_m = 500\n")
    assert found.air is not None
    assert (found.air.pressure_hpa, found.air.altitude_m) == (None, 500.0)


def test_a_round_duct_has_the_area_of_a_circle():
    (airflow,) = surroundings(ROUND + "area_u_percent = 0.5\n").airflows
    assert airflow.area_m2 == pytest.approx(math.pi * 0.03**2)
    assert airflow == Airflow(
        "airflow",
        "Airflow",
        "velocity",
        AirMeterKind.VANE,
        area_m2=airflow.area_m2,
        area_u_percent=0.5,
    )


def test_a_square_duct_has_the_area_of_its_sides():
    (airflow,) = surroundings(VELOCITY + "width_mm = 200\nheight_mm = 50\n").airflows
    assert airflow.area_m2 == pytest.approx(0.01)


def test_a_title_is_made_of_the_name_unless_it_is_stated():
    text = ROUND.replace('"airflow"', '"duct_flow"')
    assert surroundings(text).airflows[0].title == "Duct flow"
    titled = surroundings(text + 'title = "Flow in the duct"\n')
    assert titled.airflows[0].title == "Flow in the duct"


def test_several_airflows_stand_in_their_order():
    found = surroundings(ROUND + ROUND.replace('"airflow"', '"second"'))
    assert [airflow.name for airflow in found.airflows] == ["airflow", "second"]


def test_pitot_and_orifice_come_back_from_a_stored_bench():
    pitot = VELOCITY.replace('"vane"', '"pitot or orifice"') + "diameter_mm = 100\n"
    orifice = VELOCITY.replace('"vane"', '"pitot or orifice with density"')
    found = parse_stored_surroundings(
        f"{pitot}[airflow.pitot]\nfactor = 0.99\n"
        f'{orifice}[airflow.orifice]\nbore_mm = 50\npipe_mm = 100\ntaps = "flange"\n',
        session=1,
    )
    assert found.airflows[0].pitot == Pitot(0.99)
    assert found.airflows[0].meter is AirMeterKind.FIXED_DENSITY
    assert found.airflows[1].orifice == Orifice(50.0, 100.0, "flange")
    assert found.airflows[1].meter is AirMeterKind.OWN_DENSITY


def test_the_rest_of_a_stored_bench_is_not_looked_at():
    text = f'format = 99\nwhatever = true\n[[instrument]]\nname = "gone"\n{AIR}'
    assert parse_stored_surroundings(text, session=1).air is not None


def test_a_stored_bench_that_cannot_be_read_is_named():
    with pytest.raises(ConfigurationError, match="bench of session 7:"):
        parse_stored_surroundings("[air]\ntemperature_c = 20\n", session=7)


# ---- the air


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "[air]\ntemperature_c = 20\npressure_hpa = 1013\n",
            "pressure_hpa and pressure_kind belong together",
        ),
        (
            '[air]\ntemperature_c = 20\npressure_hpa = 1013\npressure_kind = "sea level"\n',
            "reduced to sea level is not that of the bench, expected altitude_m",
        ),
        ("[air]\ntemperature_c = 20\n", "no pressure, expected pressure_channel"),
        ("[air]\naltitude_m = 100\n", "no temperature, expected temperature_channel"),
        (AIR.replace("1013.25", "101325"), "less than or equal to 1100"),
        (AIR.replace('"station"', '"qnh"'), "expected 'station' or 'sea level'"),
        (AIR + "humidity_percent = 130\n", "less than or equal to 100"),
        (
            AIR + 'temperature_channel = "velocty"\n',
            "the bench has no channel 'velocty', and none of temperature",
        ),
        (
            AIR + 'pressure_channel = "velocity"\n',
            "'velocity' is a channel of velocity, and none of pressure",
        ),
    ],
)
def test_air_that_cannot_be_is_refused_with_its_line(text, words):
    (told,) = faults(text)
    assert words in told
    assert told.startswith("bench.toml:")


# ---- airflows


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (VELOCITY, "made from a velocity, expected diameter_mm, or width_mm and"),
        (VELOCITY + "width_mm = 100\n", "width_mm and height_mm belong together"),
        (
            ROUND + "width_mm = 100\nheight_mm = 100\n",
            "diameter_mm and width_mm, height_mm state the same",
        ),
        (
            ROUND
            + "pitot = { factor = 1 }\norifice = { bore_mm = 50, pipe_mm = 100 }\n",
            "pitot and orifice, expected one of them",
        ),
        (
            VELOCITY + "orifice = { bore_mm = 100, pipe_mm = 50 }\n",
            "bore_mm 100 is not below pipe_mm 50",
        ),
        (ROUND.replace('"airflow"', '"power"'), "'power' is taken already"),
        (
            ROUND.replace('"velocity"', '"machine_voltage"'),
            "'machine_voltage' is a channel of voltage, expected one of velocity",
        ),
        (
            ROUND + 'pressure_channel = "velocity"\n',
            "'velocity' is a channel of velocity, and none of pressure",
        ),
        (ROUND.replace('"vane"', '"cup"'), "expected 'vane'"),
        (ROUND + 'unit = "m/s"\n', "expected 'm3/s'"),
    ],
)
def test_an_airflow_that_cannot_be_is_refused_with_its_line(text, words):
    (told,) = faults(text)
    assert words in told
    assert told.startswith("bench.toml:")
