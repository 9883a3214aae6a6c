"""`daq registers` as a new user meets it: a display, two loads, and never a register taken by chance."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from daq.cli import registers
from daq.cli.guarded import guarded
from tests.hidden_meters import (
    HiddenMeter,
    Operator,
    Wire,
    ascii_answer,
    shapes_told,
    unit_answer,
)

pytestmark = [pytest.mark.pty, pytest.mark.slow]

Answer = Callable[[bytes], bytes]
PLAIN_WIRE = Wire(9600)
VOLTS, WATTS = (230.4, 226.1), (118.0, 1410.0)
KNOWN = ("--baud", "9600", "--framing", "8N1", "--unit", "1")
QUICK = ("--wait", "0.1", "--pause", "0", "--every", "0", "--last", "15")


@dataclass
class Bench:
    """A meter with two loads, and the person who reads it and switches the machine."""

    held: Callable[[int], dict[int, int]]
    wire: Wire = PLAIN_WIRE
    unit: int = 1
    answers: Callable[[str], str | None] = lambda _: ""
    load: int = 0
    sent: list[bytes] = field(default_factory=list)
    is_attended: bool = True
    wired: Callable[[Answer], Answer] = lambda answer: answer

    def search(self, *options: str) -> tuple[int, str]:
        meter = HiddenMeter(
            self.wire,
            answer=self.wired(
                unit_answer(self.unit, (4,), lambda: self.held(self.load))
            ),
        )
        operator = Operator(answer=self.answer)
        with shapes_told(), meter, operator.attending():
            arguments = [meter.path, *QUICK, *options]
            code = guarded(registers.run, arguments, debug=False)
        self.sent = meter.sent
        return code, operator.text

    def answer(self, question: str) -> str | None:
        if not self.is_attended:
            return None
        if "press Enter" in question:
            self.load = 1 - self.load
            return ""
        if "display shows now: voltage" in question:
            return f"{VOLTS[self.load]}"
        if "display shows now: power" in question:
            return f"{WATTS[self.load]:.0f}"
        return self.answers(question)


def plain(load: int) -> dict[int, int]:
    """Volts in tenths, watts, and a nominal voltage."""
    return {
        0: 2300,
        4: round(VOLTS[load] * 10),
        5: round(WATTS[load]),
        6: 4711,
    }


SHOWN = ("--shows", "voltage=230.4 V", "--shows", "power=118 W")


def test_a_map_is_found_at_two_loads_and_written_as_a_bench_that_works(
    tmp_path: Path,
) -> None:
    bench = Bench(plain, wire=Wire(9600, "8E1"), unit=3)
    folder = tmp_path / "found-mains"
    code, said = bench.search(
        *SHOWN, "--mode", "rtu", "--baud", "9600", "--write", str(folder)
    )
    assert code == 0
    assert "Unit 3 answers at 9600 8E1" in said
    assert "4 registers can be read, 12 are refused" in said
    assert "voltage: function 4, address 4, u16, times 0.1." in said
    assert "a manual that counts from one has 5, or 30005" in said
    assert "meter_power                   118 W" in said
    assert (
        "\nNext, a bench and a plan, unless there is one for other meters already"
        in said
    )
    assert said.endswith(
        f"  daq new my-bench\n  cp -i {folder / 'found-mains.toml'} my-bench/\n"
    )
    # Nothing but reads of registers was ever sent.
    assert {(len(frame), frame[1]) for frame in bench.sent} == {(8, 3), (8, 4)}


def test_what_the_display_shows_is_asked_for_where_no_option_says_it() -> None:
    answers = iter(["230.4 V", "voltage=230.4 V", ""])
    bench = Bench(plain, answers=lambda _: next(answers))
    code, said = bench.search(*KNOWN)
    assert code == 0
    assert "like voltage=230.4 V" in said
    assert "address = 4" in said


def test_a_slip_is_put_right_by_typing_the_name_again() -> None:
    answers = iter(["voltage=230,4 A", "voltage=230.4", "voltage=230,4 V", ""])
    bench = Bench(plain, answers=lambda _: next(answers))
    code, said = bench.search(*KNOWN)
    assert code == 0
    assert "  voltage: taken as 230.4 A\n" in said
    assert "  voltage: no unit, write it behind the value" in said
    assert "  voltage: 230.4 V in place of 230.4 A\n" in said
    assert 'unit = "V"' in said


def test_where_a_load_cannot_be_made_a_guess_is_kept_and_marked(tmp_path: Path) -> None:
    folder, changes = tmp_path / "mains", 0

    def answer(question: str) -> str | None:
        nonlocal changes
        if "press Enter" in question:
            changes += 1
            if changes == 2:
                assert "A machine that is only on or off: switch it back" in question
                assert "(stop: that load cannot be made; " in question
                return "stop"
        if "Keep it for power" in question:
            return "1"
        return Bench.answer(bench, question)

    bench = Bench(plain)
    meter = HiddenMeter(
        bench.wire, answer=unit_answer(1, (4,), lambda: bench.held(bench.load))
    )
    operator = Operator(answer=answer)
    arguments = [meter.path, *QUICK, *KNOWN, "--shows", "power=118 W"]
    with shapes_told(), meter, operator.attending():
        code = guarded(registers.run, [*arguments, "--write", str(folder)], debug=False)
    assert code == 0
    assert "  Not confirmed: power was not seen to rise and to fall" in operator.text
    profile = (folder / "mains.toml").read_text("utf-8")
    assert "# Not confirmed: power was not seen to rise and to fall" in profile


def test_nobody_to_change_the_load_means_nothing_is_written(tmp_path: Path) -> None:
    bench = Bench(plain, is_attended=False)
    code, said = bench.search(*KNOWN, *SHOWN, "--write", str(tmp_path))
    assert code == 1
    assert "Seen at one load only, so nothing is confirmed" in said
    assert list(tmp_path.iterdir()) == []


def doubled(load: int) -> dict[int, int]:
    """The power twice: of one phase and in total."""
    return {2: round(WATTS[load]), 3: 9, 8: round(WATTS[load])}


def test_the_way_back_is_asked_for_before_anything_is_believed() -> None:
    bench = Bench(plain)
    code, said = bench.search(*KNOWN, *SHOWN)
    assert code == 0
    assert said.count("press Enter") == 2
    assert "Change the load once more so that voltage rises and power falls" in said


class Maximum:
    """The greatest power since the meter was switched on, and none as it is now."""

    def __init__(self) -> None:
        self.most = 0.0

    def held(self, load: int) -> dict[int, int]:
        self.most = max(self.most, WATTS[load])
        return {2: round(self.most), 3: 9}


@pytest.mark.parametrize("told", [1, 2])
def test_a_register_that_keeps_the_maximum_is_never_written(
    tmp_path: Path, told: int
) -> None:
    bench = Bench(Maximum().held)
    changes = 0

    def answer(question: str) -> str | None:
        nonlocal changes
        if "press Enter" in question:
            changes += 1
            return "stop" if changes > told else Bench.answer(bench, question)
        return Bench.answer(bench, question)

    meter = HiddenMeter(
        bench.wire, answer=unit_answer(1, (4,), lambda: bench.held(bench.load))
    )
    operator = Operator(answer=answer)
    arguments = [meter.path, *QUICK, *KNOWN, "--shows", "power=118 W"]
    with shapes_told(), meter, operator.attending():
        code = guarded(
            registers.run, [*arguments, "--write", str(tmp_path)], debug=False
        )
    assert code == 1
    words = ("did not both rise and fall", "no register agrees with the display")
    assert words[told - 1] in operator.text
    assert list(tmp_path.iterdir()) == []


def test_of_several_candidates_none_is_guessed(tmp_path: Path) -> None:
    code, said = Bench(doubled).search(
        *KNOWN, "--shows", "power=118 W", "--write", str(tmp_path)
    )
    assert code == 1
    assert "power: 2 ways of reading agree at every load" in said
    assert "  1  function 4, address 2, u16, times 1  (4:2:u16:1)" in said
    assert "like --take power=4:2:u16:1." in said
    assert list(tmp_path.iterdir()) == []


def test_the_operator_may_take_one_of_them() -> None:
    code, said = Bench(doubled).search(
        *KNOWN, "--shows", "power=118 W", "--take", "power=4:8:u16:1"
    )
    assert code == 0
    assert "# Taken by the operator's word, one of 2 that agreed at every load" in said
    assert said.rstrip().splitlines()[-1].startswith("Taken by your word")
    assert "address = 8" in said


def test_what_is_taken_must_be_one_of_those_that_agree() -> None:
    code, said = Bench(doubled).search(
        *KNOWN, "--shows", "power=118 W", "--take", "power=4:7:u16:1"
    )
    assert code == 1
    assert "power: 4:7:u16:1, which --take names, is none of those that agree" in said


def test_a_number_of_the_list_is_not_taken_beforehand(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit):
        registers.run(["/dev/no-such-port", "--take", "power=2"])
    assert "like voltage=4:0:u16:0.1" in capsys.readouterr().err


def test_an_unusual_unit_is_found_where_the_speed_is_named() -> None:
    bench = Bench(plain, unit=77)
    known = ("--mode", "rtu", "--baud", "9600", "--framing", "8N1", "--wait", "0.03")
    code, said = bench.search(*known, *SHOWN)
    assert code == 0
    assert "asking all others up to 247 at 9600 8N1 (RTU)" in said
    assert "Unit 77 answers at 9600 8N1" in said


def test_what_is_found_is_written_and_what_is_not_is_told(tmp_path: Path) -> None:
    def held(load: int) -> dict[int, int]:
        return {1: round(WATTS[load]), 2: 3}

    folder = tmp_path / "mains"
    code, said = Bench(held).search(*KNOWN, *SHOWN, "--write", str(folder))
    assert code == 1
    assert "voltage: no register agrees with the display at every load" in said
    # A second try would be refused where these files are.
    assert said.endswith(f"name another folder, like --write {folder}-2.\n")
    profile = (tmp_path / "mains" / "mains.toml").read_text(encoding="utf-8")
    assert 'name = "power"' in profile
    assert "voltage" not in profile


def test_no_agreement_at_all_says_what_to_try() -> None:
    code, said = Bench(lambda _: {0: 1, 1: 2}).search(*KNOWN, *SHOWN)
    assert code == 1
    assert "Try other addresses than 0 to 15 (--first, --last" in said


def test_a_unit_that_does_not_answer_is_an_instruments_fault(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, _ = Bench(plain, unit=9).search(*KNOWN, *SHOWN)
    assert code == 3
    assert "no Modbus unit answers, check wiring" in capsys.readouterr().err


def test_of_two_units_the_operator_says_whose_display_is_read(
    capsys: pytest.CaptureFixture[str],
) -> None:
    one, two = (unit_answer(unit, (4,), lambda: plain(0)) for unit in (1, 2))
    meter = HiddenMeter(PLAIN_WIRE, answer=lambda frame: one(frame) + two(frame))
    with shapes_told(), meter:
        arguments = [meter.path, *QUICK, *SHOWN, "--baud", "9600", "--framing", "8N1"]
        code = guarded(registers.run, arguments, debug=False)
    assert code == 2
    assert "units 1, 2 answer at 9600 8N1, expected --unit" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--first", "0", "--last", "1000"), "expected at most 1000 registers"),
        (("--first", "9", "--last", "8"), "last not before first"),
        (
            ("--shows", "p=1 W", "--shows", "p=2 W"),
            "'p' twice, expected each name once",
        ),
    ],
)
def test_what_no_search_can_do_is_refused_before_it_begins(
    options: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code = guarded(registers.run, ["/dev/no-such-port", *options], debug=False)
    assert code == 2
    assert told in capsys.readouterr().err


def test_a_map_behind_ascii_frames_ends_in_a_bench_that_works(tmp_path: Path) -> None:
    bench = Bench(plain, wire=Wire(19_200, "7E1"), unit=3, wired=ascii_answer)
    known = ("--mode", "ascii", "--baud", "19200", "--framing", "7E1", "--unit", "3")
    code, said = bench.search(*SHOWN, *known, "--write", str(tmp_path / "mains"))
    assert code == 0
    assert "Unit 3 answers at 19200 7E1, Modbus ASCII: LRC right 5 times of 5." in said
    assert {frame[:5] for frame in bench.sent} == {b":0303", b":0304"}
    profile = (tmp_path / "mains" / "mains.toml").read_text("utf-8")
    assert 'protocol = "modbus-ascii"' in profile
    assert "meter_power                   118 W" in said


def test_where_no_register_can_be_read_nobody_is_asked_for_a_display() -> None:
    bench = Bench(lambda _: {200: 1}, answers=lambda _: pytest.fail("was asked"))
    code, said = bench.search(*KNOWN)
    assert code == 1
    assert "None of the registers 0 to 15 can be read. Try others: --first 256" in said
