"""`daq new` where it asks, and a meter without a port."""

import sys
from collections.abc import Iterable
from pathlib import Path

import pytest

from daq.cli.new_profiles import shipped_meters
from daq.typed.askings import least_averaging_s
from tests.runtime.laid_out_system import Computer
from tests.system.bench_process import Terminal
from tests.system.command_line import Daq
from tests.system.new_folders import loaded, new_on, written

PROFILES = sorted(shipped_meters())


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    return Computer(tmp_path / "computer")


@pytest.fixture
def write(computer: Computer, capsys: pytest.CaptureFixture[str]) -> Daq:
    return new_on(computer, capsys)


@pytest.mark.parametrize("kind", ["leads", "filters", "hoses"])
def test_a_meter_without_a_port_that_is_named_works_as_it_is(
    write: Daq, tmp_path: Path, kind: str
) -> None:
    options = ("--kind", kind, "--typed", "inlet_pressure:Pa:1", "--typed", "speed:rpm:10:motor")  # fmt: skip
    bench, plan = written(write, tmp_path / "new", *options)
    pressure, speed = bench.typed
    assert (pressure.channel.quantity, pressure.channel.unit) == ("pressure", "Pa")
    assert pressure.channel.place == "inlet"
    assert pressure.display.resolution == 1.0
    assert (speed.channel.quantity, speed.channel.place) == ("rotational speed", "motor")  # fmt: skip
    assert plan.rules.typed == ("inlet_pressure", "speed")
    assert not {"inlet_pressure", "speed"} & set(plan.rules.required)
    text = (tmp_path / "new" / "bench.toml").read_text(encoding="utf-8")
    assert "# [[typed]]" not in text
    # Its accuracy is for the data sheet to say.
    ready = text.replace("# accuracy = {", "accuracy = {")
    (tmp_path / "new" / "bench.toml").write_text(ready, encoding="utf-8")
    accuracies = [meter.channel.accuracy for meter in loaded(tmp_path / "new")[0].typed]
    assert {accuracy.percent_of_reading for accuracy in accuracies} == {1.0}


@pytest.mark.parametrize(
    ("typed", "place", "is_marked"),
    [
        ("inlet_pressure:Pa:1", "inlet", False),
        ("pressure_room:Pa:1", "room", False),
        ("mains_voltage:V:1", "supply end", False),
        ("pressure:Pa:1", "outlet", True),
        ("inlet_to_outlet:Pa:1", "outlet", True),
        ("load:W:1", "machine end", True),
        ("inlet_pressure:Pa:1:motor", "motor", False),
    ],
)
def test_a_meter_without_a_port_measures_where_its_name_says_and_is_marked_where_it_says_nothing(
    write: Daq, tmp_path: Path, typed: str, place: str, *, is_marked: bool
) -> None:
    bench, _ = written(write, tmp_path / "new", "--kind", "leads", "--typed", typed)
    assert bench.typed[0].channel.place == place
    _, table = (tmp_path / "new" / "bench.toml").read_text("utf-8").split("[[typed]]")
    line = next(each for each in table.splitlines() if each.startswith("place = "))
    assert ("# CHANGE: where it measures: " in line) == is_marked
    if is_marked:
        for allowed in ("inlet", "outlet", "duct", "room", "supply end", "machine end"):
            assert f'"{allowed}"' in line


def test_so_many_meters_without_a_port_are_given_the_time_that_they_take(
    write: Daq, tmp_path: Path
) -> None:
    names = [f"pressure_{i}" for i in range(8)]
    options = [word for name in names for word in ("--typed", f"{name}:Pa:1")]
    _, plan = written(write, tmp_path / "eight", *options)
    assert plan.rules.typed == tuple(names)
    assert plan.rules.parameters.longest_s == least_averaging_s(8)
    _, plan = written(write, tmp_path / "four", *options[:8])
    assert plan.rules.parameters.longest_s == 300.0


def test_airflow_is_made_of_a_velocity_that_is_typed_where_no_meter_tells_one(
    write: Daq, tmp_path: Path
) -> None:
    options = ("--meters", "power-analyser-query", "--typed", "vane_velocity:m/s:0.1")
    bench, _ = written(write, tmp_path / "new", *options, "--diameter-mm", "100")
    (airflow,) = bench.surroundings.airflows
    assert airflow.channel == "vane_velocity"


class Operator:
    """Answers in order, and keeps what was asked."""

    def __init__(self, answers: Iterable[str]) -> None:
        self._answers = iter(answers)
        self.asked: list[str] = []

    def __call__(self, question: str) -> str:
        self.asked.append(question)
        for answer in self._answers:
            return answer
        raise EOFError


def test_questions_are_asked_again_until_they_are_answered(
    write: Daq, tmp_path: Path
) -> None:
    vane = PROFILES.index("vane-anemometer-stream") + 1
    answers = ["ducts", "hoses", "Extractor", "0", f"ac-meter-float,{vane}"]
    answers += ["duct pressure:Pa:1", "", "duct_pressure:Pa:1", ""]
    answers += ["no hose", "", "no hose", "hose", "", "wide", "125"]
    operator = Operator(answers)
    told = write(tmp_path / "new", ask=operator)
    assert (told.code, told.err) == (0, "")
    again = [q.splitlines()[0] for q in operator.asked if q.startswith("got ")]
    assert [line.split(",")[0] for line in again] == [
        "got 'ducts'",
        "got the name 'duct pressure'",
        "got 1",
        "got 'wide'",
    ]
    bench, plan = loaded(tmp_path / "new")
    assert plan.machine == "Extractor"
    assert list(plan.instructions) == ["no hose", "hose"]
    assert [i.profile.title for i in bench.instruments][1].startswith("Vane")
    assert len(bench.surroundings.airflows) == 1
    assert [meter.channel.name for meter in bench.typed] == ["duct_pressure"]


def test_empty_answers_take_what_is_usual(write: Daq, tmp_path: Path) -> None:
    told = write(tmp_path / "asked", ask=Operator([""] * 6))
    assert (told.code, told.err) == (0, "")
    written(write, tmp_path / "yes" / "asked")
    for name in ("bench.toml", "plan.toml"):
        asked, usual = (
            (tmp_path / folder / name).read_text(encoding="utf-8")
            for folder in ("asked", "yes/asked")
        )
        assert asked == usual


def test_what_an_option_says_is_not_asked_for(write: Daq, tmp_path: Path) -> None:
    operator = Operator([""] * 3)
    told = write(
        tmp_path / "new",
        *("--kind", "filters", "--machine", "Fan", "--meters", "power-analyser-query"),
        ask=operator,
    )
    assert (told.code, told.err) == (0, "")
    assert [q.splitlines()[0] for q in operator.asked] == [
        "The conditions, one a line, the baseline first; for a lead say size and length, like 'new filter'."
        " An empty line ends;"
    ]


@pytest.mark.slow
@pytest.mark.pty
def test_at_a_terminal_the_questions_are_asked(tmp_path: Path) -> None:
    code = (
        "import sys; from daq.cli import new; from daq.cli.guarded import guarded;"
        "sys.exit(guarded(new.run, sys.argv[1:], debug=False))"
    )
    folder = tmp_path / "new"
    options = ["--meters", "power-analyser-query"]
    terminal = Terminal([sys.executable, "-c", code, str(folder), *options])
    # A terminal keeps what is typed ahead.
    terminal.press("hoses\nAbsauger, groß\nno hose\nlong hose\n\n".encode())
    assert terminal.finish() == 0
    assert b"What changes from condition to condition" in terminal.drawn
    assert b"Then type:" in terminal.drawn
    _, plan = loaded(folder)
    assert plan.machine == "Absauger, groß"
    assert list(plan.instructions) == ["no hose", "long hose"]


def test_an_end_of_the_answers_writes_nothing(write: Daq, tmp_path: Path) -> None:
    told = write(tmp_path / "new", ask=Operator(["leads"]))
    assert told.code == 2
    assert told.says_only("nothing was written")
    assert not (tmp_path / "new").exists()
