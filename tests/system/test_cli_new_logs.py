"""`daq new --logs`: a plan for meters that keep logs, and the command that makes a session of it."""

import re
import shlex
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

import numpy as np
import pytest

from daq.cli import import_
from daq.cli.new_logs import channels_of, check_plan, read_columns
from daq.units import UNITS
from tests.benchmarks import imported
from tests.runtime.laid_out_system import Computer
from tests.system.command_line import Daq
from tests.system.new_folders import new_on

COLUMNS = ("--column", "Power=power:W:supply end", "--column", "Velocity=velocity:m/s:outlet")  # fmt: skip
CONDITIONS = ("--conditions", "bare,filter")


@pytest.fixture
def write(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Daq:
    return new_on(Computer(tmp_path / "computer"), capsys)


def next_command(out: str) -> list[str]:
    """The words behind `daq import` in what was printed."""
    (command,) = re.findall(r"^  \S*daq import (.+)$", out, re.MULTILINE)
    return shlex.split(command)


@pytest.mark.slow
def test_the_plan_and_the_command_told_make_a_session_of_logs(
    write: Daq, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Two places whose names are much alike.
    columns = ("--column", "Power=power:W:before filter", "--column", "Velocity=velocity:m/s:after filter")  # fmt: skip
    # As often as a new plan of two conditions wants them.
    monkeypatch.setattr(imported, "ORDER", ("bare", "filter") * 3)
    random = np.random.default_rng(11)
    truth = imported.draw_truth(random, length_s=480.0)
    imported.make_session(tmp_path, truth, random)
    folder = tmp_path / "a new plan"
    told = write(folder, "--logs", "--yes", "--kind", "filters", *CONDITIONS, *columns)
    assert (told.code, told.err) == (0, "")
    words = next_command(told.out)
    at = words.index("LOG.csv")
    words[at : at + 1] = [str(tmp_path / "mains.csv"), str(tmp_path / "air.csv")]
    assert words.pop() == "--dry-run"
    out = StringIO()
    with redirect_stdout(out):
        assert import_.run(words) == 0
    assert out.getvalue().count(", finished\n") == 6
    assert f"Kept as session 1 in {folder / 'logs.db'}, finished" in out.getvalue()


@pytest.mark.parametrize("kind", ["leads", "filters", "hoses"])
def test_a_plan_alone_is_written_and_loads_with_every_mark_taken_away(
    write: Daq, tmp_path: Path, kind: str
) -> None:
    columns = ["U=volts:V:supply end", "I=amps:A:machine end", "v=wind:ft/min"]
    options = [word for text in columns for word in ("--column", text)]
    told = write(tmp_path / "new", "--logs", "--yes", "--kind", kind, *options)
    assert (told.code, told.err) == (0, "")
    plan = tmp_path / "new" / "plan.toml"
    assert [path.name for path in plan.parent.iterdir()] == ["plan.toml"]
    text = plan.read_text(encoding="utf-8")
    assert 'required = ["volts", "amps", "wind"]' in text
    assert '[start]\nchannel = "amps"' in text
    ready = r"^# (?=\w+ = |\[{1,2}[\w.]+\]{1,2}(?: |$))"
    plan.write_text(re.sub(ready, "", text, flags=re.MULTILINE), encoding="utf-8")
    check_plan(plan, channels_of(read_columns(columns, ())))


@pytest.mark.parametrize("unit", UNITS)
def test_every_unit_either_tells_when_the_machine_is_on_or_is_refused(
    write: Daq, tmp_path: Path, unit: str
) -> None:
    told = write(tmp_path / "new", "--logs", "--yes", "--column", f"X=x:{unit}:duct")
    is_told = UNITS[unit].quantity in {
        *("current", "power", "apparent power", "rotational speed"),
        *("airflow", "velocity", "pressure"),
    }
    assert told.code == (0 if is_told else 2)
    assert is_told or told.says_only("no column tells when the machine is on")


def test_a_column_of_the_second_file_asks_for_two_logs(
    write: Daq, tmp_path: Path
) -> None:
    columns = ("--column", "1/P=power:W", "--column", "2/P=second_power:W:supply end")
    told = write(tmp_path / "new", "--logs", "--yes", *columns)
    words = next_command(told.out)
    assert words[1:3] == ["LOG-1.csv", "LOG-2.csv"]
    assert {"1/P=power:W", "2/P=second_power:W:supply end"} <= set(words)


def test_logs_are_an_answer_to_which_meters_there_are(
    write: Daq, tmp_path: Path
) -> None:
    columns = ["Power=power", "", "Power=power:W", ""]
    answers = iter(["filters", "Extractor", "logs", *columns, "none", "new", ""])
    asked: list[str] = []

    def ask(question: str) -> str:
        asked.append(question)
        return next(answers)

    told = write(tmp_path / "new", ask=ask)
    assert (told.code, told.err) == (0, "")
    assert [q.splitlines()[0] for q in asked if q.startswith("got ")] == [
        "got 'Power=power' without a unit, expected COLUMN=CHANNEL:UNIT:PLACE, like \"Power=power:W:machine end\"."
    ]
    assert "Power=power:W" in next_command(told.out)


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (("--logs", "--meters", "ac-meter-float"), "--meters: not with --logs"),
        (("--logs", "--typed", "p:Pa:1"), "--typed: not with --logs"),
        (("--logs", "--diameter-mm", "100"), "--diameter-mm: not with --logs"),
        (("--column", "P=power:W"), "--column: only with --logs"),
        (("--logs", "--column", "P"), "expected COLUMN=CHANNEL:UNIT:PLACE"),
        (("--logs", "--column", "P=power:volt"), "unknown unit 'volt'"),
        (("--logs", "--column", "Q=airflow:m3/h"), "'airflow' is the name of what is derived"),
        (("--logs", "--column", "P=p:W", "--column", "Q=p:W"), "two channels of the name 'p'"),
        (("--logs", "--column", "P\x1b[31m=p:W"), "expected one line without control"),
        (("--meters", "ac-meter-float,logs"), "no profile 'logs'"),
    ],
)  # fmt: skip
def test_words_that_do_not_go_together_are_refused(
    write: Daq, tmp_path: Path, words: tuple[str, ...], problem: str
) -> None:
    told = write(tmp_path / "new", "--yes", *words)
    assert told.code == 2
    assert told.says_only(problem)
    assert not (tmp_path / "new").exists()


def test_without_a_terminal_the_columns_must_be_said(
    write: Daq, tmp_path: Path
) -> None:
    told = write(tmp_path / "new", "--logs", "--kind", "leads", "--machine", "Blower")
    assert told.code == 2
    assert told.says_only("--column, --conditions missing", "--yes")


def test_a_plan_that_is_there_stays_and_a_bench_beside_it_does_no_harm(
    write: Daq, tmp_path: Path
) -> None:
    (tmp_path / "bench.toml").write_text("mine", encoding="utf-8")
    assert write(tmp_path, "--logs", "--yes").code == 0
    first = (tmp_path / "plan.toml").read_bytes()
    told = write(tmp_path, "--logs", "--yes", "--kind", "hoses")
    assert told.code == 2
    assert told.says_only(f"{tmp_path / 'plan.toml'}: it is there already")
    assert (tmp_path / "plan.toml").read_bytes() == first
    assert (tmp_path / "bench.toml").read_text(encoding="utf-8") == "mine"
