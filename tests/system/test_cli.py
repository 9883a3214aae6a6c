"""The command line: help, exit codes, and one line for whatever is wrong. The codes are those of README.md."""

import asyncio
import csv
import io
import json
import os
import socket
import sqlite3
import subprocess
import sys
import tomllib
import tty
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from fcntl import LOCK_EX, LOCK_NB, flock
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

import daq
from daq.cli import main
from daq.records import (
    Accuracy,
    Channel,
    PlannedTrial,
    Reading,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
)
from daq.runtime.store import Store
from tests.system.conftest import CONFIGS, PATIENCE_S, ROOT, Simulator

COMMANDS = ("demo", "check", "run", "export", "schema")

METER = """
format = 1
title = "Voltmeter"
refresh_s = 0.1
[wire]
protocol = "modbus-rtu"
reply_timeout_s = 0.05
worst_reply_s = 0.05
[[field]]
name = "volts"
quantity = "voltage"
unit = "V"
address = 0
resolution = 0.1
"""
BENCH = """
format = 1
name = "bench"
[page]
port = 0
[[instrument]]
name = "meter"
profile = "meter.toml"
port = "ports/meter"
unit = 1
[[instrument.channel]]
field = "volts"
name = "supply"
[[instrument]]
name = "other"
profile = "meter.toml"
port = "ports/meter"
unit = 2
"""
PLAN = """
format = 1
name = "plan"
baseline = "short lead"
[machine]
title = "Blower"
[[condition]]
name = "short lead"
[start]
channel = "supply"
on_above = 200
off_below = 100
[settling]
required = ["supply"]
"""


@dataclass(frozen=True)
class Ended:
    """How the program ended and what it said."""

    code: int
    out: str
    err: str

    def says_only(self, *parts: str) -> bool:
        """One line on standard error, with all of that in it; no traceback."""
        (line,) = self.err.splitlines()
        assert line.startswith("daq: "), line
        for part in parts:
            assert part in line, line
        return True


Daq = Callable[..., Ended]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Daq:
    def ended(*words: object) -> Ended:
        with pytest.raises(SystemExit) as caught:
            main([str(word) for word in words])
        captured = capsys.readouterr()
        assert isinstance(caught.value.code, int)
        return Ended(caught.value.code, captured.out, captured.err)

    return ended


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A bench, its profile and a plan that are in order."""
    for name, text in (("meter", METER), ("bench", BENCH), ("plan", PLAN)):
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    return tmp_path


def edit(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


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
    assert run("juggle").says_only("unknown command 'juggle', expected demo, check")


@pytest.mark.parametrize(
    "words",
    [
        ("check",),
        ("run", "bench.toml"),
        ("export",),
        ("export", "bench.db", "--format", "xml"),
        ("export", "bench.db", "--session", "first"),
        ("schema", "weather"),
        ("run", "bench.toml", "plan.toml", "--speed", "0"),
        ("run", "bench.toml", "plan.toml", "--speed", "fast"),
        ("demo", "--speed", "nan"),
        ("check", "bench.toml", "--seconds", "0"),
        ("check", "bench.toml", "--seconds", "nan"),
        ("check", "bench.toml", "--hurry"),
    ],
)
def test_bad_usage_ends_with_2_and_the_usage(run: Daq, words: Sequence[str]) -> None:
    told = run(*words)
    assert (told.code, told.out) == (2, "")
    assert told.err.startswith(f"usage: daq {words[0]} ")
    assert f"daq {words[0]}: error: " in told.err.splitlines()[-1]
    # A user must not meet the name of a function.
    assert "invalid _" not in told.err


# ---- bad files


def test_files_that_are_in_order_are_said_to_be_so(run: Daq, folder: Path) -> None:
    bench = folder / "bench.toml"
    assert run("check", bench, "--files-only") == Ended(
        0, f"{bench}: 2 instruments, 2 channels, no fault.\n", ""
    )


@pytest.mark.parametrize("name", ["leads", "filters"])
def test_shipped_benches_are_in_order(run: Daq, name: str) -> None:
    assert run("check", CONFIGS / name / "bench.toml", "--files-only").code == 0


@pytest.mark.parametrize("absent", ["bench.toml", "plan.toml"])
def test_a_missing_file_is_named(run: Daq, folder: Path, absent: str) -> None:
    (folder / absent).unlink()
    told = run("run", folder / "bench.toml", folder / "plan.toml")
    assert told.code == 2
    assert told.says_only(f"{folder / absent}: no such file, check the name")


def test_a_folder_or_a_file_that_is_no_text_is_told(run: Daq, folder: Path) -> None:
    told = run("check", folder)
    assert told.code == 2
    assert told.says_only(f"{folder}: cannot be read: ")
    (folder / "bench.toml").write_bytes(b"format = 1 # \xff\n")
    told = run("check", folder / "bench.toml")
    assert told.code == 2
    assert told.says_only("bench.toml: cannot be read: ")


def line_of(file: Path, piece: str) -> int:
    lines = file.read_text(encoding="utf-8").splitlines()
    return next(n for n, line in enumerate(lines, start=1) if piece in line)


@dataclass(frozen=True)
class Fault:
    """A mistake in one of the files: where it is told, and what is said of it."""

    file: str
    old: str
    new: str
    problem: str
    told_at: str = ""


FAULTS = (
    Fault("bench", "[page]", "[page", "no valid TOML: "),
    Fault("bench", "unit = 1", "unti = 1", "instrument[1].unti: unknown key, did you"),
    # A unit of another quantity: which of the two is wrong nobody knows, so it is told at the field.
    Fault("meter", '"V"', '"Pa"', "field[1]: unit 'Pa' measures pressure", "[[field]]"),
    Fault("meter", '"V"', '"Volt"', "field[1].unit: "),
    Fault("bench", "unit = 1", "unit = 300", "instrument[1].unit: got 300, expected "),
    Fault("bench", '"volts"', '"amperes"', "'meter.toml' has no field 'amperes'"),
    Fault("bench", '"meter.toml"', '"m.toml"', "no profile 'm.toml', expected"),
    Fault("bench", "format = 1", "format = 2", "format: got 2, expected 1"),
)


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_in_a_bench_is_told_with_file_line_and_key(
    run: Daq, folder: Path, fault: Fault
) -> None:
    file = folder / f"{fault.file}.toml"
    edit(file, fault.old, fault.new)
    told = run("check", folder / "bench.toml", "--files-only")
    assert (told.code, told.out) == (2, "")
    first = told.err.splitlines()[0]
    line = line_of(file, fault.told_at or fault.new)
    assert first.startswith(f"daq: {file}:{line}: "), told.err
    assert fault.problem in first
    assert "Traceback" not in told.err


def test_two_channels_of_one_name_are_told(run: Daq, folder: Path) -> None:
    channel = '[[instrument.channel]]\nfield = "volts"\nname = "supply"\n'
    file = folder / "bench.toml"
    file.write_text(BENCH + channel, encoding="utf-8")
    told = run("check", file, "--files-only")
    assert told.code == 2
    assert told.says_only(
        f"{file}:{len((BENCH + channel).splitlines())}: instrument[2].channel[1].name: ",
        "two channels are named 'supply', the other is of instrument 'meter'",
    )


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        (
            'baseline = "short lead"',
            'baseline = "no lead"',
            "baseline: no condition 'no lead', expected one of short lead",
        ),
        ('baseline = "short lead"\n', "", "baseline: missing, expected a value"),
        (
            'required = ["supply"]',
            'required = ["suply"]',
            "settling.required[1]: the bench has no channel 'suply', did you mean 'supply'?",
        ),
        ("off_below = 100", "off_below = 300", "off_below 300.0 is above on_above 200"),
    ],
)
def test_a_fault_in_a_plan_is_told_before_anything_is_opened(
    run: Daq, folder: Path, old: str, new: str, problem: str
) -> None:
    edit(folder / "plan.toml", old, new)
    told = run("run", folder / "bench.toml", folder / "plan.toml")
    assert (told.code, told.out) == (2, "")
    assert told.says_only(f"{folder / 'plan.toml'}:", problem)
    assert not (folder / "bench.db").exists()


def test_the_faults_of_both_files_are_told_together(run: Daq, folder: Path) -> None:
    edit(folder / "bench.toml", "unit = 1", "unit = 300")
    edit(folder / "plan.toml", 'baseline = "short lead"\n', "")
    told = run("run", folder / "bench.toml", folder / "plan.toml")
    assert told.code == 2
    assert [line.split(":")[1].strip() for line in told.err.splitlines()] == [
        str(folder / "bench.toml"),
        str(folder / "plan.toml"),
    ]


# ---- instruments


def test_an_absent_port_is_told_by_check(run: Daq, folder: Path) -> None:
    told = run("check", folder / "bench.toml", "--seconds", "0.1")
    assert (told.code, told.err) == (3, "")
    port = folder / "ports" / "meter"
    assert told.out.count(f"! port {port}: nothing is there, plug the adapter in") == 2
    assert told.out.endswith("\nNot in order: meter, other.\n")


@pytest.mark.pty
def test_a_port_that_another_program_holds_is_told_by_check(
    run: Daq, folder: Path
) -> None:
    far, near = os.openpty()
    tty.setraw(near)
    (folder / "ports").mkdir()
    (folder / "ports" / "meter").symlink_to(os.ttyname(near))
    # As any program that opens a line for itself alone.
    flock(near, LOCK_EX | LOCK_NB)
    told = run("check", folder / "bench.toml", "--seconds", "0.1")
    os.close(far)
    os.close(near)
    assert told.code == 3
    assert "meter: another program holds it, close that program" in told.out


@pytest.mark.pty
@pytest.mark.slow
def test_a_wrong_baud_rate_is_guessed_at_by_check(
    run: Daq, folder: Path, wrong_baud: Callable[[Path], None]
) -> None:
    wrong_baud(folder / "ports" / "meter")
    told = run("check", folder / "bench.toml", "--seconds", "0.5")
    assert told.code == 3
    complaints = [line for line in told.out.splitlines() if line.startswith("  ! ")]
    assert len(complaints) == 2
    for complaint in complaints:
        assert "baud rate" in complaint


@pytest.mark.pty
@pytest.mark.slow
def test_check_shows_every_channel_of_meters_that_answer(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder)
    told = run("check", folder / "bench.toml", "--seconds", "1.5")
    assert (told.code, told.err) == (0, "")
    assert told.out.endswith("\nEvery meter answers.\n")
    for shown in ("supply_voltage", "machine_voltage", "current", "power", "velocity"):
        assert f"\n  {shown} " in told.out
    # 230 V in the simulation's file.
    (line,) = [x for x in told.out.splitlines() if x.startswith("  supply_voltage")]
    assert float(line.split()[1]) == pytest.approx(230, abs=2)
    assert "0.3 % of reading + 1 counts of 0.1" in line


@pytest.mark.pty
@pytest.mark.slow
def test_check_names_the_one_meter_that_is_silent(
    run: Daq,
    scenario: Callable[[str], Path],
    simulate: Callable[..., Simulator],
) -> None:
    folder = scenario("leads")
    simulate(folder).type("fault mains-machine-end silent")
    told = run("check", folder / "bench.toml", "--seconds", "1.5")
    assert told.code == 3
    assert told.out.endswith("\nNot in order: meter-machine-end.\n")
    assert told.out.count("  ! no reply (no reply within 0.15 s): is it switched") == 1


# ---- the store

NEWER = 7


def newer_store(path: Path) -> None:
    asyncio.run(empty_store(path))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {NEWER}")


def another_programs(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE birds (name TEXT)")


def no_database(path: Path) -> None:
    path.write_text("Dear diary,\n", encoding="utf-8")


async def empty_store(path: Path) -> None:
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments={}, on_trouble=lambda _: None, loop=loop)
    await store.close()


def volts(name: str, instrument: str) -> Channel:
    return Channel(
        *(name, name, "voltage", "V", "supply end", instrument, 0),
        accuracy=Accuracy(),
        interval_s=1.0,
    )


async def filled_store(path: Path) -> None:
    """One session of one trial, with two readings of each of two meters."""
    channels = {"one": (volts("first", "one"),), "two": (volts("second", "two"),)}
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=channels, on_trouble=lambda _: None, loop=loop)
    clock_id = await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    facts = SessionFacts("s", 0, "bench", "plan", "Blower", "1970-01-01", 1.0, "test")
    line = PlannedTrial(1, "short lead", 1, baseline=True)
    number = await store.begin_session(
        facts, plan_digest="", plan_text="", bench_text="", seed=1, order=[line]
    )
    trial = store.begin_trial(
        number, line, attempt=1, uuid="t", clock_id=clock_id, started_s=10.0
    )
    for at_s in (11.0, 12.0):
        for name in channels:
            reading = Reading(name, at_s, (230.0 + at_s,))
            store.add_reading(reading, clock_id=clock_id, trial_id=trial)
    average = TrialAverage(
        channel="first",
        unit="V",
        required=True,
        mean=241.5,
        plain_mean=241.5,
        std_uncertainty_type_a=0.1,
        degrees_of_freedom_a=30.0,
        std_uncertainty_type_b=0.2,
        std_uncertainty=0.25,
        degrees_of_freedom=60.0,
        coverage_factor=2.0,
        expanded_uncertainty=0.5,
        count=2,
        effective_count=2.0,
        window=Window(11.0, 12.0),
    )
    result = TrialResult("t", line, 1, TrialState.FINISHED, 10.0, 13.0, (average,))
    await store.end_trial(trial, result, rule_json="{}", outbox=None)
    await store.close()


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (newer_store, f"store format {NEWER}, this version reads up to "),
        (another_programs, "a database of another program: name another file"),
        (no_database, "not a results file (no SQLite header): name another file"),
    ],
)
def test_a_store_that_is_not_ours_to_use_ends_with_4_and_stays_as_it_is(
    run: Daq, folder: Path, make: Callable[[Path], None], told: str
) -> None:
    store = folder / "bench.db"
    make(store)
    before = store.read_bytes()
    exported = run("export", store)
    assert (exported.code, exported.out) == (4, "")
    assert exported.says_only(f"{store}: {told}")
    ran = run("run", folder / "bench.toml", folder / "plan.toml")
    assert ran.code == 4
    assert ran.says_only(f"{store}: {told}")
    assert store.read_bytes() == before


def test_a_store_in_a_folder_that_is_not_there_ends_with_4(
    run: Daq, folder: Path
) -> None:
    store = folder / "absent" / "bench.db"
    told = run("run", folder / "bench.toml", folder / "plan.toml", "--store", store)
    assert told.code == 4
    assert told.says_only(f"{store}: no directory {folder / 'absent'}")


def test_exporting_from_no_store_ends_with_4(run: Daq, folder: Path) -> None:
    told = run("export", folder / "bench.db")
    assert (told.code, told.out) == (4, "")
    assert told.says_only("bench.db: no results file there")
    assert not (folder / "bench.db").exists()


@pytest.mark.parametrize("table", ["averages", "wide"])
def test_an_empty_store_exports_its_columns_and_no_row(
    run: Daq, folder: Path, table: str
) -> None:
    asyncio.run(empty_store(folder / "bench.db"))
    told = run("export", folder / "bench.db", "--table", table)
    assert (told.code, told.err) == (0, "")
    (header,) = csv.reader(io.StringIO(told.out, newline=""))
    assert {"session", "condition", "state"} <= set(header)
    as_json = run("export", folder / "bench.db", "--table", table, "--format", "json")
    assert as_json.code == 0
    facts = json.loads(as_json.out)
    assert facts.pop("format") == 1
    assert list(facts.values()) == [[]]


def test_an_empty_store_has_no_readings(run: Daq, folder: Path) -> None:
    asyncio.run(empty_store(folder / "bench.db"))
    words = ("export", folder / "bench.db", "--table", "readings")
    assert run(*words) == Ended(0, "", "")
    assert json.loads(run(*words, "--format", "json").out)["instruments"] == []


def test_a_session_or_instrument_that_is_not_in_the_store_ends_with_2(
    run: Daq, folder: Path
) -> None:
    asyncio.run(empty_store(folder / "bench.db"))
    told = run("export", folder / "bench.db", "--session", "3")
    assert told.code == 2
    assert told.says_only("no session 3, it holds none")
    words = ("--table", "readings", "--instrument", "sundial")
    told = run("export", folder / "bench.db", *words)
    assert told.code == 2
    assert told.says_only("no instrument 'sundial', it holds none")


def rows_of(told: Ended) -> list[dict[str, str]]:
    assert (told.code, told.err) == (0, "")
    return list(csv.DictReader(io.StringIO(told.out, newline="")))


def test_averages_are_exported_with_their_uncertainty(run: Daq, folder: Path) -> None:
    asyncio.run(filled_store(folder / "bench.db"))
    (row,) = rows_of(run("export", folder / "bench.db"))
    assert (row["condition"], row["channel"], row["unit"]) == (
        "short lead",
        "first",
        "V",
    )
    assert (row["mean"], row["expanded_uncertainty"]) == ("241.5", "0.5")
    # Seconds since switch-on.
    assert (row["window_start_s"], row["window_end_s"]) == ("1.0", "2.0")
    as_json = run("export", folder / "bench.db", "--format", "json", "--session", "1")
    (average,) = json.loads(as_json.out)["averages"]
    assert average["mean"] == 241.5


def test_readings_of_one_meter_are_exported_as_a_table_and_of_all_as_json(
    run: Daq, folder: Path
) -> None:
    asyncio.run(filled_store(folder / "bench.db"))
    words = ("export", folder / "bench.db", "--table", "readings")
    rows = rows_of(run(*words, "--instrument", "two"))
    assert [row["second_v"] for row in rows] == ["241.0", "242.0"]
    assert [row["utc"] for row in rows] == [
        "1970-01-01T00:00:11.000Z",
        "1970-01-01T00:00:12.000Z",
    ]
    instruments = json.loads(run(*words, "--format", "json").out)["instruments"]
    assert len(instruments) == 2
    # Two meters have different columns, which one table cannot hold.
    told = run(*words)
    assert told.code == 2
    assert told.says_only("only one was written, but there are readings of two too")


def test_an_export_never_overwrites_a_file(run: Daq, folder: Path) -> None:
    asyncio.run(empty_store(folder / "bench.db"))
    output = folder / "averages.csv"
    first = run("export", folder / "bench.db", "--output", output)
    assert first == Ended(0, "", "")
    before = output.read_bytes()
    assert before.startswith(b"session,")
    told = run("export", folder / "bench.db", "--output", output, "--table", "wide")
    assert told.code == 2
    assert told.says_only(f"{output}: it is there already, name another file")
    assert output.read_bytes() == before
    told = run("export", folder / "bench.db", "--output", folder / "no" / "such.csv")
    assert told.code == 2
    assert told.says_only("such.csv: cannot be written: ")


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


# ---- schemas


@pytest.mark.parametrize("what", ["bench", "plan", "profile", "result"])
def test_schemas_are_valid_by_their_own_dialect(run: Daq, what: str) -> None:
    told = run("schema", what)
    assert (told.code, told.err) == (0, "")
    schema = json.loads(told.out)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize(
    ("what", "file"),
    [
        *[
            (w, CONFIGS / s / f"{w}.toml")
            for w in ("bench", "plan")
            for s in ("leads", "filters")
        ],
        *[("profile", file) for file in sorted((CONFIGS / "profiles").glob("*.toml"))],
    ],
)
def test_shipped_files_follow_the_schema_and_a_misspelt_key_does_not(
    run: Daq, what: str, file: Path
) -> None:
    validator = Draft202012Validator(json.loads(run("schema", what).out))
    facts = tomllib.loads(file.read_text(encoding="utf-8"))
    assert list(validator.iter_errors(facts)) == []
    assert list(validator.iter_errors({**facts, "fromat": 1})) != []


# ---- the program's end


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
