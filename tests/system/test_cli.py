"""The command line: help, exit codes, and one line for whatever is wrong. The codes are those of DESIGN.md."""

import socket
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

import daq
from tests.system.command_line import Daq, Ended, edit
from tests.system.conftest import PATIENCE_S, ROOT

COMMANDS = (
    "demo",
    "check",
    "run",
    "export",
    "budget",
    "settle",
    "reanalyse",
    "schema",
)


# ---- help


def test_help_lists_every_command_and_the_exit_codes(run: Daq) -> None:
    told = run("--help")
    assert (told.code, told.err) == (0, "")
    for command in COMMANDS:
        assert f"\n  {command} " in told.out
    assert "2 bad input; 3 an instrument; 4 the store; 5 the network" in told.out
    assert run("-h") == told


def test_without_a_command_the_help_is_shown_and_the_code_is_2(run: Daq) -> None:
    assert run() == Ended(2, run("--help").out, "")


def test_the_version_is_told(run: Daq) -> None:
    assert run("--version") == Ended(0, f"steadybench {daq.__version__}\n", "")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(run: Daq, command: str) -> None:
    told = run(command, "--help")
    assert (told.code, told.err) == (0, "")
    assert told.out.startswith(f"usage: daq {command} ")


def test_an_unknown_command_is_met_with_a_suggestion(run: Daq) -> None:
    told = run("chekc")
    assert told.code == 2
    assert told.says_only("unknown command 'chekc', did you mean 'check'?")
    assert run("juggle").says_only("unknown command 'juggle', expected demo, ports")


@pytest.mark.parametrize(
    "words",
    [
        ("export",),
        ("export", "bench.db", "--format", "xml"),
        ("export", "bench.db", "--session", "first"),
        ("schema", "weather"),
        ("demo", "--speed", "nan"),
        ("import", "store.db", "log.csv"),
        ("import", "store.db", "log.csv", "--column", "Volts"),
        ("session", "bench.toml"),
        ("backup", "--hurry"),
        ("check",),
        ("run", "bench.toml"),
        ("run", "bench.toml", "plan.toml", "--speed", "0"),
        ("run", "bench.toml", "plan.toml", "--speed", "fast"),
        ("check", "bench.toml", "--seconds", "0"),
        ("check", "bench.toml", "--seconds", "nan"),
        ("check", "bench.toml", "--hurry"),
        ("compare",),
        ("listen", "port", "--wait", "soon"),
        ("registers", "port", "--first", "-1"),
        ("ports", "--hurry"),
        ("new", "folder", "--hurry"),
        ("watch",),
        ("report",),
    ],
)
def test_bad_usage_ends_with_2_and_says_in_one_line_what_is_wrong(
    run: Daq, words: Sequence[str]
) -> None:
    told = run(*words)
    assert (told.code, told.out) == (2, "")
    (line,) = told.err.splitlines()
    assert line.startswith(f"daq {words[0]}: error: ")
    assert line.endswith(f"; see daq {words[0]} --help")
    # A user must not meet the name of a function.
    assert "invalid _" not in line


# ---- the network


def test_a_page_port_that_is_taken_ends_with_5(run: Daq, folder: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        edit(folder / "bench.toml", "port = 0", f"port = {port}")
        told = run("run", folder / "bench.toml", folder / "plan.toml")
    assert told.code == 5
    assert told.says_only(f"page port {port}: another program has it, set [page] port")


def test_a_required_broker_that_refuses_ends_with_5(run: Daq, folder: Path) -> None:
    with socket.socket() as refusing:
        # Bound but not listening.
        refusing.bind(("127.0.0.1", 0))
        port = refusing.getsockname()[1]
        broker = f'[broker]\nhost = "127.0.0.1"\nport = {port}\nrequired = true\n'
        edit(folder / "bench.toml", "[page]", broker + "[page]")
        told = run("run", folder / "bench.toml", folder / "plan.toml")
    assert told.code == 5
    assert told.says_only(
        "the broker that the bench requires is not there: ", "nothing listens there"
    )


# ---- the program's end


def as_process(*words: str) -> Ended:
    done = subprocess.run(
        [sys.executable, "-m", "daq", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )
    return Ended(done.returncode, done.stdout, done.stderr)


def fail(_: Sequence[str]) -> int:
    msg = "the sky fell"
    raise RuntimeError(msg)


def interrupt(_: Sequence[str]) -> int:
    raise KeyboardInterrupt


def test_our_own_fault_ends_with_70_and_where_only_if_asked(
    run: Daq, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.cli.schema.run", fail)
    told = run("schema", "bench")
    assert told.code == 70
    assert told.says_only("our own fault: RuntimeError('the sky fell'); --debug shows")
    told = run("--debug", "schema", "bench")
    assert told.code == 70
    assert told.err.startswith("Traceback (most recent call last):")
    assert told.err.splitlines()[-1].startswith("daq: our own fault: ")


def test_an_interrupt_ends_with_130(run: Daq, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daq.cli.schema.run", interrupt)
    assert run("schema", "bench") == Ended(130, "", "")


def test_an_interrupt_while_the_program_is_being_loaded_ends_with_130(
    run: Daq, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(_: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("daq.cli.importlib.import_module", interrupted)
    assert run("schema", "bench") == Ended(130, "", "")


@pytest.mark.slow
def test_as_a_process_it_ends_with_the_same_codes_and_words(folder: Path) -> None:
    assert as_process("--version").out == f"steadybench {daq.__version__}\n"
    told = as_process("check", str(folder / "absent.toml"))
    assert told.code == 2
    assert told.says_only("absent.toml: no such file, check the name")


@pytest.mark.slow
def test_a_reader_that_has_seen_enough_is_no_error() -> None:
    # Shorter than a pipe's buffer, so that nothing is written before the end.
    with subprocess.Popen(
        [sys.executable, "-m", "daq", "schema", "bench"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        told = process.stderr.read()
        assert process.wait(PATIENCE_S) == 0
    assert told == b""


@pytest.mark.slow
def test_help_needs_nothing_heavy() -> None:
    heavy = {"numpy", "pydantic", "serial", "starlette", "uvicorn", "rich", "sqlite3"}
    script = "import sys; from daq.cli import main\ntry: main(['--help'])\nfinally: print(*sys.modules, file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=PATIENCE_S,
    )
    assert heavy.isdisjoint(done.stderr.split())
