"""`daq report` through the whole program: one page, or a pack to publish; bad input in one line."""

import csv
import dataclasses
import hashlib
import io
import platform
import sqlite3
import sys
import zipfile
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest

from daq.records import TrialState
from tests.core.comparison.bench_texts import AIRFLOW, BENCH, PLAN
from tests.core.report.read_page import Page
from tests.runtime.compared_sessions import ONCE, REPEATED, Carried, store_session
from tests.system.command_line import Daq
from tests.system.recorded_bench import record_session, settled_then_too_short

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
PRIVATE_BENCH = BENCH.replace("ports/mains", "/dev/serial/by-id/usb-A50285BI") + AIRFLOW
PRIVATE_PLAN = PLAN.replace("Drying blower", "Drying blower, S/N 48213-07").replace(
    '[[condition]]\nname = "long lead"',
    '[[condition]]\nname = "long lead"\ninstruction = "Take the blue one from shelf 4"',
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def page_of(run: Daq, store: Path, *options: str, code: int = 0) -> Page:
    file = store.with_name("report.html")
    ended = run("report", store, "-o", file, *options)
    assert (ended.code, ended.err) == (code, "")
    return Page(file.read_text(encoding="utf-8"))


def headings(page: Page) -> list[str]:
    return page.texts_in("h2")


# ---- the page


def test_a_session_becomes_a_page_with_the_answer_on_top(run: Daq, path: Path) -> None:
    page = page_of(run, store_session(path))
    (answer,) = page.texts_in("h1")
    # The thin lead takes a tenth of the airflow.
    assert (
        "with “thin\u00a0lead” than with “short\u00a0lead”, and that is real." in answer
    )
    assert page.unbalanced == []
    assert headings(page) == [
        "What else changed",
        "Against the nameplate",
        "The leads",
        "What another lead would do",
        "What it means for conveying",
        "What it costs",
        "Cautions",
        "Did anything drift?",
        "What was left out",
        "How it was measured",
        "Uncertainty",
        "The same again",
    ]


def test_the_page_says_how_the_same_comes_out_again(run: Daq, path: Path) -> None:
    page = page_of(run, store_session(path))
    assert f"daq compare {path} --session 1" in page.texts_in("pre")[0]
    assert "steadybench 0.1.0" in page.texts_in("dd")


def test_what_is_missing_says_why(run: Daq, path: Path) -> None:
    text = page_of(run, store_session(path)).all_text
    assert "The plan describes no leads" in text
    # Three conditions, so three voltages at the machine.
    assert "Nothing is predicted: " in text
    assert "the plan states no rating" in text.lower()
    assert "No advice by price" in text


FOUR = ("short lead", "long lead", "thin lead", "thinner lead")
FULL_PLAN = (
    PLAN.replace("[machine]", "[prices]\ncurrency = 'EUR'\n[machine]").replace(
        'changes = ["lead"]',
        'changes = ["lead"]\nprice = 30\nlead = { area_mm2 = 1.5, length_m = 40, rated_current_a = 6 }',
    )
    + """
[[condition]]
name = "thinner lead"
changes = ["lead"]
price = 20
lead = { area_mm2 = 1.0, length_m = 40, rated_current_a = 10 }
[machine.nameplate]
power_w = 1500
"""
)


def test_a_plan_that_says_everything_gets_everything(run: Daq, path: Path) -> None:
    factors = (1.0, 0.97, 0.95, 0.92)
    trials = [
        Carried(name, factor * drift)
        for drift in (1.0, 1.0004)
        for name, factor in zip(FOUR, factors, strict=True)
    ]
    page = page_of(run, store_session(path, trials, plan=FULL_PLAN))
    text = page.all_text
    # 1400 W of 1500 W are 93.3 %.
    assert any(cell.startswith("93.3") for cell in page.texts_in("td"))
    assert "Fitted to 4 conditions" in text
    assert "2.5 mm², 40 m" in page.texts_in("th")
    assert any("30 EUR" in cell for cell in page.texts_in("td"))
    # 6.3 A and less through a lead that is rated for 6 A.
    assert "Warning" in text
    assert "rated for 6 A" in text
    assert {"href": "#cautions"} in page.named("a")


def test_readings_are_drawn_with_their_window(run: Daq, path: Path) -> None:
    page = page_of(run, record_session(path, settled_then_too_short), code=1)
    assert "Trial by trial" in headings(page)
    assert "Trial 1: short lead" in page.all_text
    assert "Trial 2: long lead" in page.all_text


def test_a_trial_that_was_left_out_stands_there_with_its_reason(
    run: Daq, path: Path
) -> None:
    broken = Carried(
        "thin lead", state=TrialState.UNFINISHED, note="switched off early"
    )
    page = page_of(run, store_session(path, (*ONCE[:2], broken)))
    assert "switched off early" in page.texts_in("td")
    assert "not averaged" in page.texts_in("td")


@pytest.mark.parametrize(
    ("trials", "says"),
    [
        (ONCE[1:], "No trial of the baseline"),
        (ONCE[:1], "Only the baseline"),
        (
            [Carried("short lead", state=TrialState.NOT_SETTLED, note="it drifted")],
            "there is nothing to compare",
        ),
    ],
)
def test_what_cannot_be_compared_is_said_and_the_rest_is_shown(
    run: Daq, path: Path, trials: Sequence[Carried], says: str
) -> None:
    page = page_of(run, store_session(path, trials), code=1)
    assert says in page.texts_in("h1")[0]
    assert "How it was measured" in headings(page)


def test_a_channel_that_is_missing_in_some_trials_is_said(run: Daq, path: Path) -> None:
    without = dataclasses.replace(REPEATED[4], means={"velocity": None})
    trials = (*REPEATED[:4], without, REPEATED[5])
    page = page_of(run, store_session(path, trials))
    assert any("velocity has no average in trial 5" in t for t in page.texts_in("li"))


def test_zero_airflow_is_no_end_of_the_page(run: Daq, path: Path) -> None:
    none = {"velocity": 0.0}
    trials = [dataclasses.replace(each, means=none) for each in REPEATED]
    page = page_of(run, store_session(path, trials))
    assert page.unbalanced == []


def test_a_plan_that_this_version_cannot_read_is_told(run: Daq, tmp_path: Path) -> None:
    path, file = tmp_path / "old.db", tmp_path / "report.html"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    ended = run("report", path, "-o", file)
    assert ended.code == 2
    assert "daq: plan of session 1" in ended.err
    assert not file.exists()


# ---- bad input


def test_an_existing_file_is_not_written_over(run: Daq, path: Path) -> None:
    file = path.with_name("report.html")
    file.write_text("mine", encoding="utf-8")
    ended = run("report", store_session(path), "-o", file)
    assert ended.code == 2
    assert ended.says_only(str(file), "there already")
    assert file.read_text(encoding="utf-8") == "mine"


def test_a_folder_that_is_not_there_is_told(run: Daq, path: Path) -> None:
    ended = run("report", store_session(path), "-o", path.parent / "no" / "r.html")
    assert ended.code == 2
    assert ended.says_only("r.html", "cannot be written")


def test_nothing_asked_for_is_told(run: Daq, path: Path) -> None:
    ended = run("report", store_session(path))
    assert ended.code == 2
    assert "expected -o FILE.html or --publish FILE.zip" in ended.err


def test_a_session_that_is_not_there_is_told(run: Daq, path: Path) -> None:
    file = path.with_name("report.html")
    ended = run("report", store_session(path), "-o", file, "--session", "7")
    assert ended.code == 2
    assert ended.says_only("no session 7")
    assert not file.exists()


@pytest.mark.parametrize(
    ("keep", "says"),
    [
        ("serial", "expected some of paths, host, serials, notes"),
        (",", "expected some of"),
    ],
)
def test_what_cannot_be_kept_is_told(
    run: Daq, path: Path, keep: str, says: str
) -> None:
    ended = run("report", path, "--publish", "x.zip", "--keep", keep)
    assert ended.code == 2
    assert says in ended.err


def test_keeping_belongs_to_publishing(run: Daq, path: Path) -> None:
    ended = run("report", path, "-o", "x.html", "--keep", "notes")
    assert ended.code == 2
    assert "expected --publish FILE.zip" in ended.err


# ---- publishing


def published(run: Daq, path: Path, *options: str) -> dict[str, str]:
    """Names and texts of a pack made of a session with private things in it."""
    trials = (
        *REPEATED,
        Carried("thin lead", state=TrialState.UNFINISHED, note="Bert tripped over it"),
    )
    store = store_session(path, trials, plan=PRIVATE_PLAN, bench=PRIVATE_BENCH)
    pack = path.with_name("pack.zip")
    ended = run("report", store, "--publish", pack, *options)
    assert (ended.code, ended.err) == (0, "")
    assert "look through it before you publish it" in ended.out
    with zipfile.ZipFile(pack) as members:
        return {name: members.read(name).decode() for name in members.namelist()}


def test_a_pack_holds_page_tables_readings_and_checksums(run: Daq, path: Path) -> None:
    texts = published(run, path)
    assert list(texts) == [
        "README.txt",
        "report.html",
        "comparison.csv",
        "averages.csv",
        "readings-meter.csv",
        "readings-anemometer.csv",
        "SHA256SUMS",
    ]
    for line in texts["SHA256SUMS"].splitlines():
        digest, name = line.split("  ")
        assert hashlib.sha256(texts[name].encode()).hexdigest() == digest
    averages = list(csv.DictReader(io.StringIO(texts["averages.csv"], newline="")))
    assert {row["channel"] for row in averages} >= {"power", "velocity"}


def test_a_pack_holds_nothing_private(run: Daq, path: Path) -> None:
    everything = "\n".join(published(run, path).values())
    private = ["48213", "A50285BI", "/dev/", str(path.parent), "Bert", "shelf 4"]
    private += [name for name in [platform.node()] if len(name) > 4]
    for each in private:
        assert each not in everything
    # How the trial ended is no private matter.
    assert "unfinished" in everything


def test_a_pack_keeps_what_was_asked_for(run: Daq, path: Path) -> None:
    texts = published(run, path, "--keep", "notes,serials")
    for name in ("report.html", "averages.csv"):
        assert "48213-07" in texts[name]
    assert "Bert tripped over it" in texts["report.html"]
    assert "shelf 4" in texts["report.html"]
    assert "/dev/" not in texts["report.html"]
    assert "Left out: paths, host." in texts["README.txt"]


def test_the_same_session_gives_the_same_pack(run: Daq, path: Path) -> None:
    store = store_session(path)
    packs = [path.with_name(name) for name in ("a.zip", "b.zip")]
    for pack in packs:
        assert run("report", store, "--publish", pack).code == 0
    assert packs[0].read_bytes() == packs[1].read_bytes()


def test_page_and_pack_can_be_made_at_once(run: Daq, path: Path) -> None:
    page, pack = path.with_name("r.html"), path.with_name("r.zip")
    ended = run("report", store_session(path), "-o", page, "--publish", pack)
    assert ended.code == 0
    assert page.exists()
    assert pack.exists()


def test_without_the_drawing_library_it_says_what_to_install(
    run: Daq, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    file = path.with_name("report.html")
    ended = run("report", store_session(path), "-o", file)
    assert ended.code == 2
    assert ended.says_only("pip install matplotlib")
    assert not file.exists()
