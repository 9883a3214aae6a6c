"""`daq lead` through the whole program."""

import json
import math
from typing import Any

import pytest

from tests.system.command_line import Daq

METRIC = ("--area", "2.5mm2", "--length", "40m", "--current", "9.5A")
GAUGED = ("--awg", "12", "--length", "100ft", "--current", "12A")


def _row(out: str, name: str) -> list[str]:
    (line,) = (line for line in out.splitlines() if line.strip().startswith(name))
    return line.strip().removeprefix(name).split()


def test_one_lead_is_told_with_pure_copper_and_at_most(run: Daq) -> None:
    told = run("lead", *METRIC, "--voltage", "230V", "--pf", "1")
    assert (told.code, told.err) == (0, "")
    # IEC 60028: 80 m of 1/58/2.5 ohm/m are 0.552 ohm; IEC 60228 class 5, 7.98 ohm/km: 0.638 ohm; times 9.5 A, 9.5² A².
    assert _row(told.out, "loop resistance") == ["0.552", "Ω", "0.638", "Ω"]
    assert _row(told.out, "voltage drop") == ["5.24", "V", "6.06", "V"]
    assert _row(told.out, "left at the machine") == ["224.8", "V", "223.9", "V"]
    assert _row(told.out, "lost as heat") == ["49.8", "W", "57.6", "W"]
    assert "Within 3 % by itself" in told.out
    assert "3 % (6.9 V)" in told.out
    assert "5 % (11.5 V)" in told.out
    assert "assumed" not in told.out


def test_a_gauge_is_told_with_reference_figures_that_are_no_permission(
    run: Daq,
) -> None:
    told = run("lead", *GAUGED)
    assert told.code == 0
    text = " ".join(told.out.split())
    # 100 ft of 12 AWG: 200 ft of 1.588 ohm per 1000 ft (NBS Handbook 100).
    assert _row(told.out, "loop resistance")[:2] == ["0.318", "Ω"]
    assert "120 V (assumed), power factor 1 (assumed)" in text
    assert "12 AWG 25 A laid out" in text
    assert "NFPA 70, table 400.5(A)(1)" in text
    assert "Reference figures, not permission" in text
    assert "a licensed electrician decide" in text
    assert "Unroll coiled leads" in text
    assert "lowest rating rules" in text
    assert "building's wiring counts too" in text


def test_a_current_above_a_reference_figure_is_marked(run: Daq) -> None:
    told = run("lead", "--awg", "18", "--length", "100ft", "--current", "9A")
    text = " ".join(told.out.split())
    assert "18 AWG 10 A laid out" in text
    assert "18 AWG 7 A (exceeded) as a cord set of 51 to 100 ft" in text
    assert "Over 5 %." in text


def test_several_sizes_and_lengths_make_a_table(run: Daq) -> None:
    told = run(
        *("lead", "--area", "1.5mm2,2.5mm2", "--awg", "14", "--current", "9.5A"),
        *("--length", "25m", "--length", "50m,25m"),
    )
    assert told.code == 0
    rows = told.out.splitlines()[3:9]
    names = [row.split("  ")[0] for row in rows]
    sizes = ("1.5 mm²", "2.5 mm²", "14 AWG")
    assert names == [f"{size}, {m} m" for size in sizes for m in (25, 50)]
    # 50 m of 1/58/1.5 ohm/m, and of the 13.3 ohm/km that IEC 60228 allows; 9.5 A of them are 2.4 and 2.7 % of 230 V.
    cells = rows[0].split()
    assert cells[4:6] == ["0.575–0.665", "5.5–6.3"]  # noqa: RUF001  # a range takes a dash
    assert "From pure copper of the size" in told.out


@pytest.mark.parametrize(
    "words",
    [
        METRIC,
        GAUGED,
        (
            *("--area", "0.5mm2,0.75mm2,1.25mm2,10mm2", "--awg", "10,12,14,16,18,20"),
            *("--length", "7.5m,100m,50ft,150 ft", "--current", "2.5A"),
        ),
    ],
)
def test_the_answer_fits_a_terminal_of_80_columns(
    run: Daq, words: tuple[str, ...]
) -> None:
    lines = run("lead", *words).out.splitlines()
    assert max(map(len, lines)) <= 80
    # A figure and its unit stay together.
    assert not any(line.strip().startswith(("%", "°C", "V ", "AWG")) for line in lines)


def test_warmer_copper_drops_more(run: Daq) -> None:
    told = run("lead", *GAUGED, "--temperature", "113F", "--json")
    facts: dict[str, Any] = json.loads(told.out)
    # 113 °F are 45 °C: 25 K of 0.393 % each (IEC 60028) on 200 ft of 1.588 ohm per 1000 ft (NBS Handbook 100).
    assert facts["load"]["temperature_c"] == pytest.approx(45.0)
    nominal = facts["leads"][0]["nominal"]
    assert nominal["resistance_ohm"] == pytest.approx(0.3176 * 1.09825, rel=5e-4)


def test_programs_get_every_figure_and_its_source(run: Daq) -> None:
    told = run("lead", *METRIC, "--awg", "14", "--pf", "0.95", "--json")
    assert (told.code, told.err) == (0, "")
    facts: dict[str, Any] = json.loads(told.out)
    assert facts["format"] == 1
    metric, gauged = facts["leads"]
    assert (metric["conductor"], metric["awg"]) == ("2.5 mm²", None)
    assert (gauged["conductor"], gauged["awg"]) == ("14 AWG", 14)
    highest = metric["highest"]
    assert highest["resistance_ohm"] == pytest.approx(0.6384)  # 80 m of 7.98 ohm/km
    # Kirchhoff with a lagging current, X = 80 m of 0.08 milliohm.
    r_v, x_v = 9.5 * 0.6384, 9.5 * 0.0064
    sine = math.sqrt(1.0 - 0.95**2)
    supply_v = math.hypot(
        highest["machine_v"] * 0.95 + r_v, highest["machine_v"] * sine + x_v
    )
    assert supply_v == pytest.approx(230.0)
    assert "IEC 60228" in metric["highest_source"]
    assert metric["reference_ampacities"] == []
    assert gauged["reference_ampacities"][0]["current_a"] == 18.0
    assert gauged["within_percent"] == 3.0
    assert [each["percent"] for each in facts["recommended_drops"]] == [3.0, 5.0]
    assert any("not permission" in caution for caution in facts["cautions"])


def test_a_size_that_no_standard_lists_is_told_so(run: Daq) -> None:
    told = run("lead", "--area", "1.25mm2", "--length", "10m", "--current", "10A")
    assert told.code == 0
    assert "No standard's figure for 1.25 mm²." in told.out
    assert _row(told.out, "loop resistance") == ["0.276", "Ω"]  # 20 m of 1/58/1.25
    assert "No figure is held for mm² sizes" in told.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--length", "3m", "--current", "3A"), "no conductor, expected --area"),
        ((*METRIC, "--area", "2.5"), "argument --area: got '2.5', expected"),
        ((*METRIC, "--area", "1,5mm2"), "decimals take a point"),
        ((*METRIC, "--length", "40"), "argument --length: got '40', expected"),
        ((*METRIC, "--pf", "1.2"), "argument --pf: got '1.2', expected 0.01 to 1"),
        ((*METRIC, "--current", "zero"), "argument --current: got 'zero'"),
        ((*METRIC, "--awg", "2.5mm2"), "a whole wire gauge"),
        ((*METRIC, "--temperature", "20"), "like 20C or 68F"),
        (METRIC[:4], "required: --current"),
    ],
)
def test_bad_input_ends_with_a_clear_word(
    run: Daq, words: tuple[str, ...], said: str
) -> None:
    told = run("lead", *words)
    assert (told.code, told.out) == (2, "")
    assert said in told.err


def test_a_lead_that_leaves_no_voltage_is_named(run: Daq) -> None:
    told = run("lead", "--area", "1mm2", "--length", "500m", "--current", "60A")
    assert (told.code, told.out) == (2, "")
    assert told.says_only("1 mm², 500 m: 60 A through", "leaves no voltage")


def test_the_command_has_help(run: Daq) -> None:
    told = run("lead", "--help")
    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("usage: daq lead ")
