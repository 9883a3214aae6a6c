"""`daq settle` on records that hold a load beside the machine's: from where on they count."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.system.command_line import Daq, Ended
from tests.system.logged_machine import INTERVAL_S, LEVEL

STANDBY = 300.0


def _written(
    folder: Path, times_s: NDArray[np.float64], values: NDArray[np.float64]
) -> Path:
    file = folder / "log.csv"
    lines = [f"{t:.1f},{v:.1f}" for t, v in zip(times_s, values, strict=True)]
    file.write_text("\n".join(["t_s,power_W", *lines, ""]), encoding="utf-8")
    return file


def _facts(told: Ended, *, code: int) -> dict[str, Any]:
    assert (told.code, told.err) == (code, "")
    facts: dict[str, Any] = json.loads(told.out, parse_constant=pytest.fail)
    return facts


def _standby_before_and_after(folder: Path) -> Path:
    """A quarter of the level is drawn all the time: too much to be taken for rest, or for standby."""
    times_s = np.arange(0.0, 700.0, INTERVAL_S)
    runs = (times_s >= 200.0) & (times_s < 600.0)
    scatter = np.random.default_rng(5).normal(0.0, 0.6, times_s.size)
    values = np.where(runs, LEVEL, STANDBY) + scatter
    return _written(folder, times_s, values)


def test_without_a_word_a_standby_load_is_taken_for_the_run(
    run: Daq, tmp_path: Path
) -> None:
    facts = _facts(run("settle", _standby_before_and_after(tmp_path), "--json"), code=0)
    assert facts["t_switched_on_s"] == 0.0
    assert abs(facts["mean"] - STANDBY) <= facts["u95"]


def test_a_record_counts_from_where_it_first_stays_above_what_is_said(
    run: Daq, tmp_path: Path
) -> None:
    file = _standby_before_and_after(tmp_path)
    facts = _facts(run("settle", file, "--json", "--start-above", "500"), code=0)
    assert (facts["t_switched_on_s"], facts["t_switched_off_s"]) == (200.0, 600.0)
    assert abs(facts["mean"] - LEVEL) <= facts["u95"]
    assert facts["start_above"] == 500.0
    told = run("settle", file, "--start-above", "500").out
    assert "from where it first stays above 500." in told
    assert "switched off at 600.0 s; what follows is not judged" in told


def test_a_record_that_never_stays_above_what_is_said_is_told_so(
    run: Daq, tmp_path: Path
) -> None:
    file = _standby_before_and_after(tmp_path)
    words = ("settle", file, "--start-above", "5000")
    facts = _facts(run(*words, "--json"), code=1)
    assert (facts["why_not"], facts["mean"]) == ("no load", None)
    told = run(*words).out
    assert "Its values never stay above 5000; the highest is 120" in told
