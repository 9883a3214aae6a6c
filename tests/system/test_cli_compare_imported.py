"""`daq compare` and `daq report` after an import: whose readings count, what is said of the log, and what a store is left as."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from daq.cli import report
from daq.cli.import_ import run as import_log
from daq.runtime.store.compared import read_session_figures
from daq.runtime.store.imported import read_imported_logs, typed_names
from daq.runtime.store.opening import reading_store
from tests.runtime.compared_sessions import store_session
from tests.system.command_line import Daq
from tests.system.recorded_bench import record_session
from tests.system.test_cli_import import save_log, settled_in_uneven_time

INTO = ("--column", "Volts=volts:V:supply end", "--edges", "Current")


@pytest.fixture
def imported(tmp_path: Path) -> Path:
    """A recorded session with the volts of a log, whose clock is 312.5 s behind."""
    store = record_session(tmp_path / "store.db", settled_in_uneven_time)
    log = save_log(store, tmp_path / "mains.csv")
    assert import_log([str(store), str(log), *INTO]) == 0
    return store


@pytest.mark.slow
def test_an_imported_channel_is_known_as_such_and_reported_with_its_log(
    imported: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with closing(sqlite3.connect(imported)) as connection:
        (number,) = connection.execute("SELECT max(id) FROM analyses").fetchone()
    figures = read_session_figures(imported, analysis=number)
    assert figures.second_choice == {"volts"}
    assert "volts" in figures.unstated
    assert read_session_figures(imported).second_choice == frozenset()
    (log,) = read_imported_logs(imported, figures.number)
    assert (log.file, log.meter, log.channels) == ("mains.csv", "mains", ("volts",))
    assert log.offset_s == pytest.approx(312.5, abs=1.0)
    capsys.readouterr()
    page = tmp_path / "report.html"
    report.run([str(imported), "--analysis", str(number), "-o", str(page)])
    text = page.read_text(encoding="utf-8")
    assert "mains.csv" in text
    assert "from its own log" in text
    assert "mains: its clock was moved by +31" in text
    assert "Accuracy is not stated for" in text


@pytest.mark.slow
def test_a_report_without_the_analysis_does_not_list_the_log(
    imported: Path, tmp_path: Path
) -> None:
    page = tmp_path / "report.html"
    report.run([str(imported), "-o", str(page)])
    assert "mains.csv" not in page.read_text(encoding="utf-8")


def test_typed_channels_are_those_of_the_bench_file() -> None:
    assert typed_names('[[typed]]\nname = "suction"\n[[instrument]]\nname = "m"') == {
        "suction"
    }
    assert typed_names("") == set()


def test_what_is_only_read_is_left_as_it_was(run: Daq, tmp_path: Path) -> None:
    store = store_session(tmp_path / "bench.db")
    before = store.read_bytes()
    assert run("compare", store).code == 0
    assert [each.name for each in tmp_path.iterdir()] == ["bench.db"]
    assert store.read_bytes() == before


def test_a_reader_cannot_write_and_leaves_the_log_of_a_writer_alone(
    tmp_path: Path,
) -> None:
    store = store_session(tmp_path / "bench.db")
    with reading_store(store) as reader:
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader.execute("DELETE FROM trials")
        writer = sqlite3.connect(store, isolation_level=None)
        writer.execute("SELECT count(*) FROM trials").fetchone()
    log = store.with_name("bench.db-wal")
    assert log.exists()
    writer.execute("PRAGMA user_version = 99")
    assert log.stat().st_size > 0
    writer.close()


@pytest.mark.slow
def test_a_comparison_of_what_was_averaged_live_names_the_analysis_with_the_log(
    imported: Path, run: Daq
) -> None:
    live = " ".join(run("compare", imported).out.split())
    assert "Analysis 1 of this session (" in live
    assert "is newer: --analysis 1 compares it." in live
    assert "is newer" not in run("compare", imported, "--analysis", "1").out
