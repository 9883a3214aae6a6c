"""Names and notes that somebody made up to do harm are text in whatever they get into, and nothing else."""

import ast
import csv
import dataclasses
import io
import json
import re
import string
import unicodedata
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pytest

from daq.comparison.session import compare_session
from daq.comparison_tables import plain_text
from daq.config.faults import Source, unprintable_faults
from daq.config.plan import check_plan_alone, parse_plan, parse_stored_plan
from daq.errors import ConfigurationError, InputError
from daq.export import csv_text, json_document
from daq.messages import Topics
from daq.operations import Note
from daq.printable import printable
from daq.report.comparison_plots import comparison_plot
from daq.report.content import Finding, Topic
from daq.report.page import render_page
from daq.report.trial_plots import trial_plots
from daq.workbook import Book, InstrumentReadings, write_workbook
from tests.core.comparison.bench_texts import AIRFLOW, BENCH, PLAN, compared_bench
from tests.core.report.made_session import (
    REAL,
    compared,
    content,
    figures_of,
    trace,
)
from tests.core.report.read_page import Page
from tests.core.test_workbook import AVERAGE, TRIAL

ROOT = Path(__file__).parents[2]
SCRIPTS = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style></svg></title><script>alert(1)</script>",
    "]]><!--",
    "javascript:alert(1)",
    "&lt;script&gt;",
)
COMMANDS = (
    "\x1b]0;owned\x07",
    "\x1b[2J\x1b[31m",
    "\x9b2J",
    "a\0b",
    "a\x08\x08b",
    "\u202egnp.exe",
    "\u2066\u200f",
    "\ud800",
    "a\u00adb\u180e\u200b",
    "\u2060a\u2063\u206f",
    "\ufeffb",
    "c\U000e0041\U000e007f",
)
COMMAND = "\x1b]0;owned\x07\x1b[2J\x9b31m\u202egnp.exe"
"""Names a window, empties it, changes the colour, turns the writing round."""
FORMULAS = (
    "=cmd|' /C calc'!A0",
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1+1",
    "\r=1+1",
    "\n=1+1",
    "  =1+1",
    "\uff1d1+1",
    "a;=1+1;b",
    "a; @SUM(A1)",
    "\x00=1+1",
    "\u200b=1+1",
    "\ufeff@SUM(A1)",
    "\u00ad-2+3",
    "\U000e0041+1+1",
    "\u200d=1+1",
    " \u200c\ufe0f=1+1",
    "a;\u200b=1+1;\U000e0100@SUM(A1)",
)
UNSEEN = (
    "\u00ad\u180e\u200b-\u200d\u2060-\u206f\ufe00-\ufe0f\ufeff\U000e0000-\U000e01ef"
)
"""Some programs may pass over these."""
LONG = "x" * 10_240
HOSTILE = (*SCRIPTS, *COMMANDS, *FORMULAS, "a\nb\r\nc", LONG)
TOGETHER = (" ".join(SCRIPTS), "".join(COMMANDS), "\n".join(FORMULAS), LONG)
"""For what takes its time."""
NO_NOTES = ("\u2066\u200f", "\ud800", LONG)
ALL_HOSTILE = pytest.mark.parametrize("text", HOSTILE, ids=lambda t: ascii(t)[:24])


def obeyed_in(text: str) -> set[str]:
    """What a terminal would obey, what turns the direction of writing, what nobody sees; lines and columns are no harm here.

    Nor are the two characters that join letters or keep them apart: scripts need them.
    """
    kinds = {"Cc", "Cs", "Cf"}
    turned = {"LRE", "RLE", "PDF", "LRO", "RLO", "LRI", "RLI", "FSI", "PDI"}
    return {
        c
        for c in set(text) - set("\n\t\r\u200c\u200d")
        if unicodedata.category(c) in kinds or unicodedata.bidirectional(c) in turned
    }


@ALL_HOSTILE
def test_what_is_printable_holds_nothing_to_obey(text: str) -> None:
    shown = printable(text)
    assert obeyed_in(shown) == set()
    # Each is a blank now, and the rest as it was.
    assert len(shown) == len(text)
    assert printable(shown) == shown


# ---- the report


@pytest.mark.slow
@pytest.mark.parametrize("text", TOGETHER, ids=lambda t: ascii(t)[:24])
def test_a_report_shows_it_and_runs_nothing(text: str) -> None:
    means = {"short lead": (20.0, 20.1), text: (19.0, 19.1)}
    figures = dataclasses.replace(
        figures_of(means, machine=text), plan=text, bench=text, remarks=(text,)
    )
    made = content(
        compare_session(figures),
        traces=(dataclasses.replace(trace(condition=text), note=text),),
        plan=((text, text),),
        findings={Topic.PRICE: Finding((text,), ((text,), (text,)), (text,))},
        store=text,
        host=text,
    )
    written = render_page(made)
    page = Page(written)
    assert page.unbalanced == []
    assert {"script", "img", "iframe", "object"}.isdisjoint(dict(page.elements))
    attributes = [name for _, given in page.elements for name in given]
    assert [name for name in attributes if name.startswith("on")] == []
    linked = [given["href"] or "" for _, given in page.elements if "href" in given]
    # An empty picture beside the title, so that no browser asks for one.
    assert [link for link in linked if not link.startswith("#")] == ["data:,"]
    assert obeyed_in(written) == set()


@pytest.mark.slow
@pytest.mark.parametrize("text", TOGETHER, ids=lambda t: ascii(t)[:24])
def test_a_drawing_shows_it_and_stays_a_drawing(text: str) -> None:
    (answer,) = compared({"short lead": (20.0, 20.1), text: (19.0, 19.1)}).comparisons
    figures = [
        comparison_plot(answer),
        *trial_plots((dataclasses.replace(trace(condition=text), note=text),)),
    ]
    for figure in figures:
        names = {each.tag.rpartition("}")[2] for each in ET.fromstring(figure).iter()}  # noqa: S314 - our own
        assert {"script", "image", "foreignObject", "a"}.isdisjoint(names)
        assert obeyed_in(figure) == set()


# ---- tables


@pytest.mark.parametrize("text", FORMULAS, ids=ascii)
@pytest.mark.parametrize("divider", [",", ";", "\t"])
def test_a_table_holds_no_formula_whatever_divides_its_cells(
    text: str, divider: str
) -> None:
    written = csv_text(("n", "note", "more"), [(-1.0, text, "x")])
    # Programs of half of Europe divide at semicolons whatever the file does.
    cells = [
        cell
        for row in csv.reader(io.StringIO(written, newline=""), delimiter=divider)
        for cell in row
    ]
    begins = re.compile(rf"[\s{UNSEEN}]*([=+@\uff1d]|-(?!1\.0))")
    assert [cell for cell in cells if begins.match(cell)] == []


@ALL_HOSTILE
def test_a_table_keeps_its_rows_and_cells(text: str) -> None:
    written = csv_text(("n", "note", "more"), [(-1.0, text, "x"), (2.0, "y", text)])
    rows = list(csv.reader(io.StringIO(written, newline="")))
    assert [len(row) for row in rows] == [3, 3, 3]
    assert (rows[1][0], rows[1][2], rows[2][:2]) == ("-1.0", "x", ["2.0", "y"])
    assert rows[1][1].replace("'", "") == printable(text).replace("'", "")
    assert obeyed_in(written) == set()


@ALL_HOSTILE
def test_json_holds_it_as_it_was_and_shows_nothing_to_obey(text: str) -> None:
    written = json_document({"note": text})
    assert json.loads(written)["note"] == text
    assert obeyed_in(written) == set()


@ALL_HOSTILE
def test_a_workbook_holds_it_as_text(text: str) -> None:
    odd = dataclasses.replace(TRIAL, condition=text, note=text)
    average = dataclasses.replace(AVERAGE, channel=text)
    readings = InstrumentReadings(text, ("utc", text), [])
    file = io.BytesIO()
    made = Book((odd,), (average,), compared(REAL), [readings], ((text, text),))
    write_workbook(file, made)
    workbook = openpyxl.load_workbook(file)
    texts = [
        cell
        for sheet in workbook
        for row in sheet.iter_rows()
        for cell in row
        if isinstance(cell.value, str)
    ]
    assert {cell.data_type for cell in texts} == {"s"}
    assert {cell.hyperlink for cell in texts} == {None}
    assert obeyed_in("".join(str(cell.value) for cell in texts)) == set()


# ---- messages, terminals, files


@ALL_HOSTILE
def test_a_topic_has_as_many_levels_as_it_should(text: str) -> None:
    named = Topics(bench=f"a/{text}/#", root="bench")
    topics = [named.status, named.ask, named.answer, named.live(f"+/{text}")]
    assert [topic.count("/") for topic in topics] == [2, 2, 2, 3]
    for topic in topics:
        # MQTT 5.0, 4.7: wildcards and NUL have no place in a name; well-formed UTF-8 (1.5.4).
        assert not set(topic) & set("+#\0")
        assert {c for c in topic if unicodedata.category(c) == "Cc"} == set()
        topic.encode()


@ALL_HOSTILE
def test_a_note_is_one_line_of_text_or_refused(text: str) -> None:
    if text in NO_NOTES:
        with pytest.raises(ValueError, match=r"^text (is empty|has 10240 characters)"):
            Note(text)
        return
    note = Note(text)
    assert obeyed_in(note.text) == set()
    assert len(note.text.splitlines()) == 1


@ALL_HOSTILE
def test_a_table_for_people_has_one_line_of_it(text: str) -> None:
    shown = plain_text(text)
    assert obeyed_in(shown) == set()
    assert len(shown.splitlines()) <= 1


OBEYED = [each for each in (*COMMANDS, "a\nb", "a\tb") if each != "\ud800"]
"""TOML has no halves of characters."""


def as_toml(text: str) -> str:
    """A string of TOML with everything escaped that is not of ASCII."""
    plain = set(string.ascii_letters + string.digits + " .;[]")
    shown = "".join(c if c in plain else f"\\U{ord(c):08x}" for c in text)
    return f'"{shown}"'


@pytest.mark.parametrize("text", OBEYED, ids=ascii)
def test_a_plan_names_nothing_that_cannot_be_printed(text: str) -> None:
    plan = PLAN.replace('"Drying blower"', as_toml(text))
    bench = compared_bench(BENCH + AIRFLOW)
    assert parse_plan(PLAN, file="plan.toml", bench=bench).machine == "Drying blower"
    with pytest.raises(ConfigurationError) as caught:
        parse_plan(plan, file="plan.toml", bench=bench)
    told = str(caught.value)
    assert "machine.title: got " in told
    assert "expected one line without control characters" in told
    assert obeyed_in(told) == set()


ALIKE = [
    ("short lead", " short lead"),
    ("short lead", "short lead\u00a0"),
    ("short lead", "short  lead"),
    ("short lead", "short \u2003lead"),
    ("caf\u00e9", "cafe\u0301"),
    ("short lead", "sh\u200cort lead"),
    ("short lead", "short \u200d lead"),
    ("short lead", "short lead\ufe0f"),
]
"""Names of two conditions that look the same."""


def parsed_with(one: str, other: str) -> None:
    """A plan with two conditions so named."""
    plan = PLAN.replace('"short lead"', as_toml(one)).replace('"long lead"', as_toml(other))  # fmt: skip
    parse_plan(plan, file="plan.toml", bench=compared_bench(BENCH + AIRFLOW))


@pytest.mark.parametrize(("one", "other"), ALIKE, ids=ascii)
def test_conditions_that_nobody_can_tell_apart_are_refused(
    one: str, other: str
) -> None:
    with pytest.raises(ConfigurationError) as caught:
        parsed_with(one, other)
    told = str(caught.value)
    line = PLAN[: PLAN.index('name = "long lead"')].count("\n") + 1
    assert told.startswith(f"plan.toml:{line}: condition[2].name: got ")
    assert "of condition[1], expected a name that differs in what can be seen" in told
    assert "repeats in [order]" in told
    # What is not the same shows in what is told.
    got, looks_like = re.findall(r"(?:got|looks like) ('[^']*')", told)
    assert got != looks_like
    assert unicodedata.normalize("NFC", got) != unicodedata.normalize("NFC", looks_like)


@pytest.mark.parametrize("other", ["Short lead", "short-lead", "short\u200d leads"])
def test_conditions_that_look_different_may_be_named_so(other: str) -> None:
    parsed_with("short lead", other)


@pytest.mark.parametrize("name", [" ", "\u00a0\u2003", "\u200d", "\ufe0f "])
def test_a_condition_whose_name_nobody_sees_is_refused(name: str) -> None:
    with pytest.raises(ConfigurationError, match="expected a name that can be seen"):
        parsed_with("short lead", name)


def test_a_stored_session_is_read_though_its_conditions_look_alike() -> None:
    plan = PLAN.replace('"long lead"', '"short  lead"')
    channels = compared_bench(BENCH + AIRFLOW).channels
    stored = parse_stored_plan(plan, session=1, channels=channels)
    assert [*stored.instructions][:2] == ["short lead", "short  lead"]
    with pytest.raises(ConfigurationError, match=r"condition\[1\] is named"):
        parse_stored_plan(
            PLAN.replace('"long lead"', '"short lead"'), session=1, channels=channels
        )


def test_conditions_are_told_apart_where_the_bench_has_faults_too() -> None:
    plan = PLAN.replace('"long lead"', '"short lead "')
    with pytest.raises(ConfigurationError, match="which looks like 'short lead' of"):
        check_plan_alone(plan, file="plan.toml")


@pytest.mark.parametrize("unseen", ["\u00ad", "\u200b", "\u200d", " "])
@pytest.mark.parametrize("name", ["meter", "velocity"])
def test_names_of_a_bench_hold_nothing_that_nobody_sees(name: str, unseen: str) -> None:
    written = f'name = "{name}"'
    assert written in BENCH
    bench = BENCH.replace(written, f"name = {as_toml(name + unseen)}", 1)
    with pytest.raises(ConfigurationError) as caught:
        compared_bench(bench + AIRFLOW)
    assert "name: got " in str(caught.value)
    assert "digits" in str(caught.value)


def test_what_goes_over_a_wire_may_hold_anything() -> None:
    text = 'title = "Meter"\n[wire]\nterminator = "\\r\\n"\n'
    source = Source("meter.toml", text)
    assert unprintable_faults(source, text, unless_in=("wire",)) == []
    (fault,) = unprintable_faults(source, text)
    assert fault.key == "wire.terminator"


def test_an_error_of_a_file_shows_no_command_to_a_terminal() -> None:
    with pytest.raises(InputError) as caught:
        parse_plan("\x1b[2J = 1", file="plan.toml", bench=compared_bench(BENCH))
    assert obeyed_in(str(caught.value)) == set()


# ---- the sources


SOURCES = sorted((ROOT / "daq").rglob("*.py"))
_NO_PLACE = {"eval", "exec", "compile", "__import__"}
_NO_MODULE = {"pickle", "marshal", "shelve", "dill", "yaml", "commands", "pty"}
_NO_CALL = {
    "os": {"system", "popen"} | {f"{k}{e}" for k in ("exec", "spawn") for e in ("l", "le", "lp", "lpe", "v", "ve", "vp", "vpe")},
    "subprocess": {"getoutput", "getstatusoutput"},
    "asyncio": {"create_subprocess_shell"},
    "asyncio.subprocess": {"create_subprocess_shell"},
}  # fmt: skip


def dangers_in(module: ast.Module) -> Iterator[str]:
    """A shell, or text that becomes a program."""
    for node in ast.walk(module):
        if isinstance(node, ast.Import):
            names = {alias.name.partition(".")[0] for alias in node.names}
            yield from names & _NO_MODULE
        elif isinstance(node, ast.ImportFrom):
            start = (node.module or "").partition(".")[0]
            yield from {start} & _NO_MODULE
            names = {alias.name for alias in node.names}
            yield from names & _NO_CALL.get(node.module or "", set())
        elif isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            place, _, name = called.rpartition(".")
            if called in _NO_PLACE or name in _NO_CALL.get(place, set()):
                yield called
            yield from (f"{called} shell" for k in node.keywords if k.arg == "shell")


def test_no_source_starts_a_shell_or_runs_a_text() -> None:
    found = {
        str(path.relative_to(ROOT)): [*dangers_in(ast.parse(path.read_bytes()))]
        for path in SOURCES
    }
    assert len(found) > 100
    assert {path: dangers for path, dangers in found.items() if dangers} == {}


@pytest.mark.parametrize(
    "text",
    [
        "import os\nos.system('x')", "import os\nos.popen('x')", "from os import system", "import pickle",
        "import subprocess\nsubprocess.run('x', shell=True)", "eval('x')", "exec('x')", "import yaml",
        "from subprocess import getoutput", "import asyncio\nasyncio.create_subprocess_shell('x')", "os.execvp('x', [])",
    ],
)  # fmt: skip
def test_each_danger_is_found(text: str) -> None:
    assert [*dangers_in(ast.parse(text))] != []
