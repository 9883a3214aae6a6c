"""`daq new`: what it writes loads as it is, nothing is overwritten, and questions are asked until they are answered."""

import itertools
import re
import shlex
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daq.cli.files import load_bench
from daq.cli.new_profiles import shipped_meters
from daq.printable import is_shown_as_it_is
from tests.runtime.laid_out_system import Computer
from tests.system.command_line import Daq
from tests.system.new_folders import loaded, new_on, written

PROFILES = sorted(shipped_meters())
KINDS = ("leads", "filters", "hoses")
LEADS = "ac-meter-float,ac-meter-float,vane-anemometer-stream"


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    return Computer(tmp_path / "computer")


@pytest.fixture
def write(computer: Computer, capsys: pytest.CaptureFixture[str]) -> Daq:
    return new_on(computer, capsys)


# ---- what is written


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_usual_loads_as_it_is(write: Daq, tmp_path: Path, kind: str) -> None:
    _, plan = written(write, tmp_path / "new", "--kind", kind)
    assert len(plan.instructions) == 2
    assert plan.rules.start.channel == "current"


@pytest.mark.parametrize(
    ("conditions", "above_a"),
    [
        ("at the outlet,1.5 mm2, 25 m", 13),
        # NFPA 70, table 400.5(A)(1), two loaded conductors; cord sets of 51 to 100 ft.
        ("at the outlet,18 AWG 25 ft", 10),
        ("at the outlet,16 AWG 100 ft,14 AWG 50 ft", 10),
        ("at the outlet,25 m 1 mm2 10 A,25 m 2.5 mm2 16 A", 10),
        ("at the outlet,12 AWG 25 ft", 13),
    ],
)
def test_the_limit_on_the_current_is_the_lowest_rating_that_the_leads_tell(
    write: Daq, tmp_path: Path, conditions: str, above_a: int
) -> None:
    folder = tmp_path / "new"
    written(write, folder, "--kind", "leads", "--conditions", conditions)
    text = (folder / "plan.toml").read_text("utf-8")
    (above,) = re.findall(r"^# above = ([0-9.]+)", text, re.MULTILINE)
    assert float(above) == above_a


@pytest.mark.slow
def test_all_pairs_of_meters_load(write: Daq, tmp_path: Path) -> None:
    numbered = list(enumerate(PROFILES))
    for (i, one), (j, other) in itertools.product(numbered, numbered):
        kind = KINDS[(i + j) % len(KINDS)]
        folder = tmp_path / f"pair-{i}-{j}"
        bench, _ = written(write, folder, "--meters", f"{one},{other}", "--kind", kind)
        assert len(bench.instruments) == 2


@pytest.mark.parametrize("meter", PROFILES)
@pytest.mark.parametrize("diameter", [(), ("--diameter-mm", "99.5")])
def test_every_meter_alone_loads(
    write: Daq, tmp_path: Path, meter: str, diameter: tuple[str, ...]
) -> None:
    bench, plan = written(write, tmp_path / "new", "--meters", meter, *diameter)
    assert set(plan.rules.required) <= {c.name for c in bench.channels}
    has_velocity = any(c.quantity == "velocity" for c in bench.channels)
    assert len(bench.surroundings.airflows) == int(has_velocity and bool(diameter))


@pytest.mark.slow
@pytest.mark.parametrize("meters", [LEADS, *PROFILES])
@pytest.mark.parametrize("kind", KINDS)
def test_every_line_that_stands_ready_as_a_comment_loads_when_it_is_taken(
    write: Daq, tmp_path: Path, computer: Computer, meters: str, kind: str
) -> None:
    # On lines of their own, meters may have settings of their own.
    for number in range(3):
        computer.plug(f"ttyUSB{number}", f"1-{number}")
    folder = tmp_path / "new"
    written(write, folder, "--meters", meters, "--kind", kind)
    for name in ("bench.toml", "plan.toml"):
        path = folder / name
        text = path.read_text(encoding="utf-8")
        ready = r"^# (?=\w+ = |\[{1,2}[\w.]+\]{1,2}(?: |$))"
        path.write_text(re.sub(ready, "", text, flags=re.MULTILINE), encoding="utf-8")
        assert path.read_text(encoding="utf-8") != text
    _, plan = loaded(folder)
    assert plan.facts.rules.currency == "EUR"


def test_of_two_electrical_meters_the_first_is_at_the_supplys_end(
    write: Daq, tmp_path: Path
) -> None:
    bench, plan = written(write, tmp_path / "new", "--meters", LEADS)
    places = {c.name: c.place for c in bench.channels}
    assert places["supply_voltage"] == "supply end"
    assert places["machine_voltage"] == places["current"] == "machine end"
    assert places["velocity"] == "outlet"
    assert plan.rules.required == ("machine_voltage", "power", "velocity")


def test_the_size_of_a_lead_is_taken_from_its_name_where_it_says_both(
    write: Daq, tmp_path: Path
) -> None:
    names = [
        "2.5 mm², 25 m",
        "3G1.5mm2 50m",
        "1,5 mm2, 10 m",
        "12 AWG, 100 ft",
        "25 m",
        "1.5 mm2 or 2.5 mm2, 25 m",
        "1.5 mm2, 1,000 m",
    ]
    options = [word for name in names for word in ("--conditions", name)]
    _, plan = written(write, tmp_path / "new", "--kind", "leads", *options)
    leads = {c.name: c.lead for c in plan.facts.conditions}
    assert list(leads) == names
    sized = [
        (lead.area_mm2 or lead.awg, round(lead.length_m or 0, 2))
        for lead in leads.values()
        if lead is not None
    ]
    # 100 ft are 30.48 m by the foot's definition.
    assert sized == [(2.5, 25.0), (1.5, 50.0), (1.5, 10.0), (12, 30.48)]


@pytest.mark.parametrize(
    ("kind", "name", "changes"),
    [
        ("leads", "1.5 mm2, 25 m", ["lead"]),
        ("leads", "14 AWG 50 ft", ["lead"]),
        ("leads", "H07RN-F 3G1.5, 25 m", ["lead"]),
        ("leads", "Long cable", ["lead"]),
        ("leads", "25 m", ["lead"]),
        ("leads", "hose 5 m", ["hose"]),
        ("leads", "flex hose", ["hose"]),
        ("leads", "filter F7", ["filter"]),
        ("leads", "at 207 V", ["supply voltage"]),
        ("leads", "12 AWG 600 V, 25 m", ["lead"]),
        ("leads", "2.5 mm2 with filter", ["lead", "filter"]),
        ("leads", "hose of 700 mm2", ["hose"]),
        ("leads", "5 m, coiled", ["other"]),
        ("leads", "misleading", ["other"]),
        ("filters", "F7", ["filter"]),
        ("filters", "hose 5 m", ["hose"]),
        ("filters", "1.5 mm2, 25 m", ["lead"]),
        ("hoses", "5 m", ["hose"]),
    ],
)
def test_a_condition_changes_what_its_name_says_and_is_marked_where_it_says_nothing(
    write: Daq, tmp_path: Path, kind: str, name: str, changes: list[str]
) -> None:
    folder = tmp_path / "new"
    options = ("--kind", kind, "--conditions", "bare", "--conditions", name)
    _, plan = written(write, folder, *options)
    assert [list(c.changes) for c in plan.facts.conditions] == [[], changes]
    (line,) = re.findall(
        r"^changes = .*", (folder / "plan.toml").read_text("utf-8"), re.MULTILINE
    )
    listed = '"lead", "hose", "filter", "supply voltage", "other"'
    assert line.endswith(f"differs from the baseline in: {listed}")
    assert ("# CHANGE: " in line) == (changes == ["other"])


def test_what_is_no_lead_has_none_to_fill_in(write: Daq, tmp_path: Path) -> None:
    folder = tmp_path / "new"
    options = ("--kind", "leads", "--conditions", "1 mm2, 5 m,hose 5 m,cable")
    written(write, folder, *options)
    _, lead, hose, cable = (folder / "plan.toml").read_text("utf-8").split("[[condition]]")  # fmt: skip
    assert "\nlead = " in lead
    assert "lead = " not in hose
    assert "\n# lead = " in cable


def test_the_first_condition_is_the_baseline_and_repeats_are_enough(
    write: Daq, tmp_path: Path
) -> None:
    _, two = written(write, tmp_path / "two", "--conditions", "0.5 m,25 m")
    assert (two.baseline, list(two.instructions)) == ("0.5 m", ["0.5 m", "25 m"])
    _, four = written(write, tmp_path / "four", "--conditions", "a,b,c,d")
    # At least 3 degrees of freedom, conditions times repeats less the conditions (DESIGN.md, Comparison).
    assert [two.repeats, four.repeats] == [3, 2]


def test_a_comma_within_a_name_parts_nothing(write: Daq, tmp_path: Path) -> None:
    text = "bare, no hose,hose 1,5 m,hose 2,5 m, coiled"
    _, plan = written(write, tmp_path / "new", "--conditions", text)
    assert list(plan.instructions) == [
        "bare, no hose",
        "hose 1,5 m",
        "hose 2,5 m, coiled",
    ]


TYPED = st.text(
    st.characters(codec="utf-8") | st.sampled_from("\"\\'äöü²#="),
    min_size=1,
    max_size=30,
).filter(lambda text: bool(text.strip()) and is_shown_as_it_is(text.strip()))


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    machine=TYPED,
    conditions=st.lists(TYPED, min_size=2, max_size=4, unique_by=str.strip),
    kind=st.sampled_from(KINDS),
)
@pytest.mark.slow
def test_whatever_is_typed_as_a_name_comes_back_as_it_was(
    write: Daq,
    tmp_path_factory: pytest.TempPathFactory,
    machine: str,
    conditions: list[str],
    kind: str,
) -> None:
    folder = tmp_path_factory.mktemp("typed") / "new"
    answers = iter([kind, machine, "", "", *conditions, "", ""])
    told = write(folder, ask=lambda _: next(answers))
    assert (told.code, told.err) == (0, "")
    _, plan = loaded(folder)
    assert plan.machine == machine.strip()
    assert list(plan.instructions) == [name.strip() for name in conditions]


def test_a_meter_without_a_port_is_a_matter_of_taking_the_marks_away(
    write: Daq, tmp_path: Path
) -> None:
    written(write, tmp_path / "new")
    bench = tmp_path / "new" / "bench.toml"
    text = bench.read_text(encoding="utf-8")
    marked = re.search(r"# \[\[typed\]\]\n(# .+\n)+", text)
    assert marked is not None
    plain = re.sub(r"^# ", "", marked[0], flags=re.MULTILINE)
    bench.write_text(text.replace(marked[0], plain), encoding="utf-8")
    loaded_bench, _ = loaded(tmp_path / "new")
    assert [meter.display.resolution for meter in loaded_bench.typed] == [1.0]


@pytest.mark.parametrize("typed", ["fan\x1b[31m", "a\tb", "fan\u202etxt"])
def test_a_name_that_no_screen_could_show_is_asked_for_again(
    write: Daq, tmp_path: Path, typed: str
) -> None:
    answers = iter(["filters", typed, "Extractor", "", "", "bare", "fine", "", ""])
    told = write(tmp_path / "new", ask=lambda _: next(answers))
    assert (told.code, told.err) == (0, "")
    _, plan = loaded(tmp_path / "new")
    assert plan.machine == "Extractor"


@pytest.mark.parametrize(
    ("folder", "name"),
    [("Gebläse 1", "Geblase-1"), ("2026-05", "bench-2026-05"), ("日本", "bench")],
)
def test_the_name_is_made_of_the_folders(
    write: Daq, tmp_path: Path, folder: str, name: str
) -> None:
    bench, plan = written(write, tmp_path / folder)
    assert bench.name == plan.name == name


# ---- ports


def test_adapters_that_are_there_are_given_out_in_their_order(
    write: Daq, tmp_path: Path, computer: Computer
) -> None:
    computer.plug("ttyUSB0", "1-1", serial="A")
    computer.plug("ttyUSB1", "1-2")
    computer.plug("ttyUSB2", "1-3", ids="0403:6001", serial="C")
    computer.build_in("ttyS0")
    bench, _ = written(write, tmp_path / "new", "--meters", LEADS)
    ports = [i.port.url for i in bench.instruments]
    assert ports == [
        "/dev/serial/by-id/usb-A-if00-port0",
        "/dev/serial/by-path/pci-0000:00:14.0-usb-0:1-2:1.0-port0",
        "/dev/serial/by-id/usb-C-if00-port0",
    ]
    assert [i.unit for i in bench.instruments] == [1, 1, None]
    assert "names the USB socket" in (tmp_path / "new/bench.toml").read_text("utf-8")


def test_where_adapters_are_too_few_meters_with_units_share_a_line(
    write: Daq, tmp_path: Path, computer: Computer
) -> None:
    computer.plug("ttyUSB0", "1-1", serial="A")
    bench, _ = written(write, tmp_path / "new", "--meters", LEADS)
    ports = [i.port.url for i in bench.instruments]
    assert ports[0] == ports[1] == "/dev/serial/by-id/usb-A-if00-port0"
    assert "CHANGE-ME" in ports[2]
    assert [i.unit for i in bench.instruments] == [1, 2, None]


@pytest.mark.slow
def test_a_placeholder_is_explained_by_check(
    write: Daq, run: Daq, tmp_path: Path
) -> None:
    written(write, tmp_path / "new", "--meters", "power-analyser-query")
    told = run("check", tmp_path / "new/bench.toml", "--seconds", "0.1")
    assert told.code == 3
    assert "CHANGE-ME-1: a placeholder still" in told.out
    assert "`daq ports` lists them" in told.out


# ---- what it says


def test_it_ends_with_the_next_three_commands(
    write: Daq, tmp_path: Path, computer: Computer
) -> None:
    computer.plug("ttyUSB0", "1-1")
    computer.plug("ttyUSB1", "1-2")
    folder = tmp_path / "a new bench"
    told = write(folder, "--yes", "--kind", "hoses")
    commands = [shlex.split(x) for x in told.out.splitlines() if x.startswith("  daq ")]
    bench, plan = str(folder / "bench.toml"), str(folder / "plan.toml")
    assert commands == [
        ["daq", "ports", "--which"],
        ["daq", "check", bench, plan],
        ["daq", "run", bench, plan],
    ]


# ---- nothing is overwritten


@pytest.mark.parametrize("name", ["bench.toml", "plan.toml"])
def test_what_is_there_stays_as_it_is(write: Daq, tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine", encoding="utf-8")
    told = write(tmp_path, "--yes")
    assert told.code == 2
    assert told.says_only(f"{tmp_path / name}: it is there already", "another folder")
    assert (tmp_path / name).read_text(encoding="utf-8") == "mine"
    assert [p.name for p in tmp_path.glob("*.toml")] == [name]


def test_a_folder_that_holds_other_things_is_taken(write: Daq, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    written(write, tmp_path)
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "mine"


def test_a_file_is_no_folder(write: Daq, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    told = write(tmp_path / "taken", "--yes")
    assert told.code == 2
    assert told.says_only("taken: a file of that name is there")


def test_a_folder_that_cannot_be_made_is_told(write: Daq, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    told = write(tmp_path / "file" / "below", "--yes")
    assert told.code == 2
    assert told.says_only("below: cannot be written", "name another folder")


# ---- options and questions


def test_without_a_terminal_everything_must_be_said(write: Daq, tmp_path: Path) -> None:
    told = write(tmp_path / "new", "--kind", "leads", "--machine", "Blower")
    assert told.code == 2
    assert told.says_only("--meters, --conditions missing", "--yes")
    assert not (tmp_path / "new").exists()
    options = ("--kind", "leads", "--machine", "Blower", "--conditions", "a,b")
    told = write(tmp_path / "new", *options, "--meters", "ac-meter-float")
    assert (told.code, told.err) == (0, "")
    assert loaded(tmp_path / "new")[1].machine == "Blower"


@pytest.mark.parametrize(
    ("option", "text", "part"),
    [
        ("--meters", "ac-meter", "no profile 'ac-meter', expected some of ac-meter"),
        ("--meters", ",", "got 0 meters"),
        ("--conditions", "a", "expected at least two"),
        ("--conditions", "a,b,a", "'a' more than once"),
        ("--conditions", "a,,b", "empty, expected a name"),
        ("--conditions", f"a,{'b' * 81}", "has 81 characters, expected at most 80"),
        ("--typed", "pressure", "expected name, unit and smallest step"),
        ("--typed", "Pressure:Pa:1", "expected small letters, digits and _"),
        ("--typed", "pressure:psi:1", "unknown unit 'psi', expected one of"),
        ("--typed", "pressure:Pa:0", "got the step '0'"),
        ("--typed", "pressure:Pa:nan", "got the step 'nan'"),
        ("--typed", "velocity:m/s:0.1", "'velocity' is there already"),
        ("--typed", "meter:m/s:0.1:a\x1b[31m", "got the place"),
        ("--machine", " ", "empty, expected a name"),
        ("--machine", "\udcff", "no readable text"),
    ],
)
def test_an_option_that_makes_no_sense_is_refused(
    write: Daq, tmp_path: Path, option: str, text: str, part: str
) -> None:
    told = write(tmp_path / "new", "--yes", option, text)
    assert told.code == 2
    assert told.says_only(f"{option}: ", part)
    assert not (tmp_path / "new").exists()


def test_the_bench_alone_loads_too(write: Daq, tmp_path: Path) -> None:
    written(write, tmp_path / "new")
    assert load_bench(tmp_path / "new/bench.toml").store == "bench.db"
