"""`daq predict` on stored sessions, through the whole program."""

import json
from pathlib import Path

import pytest

from daq.comparison_words import MINUS
from tests.core.comparison.bench_texts import PLAN
from tests.runtime.compared_sessions import Carried, store_session
from tests.system.command_line import Daq

LEADS_PLAN = PLAN.replace(
    'name = "short lead"\n',
    'name = "short lead"\nlead = { area_mm2 = 2.5, length_m = 2 }\n',
).replace(
    "[start]",
    '[[condition]]\nname = "middle lead"\nchanges = ["lead"]\n[start]',
)
AT_MACHINE = {
    "short lead": 228.0,
    "long lead": 225.9,
    "middle lead": 223.0,
    "thin lead": 219.6,
}
"""Voltages [V]."""


def carried(names: list[str]) -> list[Carried]:
    """Each condition twice; the current by the root of the voltage, the power by its power 1.55, the velocity by 0.6."""
    trials = []
    for repeat in (-1.0, 1.0):
        for name in names:
            voltage_v = AT_MACHINE[name] + 0.05 * repeat
            ratio = voltage_v / 228.0
            means = {
                "machine_voltage": voltage_v,
                "current": 6.5 * ratio**0.5,
                "power": 1400.0 * ratio**1.55,
                "velocity": 20.0 * ratio**0.6,
            }
            trials.append(Carried(name, means=means))
    return trials


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return store_session(
        tmp_path / "bench.db", carried(list(AT_MACHINE)), plan=LEADS_PLAN
    )


def test_one_lead_is_predicted_with_its_loss(run: Daq, store: Path) -> None:
    ended = run("predict", str(store), "--area", "1.5mm2", "--length", "25m")
    assert ended.code == 0
    assert ended.err == ""
    lines = ended.out.splitlines()
    assert lines[0].startswith("Drying blower: session 1, plan leads, against")
    assert lines[2] == "1.5 mm², 25 m"
    assert any("Voltage at the machine" in line and MINUS in line for line in lines)
    assert "within the measured voltages" in ended.out


def test_areas_gauges_and_lengths_make_a_table(run: Daq, store: Path) -> None:
    options = ["--area", "1.5mm2,0.75mm2", "--awg", "14", "--length", "25m,100ft"]
    ended = run("predict", str(store), *options)
    assert ended.code == 0
    lines = ended.out.splitlines()
    asked = [
        f"{size}, {length}"
        for size in ("1.5 mm²", "0.75 mm²", "14 AWG")
        for length in ("25 m", "100 ft")
    ]
    assert all(any(line.startswith(lead) for line in lines) for lead in asked)
    # 0.75 mm² of 100 ft costs more than the thin lead: about 9.6 V of the 228.6 V at the outlet.
    assert any(
        line.startswith("0.75 mm², 100 ft") and "extrapolated" in line for line in lines
    )


def test_programs_get_the_same_with_every_part(run: Daq, store: Path) -> None:
    ended = run("predict", str(store), "--area", "1.5mm2", "--length", "25m", "--json")
    assert ended.code == 0
    facts = json.loads(ended.out)
    (predicted,) = facts["predictions"]
    figures = {figure["name"]: figure for figure in predicted["figures"]}
    # Between the 223.0 and the 225.9 V that leads with less and with more resistance left.
    assert 223.0 < figures["voltage"]["value"] < 225.9
    assert figures["velocity"]["ratio"] == pytest.approx(
        (figures["voltage"]["value"] / 228.0) ** 0.6, rel=1e-3
    )
    assert predicted["extrapolated"] is None
    assert facts["range_v"] == pytest.approx([219.6, 228.0])
    assert all(check["agrees"] for check in facts["left_out"])
    assert facts["missing"] is None


def test_a_stated_supply_takes_the_sessions_place(run: Daq, store: Path) -> None:
    options = ["--area", "1.5mm2", "--length", "25m", "--voltage", "226V"]
    ended = run("predict", str(store), *options)
    assert ended.code == 0
    assert "fed from 226.0 V, as stated" in ended.out


def test_a_session_with_too_few_voltages_says_what_is_missing(
    run: Daq, tmp_path: Path
) -> None:
    store = store_session(
        tmp_path / "bench.db", carried(list(AT_MACHINE)[:3]), plan=LEADS_PLAN
    )
    options = [str(store), "--area", "1.5mm2", "--length", "25m"]
    ended = run("predict", *options)
    assert ended.code == 1
    assert ended.out == ""
    assert ended.says_only("3 distinct voltages", "expected at least 4", "carry out 1")
    ended = run("predict", *options, "--json")
    assert ended.code == 1
    assert "3 distinct voltages" in json.loads(ended.out)["missing"]


def test_a_lead_that_the_machine_does_not_run_behind_is_said_to_be_one(
    run: Daq, store: Path
) -> None:
    ended = run("predict", str(store), "--area", "0.1mm2", "--length", "500m")
    assert ended.code == 1
    assert "would not run behind 0.1 mm², 500 m" in ended.out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--length", "25m"], "no conductor"),
        (["--area", "1.5", "--length", "25m"], "got '1.5'"),
        (["--area", "1.5mm2"], "--length"),
    ],
)
def test_bad_arguments_end_with_2(
    run: Daq, store: Path, options: list[str], said: str
) -> None:
    ended = run("predict", str(store), *options)
    assert ended.code == 2
    assert said in ended.err


def test_a_store_that_is_not_there_ends_with_4(run: Daq, tmp_path: Path) -> None:
    missing = str(tmp_path / "no.db")
    ended = run("predict", missing, "--area", "1.5mm2", "--length", "25m")
    assert ended.code == 4
    assert ended.says_only("no.db")


def test_a_prediction_beyond_what_the_plan_allows_is_cautioned(
    run: Daq, tmp_path: Path
) -> None:
    limit = '[[limit]]\nchannel = "machine_voltage"\nbelow = 215\nreason = "least voltage"\n'
    watched = store_session(
        tmp_path / "watched.db", carried(list(AT_MACHINE)), plan=LEADS_PLAN + limit
    )
    options = ["--area", "0.75mm2,2.5mm2", "--length", "50m"]
    said = " ".join(run("predict", str(watched), *options).out.split())
    assert "Caution: 0.75 mm², 50 m:" in said
    assert "V is below the plan's limit of 215 V (least voltage)" in said
    assert "Caution: 2.5 mm², 50 m:" not in said
