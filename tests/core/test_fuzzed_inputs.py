"""Inputs that a fuzzer found, played again without it: everything that was ever reached, and all that ever broke something.

And the fuzzer's own judgement: a parser that is made wrong on purpose must be found out by them.
"""

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any, BinaryIO

import pytest

from daq.checklist.kept import entry_text, parse_entries
from daq.checksums import LineChecksum
from daq.config.plan import check_plan_alone
from daq.delimited import parse_log
from daq.errors import ConfigurationError, InputError
from daq.logs.table import HowToRead, parse_table
from daq.protocols import query_lines, streamed_lines
from daq.protocols.fixed_frames import FrameChecksum
from daq.protocols.modbus import ascii as modbus_ascii
from daq.protocols.modbus import rtu as modbus_rtu
from tests.fuzz.run import Campaign, Verdict, main, read_log, verdict
from tests.fuzz.seeds import found_inputs, kept_inputs
from tests.fuzz.targets import TARGETS, Target

_OWN = f"{os.sep}daq{os.sep}"
WIRES = [name for name, target in TARGETS.items() if target.inputs is not None]


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_whatever_was_found_is_borne_out_by_the_bytes(name: str) -> None:
    target = TARGETS[name]
    take, inputs = target.function(), kept_inputs(name)
    assert len(inputs) >= 10
    assert max(map(len, inputs)) <= target.longest
    for each in inputs:
        take(each)


@pytest.mark.slow
@pytest.mark.parametrize("name", WIRES)
def test_what_a_fuzzer_begins_with_reaches_readings_and_is_borne_out(name: str) -> None:
    take = TARGETS[name].function()
    for each in TARGETS[name].seeds():
        take(each)


# ---- the witnesses


def _is_found_out(target: Target) -> bool:
    take = target.function()
    for each in [*kept_inputs(target.name), *target.seeds()]:
        try:
            take(each)
        except AssertionError:
            return True
    return False


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "place", "attribute", "wrong"),
    [
        ("modbus_rtu", modbus_rtu, "crc16_modbus", lambda _: 0),
        ("modbus_ascii", modbus_ascii, "lrc8", lambda _: 0),
        ("checked_lines", LineChecksum, "fault_in", lambda *_: ""),
        ("polled_frames", FrameChecksum, "fault_in", lambda *_: ""),
        ("streamed_frames", FrameChecksum, "fault_in", lambda *_: ""),
        ("query_lines", query_lines, "number_from_text", lambda _: 0.0),
        ("streamed_lines", streamed_lines, "number_from_text", lambda _: 0.0),
    ],
)
def test_a_parser_that_looks_away_is_found_out(
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    place: object,
    attribute: str,
    wrong: object,
) -> None:
    target = TARGETS[name]
    assert not _is_found_out(target)
    monkeypatch.setattr(place, attribute, wrong)
    assert _is_found_out(target)


# ---- work


def _calls_of(take: Callable[[bytes], object], script: bytes) -> int:
    """Functions of the program called while an input is played [1]."""
    calls = 0

    def count(frame: FrameType, event: str, _argument: object) -> None:
        nonlocal calls
        is_own = _OWN in frame.f_code.co_filename
        calls += is_own and event in ("call", "c_call")

    sys.setprofile(count)
    try:
        take(script)
    finally:
        sys.setprofile(None)
    return calls


@pytest.mark.slow
@pytest.mark.parametrize("name", WIRES)
@pytest.mark.parametrize("unit", [b"\x55\xaa", b"\n1;2", b":", b"\x01\x03", b"\x02"])
def test_twice_the_bytes_are_at_most_about_twice_the_work(
    name: str, unit: bytes
) -> None:
    take = TARGETS[name].function()
    for meter in range(4):
        half, whole = (
            _calls_of(take, bytes((meter, 0)) + count * unit) for count in (400, 800)
        )
        # A conversation's beginning and end are some tens of calls.
        assert whole <= 2.2 * half + 100


# ---- what was found


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = " + 5000 * "[", "p.toml:1: got tables too deep in each other, expected none"),
        ("a = " + 5000 * "9", "p.toml:1: got a number of thousands of digits, expected none"),
        ("\nformat = 0x" + 20 * "f", "p.toml:2: format: got a whole number of more than 64 bits, expected a smaller one"),
        (r'"\u001b[31mx" = 1', r"p.toml:1: '\x1b[31mx': unknown key"),
    ],
)  # fmt: skip
def test_a_file_that_no_person_would_write_is_refused_in_words(
    text: str, said: str
) -> None:
    with pytest.raises(ConfigurationError) as caught:
        check_plan_alone(text, file="p.toml")
    assert any(str(fault).startswith(said) for fault in caught.value.faults)


ENTRY = """\
format = 1
[[acknowledged]]
item = "hold"
about = "meter"
answer = "yes"
utc = "2026-11-30T12:00:00Z"
"""


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = " + 5000 * "[", "tables too deep in each other"),
        (f"{ENTRY}figures = {{ a = 1{400 * '0'} }}", "a table of numbers figures"),
        (f"{ENTRY}figures = {{ 'a b' = 1 }}", "a table of numbers figures"),
        (ENTRY.replace("2026-", 9999 * "2"), f"utc '{40 * '2'}', expected a moment"),
    ],
)
def test_a_file_of_acknowledgements_that_cannot_be_written_again_is_refused(
    text: str, said: str
) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        parse_entries(text)


def test_what_a_terminal_obeys_does_not_get_into_the_record() -> None:
    text = ENTRY.replace("meter", r"\u001b[31mmeter")
    assert entry_text(parse_entries(text)[0]).endswith(";  [31mmeter")


@pytest.mark.parametrize("far", ["1e12", "2.6e11"])
def test_a_time_of_which_no_date_can_be_told_is_no_time(far: str) -> None:
    log = f"1772366400,1\n1772366401,2\n{far},3\n".encode()
    with pytest.raises(InputError, match=r"line 3.*expected a number of seconds"):
        parse_table(log, source="log.csv", columns=["2"], how=HowToRead())


def test_a_column_is_told_without_what_a_terminal_obeys() -> None:
    log = parse_log(b"t\x1b[31m,v\n0,1\n1,2\n", source="log.csv")
    assert log.time_column == "t [31m"


def test_what_broke_something_is_among_what_is_kept() -> None:
    found = [(name, each) for name in TARGETS for each in found_inputs(name)]
    assert found
    assert all(each in kept_inputs(name) for name, each in found)


# ---- the log of a run

LOG = """\
INFO: seed corpus: files: 3 min: 1b max: 9b total: 12b rss: 40Mb
#4\tINITED cov: 120 ft: 300 corp: 3/12b exec/s: 0 rss: 40Mb
#700\tNEW    cov: 121 ft: 310 corp: 4/20b lim: 4 exec/s: 0 rss: 40Mb L: 8/9 MS: 1 -
#800\tREDUCE cov: 121 ft: 311 corp: 4/19b lim: 4 exec/s: 0 rss: 40Mb L: 7/9 MS: 1 -
#1024\tpulse  cov: 121 ft: 311 corp: 4/19b lim: 8 exec/s: 512 rss: 41Mb
"""


def test_the_last_new_edge_is_read_from_the_log() -> None:
    whole = LOG + "Done 1500 runs in 3 second(s)\n"
    # The first four were there before.
    assert read_log(whole) == Campaign(1496, 121, 696, ())
    assert read_log(whole).is_quiet
    assert not read_log(LOG.replace("#800\tREDUCE cov: 121", "#800\tREDUCE cov: 122")).is_quiet  # fmt: skip


def test_what_the_first_inputs_reach_is_nothing_new() -> None:
    quiet = LOG.replace("cov: 121", "cov: 120") + "Done 1024 runs in 2 second(s)\n"
    assert read_log(quiet) == Campaign(1020, 120, 0, ())


def test_inputs_from_before_are_not_counted_however_many_they_are() -> None:
    log = LOG.replace("#4\t", "#1000\t").replace("#700\t", "#1100\t")
    whole = log.replace("#800\t", "#1110\t") + "Done 1300 runs in 3 second(s)\n"
    assert read_log(whole) == Campaign(300, 121, 100, ())


BOUND, TIMED = TARGETS["modbus_rtu"], TARGETS["page"]
WHOLE = BOUND.inputs or 0


@pytest.mark.parametrize(
    ("target", "inputs", "last_new", "asked", "said"),
    [
        (BOUND, WHOLE, WHOLE // 2, {}, Verdict.QUIET),
        (BOUND, WHOLE, WHOLE - 1, {}, Verdict.STILL_NEW),
        (BOUND, WHOLE - 1, 0, {}, Verdict.TOO_FEW),
        (BOUND, 0, 0, {}, Verdict.TOO_FEW),
        (BOUND, 1000, 999, {"inputs": 1000}, Verdict.SHORT),
        (BOUND, 1000, 0, {"minutes": 0.5}, Verdict.SHORT),
        (BOUND, 2 * WHOLE, WHOLE, {"inputs": 2 * WHOLE}, Verdict.QUIET),
        (BOUND, 2 * WHOLE, 2 * WHOLE - 1, {"minutes": 900.0}, Verdict.STILL_NEW),
        (TIMED, 5000, 0, {}, Verdict.QUIET),
        (TIMED, 5000, 4999, {}, Verdict.NEW_IN_TIME),
        (TIMED, 5000, 4999, {"minutes": 30.0}, Verdict.NEW_IN_TIME),
        (TIMED, 5000, 0, {"minutes": 1.0}, Verdict.SHORT),
        (TIMED, 5000, 0, {"inputs": 5000}, Verdict.SHORT),
    ],
)
def test_a_campaign_is_held_against_its_targets_aim(
    target: Target, inputs: int, last_new: int, asked: dict[str, Any], said: Verdict
) -> None:
    assert verdict(Campaign(inputs, 120, last_new, ()), target, **asked) is said


@pytest.mark.parametrize(
    ("words", "ends", "code", "said"),
    [
        ([], f"#{WHOLE // 2}\tNEW    cov: 122 ft: 1\nDone {WHOLE + 9} runs in 3 second(s)\n", 0, "quiet"),
        ([], f"#{WHOLE - 9}\tNEW    cov: 122 ft: 1\nDone {WHOLE + 9} runs in 3 second(s)\n", 1, "STILL NEW"),
        ([], "Done 1500 runs in 3 second(s)\n", 1, "TOO FEW"),
        (["--inputs", "1000"], "Done 1500 runs in 3 second(s)\n", 0, "short"),
        (["--inputs", "1000"], "Test unit written to crash-0f\n", 1, "short"),
    ],
)  # fmt: skip
def test_the_exit_code_of_a_campaign_tells_whether_its_aim_was_reached(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    *,
    words: list[str],
    ends: str,
    code: int,
    said: str,
) -> None:
    inputs = tmp_path / BOUND.name / "inputs"
    inputs.mkdir(parents=True)
    for number in range(3):
        (inputs / str(number)).write_bytes(b"x")

    def fuzz(_command: list[str], *, stdout: BinaryIO, **_: object) -> None:
        stdout.write((LOG + ends).encode())

    monkeypatch.setattr(subprocess, "run", fuzz)
    target = ["--target", BOUND.name, "--kept", str(tmp_path)]
    monkeypatch.setattr(sys, "argv", ["run.py", *target, *words])
    assert main() == code
    heading, line = capsys.readouterr().out.splitlines()
    assert heading.split()[:3] == ["target", "from", "before"]
    assert line.split()[:2] == [BOUND.name, "3"]
    assert line.endswith(f" {said}")


def test_an_input_that_broke_something_is_told_once() -> None:
    log = LOG + 2 * "Test unit written to fuzzed/page/crash-0f\n"
    assert read_log(log).crashes == ("fuzzed/page/crash-0f",)


def test_a_run_that_broke_off_without_an_input_is_not_taken_for_a_good_one() -> None:
    assert read_log(LOG).crashes == ("broke off, see log.txt",)
    assert read_log("").crashes == ("broke off, see log.txt",)
