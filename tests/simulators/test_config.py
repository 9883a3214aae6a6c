"""Simulation files: the two that come along, and what is refused."""

from pathlib import Path

import pytest

from simulators.config import Simulation, load_simulation
from simulators.models.air import Flutter
from simulators.tables import ConfigError

GOOD = (Path(__file__).parents[2] / "configs" / "leads" / "simulation.toml").read_text(
    encoding="utf-8"
)


def problems_of(tmp_path: Path, text: str) -> list[str]:
    file = tmp_path / "simulation.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_simulation(file)
    assert all(line.startswith(f"{file}: ") for line in caught.value.problems)
    return [line.removeprefix(f"{file}: ") for line in caught.value.problems]


def test_the_leads_bench_has_four_conditions_and_two_meters_on_one_line(
    leads: Simulation,
) -> None:
    assert [condition.name for condition in leads.conditions] == [
        "at the outlet",
        "2.5 mm2, 25 m",
        "1.5 mm2, 25 m",
        "1.0 mm2, 40 m",
    ]
    assert [meter.unit for meter in leads.meters_on("mains")] == [1, 2]
    assert str(leads.lines[0].framing) == "38400 8N1"


def test_the_filters_bench_has_four_conditions_and_a_line_with_parity(
    filters: Simulation,
) -> None:
    assert [condition.name for condition in filters.conditions] == [
        "no filter",
        "coarse filter",
        "medium filter",
        "fine filter",
    ]
    assert str(filters.lines[1].framing) == "19200 8E1"


def test_every_fault_of_a_file_is_told_at_once(tmp_path: Path) -> None:
    text = GOOD.replace("nominal_v = 230", 'nominal_v = "high"')
    text = text.replace("warming_s = 55\n", "")
    text = text.replace("area_m2 = 0.00283", "area_m2 = -1")
    text = text.replace('place = "outlet"\narea', 'place = "roof"\narea')
    text = text.replace("cooling_s = 90", "cooling_s = 90\nsize = 3")
    problems = problems_of(tmp_path, text)
    assert "supply.nominal_v: got 'high', expected a number from 1 to 1000" in problems
    assert "motor.warming_s: missing, expected a value" in problems
    assert any(line.startswith("duct.area_m2: got -1, expected") for line in problems)
    assert "duct.place: got 'roof', expected one of duct, outlet" in problems
    assert any(line.startswith("motor.size: unknown key, exp") for line in problems)


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("unit = 2", "unit = 1", "meters: units on 'mains': '1' stands there twice"),
        ("unit = 2", "unit = 300", "meters[2].unit: got 300, expected a whole number"),
        ('line = "air"', 'line = "mains"', "share 'mains', expected units"),
        ('line = "air"', 'line = "gas"', "meters[3].line: got 'gas', expected one"),
        ('line = "air"', 'line = "mains"', "lines: nothing is on 'air'"),
        ('place = "supply end"', 'place = "outlet"', "meters[1].place: no current"),
        ('name = "outlet-air"', 'name = "mains-supply-end"', "stands there twice"),
        ('kind = "vane-anemometer-stream"', 'kind = "x"', "meters[3].kind: got 'x'"),
        ("baud = 38400", "baud = 1.5", "lines[1].baud: got 1.5, expected a whole"),
        ('framing = "8N1"', 'framing = "8N9"', "lines[1].framing: got 38400 8N9"),
        ('name = "air"', 'name = "../air"', "expected a name without /"),
        ("format = 1", "format = 9", "format: got 9, expected a whole number"),
        ("format = 1", "format = [", "expected a TOML file"),
    ],
)
def test_what_does_not_fit_together_is_refused(
    tmp_path: Path, old: str, new: str, problem: str
) -> None:
    assert old in GOOD
    problems = problems_of(tmp_path, GOOD.replace(old, new))
    assert any(problem in line for line in problems), problems


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="expected a TOML file"):
        load_simulation(tmp_path / "nothing.toml")


def test_a_file_may_set_the_times_of_a_meter(tmp_path: Path) -> None:
    file = tmp_path / "simulation.toml"
    own = 'place = "outlet"\nrefresh_s = 2\ninterval_s = 4\n'
    head, _, _ = GOOD.rpartition('place = "outlet"')
    file.write_text(head + own, encoding="utf-8")
    meter = load_simulation(file).meters[2]
    assert (meter.kind.refresh_s, meter.kind.interval_s) == (2, 4)
    assert meter.kind.averaging_s == 1


def test_a_list_of_conditions_without_tables_is_refused(tmp_path: Path) -> None:
    text = "conditions = [3]\n" + GOOD.replace("[[conditions]]", "[[spare]]")
    problems = problems_of(tmp_path, text)
    assert any("conditions[1].name: missing" in line for line in problems)


def test_a_filter_may_flutter(tmp_path: Path) -> None:
    file = tmp_path / "simulation.toml"
    still = "lead = { length_m = 25, area_mm2 = 2.5 }"
    loose = f"{still}\nfilter = {{ linear_pa_s_per_m = 5, flutter_percent = 40, flutter_s = 8 }}"
    file.write_text(GOOD.replace(still, loose), encoding="utf-8")
    conditions = load_simulation(file).conditions
    assert conditions[0].flutter is None
    assert conditions[1].flutter == Flutter(share=0.4, period_s=8.0)


def test_a_filter_flutters_by_no_more_than_there_is(tmp_path: Path) -> None:
    still = "lead = { length_m = 25, area_mm2 = 2.5 }"
    problems = problems_of(
        tmp_path, GOOD.replace(still, f"{still}\nfilter = {{ flutter_percent = 140 }}")
    )
    assert any("filter.flutter_percent: got 140, expected" in line for line in problems)
