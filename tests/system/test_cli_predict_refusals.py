"""`daq predict`: what is beyond the measured, what does not fit a terminal, sessions that do not tell, bad input."""

import json
from collections.abc import Mapping
from pathlib import Path

import pytest

from tests.core.comparison.bench_texts import PLAN
from tests.runtime.compared_sessions import Carried, store_session
from tests.system.command_line import Daq, Ended

ASKED = ("--area", "1.5mm2", "--length", "25m")
AT_THE_OUTLET = ("--voltage", "230V")
LEADS = {"short lead": 1.0, "long lead": 0.97, "thin lead": 0.95, "long thin": 0.93}
"""Share of the short lead's voltage and current that each leaves: 228 V down to 212 V."""
LOWEST_V = 0.93 * 228.0
PLAN_OF_FOUR = PLAN.replace(
    "[start]", '[[condition]]\nname = "long thin"\nchanges = ["lead"]\n[start]'
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def store_four(
    path: Path, *, means: Mapping[str, float | None] | None = None, alike: bool = False
) -> Path:
    """Each condition once; some channels with means of their own, or none."""
    trials = [
        Carried(name, 1.0 if alike else factor, means=means or {})
        for name, factor in LEADS.items()
    ]
    return store_session(path, trials, plan=PLAN_OF_FOUR)


def said(ended: Ended) -> str:
    return " ".join(ended.out.split())


def test_beyond_the_measured_voltages_it_says_how_far(run: Daq, path: Path) -> None:
    asked = ("--area", "0.75mm2", "--length", "80m", *AT_THE_OUTLET)
    store_four(path)
    ended = run("predict", path, *asked)
    assert ended.code == 0
    (predicted,) = json.loads(run("predict", path, *asked, "--json").out)["predictions"]
    beyond_v = LOWEST_V - predicted["figures"][0]["value"]
    assert beyond_v > 0.0
    assert (
        f"extrapolated, {beyond_v:.1f} V below the measured voltages"
        f" ({100.0 * beyond_v / (228.0 - LOWEST_V):.0f} % of their range)"
        in said(ended)
    )
    assert predicted["extrapolated"]["side"] == "below"


def test_tables_fit_a_terminal_of_80_columns(run: Daq, path: Path) -> None:
    ended = run(
        *("predict", store_four(path), "--area", "0.75mm2,1.5mm2", "--awg", "12"),
        *("--length", "25m,100ft", *AT_THE_OUTLET),
    )
    assert (ended.code, ended.err) == (0, "")
    lines = ended.out.splitlines()
    assert max(map(len, lines)) <= 80
    heads = [line for line in lines if line.startswith("lead ")]
    # What is lost stands beside the figure that is lost.
    (answer,) = [head for head in heads if "against the baseline" in head]
    assert "Airflow, standard air" in answer
    leads = [
        f"{size}, {length}"
        for size in ("0.75 mm²", "1.5 mm²", "12 AWG")
        for length in ("25 m", "100 ft")
    ]
    for lead in leads:
        assert sum(line.startswith(f"{lead} ") for line in lines) == len(heads)


def test_one_lead_too_weak_leaves_the_others_be(run: Daq, path: Path) -> None:
    # 1400 W at any voltage cannot come through some 20 ohm: from 230 V no more than 230² / (4 * 20) = 661 W can.
    trials = [
        Carried(name, factor, means={"current": 6.5 / factor, "power": 1400.0})
        for name, factor in LEADS.items()
    ]
    store_session(path, trials, plan=PLAN_OF_FOUR)
    asked = ("--area", "0.5mm2", "--length", "5m,250m", *AT_THE_OUTLET)
    ended = run("predict", path, *asked)
    assert ended.code == 1
    assert max(map(len, ended.out.splitlines())) <= 80
    rows = [line for line in ended.out.splitlines() if line.startswith("0.5 mm², 250")]
    assert rows[-1].endswith("not predicted")
    assert "Not predicted: the machine would not run behind 0.5 mm², 250 m" in said(
        ended
    )
    near, far = json.loads(run("predict", path, *asked, "--json").out)["predictions"]
    assert near["figures"]
    assert not far["figures"]
    assert "would not run" in far["reason"]


def test_warmer_copper_has_more_resistance(run: Daq, path: Path) -> None:
    store_four(path)
    cold, warm = (
        json.loads(
            run(
                *("predict", path, *ASKED, *AT_THE_OUTLET, "--json"),
                *("--temperature", degrees),
            ).out
        )["predictions"][0]["loop_ohm"]
        for degrees in ("20C", "45.45C")
    )
    # IEC 60228: copper goes with 234.5 + t, a tenth more at 45.45 than at 20 °C; contacts 15 mohm as before.
    assert warm - 0.015 == pytest.approx(1.1 * (cold - 0.015))


# ---- sessions that do not tell


def test_voltages_that_do_not_differ(run: Daq, path: Path) -> None:
    ended = run("predict", store_four(path, alike=True), *ASKED)
    assert (ended.code, ended.out) == (1, "")
    assert ended.says_only("1 distinct voltage at the machine", "carry out 3 more")


@pytest.mark.parametrize(
    ("channel", "missing"),
    [
        ("machine_voltage", "no voltage at the machine was averaged"),
        ("current", "no current was averaged"),
    ],
)
def test_a_missing_channel_is_named(
    run: Daq, path: Path, channel: str, missing: str
) -> None:
    ended = run("predict", store_four(path, means={channel: None}), *ASKED)
    assert (ended.code, ended.out) == (1, "")
    assert ended.says_only(missing, "expected a")


def test_a_supply_that_nothing_tells_of_is_asked_for(run: Daq, path: Path) -> None:
    ended = run("predict", store_four(path), *ASKED)
    assert ended.code == 1
    assert ended.says_only(
        "what leads are fed from is not known",
        "a voltmeter at the supply's end",
        "[condition.lead]",
        "--voltage",
    )


def test_zero_airflow_leaves_current_and_power(run: Daq, path: Path) -> None:
    store_four(path, means={"velocity": 0.0})
    ended = run("predict", path, *ASKED, *AT_THE_OUTLET)
    assert ended.code == 0
    assert (
        "Outlet velocity is not predicted: it is not above zero in every trial"
        in said(ended)
    )
    assert any(line.startswith("  Current ") for line in ended.out.splitlines())


# ---- bad input


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("--area", "0mm2", "--length", "3m"), "expected 0.1 to 16 mm²"),
        (("--area", "1.5mm2", "--length", "25"), "with its unit, like 25m or 100ft"),
        (("--area", "1.5mm2", "--length=-3m"), "expected 0.1 to 1000 m"),
        (("--awg", "99", "--length", "3m"), "a whole wire gauge from 5 to 26"),
        ((*ASKED, "--voltage", "0V"), "expected 1 to 1000 V"),
        ((*ASKED, "--temperature", "900C"), "expected -40 to 120 °C"),
    ],
)
def test_bad_figures_are_told_with_what_is_expected(
    run: Daq, path: Path, words: tuple[str, ...], complaint: str
) -> None:
    ended = run("predict", path, *words)
    assert (ended.code, ended.out) == (2, "")
    assert complaint in ended.err


@pytest.mark.parametrize("what", ["session", "analysis"])
def test_what_the_store_does_not_hold_ends_with_2(
    run: Daq, path: Path, what: str
) -> None:
    ended = run("predict", store_four(path), *ASKED, f"--{what}", "7")
    assert ended.code == 2
    assert ended.says_only(f"no {what} 7")
