"""An offset that is stated for a log's clock, held against the switchings that log and session saw."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from daq.cli import export
from daq.errors import InputError
from tests.benchmarks.imported import (
    ACCURACIES,
    COLUMNS,
    draw_truth,
    make_session,
)
from tests.system.recorded_bench import record_session
from tests.system.test_cli_import import (
    CLOCK_S,
    INTO,
    said,
    save_log,
    settled_in_uneven_time,
)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("recorded") / "store.db"
    return record_session(path, settled_in_uneven_time).read_bytes()


@pytest.fixture
def store(recorded: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "store.db"
    path.write_bytes(recorded)
    return path


def _dump(store: Path) -> list[str]:
    with closing(sqlite3.connect(store)) as connection:
        return list(connection.iterdump())


@pytest.mark.slow
def test_a_stated_offset_is_taken(store: Path, tmp_path: Path) -> None:
    log = save_log(store, tmp_path / "mains.csv")
    words = (*INTO, "--offset", str(CLOCK_S))
    _, text = said(store, log, *words)
    assert "+312.50 s are added to its times, as stated" in text
    assert "4 of 4 switchings agree with it within some seconds." in text


@pytest.mark.slow
def test_a_stated_offset_that_switchings_gainsay_is_refused_and_keeps_nothing(
    store: Path, tmp_path: Path
) -> None:
    log = save_log(store, tmp_path / "mains.csv")
    offset = ("--offset", str(CLOCK_S + 20.0))
    before = _dump(store)
    with pytest.raises(
        InputError,
        match=r"mains\.csv: \+332\.50 s .* as stated, though only [01] of \d+ switchings agree in column 'Current'"
        r"; leave --offset out .* add --offset-is-right",
    ):
        said(store, log, *INTO, *offset)
    assert _dump(store) == before
    # Its volts do not tell on from off: nothing speaks for the offset, and nothing against it.
    _, text = said(store, log, *INTO[:2], *offset, "--dry-run")
    assert "No switching of the log tells whether that is so." in text


@pytest.mark.slow
def test_a_gainsaid_offset_that_is_said_again_is_kept_and_noted(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = save_log(store, tmp_path / "mains.csv")
    offset = ("--offset", str(CLOCK_S + 20.0), "--offset-is-right")
    _, text = said(store, log, *INTO, *offset)
    assert "seconds: it is kept as said again." in text
    caution = "mains.csv: +332.50 s are added to its times as stated, though only"
    assert caution in _exported(capsys, store, "--table", "events")
    assert caution in _exported(capsys, store, "--table", "analyses")


@pytest.mark.slow
def test_an_offset_that_puts_the_log_far_away_is_refused(
    store: Path, tmp_path: Path
) -> None:
    log = save_log(store, tmp_path / "mains.csv")
    with pytest.raises(InputError, match="no reading of it is near a trial"):
        said(store, log, *INTO, "--offset", "100000")


def _exported(capsys: pytest.CaptureFixture[str], store: Path, *words: str) -> str:
    assert export.run([str(store), *words]) == 0
    return capsys.readouterr().out


@pytest.mark.slow
def test_a_session_of_logs_with_a_gainsaid_offset_says_so_of_every_trial(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    random = np.random.default_rng(11)
    truth = draw_truth(random, length_s=240.0)
    make_session(tmp_path, truth, random)
    # The clock of the mains log is the session's; 40 s off no run meets another's switching.
    offset = ("--offset", f"{40.0 - truth.clock_offset_s:.2f}")
    plan = ("--plan", tmp_path / "plan.toml")
    files = (tmp_path / "mains.csv", tmp_path / "air.csv")
    store = tmp_path / "stated.db"
    words = (store, *files, *plan, *COLUMNS, *ACCURACIES, *offset)
    with pytest.raises(InputError, match="add --offset-is-right"):
        said(*words)
    assert not store.exists()
    _, text = said(*words, "--offset-is-right", "--json")
    notes = [trial["note"] for trial in json.loads(text)["trials"]]
    assert len(notes) == len(truth.runs)
    caution = "s are added to its times as stated, though only"
    assert all(caution in note for note in notes)
    events = _exported(capsys, store, "--table", "events")
    assert f"air.csv: {40.0 - truth.clock_offset_s:+.2f} {caution}" in events
