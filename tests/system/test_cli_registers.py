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
    code, said = bench.search(
        *SHOWN, "--mode", "rtu", "--baud", "9600", "--write", str(tmp_path)
    )
    assert code == 0
    assert "Unit 3 answers at 9600 8E1" in said
    assert "4 registers can be read, 12 are refused" in said
    assert "voltage: function 4, address 4, u16, times 0.1." in said
    assert "a manual that counts from one has 5, or 30005" in said
    assert "meter_power                   118 W" in said
    assert "\nNext, a bench and a plan, with this profile beside them" in said
    assert said.endswith(
        f"  daq new my-bench\n  cp {tmp_path / 'meter.toml'} my-bench/\n"
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
    assert "  1  function 4, address 2, u16, times 1" in said
    assert list(tmp_path.iterdir()) == []


def test_the_operator_may_take_one_of_them() -> None:
    code, said = Bench(doubled).search(
        *KNOWN, "--shows", "power=118 W", "--take", "power=2"
    )
    assert code == 0
    assert "address = 8" in said


def test_what_is_found_is_written_and_what_is_not_is_told(tmp_path: Path) -> None:
    def held(load: int) -> dict[int, int]:
        return {1: round(WATTS[load]), 2: 3}

    code, said = Bench(held).search(*KNOWN, *SHOWN, "--write", str(tmp_path))
    assert code == 1
    assert "voltage: no register agrees with the display at every load" in said
    profile = (tmp_path / "meter.toml").read_text(encoding="utf-8")
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
    code, said = bench.search(*SHOWN, *known, "--write", str(tmp_path))
    assert code == 0
    assert "Unit 3 answers at 19200 7E1, Modbus ASCII: LRC right 5 times of 5." in said
    assert {frame[:5] for frame in bench.sent} == {b":0303", b":0304"}
    assert 'protocol = "modbus-ascii"' in (tmp_path / "meter.toml").read_text()
    assert "meter_power                   118 W" in said


def test_where_no_register_can_be_read_nobody_is_asked_for_a_display() -> None:
    bench = Bench(lambda _: {200: 1}, answers=lambda _: pytest.fail("was asked"))
    code, said = bench.search(*KNOWN)
    assert code == 1
    assert "None of the registers 0 to 15 can be read. Try others: --first 256" in said
