"""Averages and readings as CSV and JSON."""

import csv
import io
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest

from daq.export import (
    Cell,
    SessionSummary,
    StoredAverage,
    StoredTrial,
    render_averages_json,
    render_averages_tidy_csv,
    render_averages_wide_csv,
    render_readings_csv,
    render_sessions_csv,
    render_sessions_json,
)

POWER = StoredAverage(
    session=1,
    session_id="5e5510",
    bench="leads",
    plan="leads",
    machine="blower",
    trial=1,
    trial_id="7a1",
    position=1,
    condition="long lead",
    repeat=1,
    attempt=1,
    baseline=True,
    state="finished",
    started_utc="2026-01-05T10:00:00.000Z",
    channel="power",
    title="Power",
    quantity="power",
    place="machine end",
    unit="W",
    required=True,
    mean=1383.25,
    expanded_uncertainty=8.1,
    coverage_factor=1.96,
    std_uncertainty=4.1,
    std_uncertainty_type_a=0.9,
    std_uncertainty_type_b=4.0,
    degrees_of_freedom=math.inf,
    degrees_of_freedom_a=30.5,
    plain_mean=1383.3,
    count=60,
    effective_count=31.5,
    window_start_s=30.0,
    window_end_s=90.0,
    rule_json='{"hold_s": 30}',
    speed=1.0,
    software="steadybench 0.1.0",
)
DRAUGHT = replace(POWER, channel="draught", unit="Pa", mean=-210.5)
SECOND = replace(POWER, trial=2, trial_id="7a2", condition="short lead", mean=1402.0)
UNFINISHED = StoredTrial(
    session=1,
    session_id="5e5510",
    bench="leads",
    plan="leads",
    machine="blower",
    trial=3,
    trial_id="7a3",
    position=3,
    condition="short lead",
    repeat=2,
    attempt=1,
    baseline=False,
    state="unfinished",
    started_utc="2026-01-05T10:20:00.000Z",
    duration_s=12.0,
    note="switched off too soon",
    speed=1.0,
    software="steadybench 0.1.0",
)


def parsed(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def readings_csv(header: Sequence[str], *rows: Sequence[Cell]) -> str:
    return "".join(render_readings_csv(header, rows))


def test_quotes_commas_and_line_ends_are_written_as_rfc_4180_says() -> None:
    # RFC 4180, section 2, rules 6 and 7 and their examples: "aaa","b CRLF bb","ccc"
    # and "aaa","b""bb","ccc"; rule 5: fields may or may not be enclosed.
    text = readings_csv(
        ("a", "b", "c"), ("aaa", "b\r\nbb", "ccc"), ("aaa", 'b"bb', ",")
    )
    assert text == 'a,b,c\r\naaa,"b\r\nbb",ccc\r\naaa,"b""bb",","\r\n'


def test_numbers_keep_their_full_precision_and_a_point() -> None:
    text = readings_csv(("power_w",), (0.1 + 0.2,), (1e-7,), (-12.5,), (7,))
    # 0.1 + 0.2 in binary64 is 0.30000000000000004 (IEEE 754).
    assert text.splitlines() == [
        "power_w",
        "0.30000000000000004",
        "1e-07",
        "-12.5",
        "7",
    ]


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_an_empty_cell(value: float | None) -> None:
    assert readings_csv(("a", "b"), (value, 1.0)).splitlines()[1] == ",1.0"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_a_text_that_would_be_a_formula_gets_an_apostrophe(start: str) -> None:
    ((_, cell),) = [
        tuple(row.values())
        for row in parsed(readings_csv(("n", "note"), (-1.0, f"{start}cmd|' /C x'!A0")))
    ]
    assert cell == f"'{start}cmd|' /C x'!A0"


def test_readings_are_rendered_as_they_are_asked_for() -> None:
    def endless() -> Iterator[tuple[float]]:
        while True:
            yield (1.0,)

    lines = render_readings_csv(("power_w",), endless())
    assert [next(lines), next(lines)] == ["power_w\r\n", "1.0\r\n"]


def test_the_tidy_table_has_a_line_a_trial_and_channel() -> None:
    rows = parsed(render_averages_tidy_csv([POWER, DRAUGHT, SECOND]))
    assert [(r["trial"], r["channel"], r["mean"], r["unit"]) for r in rows] == [
        ("1", "power", "1383.25", "W"),
        ("1", "draught", "-210.5", "Pa"),
        ("2", "power", "1402.0", "W"),
    ]
    assert rows[0]["baseline"] == "1"
    assert rows[0]["degrees_of_freedom"] == ""
    # Long and the same in every row: JSON and the store have it.
    assert "rule_json" not in rows[0]


def test_the_wide_table_has_a_line_a_trial_and_units_in_its_head() -> None:
    first, second = parsed(render_averages_wide_csv([POWER, DRAUGHT, SECOND]))
    assert first["condition"] == "long lead"
    assert first["power_mean_w"] == "1383.25"
    assert first["power_expanded_uncertainty_w"] == "8.1"
    assert first["power_coverage_factor"] == "1.96"
    assert first["draught_mean_pa"] == "-210.5"
    assert second["power_mean_w"] == "1402.0"
    assert second["draught_mean_pa"] == ""


def test_the_wide_table_also_lists_trials_that_did_not_finish() -> None:
    text = render_averages_wide_csv([SECOND, POWER], trials=[UNFINISHED])
    rows = parsed(text)
    assert [(r["trial"], r["state"], r["power_mean_w"]) for r in rows] == [
        ("1", "finished", "1383.25"),
        ("2", "finished", "1402.0"),
        ("3", "unfinished", ""),
    ]


def test_no_averages_at_all_still_give_a_header() -> None:
    assert render_averages_tidy_csv([]).startswith("session,session_id,bench,")
    assert render_averages_wide_csv([]).count("\r\n") == 1


def test_tidy_json_is_a_flat_list() -> None:
    document = json.loads(render_averages_json([POWER, DRAUGHT], tidy=True))
    assert document["format"] == 1
    power, draught = document["averages"]
    assert (power["channel"], power["mean"], power["unit"]) == ("power", 1383.25, "W")
    assert power["baseline"] is True
    assert power["degrees_of_freedom"] is None
    assert draught["mean"] == -210.5


def test_nested_json_has_the_averages_of_a_trial_by_channel() -> None:
    text = render_averages_json(
        [POWER, DRAUGHT, SECOND], tidy=False, trials=[UNFINISHED]
    )
    first, second, third = json.loads(text)["trials"]
    assert first["condition"] == "long lead"
    assert first["averages"]["draught"]["unit"] == "Pa"
    assert set(second["averages"]) == {"power"}
    assert third["averages"] == {}
    assert "mean" not in first


SESSION = SessionSummary(
    session=3,
    session_id="5e5510",
    bench="leads",
    plan="leads",
    machine="blower",
    software="steadybench 0.1.0",
    speed=1.0,
    started_utc="2026-01-05T10:00:00.000Z",
    ended_utc=None,
    state="open",
    trials=2,
    finished=1,
)


def test_sessions_have_a_line_each_under_the_names_of_the_other_tables() -> None:
    (row,) = parsed(render_sessions_csv([SESSION]))
    assert (row["session"], row["session_id"]) == ("3", "5e5510")
    assert (row["state"], row["ended_utc"]) == ("open", "")
    assert (row["trials"], row["finished"]) == ("2", "1")
    assert render_sessions_csv([]).startswith("session,session_id,bench,")


def test_sessions_as_json_keep_what_is_not_known_as_null() -> None:
    document = json.loads(render_sessions_json([SESSION]))
    assert document["format"] == 1
    (session,) = document["sessions"]
    assert (session["session"], session["ended_utc"]) == (3, None)


def test_json_keeps_letters_beyond_ascii() -> None:
    row = replace(POWER, condition="2.5 mm², 25 m")
    assert "2.5 mm², 25 m" in render_averages_json([row], tidy=True)
