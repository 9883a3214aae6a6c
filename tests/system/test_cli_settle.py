"""`daq settle`, through the whole program: verdicts, reasons, exit codes, JSON, picture, presets."""

import io
import json
import sys
import types
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.settling.options import parameter_kinds
from daq.settling.presets import PRESETS
from tests.system.command_line import Daq, Ended
from tests.system.logged_machine import (
    INTERVAL_S,
    LEVEL,
    ON_S,
    SETTLES,
    Record,
    late_step,
    ramp,
    steady,
    swing,
)


@pytest.fixture
def settled(tmp_path: Path) -> Path:
    return SETTLES.save(tmp_path / "fan.csv")


def _written(
    folder: Path, times_s: NDArray[np.float64], values: NDArray[np.float64]
) -> Path:
    file = folder / "log.csv"
    lines = [f"{t:.1f},{v:.1f}" for t, v in zip(times_s, values, strict=True)]
    file.write_text("\n".join(["t_s,power_W", *lines, ""]), encoding="utf-8")
    return file


def _facts(told: Ended, *, code: int) -> dict[str, Any]:
    assert (told.code, told.err) == (code, "")
    facts = json.loads(told.out, parse_constant=pytest.fail)
    assert isinstance(facts, dict)
    return facts


# ---- settled


def test_a_record_that_settles_ends_with_0_and_holds_the_truth(
    run: Daq, settled: Path
) -> None:
    facts = _facts(run("settle", settled, "--json"), code=0)
    assert facts["settled"] is True
    assert facts["why_not"] is None
    # The closed form's level, and white noise of 0.6 W averaged over a minute and more.
    assert abs(facts["mean"] - LEVEL) <= facts["u95"] < 0.005 * LEVEL
    start_s, end_s = facts["window_s"]
    assert ON_S < start_s < facts["t_settled_s"] < facts["t_result_s"] == end_s
    assert facts["t_switched_on_s"] == ON_S
    assert facts["n"] == pytest.approx((end_s - start_s) / INTERVAL_S, abs=2)
    assert 2.0 < facts["n_effective"] <= facts["n"]
    assert facts["provisional"] >= 0
    assert "smallest_tolerance" in facts


def test_json_says_by_what_it_was_judged(run: Daq, settled: Path) -> None:
    facts = _facts(run("settle", settled, "--json"), code=0)
    named = ("tolerance", "resolution", "resolution_is_estimated", "preset")
    assert [facts[name] for name in named] == [0.005, 0.1, True, "standard"]
    assert (facts["time_column"], facts["value_column"]) == ("t_s", "power_W")
    stated = run("settle", settled, "--json", "--resolution", "0.1", "--tol", "0.01")
    facts = _facts(stated, code=0)
    assert [facts[name] for name in named] == [0.01, 0.1, False, "standard"]


def test_what_comes_after_the_result_changes_nothing(
    run: Daq, settled: Path, tmp_path: Path
) -> None:
    words = ("--json", "--resolution", "0.1")
    before = _facts(run("settle", settled, *words), code=0)
    lines = settled.read_text(encoding="utf-8").splitlines()
    last = next(
        i
        for i, line in enumerate(lines[1:], start=1)
        if float(line.split(",")[0]) > before["t_result_s"] + 5.0
    )
    spoilt = [f"{line.split(',')[0]},{i % 7}" for i, line in enumerate(lines[last:])]
    other = tmp_path / "spoilt.csv"
    other.write_text("\n".join([*lines[:last], *spoilt]), encoding="utf-8")
    after = _facts(run("settle", other, *words), code=0)
    for name in ("t_settled_s", "t_result_s", "window_s", "mean", "u95", "n"):
        assert after[name] == before[name]


def test_plain_words_tell_the_mean_the_window_and_the_moments(
    run: Daq, settled: Path
) -> None:
    told = run("settle", settled)
    assert (told.code, told.err) == (0, "")
    facts = _facts(run("settle", settled, "--json"), code=0)
    assert (
        "tolerance 0.5 %, display step 0.1 (from the decimals in the file)" in told.out
    )
    assert "\nSettled: power_W 1" in told.out
    assert " ± " in told.out
    assert f"declared   at {facts['t_settled_s']:.1f} s" in told.out
    assert f"confirmed at {facts['t_result_s']:.1f} s" in told.out
    start_s, end_s = facts["window_s"]
    assert f"{start_s:.1f} s to {end_s:.1f} s" in told.out


def test_semicolons_decimal_commas_and_a_byte_order_mark_change_nothing(
    run: Daq, settled: Path, tmp_path: Path
) -> None:
    text = settled.read_text(encoding="utf-8").replace(",", ";").replace(".", ",")
    other = tmp_path / "other.csv"
    other.write_text(text, encoding="utf-8-sig")
    expected = run("settle", settled, "--json")
    assert run("settle", other, "--json") == expected
    assert "semicolons between columns; decimal commas" in run("settle", other).out


def test_time_stamps_are_counted_from_the_first(
    run: Daq, settled: Path, tmp_path: Path
) -> None:
    def stamped(line: str) -> str:
        at, _, value = line.partition(",")
        stamp = np.datetime64("2026-03-01T23:58:00.000") + np.timedelta64(
            round(float(at) * 1000.0), "ms"
        )
        return f"{stamp}Z,{value}"

    lines = settled.read_text(encoding="utf-8").splitlines()
    other = tmp_path / "stamped.csv"
    other.write_text("\n".join(["utc,power_W", *map(stamped, lines[1:])]))
    facts = _facts(run("settle", other, "--json"), code=0)
    plain = _facts(run("settle", settled, "--json"), code=0)
    assert facts["first_timestamp"] == "2026-03-01T23:58:00.000Z"
    for name in ("t_settled_s", "window_s", "mean", "u95"):
        assert facts[name] == plain[name]
    assert "counted from 2026-03-01T23:58:00.000Z" in run("settle", other).out


def test_bench_time_is_taken_before_utc_and_that_is_said(
    run: Daq, settled: Path, tmp_path: Path
) -> None:
    lines = settled.read_text(encoding="utf-8").splitlines()
    # Ten times as fast as life.
    stamped = [
        f"2026-03-01T12:{at_s // 600:02.0f}:{at_s % 600 / 10:09.6f}Z,{line}"
        for line in lines[1:]
        for at_s in [float(line.partition(",")[0])]
    ]
    other = tmp_path / "export.csv"
    other.write_text("\n".join(["utc,at_s,power_w", *stamped]), encoding="utf-8")
    facts = _facts(run("settle", other, "--json"), code=0)
    assert (facts["time_column"], facts["other_time_columns"]) == ("at_s", ["utc"])
    plain = _facts(run("settle", settled, "--json"), code=0)
    assert facts["t_settled_s"] == plain["t_settled_s"]
    assert " by at_s (not by utc: --time chooses)" in run("settle", other).out


def test_a_record_can_come_from_standard_input(
    run: Daq, settled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = run("settle", settled, "--json")
    piped = types.SimpleNamespace(buffer=io.BytesIO(settled.read_bytes()))
    monkeypatch.setattr(sys, "stdin", piped)
    assert run("settle", "-", "--json") == expected


def test_a_standby_load_before_the_run_is_told(run: Daq, tmp_path: Path) -> None:
    times_s = np.arange(900.0)
    scatter = np.random.default_rng(5).normal(0.0, 0.6, times_s.size)
    file = _written(tmp_path, times_s, np.where(times_s < 400.0, 5.0, LEVEL + scatter))
    facts = _facts(run("settle", file, "--json"), code=0)
    assert (facts["t_standby_s"], facts["t_switched_on_s"]) == (0.0, 400.0)
    assert abs(facts["mean"] - LEVEL) <= facts["u95"]
    told = run("settle", file).out
    assert "began anew at 400.0 s" in told
    assert "standby" in told


# ---- not settled, and why


def _assert_not_settled(run: Daq, file: Path, reason: str, *words: str) -> None:
    facts = _facts(run("settle", file, "--json", *words), code=1)
    assert facts["settled"] is False
    assert facts["why_not"] == reason
    for name in ("t_settled_s", "t_result_s", "window_s", "mean", "u95"):
        assert facts[name] is None
    told = run("settle", file, *words)
    assert (told.code, told.err) == (1, "")
    assert f"\nNot settled: {reason}\n" in told.out


def test_a_machine_that_was_never_on_is_called_no_load(
    run: Daq, tmp_path: Path
) -> None:
    never_on = Record(lambda since_s: 0.0 * since_s, noise=0.00005)
    file = never_on.save(tmp_path / "off.csv")
    _assert_not_settled(run, file, "no load")


def test_an_idle_meter_that_flickers_is_called_no_load(
    run: Daq, tmp_path: Path
) -> None:
    scatter = np.random.default_rng(4).normal(0.3, 0.3, 600)
    file = _written(tmp_path, np.arange(600.0), scatter)
    _assert_not_settled(run, file, "no load")


def test_readings_that_are_too_far_apart_are_told_as_such(
    run: Daq, tmp_path: Path
) -> None:
    times_s = np.arange(0.0, 800.0, 20.0)
    file = _written(tmp_path, times_s, np.full(times_s.size, LEVEL))
    _assert_not_settled(run, file, "too short")
    told = run("settle", file).out
    assert "readings are too far apart, 20 s: " in told
    assert "It ended before" not in told
    assert _facts(run("settle", file, "--json"), code=1)["spacing_s"] == 20.0


def test_a_second_run_is_told_to_be_not_judged(run: Daq, tmp_path: Path) -> None:
    times_s = np.arange(600.0)
    off = (times_s >= 60.0) & (times_s < 330.0)
    file = _written(tmp_path, times_s, np.where(off, 0.0, LEVEL))
    _assert_not_settled(run, file, "too short")
    assert (
        "switched off at 60.0 s; what follows is not judged" in run("settle", file).out
    )
    facts = _facts(run("settle", file, "--json"), code=1)
    assert facts["t_switched_off_s"] == 60.0


def test_a_clock_that_was_set_ends_the_run_and_is_told(
    run: Daq, tmp_path: Path
) -> None:
    times_s = np.arange(600.0)
    times_s[20:] += 1.7e9
    file = _written(tmp_path, times_s, np.full(times_s.size, LEVEL))
    _assert_not_settled(run, file, "too short")
    assert "no readings from 19.0 s to 1700000020.0 s" in run("settle", file).out
    facts = _facts(run("settle", file, "--json"), code=1)
    assert facts["silence_s"] == [19.0, 1.7e9 + 20.0]


def test_a_ramp_is_called_drifting(run: Daq, tmp_path: Path) -> None:
    _assert_not_settled(run, Record(ramp).save(tmp_path / "ramp.csv"), "drifting")


def test_who_drifts_to_the_end_is_warned_of_the_tolerance_that_would_pass(
    run: Daq, tmp_path: Path
) -> None:
    file = Record(ramp).save(tmp_path / "ramp.csv")
    facts = _facts(run("settle", file, "--json"), code=1)
    assert facts["drifts_to_end"] is True
    assert facts["smallest_tolerance"] is not None
    told = run("settle", file).out
    assert "would have been wide enough." in told
    assert "Caution: it still drifted when the record ended." in told


def test_who_does_not_drift_is_not_warned(run: Daq, tmp_path: Path) -> None:
    file = Record(steady, noise=0.1, length_s=150.0).save(tmp_path / "noisy.csv")
    facts = _facts(run("settle", file, "--json"), code=1)
    assert facts["smallest_tolerance"] is not None
    assert facts["drifts_to_end"] is False
    assert "Caution" not in run("settle", file).out


def test_scatter_that_hides_drift_is_called_too_noisy(run: Daq, tmp_path: Path) -> None:
    file = Record(steady, noise=0.1, length_s=150.0).save(tmp_path / "noisy.csv")
    _assert_not_settled(run, file, "too noisy")


def test_a_display_with_few_steps_is_called_too_coarse(
    run: Daq, tmp_path: Path
) -> None:
    # One step is 8 % of the level and nothing dithers it.
    coarse = Record(steady, noise=0.0, step=100.0, length_s=120.0)
    file = coarse.save(tmp_path / "coarse.csv")
    _assert_not_settled(run, file, "resolution too coarse", "--resolution", "100")


def test_a_swing_of_four_tolerances_is_called_hunting(run: Daq, tmp_path: Path) -> None:
    _assert_not_settled(run, Record(swing).save(tmp_path / "swing.csv"), "hunting")


def test_a_step_shortly_before_the_end_is_called_step(run: Daq, tmp_path: Path) -> None:
    file = Record(late_step, length_s=135.0).save(tmp_path / "step.csv")
    _assert_not_settled(run, file, "step")


def test_half_a_minute_is_called_too_short(run: Daq, tmp_path: Path) -> None:
    file = Record(steady, length_s=20.0).save(tmp_path / "short.csv")
    _assert_not_settled(run, file, "too short")


def test_an_average_is_given_on_request_and_marked_as_not_settled(
    run: Daq, tmp_path: Path
) -> None:
    file = Record(ramp).save(tmp_path / "ramp.csv")
    assert "not_settled_mean" not in _facts(run("settle", file, "--json"), code=1)
    facts = _facts(run("settle", file, "--json", "--even-so"), code=1)
    assert (facts["settled"], facts["mean"]) == (False, None)
    # Within the last two minutes the ramp covers 10 % of the level; U must own to a good part of it.
    at_end = LEVEL * (1.0 + 0.05 * 400.0 / 60.0)
    assert abs(facts["not_settled_mean"] - at_end) < 0.12 * LEVEL
    assert facts["not_settled_u95"] > 0.01 * LEVEL
    assert "NOT SETTLED average" in run("settle", file, "--even-so").out


# ---- bad input


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "empty"),
        ("t,v\n0,1\n", "one reading only"),
        ("t,v\n0,1\n1,x\n", "line 3, v: got 'x'"),
        ("t,v\n0,1\n1,nan\n", "line 3, v: got 'nan'"),
        ("t,v\n0,1\n1,inf\n", "line 3, v: got 'inf'"),
        ("t,v\n0,1\n1,1e300\n", "line 3, v: got '1e300'"),
        ("t,v\n0,1\n1e15,1\n", "line 3, t: got '1e15'"),
        ("t,v\n0,1\n2,1\n1,1\n", "line 4, t: time goes backwards"),
        ("t,v\n01.03.2026 12:00,1\n", "line 2, t: got '01.03.2026 12:00', expected"),
        ("t,v\n0,1\n1\n", "line 3, v: missing"),
        ("t,v\n0,1\n0,1\n", "all 2 readings have the same time"),
        ("t,v,w\n0,1,1\n1,1,1\n", "name one with --value"),
    ],
)
def test_bad_input_ends_with_2_and_one_line_that_says_where(
    run: Daq, tmp_path: Path, text: str, told: str
) -> None:
    file = tmp_path / "fan.csv"
    file.write_text(text, encoding="utf-8")
    for words in ((), ("--json",)):
        ended = run("settle", file, *words)
        assert (ended.code, ended.out) == (2, "")
        assert ended.says_only(str(file), told)


def test_a_file_that_is_not_there_or_is_none_is_told(run: Daq, tmp_path: Path) -> None:
    absent = run("settle", tmp_path / "absent.csv")
    assert absent.code == 2
    assert absent.says_only("absent.csv: no such file, check the name")
    folder = run("settle", tmp_path)
    assert folder.code == 2
    assert folder.says_only(f"{tmp_path}: cannot be read: ")


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("fan.csv", "--tol", "0"),
        ("fan.csv", "--tol", "-0.01"),
        ("fan.csv", "--tol", "1"),
        ("fan.csv", "--tol", "nan"),
        ("fan.csv", "--tol", "half"),
        ("fan.csv", "--resolution", "-1"),
        ("fan.csv", "--resolution", "inf"),
        ("fan.csv", "--start-above", "nan"),
        ("fan.csv", "--plot", "fan.pdf"),
        ("fan.csv", "--preset", "hasty"),
        ("fan.csv", "--rule", "patience=3"),
        ("fan.csv", "--rule", "least_s"),
    ],
)
def test_bad_usage_ends_with_2_and_what_is_wrong_in_one_line(
    run: Daq, words: Sequence[str]
) -> None:
    told = run("settle", *words)
    assert (told.code, told.out) == (2, "")
    (line,) = told.err.splitlines()
    assert line.startswith("daq settle: error: ")
    assert line.endswith("; see daq settle --help")
    assert "invalid _" not in told.err


# ---- presets and parameters


def test_presets_are_listed_with_what_was_measured(run: Daq) -> None:
    told = run("settle", "--presets")
    assert (told.code, told.err) == (0, "")
    for name, preset in PRESETS.items():
        (line,) = [each for each in told.out.splitlines() if each.startswith(name)]
        assert preset.purpose in line
        assert f"{preset.false_settle_percent:g} %" in line
        assert f"{preset.time_to_result_s:.0f} s" in line
        assert f"{preset.uncertainty_percent:g} %" in line
        assert preset.study in told.out


def test_presets_are_listed_for_programs_with_every_parameter(run: Daq) -> None:
    listed = _facts(run("settle", "--presets", "--json"), code=0)["presets"]
    assert [preset["name"] for preset in listed] == list(PRESETS)
    for preset in listed:
        assert set(preset["parameters"]) == set(parameter_kinds())


@pytest.mark.parametrize("name", list(PRESETS))
def test_every_preset_judges_a_record(run: Daq, settled: Path, name: str) -> None:
    facts = _facts(run("settle", settled, "--json", "--preset", name), code=0)
    assert facts["preset"] == name


def test_a_parameter_can_be_set_otherwise(run: Daq, settled: Path) -> None:
    usual = _facts(run("settle", settled, "--json"), code=0)
    words = ("--rule", "least_s=110", "--rule", "longest_s=140")
    longer = _facts(run("settle", settled, "--json", *words), code=0)
    assert longer["rule_changes"] == ["least_s=110", "longest_s=140"]
    assert longer["t_settled_s"] == usual["t_settled_s"]
    assert longer["t_result_s"] >= longer["t_settled_s"] + 110.0
    assert (
        "standard with least_s=110, longest_s=140" in run("settle", settled, *words).out
    )
