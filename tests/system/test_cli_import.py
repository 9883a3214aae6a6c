"""`daq import`: a meter's own log into a session, and whole sessions from logs alone."""

import csv
import json
import re
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing, redirect_stdout
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest

from daq.cli import budget, compare, export, reanalyse, report
from daq.cli.import_ import run
from daq.errors import InputError
from daq.trials.stages import Stage
from tests.benchmarks.imported import (
    ACCURACIES,
    COLUMNS,
    Count,
    Truth,
    count_session,
    draw_truth,
    import_session,
    make_session,
)
from tests.runtime.recorded_session import Recording
from tests.system.recorded_bench import record_session

BEGAN_S, CLOCK_S = 1000.0, 312.5
"""The bench's clock when the session began, and what the log's shows less than the session's [s]."""
VOLTS = 229.0


def settled_in_uneven_time(session: Recording) -> None:
    """Both conditions settle; no two runs last alike, for in even time no offset can be found."""
    for more in (150, 60):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
        for _ in range(more):
            session.rehearsal.read(6.0, 1400.0)
    session.rehearsal.stand_still()


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("recorded") / "store.db"
    return record_session(path, settled_in_uneven_time).read_bytes()


@pytest.fixture
def store(recorded: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "store.db"
    path.write_bytes(recorded)
    return path


def save_log(store: Path, file: Path, *, lines: Callable[[str], str] = str) -> Path:
    """A log of the recorded session by a clock of its own: current and volts, a reading each 0.8 s."""
    with closing(sqlite3.connect(store)) as connection:
        runs = connection.execute("SELECT started_s, ended_s FROM trials").fetchall()
    random = Random(2)  # noqa: S311 - noise of a meter, no secret
    text = ["elapsed_s,Current,Volts"]
    for at_s in np.arange(runs[0][0] - 40.0, runs[-1][1] + 40.0, 0.8):
        is_on = any(on - 0.5 <= at_s < off - 0.5 for on, off in runs)
        volts = VOLTS + random.gauss(0.0, 0.2)
        clock_s = at_s - BEGAN_S - CLOCK_S
        text.append(f"{clock_s:.2f},{6.0 if is_on else 0.0:.2f},{volts:.1f}")
    file.write_text(lines("\n".join(text)) + "\n", encoding="utf-8")
    return file


def said(*words: str | Path) -> tuple[int, str]:
    """Exit code and standard output of `daq import`."""
    out = StringIO()
    with redirect_stdout(out):
        code = run([str(word) for word in words])
    return code, out.getvalue()


INTO = ("--column", "Volts=volts:V:supply end", "--edges", "Current")


@pytest.mark.slow
def test_a_log_becomes_a_channel_that_is_averaged_and_compared(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = save_log(store, tmp_path / "mains.csv")
    code, text = said(store, log, *INTO, "--accuracy", "volts=0.5%+2d", "--json")
    facts = json.loads(text)
    assert code == 0
    (clock,) = facts["logs"]
    off_s = abs(clock["offset_s"] - CLOCK_S)
    assert off_s <= clock["offset_expanded_uncertainty_s"] < 1.0
    assert clock["edges_matched"] == 4
    assert facts["trials_with_other_averages"] == []
    for trial in facts["reanalysis"]["trials"]:
        (volts,) = [a for a in trial["after"]["averages"] if a["channel"] == "volts"]
        assert abs(volts["mean"] - VOLTS) < volts["expanded_uncertainty"]
        # 0.5 % of 229 V and two digits of 0.1 V are 1.345 V: at least 0.776 V of standard uncertainty.
        assert volts["expanded_uncertainty"] == pytest.approx(2.0 * 0.7765, rel=0.05)
    number = facts["reanalysis"]["analysis"]
    assert compare.run([str(store), "--analysis", str(number), "--json"]) == 0
    compared = json.loads(capsys.readouterr().out)
    assert "volts" in json.dumps(compared)


@pytest.mark.slow
def test_people_are_told_offset_uncertainty_residuals_and_analysis(
    store: Path, tmp_path: Path
) -> None:
    log = save_log(store, tmp_path / "mains.csv")
    code, text = said(store, log, *INTO)
    assert code == 0
    assert "found from 4 of 4 switchings in column Current" in text
    assert text.count("s from where it should be") == 4
    assert "The offset matters only where readings change quickly" in text
    assert "volts: the accuracy of its meter is not stated" in text
    assert "Kept as analysis 1" in text


@pytest.mark.slow
def test_two_logs_are_both_in_the_newest_analysis(store: Path, tmp_path: Path) -> None:
    said(store, save_log(store, tmp_path / "one.csv"), *INTO)
    other = save_log(
        store, tmp_path / "two.csv", lines=lambda text: text.replace("Volts", "U2")
    )
    _, text = said(
        store,
        other,
        "--column",
        "U2=volts_two:V:machine end",
        "--edges",
        "Current",
        "--json",
    )
    (first, _) = json.loads(text)["reanalysis"]["trials"]
    names = {average["channel"] for average in first["after"]["averages"]}
    assert {"volts", "volts_two", "power"} <= names


@pytest.mark.slow
def test_a_store_analysed_again_keeps_what_was_imported_to_the_bit(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = save_log(store, tmp_path / "mains.csv")
    _, text = said(store, log, *INTO, "--accuracy", "volts=0.5%+2d", "--json")
    imported = json.loads(text)["reanalysis"]
    assert reanalyse.run([str(store), "--json"]) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["reproduced"] is True
    assert again["changed"][-1] == "with volts imported"
    assert [t["after"] for t in again["trials"]] == [
        t["after"] for t in imported["trials"]
    ]
    # Kept alike, too: but for the number and the words of the analysis both tables are one.
    first, second = (
        [
            {k: v for k, v in row.items() if not k.startswith("analysis")}
            for row in csv.DictReader(
                StringIO(_told(capsys, export.run, store, "--analysis", number))
            )
        ]
        for number in (imported["analysis"], again["analysis"])
    )
    assert first == second
    assert "volts" in {row["channel"] for row in second}


@pytest.mark.slow
def test_another_rule_may_be_asked_of_an_imported_channel(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said(store, save_log(store, tmp_path / "mains.csv"), *INTO)
    words = [str(store), "--required", "volts", "--even-so", "--dry-run", "--json"]
    assert reanalyse.run(words) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["reproduced"] is None
    for trial in found["trials"]:
        assert trial["rule"]["required"] == ["volts"]
        assert "volts" in {a["channel"] for a in trial["after"]["averages"]}


@pytest.mark.slow
def test_an_imported_channel_is_compared_budgeted_reported_and_exported_as_any(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said(store, save_log(store, tmp_path / "mains.csv"), *INTO)
    assert reanalyse.run([str(store), "--json"]) == 0
    number = json.loads(capsys.readouterr().out)["analysis"]
    compared = _told(capsys, compare.run, store, "--analysis", number)
    assert "volts" in compared.lower()
    assert "volts" in _told(capsys, budget.run, store, "--analysis", number).lower()
    page = tmp_path / "report.html"
    _told(capsys, report.run, store, "--analysis", number, "--output", page)
    assert "volts" in page.read_text(encoding="utf-8").lower()
    words = (store, "--table", "readings", "--instrument", "mains")
    head, *lines = _told(capsys, export.run, *words).splitlines()
    assert "volts" in head
    assert len(lines) > 100


def _told(
    capsys: pytest.CaptureFixture[str],
    command: Callable[[Sequence[str]], int],
    *words: object,
) -> str:
    """Standard output of another command, which must succeed."""
    assert command([str(word) for word in words]) == 0
    return capsys.readouterr().out


@pytest.mark.slow
def test_nothing_is_imported_twice(store: Path, tmp_path: Path) -> None:
    log = save_log(store, tmp_path / "mains.csv")
    said(store, log, *INTO)
    renamed = log.rename(tmp_path / "renamed.csv")
    with pytest.raises(InputError, match="nothing is imported twice"):
        said(store, renamed, "--column", "Volts=other:V:duct", "--edges", "Current")


@pytest.mark.slow
def test_a_dry_run_shows_and_keeps_nothing(store: Path, tmp_path: Path) -> None:
    log = save_log(store, tmp_path / "mains.csv")
    before = _dump(store)
    code, text = said(store, log, *INTO, "--dry-run")
    assert code == 0
    assert "Kept as" not in text
    assert text.endswith("keep it: the same command without --dry-run.\n")
    assert _dump(store) == before


@pytest.mark.slow
def test_switchings_are_told_by_the_clock_of_the_log(
    store: Path, tmp_path: Path
) -> None:
    def dated(text: str) -> str:
        head, *lines = text.split("\n")
        begin = datetime(2026, 3, 1, 12, tzinfo=UTC)
        cells = [line.split(",", 1) for line in lines]
        times = [begin + timedelta(seconds=float(at_s)) for at_s, _ in cells]
        rows = [f"{at:%Y-%m-%d %H:%M:%S.%f},{rest}" for at, (_, rest) in zip(times, cells, strict=True)]  # fmt: skip
        return "\n".join([head.replace("elapsed_s", "Time"), *rows])

    _, text = said(
        store, save_log(store, tmp_path / "mains.csv", lines=dated), *INTO, "--dry-run"
    )
    told = re.findall(r"(?:on |off) at 2026-03-01 1[12]:\d\d:\d\d of the log:", text)
    assert len(told) == 4


@pytest.mark.slow
def test_a_bad_line_is_told_and_can_be_skipped(store: Path, tmp_path: Path) -> None:
    log = save_log(
        store,
        tmp_path / "mains.csv",
        lines=lambda text: text.replace("228.7", "----", 3),
    )
    with pytest.raises(InputError, match=r"line \d+, Volts: got '----'"):
        said(store, log, *INTO)
    _, text = said(store, log, *INTO, "--skip-bad-lines")
    assert "3 lines could not be read: gaps" in text
    with closing(sqlite3.connect(store)) as connection:
        gaps = connection.execute(
            "SELECT count(*) FROM gaps WHERE instrument = 'mains'"
        ).fetchone()
    assert gaps == (3,)


def test_a_channel_that_does_not_tell_on_from_off_is_refused_with_the_remedy(
    store: Path, tmp_path: Path
) -> None:
    log = save_log(store, tmp_path / "mains.csv")
    with pytest.raises(InputError, match="expected --edges COLUMN"):
        said(store, log, "--column", "Volts=volts:V:supply end")


def with_suction(store: Path, file: Path) -> Path:
    """The log with a column that falls from nothing to -900 Pa when the machine runs, and one that rises through -5 W."""

    def with_pressures(text: str) -> str:
        head, *rows = text.split("\n")
        lines = [f"{head},Suction,Power"]
        for row in rows:
            is_on = float(row.split(",")[1]) > 0.0
            suction, power = (-900.0, 890.0) if is_on else (0.0, -10.0)
            lines.append(f"{row},{suction},{power}")
        return "\n".join(lines)

    return save_log(store, file, lines=with_pressures)


SUCTION = ("--column", "Suction=suction:Pa:inlet", "--dry-run")


@pytest.mark.slow
def test_suction_below_zero_tells_the_switchings(store: Path, tmp_path: Path) -> None:
    log = with_suction(store, tmp_path / "air.csv")
    _, text = said(store, log, *SUCTION, "--json")
    (clock,) = json.loads(text)["logs"]
    off_s = abs(clock["offset_s"] - CLOCK_S)
    assert off_s <= clock["offset_expanded_uncertainty_s"] < 1.0


@pytest.mark.slow
def test_a_level_below_zero_is_taken_as_it_was_given(
    store: Path, tmp_path: Path
) -> None:
    log = with_suction(store, tmp_path / "mains.csv")
    words = ("--edges", "Power", "--on-above", "-5", "--json")
    _, text = said(store, log, *SUCTION, *words)
    (clock,) = json.loads(text)["logs"]
    assert clock["edges_matched"] == 4


@pytest.mark.slow
def test_a_level_for_suction_is_refused_by_name_with_what_to_do(
    store: Path, tmp_path: Path
) -> None:
    log = with_suction(store, tmp_path / "air.csv")
    with pytest.raises(
        InputError,
        match=r"air\.csv: Suction: falls when the machine is on.*leave --on-above out.*--edges COLUMN",
    ):
        said(store, log, *SUCTION, "--on-above", "-5")


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (("--column", "Volts"), "expected COLUMN=CHANNEL:UNIT:PLACE"),
        (("--column", "Volts=volts:volt"), "unknown unit 'volt'"),
        ((*INTO, "--accuracy", "volts=good"), "expected CHANNEL=0.5%+2d"),
        ((*INTO, "--accuracy", "amps=1%"), "no channel 'amps' is imported"),
        ((*INTO, "--order", "a,b"), "argument --order: only with --plan"),
        ((*INTO, "--off-below", "1"), "only with --on-above"),
        ((*INTO, "--offset-is-right"), "only with --offset SECONDS"),
        (
            (*INTO, "--offset-is-right", "--offset", "found"),
            "only with --offset SECONDS",
        ),
        (
            (*INTO, "--on-above", "-5", "--off-below", "-4"),
            "--off-below: above --on-above",
        ),
    ],
)
def test_words_that_mean_nothing_are_refused_before_a_file_is_touched(
    words: Sequence[str], problem: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        run(["store.db", "log.csv", *words])
    assert ended.value.code == 2
    assert problem in capsys.readouterr().err


def _dump(store: Path) -> list[str]:
    with closing(sqlite3.connect(store)) as connection:
        return list(connection.iterdump())


# ---- a session of its own


@pytest.fixture(scope="module")
def logged(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Path, Truth, dict[str, Any]]:
    """A session that was made of two logs."""
    folder = tmp_path_factory.mktemp("logged")
    random = np.random.default_rng(11)
    truth = draw_truth(random, length_s=240.0)
    make_session(folder, truth, random)
    return folder, truth, import_session(folder, truth)


@pytest.mark.slow
def test_a_session_of_logs_is_as_a_live_one(
    logged: tuple[Path, Truth, dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, truth, facts = logged
    store = folder / "store.db"
    assert facts["is_finished"]
    assert [t["condition"] for t in facts["trials"]] == [
        r.condition for r in truth.runs
    ]
    counts: dict[str, Count] = {}
    count_session(facts, truth, lambda what: counts.setdefault(what, Count()))
    assert {what: count.share for what, count in counts.items()} == dict.fromkeys(
        counts, 1.0
    )
    # Judged again from the store by the same rule, the averages come out again to the bit.
    assert reanalyse.run([str(store), "--dry-run", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["reproduced"] is True
    assert compare.run([str(store), "--csv"]) == 0
    assert "power" in capsys.readouterr().out


@pytest.mark.slow
def test_the_same_logs_make_no_second_session(
    logged: tuple[Path, Truth, dict[str, Any]],
) -> None:
    folder, truth, _ = logged
    with pytest.raises(InputError, match="from the same content already"):
        import_session(folder, truth)


@pytest.mark.slow
def test_runs_that_do_not_fit_the_plan_are_told_and_can_be_mended(
    logged: tuple[Path, Truth, dict[str, Any]], tmp_path: Path
) -> None:
    folder, _, _ = logged
    plan = tmp_path / "plan.toml"
    text = (folder / "plan.toml").read_text(encoding="utf-8")
    plan.write_text(text.replace("repeats = 2", "repeats = 1"), encoding="utf-8")
    words = (
        folder / "mains.csv",
        folder / "air.csv",
        "--plan",
        plan,
        *COLUMNS,
        *ACCURACIES,
    )
    store = tmp_path / "mended.db"
    with pytest.raises(
        InputError,
        match=r"too many runs: 4 are counted.*\n.*run 1: from 2026-03-01 09:0",
    ):
        said(store, *words)
    assert not store.exists()
    code, said_so = said(store, *words, "--skip-run", "1", "--skip-run", "2")
    assert code == 0
    assert said_so.count("left out") == 2
    assert "finished" in said_so
    assert f"daq compare {store} --session 1" in said_so


@pytest.mark.slow
def test_lines_that_were_not_run_leave_the_session_open(
    logged: tuple[Path, Truth, dict[str, Any]], tmp_path: Path
) -> None:
    folder, _, _ = logged
    words = (
        folder / "mains.csv",
        folder / "air.csv",
        "--plan",
        folder / "plan.toml",
        *COLUMNS,
    )
    store = tmp_path / "open.db"
    code, text = said(
        store, *words, "--skip-run", "4", "--order", "bare,filter,bare", "--json"
    )
    assert code == 1
    assert json.loads(text)["is_finished"] is False
    with closing(sqlite3.connect(store)) as connection:
        (state,) = connection.execute("SELECT state FROM sessions").fetchone()
    assert state == "open"
