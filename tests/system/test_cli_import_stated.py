"""What is stated for a column of a log, held against its name and against the session: units, sizes, places, accuracy."""

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daq.cli.import_ import run
from daq.cli.imported_columns import stated_accuracy
from daq.cli.imported_doubts import expect_places, expect_sizes
from daq.errors import InputError
from daq.records import Accuracy, Channel, TrialAverage
from daq.units import unit_of
from tests.runtime.stored_bench import POWER
from tests.system.recorded_bench import record_session
from tests.system.test_cli_import import said, save_log, settled_in_uneven_time

NAME = "Leistung (W)"
"""Of the meter's column; the session's own channel `power` is in W, at the machine end."""
ABOVE = "Energiemonitor;Seriennr 4711"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("recorded") / "store.db"
    return record_session(path, settled_in_uneven_time).read_bytes()


@pytest.fixture
def store(recorded: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "store.db"
    path.write_bytes(recorded)
    return path


def german(store: Path, *, name: str = NAME, encoding: str = "cp1252") -> Path:
    """A log as a meter's program writes it: decimal commas, a line above the header, power of some 1400 W."""

    def written(text: str) -> str:
        _, *rows = text.split("\n")
        lines = [ABOVE, f"Zeit (s);{name};Wärme (°C)"]
        for row in rows:
            at_s, current, _ = row.split(",")
            lines.append(f"{at_s};{233.4 * float(current):.1f};20,5".replace(".", ","))
        return "\n".join(lines)

    file = save_log(store, store.with_name("energie.csv"), lines=written)
    file.write_bytes(file.read_bytes().decode("utf-8").encode(encoding))
    return file


def stated(column: str, *words: str) -> Sequence[str]:
    """Options of an import of that log."""
    return ("--encoding", "cp1252", "--time", "1", "--column", column, *words)


@pytest.mark.slow
def test_a_log_with_a_line_above_its_header_is_imported_with_that_line(
    store: Path,
) -> None:
    words = stated(f"{NAME}=log_power:W:machine end", "--accuracy", "log_power=0,5%+2d")
    code, text = said(store, german(store), *words)
    assert code == 0
    assert f"Note: header in line 2; above it {ABOVE!r}." in text
    with closing(sqlite3.connect(store)) as connection:
        (detail,) = connection.execute(
            "SELECT detail_json FROM operations WHERE kind = 'import'"
        ).fetchone()
    facts = json.loads(detail)
    assert (facts["header_line"], facts["above_header"]) == (2, [ABOVE])


def test_a_log_that_is_no_utf_8_is_refused_with_the_option_that_reads_it(
    store: Path,
) -> None:
    words = ("--column", f"{NAME}=log_power:W:machine end")
    with pytest.raises(InputError, match=r"line 2: .*: --encoding cp1252, or save"):
        said(store, german(store), *words)


@pytest.mark.slow
def test_encoding_and_header_may_be_stated_file_by_file(store: Path) -> None:
    one = german(store).rename(store.with_name("one.csv"))
    other = german(store, name="P2 (W)", encoding="utf-8").rename(
        store.with_name("other.csv")
    )
    columns = ("--column", f"{NAME}=p_one:W:duct", "--column", "P2 (W)=p_two:W:duct")
    each = ("--encoding", "cp1252", "--encoding", "utf-8", "--header", "2")
    _, text = said(store, one, other, *columns, *each, "--time", "1", "--json")
    assert [log["channels"] for log in json.loads(text)["logs"]] == [
        ["p_one"],
        ["p_two"],
    ]
    three = (*each, "--encoding", "utf-8")
    with pytest.raises(InputError, match="--encoding given 3 times for 2 files"):
        said(store, one, other, *columns, *three, "--time", "1")


# ---- units


@pytest.mark.parametrize("column", [NAME, "2"])
def test_a_unit_other_than_in_the_column_s_name_is_refused(
    store: Path, column: str
) -> None:
    words = stated(f"{column}=log_power:kW:machine end")
    with pytest.raises(InputError) as refused:
        said(store, german(store), *words)
    assert str(refused.value).endswith(
        "column 'Leistung (W)' is in W by its name, but channel log_power in kW as stated;"
        " state log_power:W, or --as-stated log_power if the name is wrong"
    )


@pytest.mark.parametrize(
    ("name", "unit", "named"),
    [
        ("Leistung [kW]", "W", "kW"),
        ("Leistung / kW", "W", "kW"),
        ("Leistung (KW)", "W", "kW"),
        ("Leistung (MW)", "kW", "MW"),
        ("I (mA)", "A", "mA"),
        ("Leistung (W)", "V", "W"),
        ("Druck (Pa)", "m/s", "Pa"),
        ("U (mV)", "V", "mV"),
        ("Druck (hPa)", "Pa", "hPa"),
        ("T (°F)", "Cel", "degF"),
        ("Q (m³/h)", "m3/s", "m3/h"),
        ("Q (cfm)", "m3/s", "ft3/min"),
    ],
)
def test_units_in_names_are_known_however_they_are_spelt(
    store: Path, name: str, unit: str, named: str
) -> None:
    log = german(store, name=name)
    with pytest.raises(InputError, match=f"is in {named} by its name"):
        said(store, log, *stated(f"2=x:{unit}:machine end"))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "unit"),
    [
        (NAME, "W"),
        ("Leistung (watt)", "W"),
        ("Leistung (W) / kW", "W"),
        ("Leistung", "kW"),
        ("Leistung (Phase 1)", "kW"),
        ("Leistung (A)", "W"),
        ("Leistung (1)", "W"),
        ("Druck (mbar)", "mbar"),
    ],
)
def test_a_name_that_says_nothing_else_is_no_reason_to_refuse(
    store: Path, name: str, unit: str
) -> None:
    log = german(store, name=name)
    words = stated(f"2=x:{unit}:somewhere", "--dry-run")
    code, _ = said(store, log, *words)
    assert code == 0


@pytest.mark.slow
def test_a_thousand_times_another_channel_of_its_place_is_refused_and_kept_nowhere(
    store: Path,
) -> None:
    log = german(store, name="P")
    words = stated("P=log_power:kW:machine end")
    with pytest.raises(InputError) as refused:
        said(store, log, *words)
    said_so = str(refused.value)
    assert "channel log_power averages to 1400 kW, 1000 times power" in said_so
    assert said_so.endswith(
        "state log_power:W, or --as-stated log_power if its unit is right"
    )
    with closing(sqlite3.connect(store)) as connection:
        count = "SELECT count(*) FROM operations WHERE kind = 'import'"
        assert connection.execute(count).fetchone() == (0,)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("column", "words"),
    [
        ("P=log_power:kW:machine end", ("--as-stated", "log_power")),
        ("P=log_power:kW:the whole hall", ()),
        ("P=log_power:W:machine end", ()),
        ("P=apparent:VA:machine end", ()),
    ],
)
def test_what_is_insisted_on_or_comparable_with_nothing_is_imported(
    store: Path, column: str, words: Sequence[str]
) -> None:
    code, _ = said(store, german(store, name="P"), *stated(column, *words))
    assert code == 0


# ---- places


def test_a_place_that_the_session_nearly_has_is_asked_about(store: Path) -> None:
    words = stated("3=log_power:W:machin end", "--edges", "2")
    with pytest.raises(
        InputError, match=r"log_power:W:machin end: .*did you mean 'machine end'\?"
    ):
        said(store, german(store), *words, "--as-stated", "log_power")


@pytest.mark.slow
def test_two_new_places_may_be_called_alike(store: Path) -> None:
    words = (*stated("2=p_in:W:before filter"), "--column", "3=p_out:Cel:after filter")
    assert said(store, german(store), *words, "--dry-run")[0] == 0


def channel(name: str, place: str) -> Channel:
    return Channel(
        name=name,
        title=name,
        quantity="power",
        unit="W",
        place=place,
        instrument="log",
        field_index=0,
        accuracy=Accuracy(),
        interval_s=1.0,
    )


@pytest.mark.parametrize(
    ("place", "known"),
    [
        ("", ["machine end"]),
        ("machine end", ["machine end", "machine ends"]),
        ("supply end", ["machine end"]),
        ("inlet", ["outlet"]),
        ("outlet 2", ["outlet 1"]),
        ("hood 1-1", ["hood 11"]),
        ("duct10a", ["duct10b"]),
        ("outlet a", ["outlet b"]),
        ("after filter", ["before filter"]),
        ("filter out", ["filter in"]),
        ("without filter", ["with filter"]),
        ("rear wall", ["near wall"]),
        ("inlet +", ["inlet -"]),
        ("another machine end", ["machine end"]),
        ("-", ["+"]),
        ("duct", []),
    ],
)
def test_another_place_is_no_slip(place: str, known: list[str]) -> None:
    expect_places([channel("p", place)], known)


@pytest.mark.parametrize(
    "place",
    ["Machine End", "machine  end", "machine ends", "machine-end", "machineend"],
)
def test_other_spellings_of_a_place_are_asked_about(place: str) -> None:
    with pytest.raises(InputError, match=r"did you mean 'machine end'.*, add a word"):
        expect_places([channel("p", place)], ["supply end", "machine end"])


def test_places_of_one_command_are_not_held_against_each_other() -> None:
    channels = [channel("p", "outlet"), channel("q", "outlets")]
    expect_places(channels, [])
    with pytest.raises(InputError, match="did you mean 'outlet'"):
        expect_places(channels, ["outlet"])


# ---- sizes


def averaging(
    unit: str, mean: float, *, place: str, name: str
) -> tuple[Channel, TrialAverage]:
    """A channel, and what a trial has of it."""
    described = replace(
        channel(name, place), unit=unit, quantity=unit_of(unit).quantity
    )
    average = replace(POWER, channel=name, unit=unit, mean=mean)
    return described, average


def hold_against(place: str, *both: tuple[str, float]) -> None:
    """Two channels of a place, by unit and mean; the second is imported."""
    made = [
        averaging(unit, mean, place=place, name=name)
        for name, (unit, mean) in zip(("old", "new"), both, strict=True)
    ]
    channels, averages = zip(*made, strict=True)
    expect_sizes(["new"], channels, [averages], [])


@pytest.mark.parametrize("ratio", [1.0, 10.0, 100.0, 0.01, 249.0])
def test_pressures_of_one_place_may_be_some_hundred_times_each_other(
    ratio: float,
) -> None:
    hold_against("duct", ("Pa", 20.0), ("Pa", 20.0 * ratio))
    hold_against("duct", ("Pa", 20.0), ("hPa", 0.2 * ratio))


@pytest.mark.parametrize(
    ("unit", "mean"), [("kPa", 20.0), ("Pa", 0.02), ("hPa", 200.0)]
)
def test_pressures_of_one_place_a_thousand_times_apart_are_refused(
    unit: str, mean: float
) -> None:
    with pytest.raises(InputError, match=r"times old at the same place \(20 Pa\)"):
        hold_against("duct", ("Pa", 20.0), (unit, mean))


def test_without_a_place_nothing_is_of_the_same_place() -> None:
    hold_against("", ("W", 1400.0), ("kW", 1400.0))
    with pytest.raises(InputError, match="state new:W, or"):
        hold_against("duct", ("W", 1400.0), ("kW", 1400.0))


# ---- accuracy, and words


@pytest.mark.parametrize(
    ("text", "accuracy"),
    [
        ("p=0,5%+2d", Accuracy(percent_of_reading=0.5, counts=2.0)),
        ("p=0.5%+2d", Accuracy(percent_of_reading=0.5, counts=2.0)),
        ("p=,5 % + 1,25", Accuracy(percent_of_reading=0.5, absolute=1.25)),
    ],
)
def test_decimals_of_an_accuracy_may_have_a_comma(
    text: str, accuracy: Accuracy
) -> None:
    assert stated_accuracy(text) == ("p", accuracy)


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (("--header", "0"), "got '0', expected the number of a line, from 1"),
        (("--header", "two"), "got 'two', expected the number of a line"),
        (("--encoding", "klingon"), "got 'klingon', expected a text encoding like cp"),
        (("--encoding", "hex"), "got 'hex', expected a text encoding like cp"),
        (("--as-stated", "amps"), "no channel 'amps' is imported, expected one of x"),
        (("--accuracy", "x=1,2,3%"), "expected CHANNEL=0.5%+2d"),
    ],
)
def test_words_that_mean_nothing_are_told_in_one_line(
    words: Sequence[str], problem: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        run(["store.db", "log.csv", "--column", "2=x:W:duct", *words])
    assert ended.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("daq import: error: argument ")
    assert problem in line
    assert line.endswith("; see daq import --help")
