"""What a comparison is made of, read back from a store: sessions, meters as they were, earlier sessions, old files."""

import math
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daq.errors import ConfigurationError, InputError, StoreError
from daq.records import Accuracy, TrialState
from daq.runtime.store.compared import read_session_figures
from tests.core.comparison.bench_texts import BENCH, PLAN
from tests.runtime.compared_sessions import (
    ONCE,
    REPEATED,
    Carried,
    store_session,
)

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
OLD_PLAN = """
format = 1
name = "leads"
baseline = "long lead"
[machine]
title = "blower"
[[condition]]
name = "long lead"
[[condition]]
name = "short lead"
[settling]
required = ["power"]
"""
OTHER_MACHINE = PLAN.replace("Drying blower", "Duct fan")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def alter(path: Path, statement: str, *values: object) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement, values)


# ---- a session


def test_a_session_comes_back_with_its_plan_bench_and_trials(path: Path) -> None:
    found = read_session_figures(store_session(path))
    assert (found.number, found.machine, found.baseline) == (
        1,
        "Drying blower",
        "short lead",
    )
    assert [c.name for c in found.facts.conditions] == [
        "short lead",
        "long lead",
        "thin lead",
    ]
    assert [a.name for a in found.surroundings.airflows] == ["airflow"]
    powers = found.observations["power"]
    assert [o.condition for o in powers] == [c.condition for c in REPEATED]
    assert powers[1].mean == pytest.approx(1400.0 * 0.95**2)
    # A trial every 300 s, its window from 120 to 180 s.
    assert [o.at_s - powers[0].at_s for o in powers] == [300.0 * n for n in range(6)]


def test_the_meters_come_back_with_what_they_are_off_by(path: Path) -> None:
    found = read_session_figures(store_session(path))
    (gain,) = found.observations["power"][0].errors
    # The bench's meter states a gain of 0.5 %: GUM, 4.3.7.
    assert (gain.source, gain.is_common) == ("power: gain", True)
    assert gain.std_uncertainty == pytest.approx(7.0 / math.sqrt(3.0))


def test_a_meter_changed_between_trials_is_another_one_from_then_on(
    path: Path,
) -> None:
    better = {"power": Accuracy(gain_percent=0.2)}
    accuracies: list[dict[str, Accuracy]] = [{}, {}, {}, better, better, better]
    store_session(path, accuracies=accuracies)
    found = read_session_figures(path)
    sources = [o.errors[0].source for o in found.observations["power"]]
    assert sources == ["power: gain"] * 3 + ["power (changed, 2): gain"] * 3
    assert any("power was changed" in remark for remark in found.remarks)
    assert {e.source for o in found.observations["current"] for e in o.errors} == {
        "current: gain"
    }


def test_trials_that_are_not_compared_come_with_their_reasons(path: Path) -> None:
    failed = Carried("thin lead", state=TrialState.NOT_SETTLED, note="it swings")
    found = read_session_figures(store_session(path, [*ONCE[:2], failed]))
    (left_out,) = found.left_out
    assert (left_out.trial, left_out.state, left_out.note) == (
        3,
        "not settled",
        "it swings",
    )


def test_trials_normalised_and_not_are_kept_apart(path: Path) -> None:
    trials = [replace(c, normalised=("power",)) for c in REPEATED[:5]]
    found = read_session_figures(store_session(path, [*trials, REPEATED[5]]))
    assert len(found.observations["power"]) == 5
    assert any("power of trial 6 (thin lead) is not" in said for said in found.remarks)


# ---- which session


def test_the_newest_session_with_averages_is_taken(path: Path) -> None:
    store_session(path)
    store_session(path, ONCE)
    unsettled = [replace(c, state=TrialState.NOT_SETTLED) for c in ONCE]
    store_session(path, unsettled)
    assert read_session_figures(path).number == 2
    assert read_session_figures(path, 3).observations == {}
    assert read_session_figures(path, 1).number == 1


def test_a_session_that_is_not_there_is_named(path: Path) -> None:
    store_session(path)
    with pytest.raises(InputError, match="no session 4, it holds only 1"):
        read_session_figures(path, 4)


def test_an_analysis_that_is_not_there_is_named(path: Path) -> None:
    store_session(path)
    with pytest.raises(InputError, match="no analysis 2, it holds 0"):
        read_session_figures(path, analysis=2)


def test_a_session_without_a_trial_has_nothing_to_compare(path: Path) -> None:
    store_session(path, ())
    with pytest.raises(InputError, match="no session with a trial"):
        read_session_figures(path)
    with pytest.raises(InputError, match="session 1 has no trial"):
        read_session_figures(path, 1)


def test_a_store_that_is_not_there_is_no_session(path: Path) -> None:
    with pytest.raises(StoreError, match="no results file there"):
        read_session_figures(path)


# ---- earlier sessions


def test_earlier_sessions_of_the_machine_tell_their_spread(path: Path) -> None:
    store_session(path)
    store_session(path, ONCE)
    found = read_session_figures(path)
    ((number, spread),) = found.earlier["power"]
    assert (number, spread.degrees_of_freedom) == (1, 3)


def test_neither_other_machines_nor_later_sessions_tell_anything(path: Path) -> None:
    store_session(path, plan=OTHER_MACHINE)
    store_session(path, ONCE)
    store_session(path)
    assert read_session_figures(path, 2).earlier == {}


def test_the_plan_may_forbid_to_look_back(path: Path) -> None:
    store_session(path)
    store_session(path, ONCE, plan=PLAN + "[comparison]\nearlier_sessions = false\n")
    assert read_session_figures(path).earlier == {}


@pytest.mark.parametrize("column", ["plan_text", "bench_text"])
def test_an_earlier_session_that_cannot_be_read_tells_nothing(
    path: Path, column: str
) -> None:
    store_session(path)
    store_session(path)
    store_session(path, ONCE)
    spoil = f"UPDATE sessions SET {column} = 'air = 7' WHERE id = 1"  # noqa: S608 - one of two names above
    alter(path, spoil)
    found = read_session_figures(path)
    assert [number for number, _ in found.earlier["power"]] == [2]


def test_a_session_whose_own_plan_cannot_be_read_is_refused(path: Path) -> None:
    store_session(path)
    alter(path, "UPDATE sessions SET plan_text = 'format = 1'")
    with pytest.raises(ConfigurationError, match="plan of session 1"):
        read_session_figures(path)


# ---- files and plans of earlier versions


def old_store(path: Path, plan: str = OLD_PLAN) -> Path:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    alter(path, "UPDATE sessions SET plan_text = ?, bench_text = ?", plan, "format = 1")
    return path


def test_a_store_of_format_1_is_read_by_what_its_profile_states(path: Path) -> None:
    found = read_session_figures(old_store(path))
    assert (found.number, found.baseline) == (1, "long lead")
    (power,) = found.observations["power"]
    assert (power.mean, power.std_uncertainty_within) == (1383.2, 0.5)
    # 0.5 % of the reading in one piece, of which 80 % of the variance is common (our assumption).
    u = 0.005 * 1383.2 / math.sqrt(3.0)
    assert power.std_uncertainty_systematic == pytest.approx(u)
    (common,) = [e for e in power.errors if e.is_common]
    assert common.std_uncertainty == pytest.approx(math.sqrt(0.8) * u)
    assert [(each.trial, each.note) for each in found.left_out] == [
        (2, "switched off too soon")
    ]


def test_reading_a_store_of_format_1_alters_nothing(path: Path) -> None:
    before = old_store(path).read_bytes()
    read_session_figures(path)
    assert path.read_bytes() == before


def test_a_store_of_format_1_whose_plan_is_none_is_refused_with_its_line(
    path: Path,
) -> None:
    old_store(path, "[plan]")
    with pytest.raises(ConfigurationError, match="plan of session 1"):
        read_session_figures(path)


def test_a_plan_stays_readable_when_its_channels_have_left_the_bench(
    path: Path,
) -> None:
    plan = PLAN.replace('["power"]', '["power", "velocity"]')
    without_air = BENCH.partition('[[instrument]]\nname = "anemometer"')[0]
    store_session(path, plan=plan)
    store_session(path, ONCE, bench=without_air)
    assert "velocity" in read_session_figures(path, 1).observations
    assert "velocity" not in read_session_figures(path, 2).observations
