"""What `daq reanalyse` kept, as `daq export` and `daq budget` show it, through the whole program."""

import csv
import io
import json
import re
import shlex
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.system.command_line import Daq, Ended
from tests.system.recorded_bench import (
    all_settled,
    record_session,
    settled_then_too_short,
)

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
ON_REQUEST = "averaged on request"


@pytest.fixture
def settled(tmp_path: Path) -> Path:
    """A store of two trials that settled."""
    return record_session(tmp_path / "bench.db", all_settled)


@pytest.fixture
def even_so(run: Daq, tmp_path: Path) -> Path:
    """A store whose second trial was averaged although it did not settle, as analysis 1."""
    store = record_session(tmp_path / "bench.db", settled_then_too_short)
    assert run("reanalyse", store, "--even-so").code == 1
    return store


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A store of the format before, which knew no analyses."""
    path = tmp_path / "old.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    return path


def rows_of(told: Ended) -> list[dict[str, str]]:
    assert (told.code, told.err) == (0, "")
    return list(csv.DictReader(io.StringIO(told.out, newline="")))


def facts_of(told: Ended) -> dict[str, Any]:
    assert (told.code, told.err) == (0, "")
    facts: dict[str, Any] = json.loads(told.out)
    return facts


# ---- averages


def test_an_average_of_what_did_not_settle_is_shown_as_such(
    run: Daq, even_so: Path
) -> None:
    rows = rows_of(run("export", even_so, "--analysis", "1"))
    assert {row["analysis"] for row in rows} == {"1"}
    assert {(row["trial"], row["state"]) for row in rows} == {
        ("1", "finished"),
        ("2", "not settled"),
    }
    second = [row for row in rows if row["trial"] == "2"]
    assert [row["channel"] for row in second] == ["current", "power"]
    for row in second:
        assert ON_REQUEST in row["note"]
    # The rehearsed machine draws 1400 W.
    power = second[1]
    assert abs(float(power["mean"]) - 1400.0) <= float(power["expanded_uncertainty"])
    # From switch-on, which was less than two minutes before switch-off.
    assert 0.0 <= float(power["window_start_s"]) < float(power["window_end_s"]) < 120.0


def test_the_wide_table_and_json_show_it_too(run: Daq, even_so: Path) -> None:
    words = ("export", even_so, "--analysis", "1", "--table", "wide")
    first, second = rows_of(run(*words))
    assert (first["state"], second["state"]) == ("finished", "not settled")
    assert (first["analysis"], second["analysis"]) == ("1", "1")
    assert ON_REQUEST in second["note"]
    assert second["power_mean_w"]
    _, nested = facts_of(run(*words, "--format", "json"))["trials"]
    assert (nested["state"], nested["analysis"]) == ("not settled", 1)
    assert set(nested["averages"]) == {"current", "power"}
    *_, flat = facts_of(
        run("export", even_so, "--analysis", "1", "--format", "json"),
    )["averages"]
    assert (flat["state"], flat["analysis"]) == ("not settled", 1)
    assert ON_REQUEST in flat["note"]
    assert json.loads(flat["rule_json"])["parameters"]


def test_without_a_number_the_live_averages_are_shown(run: Daq, even_so: Path) -> None:
    plain = run("export", even_so)
    assert plain == run("export", even_so, "--analysis", "0")
    rows = rows_of(plain)
    assert {(r["trial"], r["state"], r["analysis"]) for r in rows} == {
        ("1", "finished", "0")
    }
    _, second = rows_of(run("export", even_so, "--table", "wide"))
    assert (second["state"], second["power_mean_w"]) == ("unfinished", "")


def test_by_the_same_rule_an_analysis_is_exported_as_the_live_averages_are(
    run: Daq, settled: Path
) -> None:
    assert run("reanalyse", settled).code == 0
    live = rows_of(run("export", settled))
    again = rows_of(run("export", settled, "--analysis", "1"))
    assert [row.pop("analysis") for row in live] == ["0"] * len(live)
    assert [row.pop("analysis") for row in again] == ["1"] * len(live)
    assert again == live


def test_conditions_are_averaged_from_the_trials_of_the_analysis(
    run: Daq, settled: Path
) -> None:
    run("reanalyse", settled, "--rule", "least_s=50")
    words = ("export", settled, "--table", "conditions")
    live, again = rows_of(run(*words)), rows_of(run(*words, "--analysis", "1"))
    assert {row["analysis"] for row in live} == {"0"}
    assert {row["analysis"] for row in again} == {"1"}
    trials = rows_of(run("export", settled, "--analysis", "1"))
    # Each condition was run once: its mean is that of its trial.
    means = [(row["condition"], row["channel"], row["mean"]) for row in trials]
    assert [(r["condition"], r["channel"], r["mean"]) for r in again] == means
    assert [r["std_uncertainty_within"] for r in again] != [
        r["std_uncertainty_within"] for r in live
    ]


def test_what_did_not_settle_counts_for_no_condition(run: Daq, even_so: Path) -> None:
    words = ("--table", "conditions", "--analysis", "1")
    rows = rows_of(run("export", even_so, *words))
    assert {row["trial_numbers"] for row in rows} == {"1"}


def test_an_analysis_brings_its_session_along(run: Daq, tmp_path: Path) -> None:
    store = record_session(tmp_path / "bench.db", all_settled)
    assert run("reanalyse", store, "--rule", "least_s=50").code == 0
    record_session(store, all_settled)
    assert {row["session"] for row in rows_of(run("export", store))} == {"2"}
    rows = rows_of(run("export", store, "--analysis", "1"))
    assert {row["session"] for row in rows} == {"1"}
    # The plan has 30 s, so that another window was averaged.
    assert rows != rows_of(run("export", store, "--session", "1"))
    told = run("export", store, "--analysis", "1", "--session", "2")
    assert told.code == 2
    assert told.says_only(f"{store}: analysis 1 is of session 1, not of 2")


# ---- the list


def test_analyses_are_listed_with_their_rules(run: Daq, settled: Path) -> None:
    run("reanalyse", settled, "--rule", "least_s=50")
    run("reanalyse", settled, "--preset", "standard", "--even-so")
    words = ("export", settled, "--table", "analyses")
    rows = rows_of(run(*words))
    assert [(r["analysis"], r["session"], r["note"]) for r in rows] == [
        ("0", "", "averaged live"),
        ("1", "1", "least_s=50"),
        ("2", "1", "preset standard; even so"),
    ]
    assert rows[0]["created_utc"] == ""
    for row in rows[1:]:
        # RFC 3339, 5.6.
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+Z", row["created_utc"])
        assert row["software"].startswith("steadybench ")
    facts = facts_of(run(*words, "--format", "json"))
    assert facts["format"] == 1
    live, first, _ = facts["analyses"]
    assert (live["analysis"], live["session"], live["created_utc"]) == (0, None, None)
    assert json.loads(first["rule_json"])["parameters"]["least_s"] == 50.0


def test_a_store_of_the_format_before_has_the_live_averages_alone(
    run: Daq, old: Path
) -> None:
    before = old.read_bytes()
    (row,) = rows_of(run("export", old, "--table", "analyses"))
    assert (row["analysis"], row["note"]) == ("0", "averaged live")
    rows = rows_of(run("export", old, "--analysis", "0"))
    assert {row["analysis"] for row in rows} == {"0"}
    for command in ("export", "budget"):
        told = run(command, old, "--analysis", "1")
        assert told.code == 2
        assert told.says_only(f"{old}: no analysis 1, it holds 0 (live)")
    assert old.read_bytes() == before


# ---- budgets


def test_the_budget_of_an_analysis_is_its_own(run: Daq, even_so: Path) -> None:
    told = run("budget", even_so, "--analysis", "1")
    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("Session 1, analysis 1: ")
    _, second = told.out.split("\nTrial 2: ")
    head, *lines = second.splitlines()
    assert head.endswith("(not settled)")
    assert ON_REQUEST in " ".join(" ".join(lines).split())
    assert any("(power)" in line for line in lines)
    assert max(map(len, told.out.splitlines())) <= 80
    # Live that trial has none.
    live = run("budget", even_so, "--trial", "2")
    assert live.code == 1
    assert "No average" in live.out


def test_programs_get_the_budget_of_an_analysis(run: Daq, even_so: Path) -> None:
    words = ("budget", even_so, "--analysis", "1", "--trial", "2", "--json")
    facts = facts_of(run(*words))
    assert (facts["session"], facts["analysis"]) == (1, 1)
    (trial,) = facts["trials"]
    assert trial["state"] == "not settled"
    for average in trial["averages"]:
        parts = average["contributions"]
        assert average["recorded"]
        assert "drift" in " ".join(part["name"] for part in parts)
        assert sum(part["share_percent"] for part in parts) == pytest.approx(100.0)
    assert facts_of(run("budget", even_so, "--json"))["analysis"] == 0


def test_what_reanalyse_says_at_its_end_shows_what_it_kept(
    run: Daq, tmp_path: Path
) -> None:
    folder = tmp_path / "two words"
    folder.mkdir()
    store = record_session(folder / "bench.db", all_settled)
    told = run("reanalyse", store, "--rule", "least_s=50").out
    (line,) = (x for x in told.splitlines() if x.startswith("To see it: "))
    commands = re.findall(r"daq [^;]*", line)
    assert len(commands) == 2
    for command in commands:
        shown = run(*shlex.split(command)[1:])
        assert (shown.code, shown.err) == (0, "")
        assert "power" in shown.out


# ---- what is refused


@pytest.mark.parametrize("number", ["7", "-1"])
@pytest.mark.parametrize(
    "command",
    [("export",), ("export", "--table", "conditions"), ("budget",)],
    ids=" ".join,
)
def test_an_analysis_that_is_not_there_is_refused_and_those_that_are_named(
    run: Daq, even_so: Path, command: tuple[str, ...], number: str
) -> None:
    told = run(*command, even_so, "--analysis", number)
    assert (told.code, told.out) == (2, "")
    assert told.says_only(f"{even_so}: no analysis {number}, it holds 0 (live), 1")


def test_a_trial_that_an_analysis_does_not_have_is_refused(
    run: Daq, even_so: Path
) -> None:
    record_session(even_so, all_settled)
    told = run("budget", even_so, "--analysis", "1", "--trial", "3")
    assert (told.code, told.out) == (2, "")
    assert told.says_only(f"{even_so}: analysis 1 has no trial 3, it holds 1, 2")


@pytest.mark.parametrize("table", ["readings", "sessions", "analyses"])
def test_a_table_that_is_of_no_analysis_takes_no_number(
    run: Daq, settled: Path, table: str
) -> None:
    told = run("export", settled, "--table", table, "--analysis", "0")
    assert (told.code, told.out) == (2, "")
    assert "expected --table averages, wide or conditions" in told.err.splitlines()[-1]


def test_the_list_of_analyses_is_that_of_all_sessions(run: Daq, settled: Path) -> None:
    told = run("export", settled, "--table", "analyses", "--session", "1")
    assert (told.code, told.out) == (2, "")
    assert "--table analyses lists them all" in told.err.splitlines()[-1]
