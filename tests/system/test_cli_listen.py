"""`daq listen` as a new user meets it: meters of unknown settings, files that work, and words where it does not."""

import argparse
import random
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from daq.cli import line_arguments, listen
from daq.cli.guarded import guarded
from daq.cli.line_arguments import add_line_arguments, untried_lines
from tests.hidden_meters import (
    HiddenMeter,
    Operator,
    Wire,
    ascii_answer,
    ascii_frame,
    shapes_told,
    unit_answer,
)

pytestmark = [pytest.mark.pty, pytest.mark.slow]

QUICK = ("--seconds", "0.3", "--wait", "0.1")


def listened(
    meter: HiddenMeter,
    *options: str,
    answer: Callable[[str], str | None] = lambda _: "",
) -> tuple[int, str]:
    """The exit code and what was said."""
    operator = Operator(answer=answer)
    with shapes_told(), meter, operator.attending():
        arguments = [meter.path, *QUICK, *options]
        code = guarded(listen.run, arguments, debug=False)
    return code, operator.text


def speaking(line: str, wire: Wire = Wire(19_200, "7E1")) -> HiddenMeter:  # noqa: B008 - frozen
    return HiddenMeter(wire, speak=line.encode, interval_s=0.05)


def test_a_meter_that_tells_its_units_ends_in_a_bench_that_works(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "found"
    code, said = listened(
        speaking("V=+12.34 m/s T=+21.6 C\r\n"), "--write", str(folder)
    )
    assert code == 0
    assert "The meter sends lines by itself at 19200 7E1" in said
    assert "column 1:       +12.34   velocity [m/s]" in said
    assert "56 3d 2b 31" in said  # the bytes themselves
    assert "meter_velocity            12.34 m/s" in said
    assert "Every meter answers.\n\nNext, a bench and a plan" in said
    assert said.endswith(
        f"  daq new my-bench\n  cp -i {folder / 'found.toml'} my-bench/\n"
    )
    assert 'profile = "found.toml"' in (folder / "bench.toml").read_text("utf-8")
    assert 'profile = "found.toml":' in said


def test_a_column_without_a_unit_is_asked_for(tmp_path: Path) -> None:
    def answer(question: str) -> str:
        return "current A" if "Column 2 shows 1.204" in question else ""

    code, said = listened(
        speaking("230.1;1.204;9\n"), "--write", str(tmp_path), answer=answer
    )
    assert code == 0
    assert "meter_current" in said
    assert "meter_voltage" not in said


def test_columns_are_named_by_options() -> None:
    code, said = listened(speaking("230.1;1.204\n"), "--name", "1=supply V")
    assert code == 0
    assert 'name = "supply"' in said
    assert "Nothing was written; --write FOLDER writes it" in said


def test_without_any_name_nothing_is_written(tmp_path: Path) -> None:
    code, said = listened(speaking("230.1;1.204\n"), "--write", str(tmp_path))
    assert code == 1
    assert '--name "1=voltage V"' in said
    assert list(tmp_path.iterdir()) == []


def test_a_unit_of_modbus_is_handed_on_to_the_other_command() -> None:
    answer = unit_answer(2, (4,), lambda: {0: 1})
    code, said = listened(
        HiddenMeter(Wire(9600, "8E1"), answer=answer),
        "--baud",
        "9600",
        "--unit",
        "2",
    )
    assert code == 0
    assert (
        "unit 2 answers at 9600 8E1 (confidence 1.00: CRC right 5 times of 5)" in said
    )
    assert "--baud 9600 --framing 8E1 --unit 2 --write found-meter\n" in said


def test_each_of_two_units_gets_its_command_with_a_folder_of_its_own() -> None:
    one, two = (unit_answer(unit, (4,), lambda: {0: 1}) for unit in (1, 2))
    code, said = listened(
        HiddenMeter(Wire(9600), answer=lambda frame: one(frame) + two(frame)),
        *("--baud", "9600", "--framing", "8N1", "--write", "my found"),
    )
    assert code == 0
    assert "told by the next 2 commands, one for each unit" in said
    for unit in (1, 2):
        assert f" --unit {unit} --write 'my found-{unit}'\n" in said


def test_a_port_that_is_not_there_is_told_with_the_command_that_lists_them(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code = guarded(listen.run, ["/dev/no-such-port"], debug=False)
    assert code == 3
    assert "nothing is there" in (told := capsys.readouterr().err)
    assert "`daq ports` lists them" in told


def test_a_query_of_the_makers_own_ends_in_a_bench_that_works(tmp_path: Path) -> None:
    def answer(data: bytes) -> bytes:
        return b"230.1,1.204\r\n" if data.strip() == b"POW?" else b""

    code, said = listened(
        HiddenMeter(Wire(9600), answer=answer),
        *("--baud", "9600", "--ask", "POW?", "--write", str(tmp_path)),
        *("--name", "1=voltage V", "--name", "2=current A"),
    )
    assert code == 0
    assert "meter_current               1.204 A" in said


def measuring(query: bytes) -> HiddenMeter:
    """One that answers this text alone."""
    return HiddenMeter(
        Wire(9600),
        answer=lambda data: b"230.1,1.204\r\n" if data.strip() == query else b"",
    )


def test_what_may_set_or_start_a_measurement_is_sent_only_when_named(
    tmp_path: Path,
) -> None:
    query = "MEAS?"
    known = ("--baud", "9600", "--framing", "8N1")
    unasked = measuring(query.encode())
    code, said = listened(unasked, *known, "--wait", "0.03")
    assert code == 1
    assert not [text for text in unasked.sent if text[:4] in (b"MEAS", b"READ")]
    assert f'--ask "{query}"' in said
    assert "which may set function and range, or break off a measurement" in said
    names = ("--name", "1=voltage V", "--name", "2=current A")
    folder = tmp_path / "power"
    code, said = listened(
        measuring(query.encode()),
        *(*known, "--ask", query, *names, "--write", str(folder)),
    )
    assert code == 0
    assert f'request = "{query}' in (folder / "power.toml").read_text("utf-8")


def in_batches(interval_s: float) -> HiddenMeter:
    """Five lines at a time, as a device server hands them on."""
    lines = b"V=12.34 V\r\n" * 5
    return HiddenMeter(Wire(115_200), speak=lambda: lines, interval_s=interval_s)


def test_lines_in_batches_get_their_own_pace_and_not_that_of_the_batches() -> None:
    code, said = listened(in_batches(0.4), "--seconds", "1.2")
    pace_s = float(said.partition("\nrefresh_s = ")[2].splitlines()[0])
    assert code == 0
    # Five in two fifths of a second; a busy computer may be late with any of them.
    assert 0.07 <= pace_s <= 0.16


def test_one_batch_alone_tells_no_pace_and_none_is_made_up(tmp_path: Path) -> None:
    batches = iter([b"V=12.34 V\r\n" * 5])
    meter = HiddenMeter(Wire(9600), speak=lambda: next(batches, b""), interval_s=0.05)
    # A profile's name is not that of another file on a bench.
    folder = tmp_path / "plan"
    code, said = listened(meter, "--write", str(folder), "--baud", "9600")
    assert code == 1
    assert "does not say yet how often the meter makes a new value" in said
    # The folder is there now, and would be refused.
    assert f"run this again with --seconds 20 --write {folder}-2." in said
    assert said.endswith(f"Then type:\n  daq check {folder / 'bench.toml'}\n")
    profile = (folder / "plan-meter.toml").read_text("utf-8")
    assert "# CHANGE: how often" in profile
    assert "refresh_s" not in tomllib.loads(profile)


def test_only_questions_are_sent(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        listen.run(["/dev/null", "--ask", "*RST"])
    assert "only questions are sent" in capsys.readouterr().err


def test_a_silent_line_is_told_with_what_to_look_at() -> None:
    code, said = listened(
        HiddenMeter(Wire(9600)),
        *("--baud", "9600", "--framing", "8N1", "--unit", "1"),
    )
    assert code == 1
    assert "Nothing answers at 9600 with 8N1, units 1." in said
    assert "are A and B (or TX and RX) swapped" in said


@pytest.mark.parametrize(
    ("options", "count"),
    [
        (("--baud", "9600", "--wait", "1.4"), 1),
        (("--baud", "9600", "--wait", "1.2"), 0),
        # Nobody was promised them.
        (("--wait", "1.4"), 0),
        (("--baud", "9600", "--wait", "1.4", "--unit", "5"), 0),
    ],
)
def test_units_that_are_left_out_for_lack_of_time_are_told_with_what_tries_them(
    options: tuple[str, ...], count: int
) -> None:
    parser = argparse.ArgumentParser()
    add_line_arguments(parser)
    lines = untried_lines(parser.parse_args(["/dev/null", *options]))
    told = [
        "All other units up to 247 were left out: with --wait 1.4 they take longer than 5 minutes even at one setting."
        " Name the unit of the meter's menu with --unit, or try them with --wait 1.2."
    ]
    assert lines == told * count


def test_a_search_in_vain_ends_with_the_units_that_it_left_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # As much too short for all units as five minutes are where a meter is given seconds to answer.
    monkeypatch.setattr(line_arguments, "_RARER_S", 6.0)
    known = ("--baud", "115200", "--framing", "8N1", "--mode", "rtu")
    code, said = listened(HiddenMeter(Wire(115_200)), *known, "--wait", "0.03")
    assert code == 1
    assert "asking all others" not in said
    assert "All other units up to 247 were left out: with --wait 0.03" in said


def test_binary_rubbish_is_told_with_its_bytes_and_what_was_tried() -> None:
    rubbish = random.Random(4)  # noqa: S311 - rubbish, no secret
    meter = HiddenMeter(
        Wire(9600),
        speak=lambda: rubbish.randbytes(rubbish.randint(5, 9)),
        interval_s=0.05,
    )
    code, said = listened(meter, "--baud", "9600", "--framing", "8N1")
    assert code == 1
    assert "    bytes  " in said
    assert "Nor does it send binary frames of one length (4 to 64 bytes" in said


def test_nothing_is_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bench.toml").write_text("mine", encoding="utf-8")
    meter = speaking("12.34 V\n")
    code, _ = listened(meter, "--write", str(tmp_path))
    assert code == 2
    assert "it is there already, name another folder" in capsys.readouterr().err
    assert (tmp_path / "bench.toml").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("voltage V", "expected the column's number first"),
        ("1=voltage furlong", "unknown unit 'furlong'"),
        ("1=Voltage", "expected a name and a unit"),
    ],
)
def test_a_name_that_means_nothing_is_refused(
    name: str, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        listen.run(["/dev/null", "--name", name])
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    ("names", "told"),
    [
        (("3=voltage V",), "no column 3, expected 1 to 2"),
        (("1=voltage V", "2=voltage V"), "two columns named 'voltage'"),
    ],
)
def test_names_that_do_not_fit_the_line_are_told(
    names: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    options = [word for name in names for word in ("--name", name)]
    code, _ = listened(speaking("230.1;1.204\n"), *options)
    assert code == 2
    assert told in capsys.readouterr().err


def test_a_unit_on_modbus_ascii_is_handed_on_with_its_mode() -> None:
    answer = ascii_answer(unit_answer(2, (4,), lambda: {0: 1}))
    code, said = listened(
        HiddenMeter(Wire(9600, "7E1"), answer=answer),
        *("--baud", "9600", "--unit", "2", "--framing", "7E1"),
    )
    assert code == 0
    assert (
        "Modbus ASCII: unit 2 answers at 9600 7E1 (confidence 1.00: LRC right" in said
    )
    assert (
        "--mode ascii --baud 9600 --framing 7E1 --unit 2 --write found-meter\n" in said
    )


def test_a_master_that_is_overheard_is_told_with_the_unit_it_asks() -> None:
    frames = ascii_frame(bytes.fromhex("05 03 00 00 00 01"))
    code, said = listened(speaking(frames.decode()), "--baud", "19200")
    assert code == 0
    assert "Modbus ASCII is heard at 19200 7E1: somebody else asks unit 5" in said
    assert "end the other program" in said
    assert "--mode ascii --baud 19200 --framing 7E1 --unit 5" in said


class FrameMeter:
    """A meter that sends frames, and an operator who changes its load."""

    def __init__(self) -> None:
        self.load, self.count = 0, 0

    def frame(self) -> bytes:
        self.count += 1
        volts = (2304 + self.count % 5, 1187 + self.count % 5)[self.load]
        body = b"\xaa" + volts.to_bytes(2, "big") + bytes((self.count % 256,))
        return body + bytes((sum(body) % 256,))

    def answer(self, question: str) -> str:
        if "press Enter" in question:
            self.load = 1 - self.load
        if question.startswith("The display shows now"):
            return ("230.6", "118.9")[self.load]
        return ""


BINARY = ("--baud", "9600", "--framing", "8N1", "--seconds", "1.5")


def test_frames_end_in_a_bench_that_works_once_the_display_is_typed(
    tmp_path: Path,
) -> None:
    frames = FrameMeter()
    meter = HiddenMeter(Wire(9600), speak=frames.frame, interval_s=0.05)
    code, said = listened(
        meter,
        *(*BINARY, "--shows", "voltage=230.6 V", "--write", str(tmp_path)),
        answer=frames.answer,
    )
    assert code == 0
    assert "The meter sends binary frames of 5 bytes by itself at 9600 8N1" in said
    assert "byte 4 is the sum of bytes 0 to 3" in said
    assert "voltage: bytes 1 to 2, u16, highest byte first, times 0.1." in said
    assert "Every meter answers.\n\nNext, a bench and a plan" in said


def test_frames_with_nobody_to_read_the_display_are_told_and_not_written(
    tmp_path: Path,
) -> None:
    frames = FrameMeter()
    meter = HiddenMeter(Wire(9600), speak=frames.frame, interval_s=0.05)
    code, said = listened(meter, *BINARY, "--write", str(tmp_path))
    assert code == 1
    assert 'protocol = "fixed-frames"' in said
    assert "# Bytes that varied: 2, 3." in said
    assert "fill in its fields from the maker's description" in said
    assert list(tmp_path.iterdir()) == []
