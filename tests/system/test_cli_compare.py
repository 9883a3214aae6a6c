"""`daq compare`: a clear word for every kind of session, and the same facts for programs."""

import csv
import io
import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daq.records import Accuracy, TrialState
from tests.core.comparison.bench_texts import PLAN
from tests.runtime.compared_sessions import (
    ONCE,
    REPEATED,
    Carried,
    store_session,
)
from tests.system.command_line import Daq, Ended

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
COARSE = {"power": Accuracy(percent_of_reading=3.0)}
"""A power meter with its limits in one piece, and wide ones."""
DETECT = "[comparison]\nanswer = 'power'\ndetect_percent = 1\n"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def answer_of(ended: Ended) -> str:
    """The sentences between the first line and the first table, in one line."""
    head, _, rest = ended.out.partition("\n\n")
    assert "compared with" in head
    return " ".join(rest.partition("\n\n")[0].split())


def table_of(ended: Ended, title: str) -> list[str]:
    """Lines under a title, without those of the notes."""
    paragraphs = ended.out.split("\n\n")
    (found,) = [p for p in paragraphs if p.splitlines()[0].startswith(title)]
    return found.splitlines()[2:]


def notes_of(ended: Ended) -> str:
    _, _, notes = ended.out.partition("\nNotes:\n")
    return " ".join(notes.partition("\n\n")[0].split())


def said(ended: Ended) -> str:
    return " ".join(ended.out.split())


def json_of(run: Daq, path: Path, *options: str) -> Any:
    ended = run("compare", path, "--json", *options)
    assert ended.err == ""
    return json.loads(ended.out)


# ---- a session with repeats


def test_the_answer_comes_first_and_says_what_is_real(run: Daq, path: Path) -> None:
    ended = run("compare", store_session(path))
    assert (ended.code, ended.err) == (0, "")
    answer = answer_of(ended)
    assert answer.startswith("long lead: 5.00 ± ")
    assert "less airflow (standard air) than with “short lead”" in answer
    assert answer.endswith("the difference is real.")
    rows = table_of(ended, "Airflow, standard air in m³/h")
    assert rows[0].split("  ")[1] == "short lead"
    assert rows[2].endswith("  real")
    assert rows[3].startswith("  spread 0.071 %, 3 degrees of freedom; found 4 times")


def test_text_fits_a_terminal_of_80_columns(run: Daq, path: Path) -> None:
    out = run("compare", store_session(path), "--detect", "1").out
    assert max(map(len, out.splitlines())) <= 80


def test_what_a_person_does_not_need_stands_behind_an_option(
    run: Daq, path: Path
) -> None:
    brief = run("compare", store_session(path)).out
    whole = run("compare", path, "--all").out
    assert brief.splitlines()[-1].startswith("--all shows ")
    for title in ("Airflow, standard air in m³/h\n", "Power in W\n", "Cautions\n"):
        assert title in brief
        assert title in whole
    for title in ("Current in A\n", "Power factor\n", "our assumption"):
        assert title not in brief
        assert title in whole
    assert "--all" not in whole


def test_what_the_conveying_index_is_stands_beneath_its_table_at_once(
    run: Daq, path: Path
) -> None:
    store_session(path)
    for options in ((), ("--all",), ("--markdown",)):
        text = said(run("compare", path, *options))
        _, _, beneath = text.partition("flow's difference")
        meaning = "the ratio of “Airflow, standard air” to the power 5"
        assert meaning in beneath
        assert text.count(meaning) == 1
        assert "It is no airflow." in beneath
        assert ("one duct and one material" in beneath) == bool(options)


def test_accuracy_that_nobody_stated_is_told_before_the_tables(
    run: Daq, path: Path
) -> None:
    bare = {"power": Accuracy(resolution=0.1)}
    ended = run("compare", store_session(path, ONCE, accuracies=[bare] * 3))
    head, _, _ = ended.out.partition("\nPower in W")
    assert "Accuracy is not stated for power: their U" in " ".join(head.split())
    assert json_of(run, path)["accuracy_not_stated"] == ["power"]


def test_every_form_holds_the_same_figures(run: Daq, path: Path) -> None:
    store_session(path)
    content = json_of(run, path)
    rows = list(csv.DictReader(io.StringIO(run("compare", path, "--csv").out)))
    assert len(rows) == len(content["comparison"])
    for row, same in zip(rows, content["comparison"], strict=True):
        assert (row["quantity"], row["condition"]) == (
            same["quantity"],
            same["condition"],
        )
        assert float(row["mean"]) == same["mean"]
        assert row["verdict"] == (same["verdict"] or "")
    text = run("compare", path, "--markdown").out
    assert text.startswith("## Drying blower: compared with short lead\n")
    assert "| thin lead | " in text


def test_two_forms_at_once_are_refused(run: Daq, path: Path) -> None:
    ended = run("compare", store_session(path), "--json", "--csv")
    assert ended.code == 2
    assert "not allowed with" in ended.err


# ---- sessions that lack something


def test_no_baseline_trial(run: Daq, path: Path) -> None:
    others = [c for c in REPEATED if c.condition != "short lead"]
    ended = run("compare", store_session(path, others))
    assert ended.code == 1
    assert "No trial of the baseline “short lead” was averaged" in answer_of(ended)
    rows = table_of(ended, "Power in W")
    assert len(rows) == 2
    assert all(row.endswith("no baseline") for row in rows)


def test_one_condition_only(run: Daq, path: Path) -> None:
    ended = run("compare", store_session(path, [ONCE[0]] * 2))
    assert ended.code == 1
    assert answer_of(ended) == (
        "Only the baseline “short lead” was averaged: there is nothing to compare it with yet."
    )
    assert table_of(ended, "Power in W")[0].endswith("baseline")


def test_nothing_settled(run: Daq, path: Path) -> None:
    failed = [
        replace(c, state=TrialState.NOT_SETTLED, note="power: it still drifts")
        for c in ONCE
    ]
    ended = run("compare", store_session(path, failed))
    assert ended.code == 1
    assert "No trial of this session was averaged" in ended.out
    assert "trial 2, long lead, not settled: power: it still drifts" in ended.out
    content = json_of(run, path)
    assert content["comparison"] == []
    assert len(content["left_out"]) == 3


def test_a_channel_missing_in_some_trials(run: Daq, path: Path) -> None:
    blind = [
        replace(c, means={"velocity": None}) if c.condition == "long lead" else c
        for c in REPEATED
    ]
    ended = run("compare", store_session(path, blind), "--all")
    assert ended.code == 0
    assert "velocity has no average in trials 2 (long lead), 5 (long lead)" in (
        notes_of(ended)
    )
    assert len(table_of(ended, "Outlet velocity")) == 3
    assert table_of(ended, "Power in W")[1].endswith("real")


def test_zero_airflow(run: Daq, path: Path) -> None:
    still = [replace(c, means={"velocity": 0.0}) for c in REPEATED]
    ended = run("compare", store_session(path, still), "--detect", "1")
    assert (ended.code, ended.err) == (0, "")
    assert "is not above zero in trials 1, 2, 3, 4, 5, 6" in answer_of(ended)
    assert "nothing can be said of what was lost" in answer_of(ended)
    assert "nothing flows, or check velocity" in notes_of(ended)
    assert table_of(ended, "Power in W")[1].endswith("real")


def test_a_meter_changed_between_trials(run: Daq, path: Path) -> None:
    two = [REPEATED[0], REPEATED[3], REPEATED[1], REPEATED[4]]
    other = {"power": Accuracy(gain_percent=0.4)}
    plan = PLAN + "[comparison]\nanswer = 'power'\n"
    changed = store_session(path, two, plan=plan, accuracies=[{}, {}, other, other])
    same = store_session(path.with_name("same.db"), two, plan=plan)

    def expanded(store: Path) -> float:
        row = json_of(run, store)["comparison"][1]
        assert row["condition"] == "long lead"
        found = row["difference_expanded_uncertainty"]
        assert isinstance(found, float)
        return found

    # Baseline read by a meter of 0.5 %, the lead by one of 0.4 %: sqrt(7.0^2 + 5.05^2) / sqrt(3) = 5.0 W stay, times
    # 1.96; with one meter 0.5 % of the difference of 136 W.
    assert expanded(changed) > 9.7 > 2.0 * expanded(same)
    ended = run("compare", changed)
    assert "the meter of power was changed or described anew before trial 3" in (
        notes_of(ended)
    )


def test_trials_normalised_and_not(run: Daq, path: Path) -> None:
    mixed = [replace(c, normalised=("power",)) for c in REPEATED[:5]]
    ended = run("compare", store_session(path, [*mixed, REPEATED[5]]))
    assert ended.code == 0
    assert (
        "power of trial 6 (thin lead) is not compared: it is as it was read, that of trial 1 (short lead) is taken to"
        " 230 V" in notes_of(ended)
    )
    assert "power_factor is not derived" in notes_of(ended)


def test_a_trial_that_was_left_out_is_said(run: Daq, path: Path) -> None:
    failed = Carried("thin lead", state=TrialState.UNFINISHED, note="switched off")
    ended = run("compare", store_session(path, [*ONCE, failed]))
    assert (
        "Not compared:\n  trial 4, thin lead, unfinished: switched off\n" in ended.out
    )


def test_an_answer_that_the_session_cannot_give(run: Daq, path: Path) -> None:
    blind = [replace(c, means={"velocity": None}) for c in REPEATED]
    plan = PLAN + "[comparison]\nanswer = 'airflow'\n"
    ended = run("compare", store_session(path, blind, plan=plan))
    assert ended.code == 0
    assert "less power than with “short lead”" in answer_of(ended)
    assert "the plan wants the answer about 'airflow'" in notes_of(ended)


def test_names_with_markup_stay_names(run: Daq, path: Path) -> None:
    name = "=1+1 | <b>*x*</b>"
    plan = PLAN.replace("long lead", name)
    trials = [replace(c, condition=name) for c in REPEATED if c.factor < 0.96]
    store_session(path, [REPEATED[0], *trials], plan=plan)
    (row,) = {
        row["condition"]
        for row in csv.DictReader(io.StringIO(run("compare", path, "--csv").out))
        if row["is_baseline"] == "0"
    }
    assert row == f"'{name}"
    text = run("compare", path, "--markdown").out
    assert r"| =1+1 \| \<b\>\*x\*\</b\> | " in text
    assert name in json.dumps(json_of(run, path))


# ---- not repeated


def test_a_session_that_was_not_repeated_says_what_would_make_it_real(
    run: Daq, path: Path
) -> None:
    ended = run("compare", store_session(path, ONCE), "--detect", "1")
    assert ended.code == 0
    answer = answer_of(ended)
    assert "undecided because it was not repeated enough" in answer
    # 10 % / (1.96 sqrt(2)) = 3.6 %.
    assert "It vanishes if trials of one condition spread by 3.6 % " in answer
    text = said(ended)
    assert "Carry out each condition twice ([order] repeats in the plan)" in text
    # Half of it is a difference of 2 standard deviations: 6 a group for one condition and a t test (J. Cohen,
    # Statistical Power Analysis, 2nd ed. (1988), table 2.4.1), a little more for two of them.
    assert "How many repeats show a difference of 1.0 % (2.0 m³/h) depends on" in text
    assert " 6 times if by half of it," in text or " 7 times if by half of it," in text


def test_without_a_size_it_is_said_how_to_ask_for_one(run: Daq, path: Path) -> None:
    ended = run("compare", store_session(path, ONCE))
    assert "--detect PERCENT tells how many repeats" in ended.out


def test_earlier_repeats_of_the_machine_decide(run: Daq, path: Path) -> None:
    store_session(path)
    ended = run("compare", store_session(path, ONCE))
    assert "the difference is real" in answer_of(ended)
    assert "3 degrees of freedom with earlier sessions;" in ended.out


def test_a_spread_that_the_plan_states_decides(run: Daq, path: Path) -> None:
    plan = PLAN + (
        "[comparison.spread.airflow_standard]\npercent = 0.3\ndegrees_of_freedom = 7\nsource = 'eight starts in May'\n"
    )
    ended = run("compare", store_session(path, ONCE, plan=plan))
    assert "the difference is real" in answer_of(ended)
    assert "stated in the plan: eight starts in May" in said(ended)


def test_an_unreadable_earlier_session_is_passed_over(run: Daq, path: Path) -> None:
    store_session(path)
    store_session(path, ONCE)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE sessions SET plan_text = '[' WHERE id = 1")
    ended = run("compare", path)
    assert ended.code == 0
    assert "undecided" in answer_of(ended)


# ---- how many repeats


def detect(run: Daq, store: Path, percent: str) -> str:
    ended = run("compare", store, "--detect", percent)
    assert ended.code == 0
    return " ".join(ended.out.split("\n\n")[2].split())


def test_a_size_that_repeats_show_is_said_with_their_number(
    run: Daq, path: Path
) -> None:
    store_session(path, plan=PLAN + DETECT)
    sentence = detect(run, path, "1")
    assert sentence == (
        "A difference of 1.0 % (14 W) is shown 4 times in 5 where each condition is carried out twice."
    )
    (first, *_) = json_of(run, path)["repeats"]
    assert (first["quantity"], first["percent"], first["repeats"]) == ("power", 1.0, 2)
    assert first["obstacle"] is None


def test_where_the_meter_hides_it_that_is_said_and_what_helps(
    run: Daq, path: Path
) -> None:
    store_session(path, plan=PLAN + DETECT, accuracies=[COARSE] * 6)
    sentence = detect(run, path, "1")
    assert sentence.startswith(
        "No number of repeats shows a difference of 1.0 % (14 W)"
    )
    assert "it is not the spread between trials that hides it" in sentence
    assert "(mostly power: accuracy)" in sentence
    assert "a profile that states gain and offset apart" in sentence
    assert sentence.endswith("or a better meter.")
    (first, *_) = json_of(run, path)["repeats"]
    assert (first["repeats"], first["obstacle"]) == (None, "meters")
    # Two independent fifths of (0.03 * 1400)^2 / 3: u = 15 W, and 2.2 u and more are needed.
    assert first["least_difference"] > 2.0 * 15.0


def test_a_meter_that_hides_it_is_named_without_repeats_too(
    run: Daq, path: Path
) -> None:
    store_session(path, ONCE, plan=PLAN + DETECT, accuracies=[COARSE] * 3)
    assert detect(run, path, "1").startswith("No number of repeats shows")


def test_where_the_spread_hides_it_that_is_said(run: Daq, path: Path) -> None:
    factors = (1.0, 0.95, 0.9, 1.03, 0.98, 0.93)
    wild = [replace(c, factor=f) for c, f in zip(REPEATED, factors, strict=True)]
    store_session(path, wild, plan=PLAN + DETECT)
    sentence = detect(run, path, "1")
    assert "by 100 repeats of each condition: its trials spread too much" in sentence
    assert json_of(run, path)["repeats"][0]["obstacle"] == "spread"


def test_the_plans_own_size_is_asked_about_unless_another_is(
    run: Daq, path: Path
) -> None:
    store_session(path, plan=PLAN + DETECT)
    assert "A difference of 1.0 % " in run("compare", path).out
    assert "A difference of 2.0 % " in run("compare", path, "--detect", "2").out
    assert json_of(run, path, "--detect", "2")["repeats"][0]["percent"] == 2.0


# ---- bad input


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--session", "9"], "no session 9, it holds only 1"),
        (["--analysis", "3"], "no analysis 3, it holds 0 (live)"),
    ],
)
def test_what_is_not_there_is_named(
    run: Daq, path: Path, options: Sequence[str], words: str
) -> None:
    ended = run("compare", store_session(path), *options)
    assert ended.code == 2
    assert ended.says_only("bench.db: ", words)


def test_a_size_out_of_range_is_refused(run: Daq, path: Path) -> None:
    ended = run("compare", store_session(path), "--detect", "0")
    assert ended.code == 2
    assert "expected 0.01 to 100" in ended.err


def test_no_store_is_told_as_the_stores_fault(run: Daq, path: Path) -> None:
    ended = run("compare", path)
    assert ended.code == 4
    assert ended.says_only("no results file there")


def test_a_session_that_was_only_begun(run: Daq, path: Path) -> None:
    ended = run("compare", store_session(path, ()))
    assert ended.code == 2
    assert ended.says_only("no session with a trial", "daq export --table sessions")


def test_a_plan_that_this_version_cannot_read(run: Daq, path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    ended = run("compare", path)
    assert ended.code == 2
    assert ended.err.startswith("daq: plan of session 1:1: format: missing")


# ---- a plan whose answer names nothing


def test_check_names_an_answer_about_nothing_with_its_line(
    run: Daq, folder: Path
) -> None:
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(f"{text}[comparison]\nanswer = 'torque'\n", encoding="utf-8")
    ended = run("check", folder / "bench.toml", plan, "--files-only")
    assert ended.code == 2
    line = len(text.splitlines()) + 2
    assert f"plan.toml:{line}: comparison.answer: nothing of the name 'torque'" in (
        ended.err
    )
