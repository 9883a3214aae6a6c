"""Logs of more columns than a reading has flags for."""

import json
from pathlib import Path

import pytest

from daq.errors import InputError
from tests.system.recorded_bench import record_session
from tests.system.test_cli_import import said, save_log, settled_in_uneven_time

WIDE = 63


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return record_session(tmp_path / "store.db", settled_in_uneven_time)


def widened(text: str) -> str:
    """A log with more columns, all of them out of range once."""
    header, first, *rows = text.split("\n")
    more = range(WIDE)
    lines = [
        ",".join([header, *(f"C{n}" for n in more)]),
        ",".join([first, *("OL" for _ in more)]),
    ]
    lines += [",".join([row, *(f"{n}.5" for n in more)]) for row in rows]
    return "\n".join(lines)


def test_more_columns_than_a_meter_may_have_are_refused_before_anything_is_written(
    store: Path,
) -> None:
    log = save_log(store, store.with_name("wide.csv"), lines=widened)
    columns = [f"--column=C{n}=c{n}:V:supply end" for n in range(WIDE)]
    before = store.read_bytes()
    with pytest.raises(
        InputError,
        match=r"wide\.csv: 63 columns of it are wanted, expected at most 62 a meter.*twice.*--meter",
    ):
        said(store, log, *columns, "--edges", "Current")
    assert store.read_bytes() == before


@pytest.mark.slow
def test_they_are_taken_as_columns_of_two_meters(store: Path) -> None:
    log = save_log(store, store.with_name("wide.csv"), lines=widened)
    columns = [f"--column={1 + n % 2}/C{n}=c{n}:V:supply end" for n in range(WIDE)]
    meters = ("--meter", "even", "--meter", "odd")
    edges = ("--edges", "1/Current", "--edges", "2/Current")
    words = (*columns, *meters, *edges, "--skip-bad-lines", "--json")
    code, text = said(store, log, log, *words)
    assert code == 0
    facts = json.loads(text)
    (trial, *_) = facts["reanalysis"]["trials"]
    names = {average["channel"] for average in trial["after"]["averages"]}
    assert {f"c{n}" for n in range(WIDE)} <= names
