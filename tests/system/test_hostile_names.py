"""Names and notes made up to do harm, on a terminal, on the page, and through the whole of the command line."""

import io
import re
import sys
from pathlib import Path

import pytest

from daq.cli import main
from daq.cli.screens import PlainDisplay
from daq.cli.slip import SlipDisplay
from daq.cli.terminal import drawn_on, plain_terminals
from daq.records import TrialState
from tests.core.comparison.bench_texts import AIRFLOW, BENCH, PLAN
from tests.core.test_hostile_names import COMMAND, as_toml, obeyed_in
from tests.runtime.compared_sessions import Carried, store_session
from tests.runtime.faces import SNAPSHOT
from tests.system.command_line import Daq
from tests.system.hostile_snapshot import named


class Screen(io.StringIO):
    """A terminal of which only what is written counts."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Screen:
    for name, value in (("COLUMNS", "100"), ("LINES", "40"), ("TERM", "xterm")):
        monkeypatch.setenv(name, value)
    return Screen()


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A results file of somebody else, in which everything is called so."""
    plan, bench = PLAN, BENCH + AIRFLOW
    for name in ("short lead", "long lead", "thin lead"):
        plan = plan.replace(f'"{name}"', as_toml(name + COMMAND))
    plan = plan.replace('"Drying blower"', as_toml(COMMAND))
    bench = bench.replace('"machine end"', as_toml(COMMAND))
    trials = [
        Carried(f"{name} lead{COMMAND}", factor, note=COMMAND, state=state)
        for name, factor, state in (
            ("short", 1.0, TrialState.FINISHED),
            ("long", 0.95, TrialState.FINISHED),
            ("thin", 0.9, TrialState.FINISHED),
            ("short", 1.001, TrialState.FINISHED),
            ("long", 0.951, TrialState.NOT_SETTLED),
        )
    ]
    path = tmp_path_factory.mktemp("foreign") / "bench.db"
    with pytest.MonkeyPatch.context() as older:
        # A version that did not mind.
        for module in ("bench", "plan"):
            name = f"daq.config.{module}.unprintable_faults"
            older.setattr(name, lambda *_, **__: [])
        store_session(path, trials, plan=plan, bench=bench)
    path.with_name("plan.toml").write_text(plan, encoding="utf-8")
    return path


# ---- terminals


def test_the_live_slip_shows_names_and_obeys_none(screen: Screen) -> None:
    with SlipDisplay(screen, bench="bench.toml") as display:
        display.started(page_url="http://127.0.0.1/", broker="", words="")
        display.show(named(SNAPSHOT, COMMAND))
        display.say(COMMAND)
    drawn = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]|\r", "", screen.getvalue())
    assert "owned" in drawn
    # The bell of an alarm is the display's own.
    assert obeyed_in(drawn.replace("\x07", "", 1)) == set()
    # Its colours are its own: whoever may draw gets to the terminal itself.
    assert "[2J" in drawn


def test_plain_lines_on_a_terminal_show_names_and_obey_none(
    screen: Screen, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdout", screen)
    with plain_terminals():
        display = PlainDisplay(sys.stdout, bench="bench.toml")
        display.show(named(SNAPSHOT, f"{COMMAND}\rforged"))
        assert drawn_on(sys.stdout) is screen
        assert sys.stdout.isatty()
    assert "owned" in screen.getvalue()
    assert obeyed_in(screen.getvalue()) == set()
    assert "\r" not in screen.getvalue()


FOR_PEOPLE = (
    ("compare",),
    ("compare", "--markdown"),
    ("budget",),
    ("plan",),
    ("export", "--table", "sessions"),
    ("export", "--table", "conditions"),
    ("export", "--format", "json"),
    ("compare", "--json"),
    ("compare", "--csv"),
)


def words_of(command: tuple[str, ...], store: Path) -> list[str]:
    name, *options = command
    if name == "plan":
        return [name, str(store.with_name("plan.toml")), "--from", str(store)]
    return [name, str(store), *options]


@pytest.mark.parametrize("command", FOR_PEOPLE, ids=" ".join)
def test_a_foreign_store_puts_nothing_to_obey_into_a_pipe(
    run: Daq, store: Path, command: tuple[str, ...]
) -> None:
    ended = run(*words_of(command, store))
    assert ended.code in {0, 1}
    assert "owned" in ended.out
    assert obeyed_in(ended.out + ended.err) == set()


@pytest.mark.parametrize("command", [("budget", "--json"), *FOR_PEOPLE], ids=" ".join)
def test_a_foreign_store_puts_nothing_to_obey_on_a_terminal(
    screen: Screen,
    monkeypatch: pytest.MonkeyPatch,
    store: Path,
    command: tuple[str, ...],
) -> None:
    monkeypatch.setattr(sys, "stdout", screen)
    with pytest.raises(SystemExit):
        main(words_of(command, store))
    assert "owned" in screen.getvalue()
    assert obeyed_in(screen.getvalue()) == set()


def test_an_error_shows_a_files_name_and_obeys_none(run: Daq, tmp_path: Path) -> None:
    ended = run("compare", tmp_path / f"{COMMAND}.db")
    assert ended.code == 4
    assert "owned" in ended.err
    assert obeyed_in(ended.err) == set()
