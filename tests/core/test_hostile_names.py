"""Names and notes that somebody made up to do harm are text in whatever they get into, and nothing else."""

import ast
import csv
import dataclasses
import io
import json
import re
import tomllib
import unicodedata
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pytest

from daq.comparison.session import compare_session
from daq.comparison_tables import plain_text
from daq.config.faults import Source, unprintable_faults
from daq.config.plan import parse_plan
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
)
LONG = "x" * 10_240
HOSTILE = (*SCRIPTS, *COMMANDS, *FORMULAS, "a\nb\r\nc", LONG)
TOGETHER = (" ".join(SCRIPTS), "".join(COMMANDS), "\n".join(FORMULAS), LONG)
"""For what takes its time."""
NO_NOTES = ("\u2066\u200f", "\ud800", LONG)
ALL_HOSTILE = pytest.mark.parametrize("text", HOSTILE, ids=lambda t: ascii(t)[:24])


def obeyed_in(text: str) -> set[str]:
    """What a terminal would obey, or what turns the direction of writing; lines and columns are no harm here."""
    kinds = {"Cc", "Cs"}
    turned = {"LRE", "RLE", "PDF", "LRO", "RLO", "LRI", "RLI", "FSI", "PDI"}
    return {
        c
        for c in set(text) - set("\n\t\r")
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
    begins = re.compile(r"\s*[=+@\uff1d]|\s*-(?!1\.0)")
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
    return json.dumps(text).replace("\x7f", "\\u007f")


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


# ---- what comes from others


def test_every_dependency_is_in_the_list_of_developers() -> None:
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    project = tomllib.loads(text)["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["report"]]
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    _, heading, rest = developers.partition("| package | version | licence |")
    assert heading
    table = rest.partition("\n\n")[0]
    listed = re.findall(r"^\| `([A-Za-z0-9._-]+)` \|", table, flags=re.MULTILINE)
    assert [re.split(r"[<>=\[~! ]", each)[0] for each in wanted] == listed
