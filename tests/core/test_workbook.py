"""A workbook holds numbers as numbers and text as text, as another library reads it back."""

import dataclasses
import datetime
import io
import math
from collections.abc import Sequence
from typing import Any

import openpyxl
import pytest

from daq.comparison.session import SessionComparison
from daq.export import Cell, StoredAverage, StoredTrial
from daq.workbook import Book, InstrumentReadings, write_workbook
from tests.core.report.made_session import REAL, compared

TRIAL = StoredTrial(
    session=3,
    session_id="5e55",
    bench="bench",
    plan="leads",
    machine="Blower",
    trial=1,
    trial_id="7a1",
    position=1,
    condition="short lead",
    repeat=1,
    attempt=1,
    baseline=True,
    state="finished",
    started_utc="2026-03-02T10:00:00.250Z",
    duration_s=240.0,
    note="",
    speed=1.0,
    software="steadybench 0.1.0",
)
AVERAGE = StoredAverage(
    **{
        field.name: getattr(TRIAL, field.name)
        for field in dataclasses.fields(TRIAL)
        if field.name not in {"duration_s", "note", "analysis"}
    },
    channel="flow",
    title="Airflow",
    quantity="airflow",
    place="duct",
    unit="m3/h",
    required=True,
    mean=200.5,
    expanded_uncertainty=1.5,
    coverage_factor=2.0,
    std_uncertainty=0.75,
    std_uncertainty_type_a=0.1,
    std_uncertainty_type_b=0.74,
    degrees_of_freedom=math.inf,
    degrees_of_freedom_a=30.0,
    plain_mean=200.4,
    count=100,
    effective_count=40.0,
    window_start_s=60.0,
    window_end_s=160.0,
    rule_json="{}",
)
HEADER = ("utc", "at_s", "trial", "elapsed_s", "flow_m3_per_h", "flags")


def rows(number: int) -> list[Sequence[Cell]]:
    return [
        ("2026-03-02T10:00:01.500Z", 7.0 + i, 1, 1.0 + i, 200.0 + i, 0)
        for i in range(number)
    ]


def book(
    *,
    trials: Sequence[StoredTrial] = (TRIAL,),
    averages: Sequence[StoredAverage] = (AVERAGE,),
    comparison: SessionComparison | None = None,
    readings: Sequence[InstrumentReadings] = (),
    notes: Sequence[tuple[str, str]] = (),
) -> Book:
    return Book(trials, averages, comparison, readings, notes)


def read_back(made: Book, **options: int) -> dict[str, list[list[Any]]]:
    file = io.BytesIO()
    write_workbook(file, made, **options)
    workbook = openpyxl.load_workbook(file)
    return {
        sheet.title: [list(row) for row in sheet.iter_rows(values_only=True)]
        for sheet in workbook
    }


def column(sheet: list[list[Any]], heading: str) -> list[Any]:
    place = sheet[0].index(heading)
    return [row[place] for row in sheet[1:]]


def test_averages_are_numbers_with_their_unit_in_the_heading() -> None:
    sheet = read_back(book())["averages"]
    assert column(sheet, "flow mean [m³/h]") == [200.5]
    assert column(sheet, "flow U 95 % [m³/h]") == [1.5]
    assert column(sheet, "flow k [1]") == [2.0]
    assert column(sheet, "window from [s]") == [60.0]


def test_what_is_not_finite_or_not_there_is_an_empty_cell() -> None:
    other = dataclasses.replace(TRIAL, trial=2, duration_s=None)
    sheet = read_back(book(trials=(TRIAL, other)))["averages"]
    assert column(sheet, "flow degrees of freedom [1]") == [None, None]
    assert column(sheet, "flow mean [m³/h]") == [200.5, None]
    assert column(sheet, "duration [s]") == [240.0, None]


def test_moments_are_moments() -> None:
    made = book(readings=[InstrumentReadings("meter", HEADER, rows(1))])
    sheets = read_back(made)
    begun = datetime.datetime(2026, 3, 2, 10, 0, 0, 250_000)  # noqa: DTZ001 - spreadsheets know no zones
    assert column(sheets["averages"], "switched on (UTC)") == [begun]
    read = datetime.datetime(2026, 3, 2, 10, 0, 1, 500_000)  # noqa: DTZ001 - likewise
    assert column(sheets["readings meter"], "utc") == [read]


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "{=1}", "http://a.example/b", "\t=1"]
)
def test_no_text_becomes_a_formula_a_link_or_a_number(text: str) -> None:
    odd = dataclasses.replace(TRIAL, condition=text)
    file = io.BytesIO()
    write_workbook(file, book(trials=(odd,), averages=(), notes=((text, text),)))
    workbook = openpyxl.load_workbook(file)
    cells = [workbook["averages"]["C2"], *workbook["notes"][2]]
    assert {(cell.value, cell.data_type) for cell in cells} == {(text, "s")}
    assert [cell.hyperlink for cell in cells] == [None] * 3


def test_the_comparison_has_a_row_a_condition() -> None:
    sheet = read_back(book(comparison=compared(REAL)))["comparison"]
    assert column(sheet, "condition") == ["short lead", "long lead"]
    assert column(sheet, "velocity verdict") == ["baseline", "real"]
    # 19 m/s against 20 m/s.
    differences = column(sheet, "velocity difference [m/s]")
    assert differences == [None, pytest.approx(-1.0)]
    assert column(sheet, "velocity difference [%]")[1] == pytest.approx(-5.0)
    assert column(sheet, "velocity trials") == ["1 2 3", "4 5 6"]


def test_without_a_comparison_there_is_no_sheet_of_it() -> None:
    assert list(read_back(book())) == ["averages", "notes"]


def test_a_full_sheet_goes_on_in_the_next() -> None:
    made = book(readings=[InstrumentReadings("meter", HEADER, rows(9))])
    sheets = read_back(made, most_rows=5)
    names = ["readings meter", "readings meter (2)", "readings meter (3)"]
    assert [name for name in sheets if name.startswith("readings")] == names
    assert [len(sheets[name]) for name in names] == [5, 5, 2]
    assert {tuple(sheets[name][0]) for name in names} == {HEADER}
    values = [v for name in names for v in column(sheets[name], "flow_m3_per_h")]
    assert values == [200.0 + i for i in range(9)]


def test_a_sheet_that_is_just_full_is_the_last() -> None:
    made = book(readings=[InstrumentReadings("meter", HEADER, rows(4))])
    assert "readings meter (2)" not in read_back(made, most_rows=5)


def test_names_of_sheets_are_shortened_cleaned_and_each_once() -> None:
    long = "a-very-long-name-of-an-instrument"
    readings = [
        InstrumentReadings(name, HEADER, rows(1))
        for name in (long, long.upper(), "a/b:c?")
    ]
    names = [name for name in read_back(book(readings=readings)) if "readings" in name]
    assert names == [
        "readings a-very-long-name-of-an",
        "readings A-VERY-LONG-NAME-O (2)",
        "readings a_b_c_",
    ]
    assert all(len(name) <= 31 for name in names)


def test_notes_are_pairs_of_texts() -> None:
    sheet = read_back(book(notes=(("machine", "Blower"),)))["notes"]
    assert sheet == [["what", "is"], ["machine", "Blower"]]


def test_the_same_session_gives_the_same_file() -> None:
    made = book(comparison=compared(REAL))
    files = [io.BytesIO(), io.BytesIO()]
    for file in files:
        write_workbook(file, made)
    assert files[0].getvalue() == files[1].getvalue()


def test_a_text_too_long_for_a_cell_is_cut() -> None:
    sheet = read_back(book(notes=(("x", "y" * 40_000),)))["notes"]
    assert sheet[1][1] == "y" * 32_767
