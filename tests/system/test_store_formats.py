"""Results files as released versions wrote them: a session of four filters on simulated meters, and what was printed then.

Beside each file of a format lies what the version that wrote it printed of it. The same figures must come out for ever.
"""

import json
import sqlite3
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from daq.runtime.store.schema import FORMAT
from daq.settling import RULE
from tests.runtime.damaged_stores import KEPT, kept_store
from tests.system.command_line import Daq

FORMATS = [1, 2, 3]
JUDGED_BY_RULE = {1: "911ee17efe61dc4e"}
"""Levels and uncertainties of the kept session of format 3, judged by the rule of each number: windows of several channels, whole averages."""
COMPARED = [2, 3]
"""Formats whose version could compare."""


def printed(name: str) -> Any:
    return json.loads((KEPT / name).read_text(encoding="utf-8"))


def common(now: Any, then: Any) -> Any:
    """What is said now, without what was not said then."""
    if isinstance(then, dict):
        return {key: common(now[key], then[key]) for key in then}
    if isinstance(then, list):
        assert len(now) == len(then)
        return [common(*pair) for pair in zip(now, then, strict=True)]
    return now


@pytest.mark.parametrize("number", FORMATS)
def test_averages_of_every_released_format_are_exported_as_they_were_then(
    run: Daq, tmp_path: Path, number: int
) -> None:
    ended = run("export", str(kept_store(tmp_path, number)), "--format", "json")
    assert (ended.code, ended.err) == (0, "")
    then = printed(f"format_{number}.averages.json")
    assert len(then["averages"]) == 20
    assert common(json.loads(ended.out), then) == then


def marks(path: Path) -> tuple[object, list[tuple[str]]]:
    """Number of a file's format, and what the database says of its pages and rows."""
    with closing(sqlite3.connect(path)) as store:
        (number,) = store.execute("PRAGMA user_version").fetchone()
        return number, store.execute("PRAGMA integrity_check").fetchall()


@pytest.mark.slow
@pytest.mark.parametrize("number", FORMATS)
def test_a_store_of_every_released_format_is_written_on_and_keeps_its_averages(
    run: Daq, tmp_path: Path, number: int
) -> None:
    def exported(path: Path, *words: str) -> Any:
        ended = run("export", path, "--format", "json", *words)
        assert (ended.code, ended.err) == (0, "")
        return json.loads(ended.out)

    store, copies = kept_store(tmp_path, number), [tmp_path / "1.db", tmp_path / "2.db"]
    before = exported(store)
    assert run("backup", store, copies[0]).code == 0
    # A copy is what was there; what a later version of the rule makes of the readings need not be the same.
    assert marks(copies[0]) == (number, [("ok",)])
    ended = run("reanalyse", store, "--json")
    assert (ended.code in {0, 1}, ended.err) == (True, "")
    assert run("backup", store, copies[1]).code == 0
    for path in (store, copies[1]):
        assert marks(path) == (FORMAT, [("ok",)])
    for path in (store, *copies):
        assert exported(path) == before
    assert exported(copies[1], "--analysis", "1")["averages"]


@pytest.mark.slow
@pytest.mark.parametrize("number", COMPARED)
def test_a_session_of_every_released_format_is_compared_as_it_was_then(
    run: Daq, tmp_path: Path, number: int
) -> None:
    ended = run("compare", str(kept_store(tmp_path, number)), "--json")
    assert ended.err == ""
    then = printed(f"format_{number}.compare.json")
    assert then["comparison"]
    assert common(json.loads(ended.out), then) == then


@pytest.mark.slow
def test_a_session_of_the_format_that_could_not_be_compared_then_is_reported_now(
    run: Daq, tmp_path: Path
) -> None:
    page = tmp_path / "report.html"
    ended = run("report", str(kept_store(tmp_path, 1)), "-o", str(page))
    assert (ended.code, ended.err) == (0, "")
    text = page.read_text(encoding="utf-8")
    averages = printed("format_1.averages.json")["averages"]
    powers = [a["mean"] for a in averages if a["channel"] == "power"]
    assert len(powers) == 4
    for mean in powers:
        assert f"{mean:.2f}" in text


@pytest.mark.slow
def test_whole_trials_come_to_what_the_rule_of_this_number_came_to(
    run: Daq, tmp_path: Path
) -> None:
    store = kept_store(tmp_path, 3)
    run("reanalyse", store)
    ended = run("export", store, "--format", "json", "--analysis", "1")
    told = [
        f"{a['trial']} {a['channel']} {a['mean']:.6g} {a['expanded_uncertainty']:.6g}"
        for a in json.loads(ended.out)["averages"]
    ]
    assert len(told) == 20
    assert sha256("\n".join(told).encode()).hexdigest()[:16] == JUDGED_BY_RULE[RULE]
