"""The command line and its files: what is wrong with them is told with file, line and key; their schemas."""

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from tests.system.command_line import BENCH, Daq, Ended, edit
from tests.system.conftest import CONFIGS

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


def test_where_a_folder_is_named_its_file_is_asked_for(run: Daq, folder: Path) -> None:
    bench, plan = folder / "bench.toml", folder / "plan.toml"
    for words in (("check", folder), ("serve", folder), ("run", folder, plan)):
        told = run(*words)
        assert told.code == 2
        assert told.says_only(f"{folder}: is a folder, name the file, {bench}")
    told = run("check", bench, folder)
    assert told.code == 2
    assert told.says_only(f"{folder}: is a folder, name the file, {plan}")


@pytest.mark.parametrize("command", ["check", "run"])
def test_bench_and_plan_in_each_others_place_are_told_in_one_line(
    run: Daq, folder: Path, command: str
) -> None:
    bench, plan = folder / "bench.toml", folder / "plan.toml"
    told = run(command, plan, bench)
    assert told.code == 2
    assert told.says_only(
        f"these two seem to be swapped: {plan} is a plan and {bench} a bench file"
    )
    told = run(command, bench, bench)
    assert told.code == 2
    assert told.says_only(f"{bench}: seems to be a bench file, expected a plan")


def test_a_plan_where_a_bench_is_wanted_is_told_in_one_line(
    run: Daq, folder: Path
) -> None:
    plan = folder / "plan.toml"
    for words in (("check", plan), ("serve", plan), ("session", plan, "status")):
        told = run(*words)
        assert told.code == 2
        assert told.says_only(f"{plan}: seems to be a plan, expected a bench file")


def test_a_file_that_is_no_text_is_told(run: Daq, folder: Path) -> None:
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
            "baseline: no condition 'no lead', expected one of 'short lead'",
        ),
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
    bench, plan, note = told.err.splitlines()
    assert bench.startswith(f"daq: {folder / 'bench.toml'}:10: instrument[1].unit: ")
    assert plan.startswith(f"daq: {folder / 'plan.toml'}:1: baseline: missing, ")
    assert note == "daq: more may follow once these are mended"


def test_a_plan_with_a_missing_key_is_told_before_anything_is_opened(
    run: Daq, folder: Path
) -> None:
    edit(folder / "plan.toml", 'baseline = "short lead"\n', "")
    told = run("run", folder / "bench.toml", folder / "plan.toml")
    assert (told.code, told.out) == (2, "")
    assert told.err == (
        f"daq: {folder / 'plan.toml'}:1: baseline: missing, expected a value\n"
        "daq: more may follow once this is mended\n"
    )
    assert not (folder / "bench.db").exists()


def test_a_plan_is_checked_against_the_channels_of_a_bench_with_wrong_keys(
    run: Daq, folder: Path
) -> None:
    edit(folder / "bench.toml", "port = 0", "prot = 0")
    edit(folder / "plan.toml", "on_above = 200", "on_over = 200")
    edit(folder / "plan.toml", 'required = ["supply"]', 'required = ["suply"]')
    told = run("check", folder / "bench.toml", folder / "plan.toml")
    assert (told.code, told.out) == (2, "")
    bench, key, channel, note = told.err.splitlines()
    assert bench.startswith(f"daq: {folder / 'bench.toml'}:5: page.prot: unknown key")
    assert key.startswith(f"daq: {folder / 'plan.toml'}:11: start.on_over: unknown key")
    assert channel == (
        f"daq: {folder / 'plan.toml'}:14: settling.required[1]: "
        "the bench has no channel 'suply', did you mean 'supply'?"
    )
    assert note == "daq: more may follow once these are mended"


def test_check_takes_the_plan_too_and_opens_nothing_for_it(
    run: Daq, folder: Path
) -> None:
    words = ("check", folder / "bench.toml", folder / "plan.toml", "--files-only")
    assert run(*words).code == 0
    edit(folder / "plan.toml", 'baseline = "short lead"', 'baseline = "lead"')
    told = run(*words)
    assert (told.code, told.out) == (2, "")
    assert told.says_only("baseline: no condition 'lead', expected one of")


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


def test_a_profile_that_is_not_there_is_told_with_those_that_are(
    run: Daq, folder: Path
) -> None:
    edit(folder / "bench.toml", 'profile = "meter.toml"', 'profile = "ac-meter-flaot"')
    told = run("check", folder / "bench.toml", "--files-only")
    assert told.code == 2
    assert told.says_only(
        "no profile 'ac-meter-flaot', expected the name of a shipped profile (ac-meter-float, ac-meter-scaled,",
        "did you mean 'ac-meter-float'?",
    )
