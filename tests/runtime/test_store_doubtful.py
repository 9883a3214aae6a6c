"""Readings of a damaged file that can be read and cannot be believed: put aside and told, and nothing else is."""

import json
import sqlite3
import struct
from contextlib import closing
from pathlib import Path

import pytest

from daq.records import Reading
from daq.runtime.store import read_trials
from daq.runtime.store.salvaged import DOUBTFUL, SalvageReport, salvage_store
from tests.runtime.damaged_stores import (
    BENCH,
    all_rows,
    root_page_of,
    spoil_page,
)
from tests.runtime.stored_bench import add_clock, ask, opened

ROW = 401
"""A reading of the meter in the middle of the second trial: numbers are odd for it, even for the gauge."""


def change(path: Path, column: str, value: object, *, seq: int = ROW) -> None:
    """As bytes written over a number within its row would."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            f"UPDATE readings_meter SET {column} = ? WHERE seq = ?",  # noqa: S608 - names below
            (value, seq),
        )


def salvaged(path: Path) -> tuple[Path, SalvageReport]:
    new = path.with_name("new.db")
    return new, salvage_store(path, new)


def doubtful_of(report: SalvageReport) -> int:
    return sum(table.doubtful for table in report.tables)


@pytest.mark.parametrize(
    ("column", "value", "why"),
    [
        ("at_s", 9.1e-120, "its time"),
        ("at_s", 1.0e200, "its time"),
        ("at_s", 150.0, "its time"),
        ("at_s", 5000.0, "its time"),
        ("at_s", -273.0, "its time"),
        ("clock_id", 77, "its clock"),
        ("trial_id", 5, "its trial"),
        ("power_w", 3.7e-300, "beyond what any meter shows"),
        ("power_w", -8.2e55, "beyond what any meter shows"),
        ("power_w", 354_048.0, "like no other"),
        ("power_w", -1383.0, "like no other"),
        ("supply_v", 2.0e11, "like no other"),
    ],
)
def test_what_is_absurd_is_put_aside_and_told_and_the_trial_says_so(
    path: Path, sound: Path, column: str, value: object, why: str
) -> None:
    change(path, column, value)
    spoilt = all_rows(path)["readings_meter"][ROW]
    new, report = salvaged(path)
    assert not report.is_whole
    assert [t.name for t in report.tables if t.doubtful] == ["readings_meter"]
    found = all_rows(new)
    truth = all_rows(sound)["readings_meter"]
    assert found["readings_meter"] == {n: r for n, r in truth.items() if n != ROW}
    ((table, seq, reason, row),) = ask(
        new,
        f"SELECT table_name, seq, why, row_json FROM {DOUBTFUL}",  # noqa: S608 - a constant
    )
    assert (table, seq) == ("readings_meter", ROW)
    assert why in str(reason)
    kept = json.loads(str(row))
    assert kept["seq"] == ROW
    assert tuple(kept.values()) == spoilt
    assert report.marked_trials == (2,)
    notes = {trial.trial: trial.note for trial in read_trials(new, 1)}
    assert "some of its readings are lost" in notes[2]


def test_bytes_that_are_no_number_are_put_aside(path: Path, sound: Path) -> None:
    value = all_rows(sound)["readings_meter"][ROW][-1]
    at = path.read_bytes().find(struct.pack(">d", value))
    with path.open("r+b") as file:
        file.seek(at)
        file.write(struct.pack(">d", float("inf")))
    new, report = salvaged(path)
    assert doubtful_of(report) == 1
    assert ROW not in all_rows(new)["readings_meter"]
    assert ask(new, f"SELECT seq FROM {DOUBTFUL}") == [(ROW,)]  # noqa: S608 - a constant


def test_what_was_put_aside_comes_over_again(path: Path) -> None:
    change(path, "power_w", 1e300)
    first, _ = salvaged(path)
    change(first, "power_w", 1e300, seq=ROW + 2)
    second = path.with_name("second.db")
    assert doubtful_of(salvage_store(first, second)) == 1
    kept = f"SELECT seq FROM {DOUBTFUL} ORDER BY id"  # noqa: S608 - a constant
    assert ask(second, kept) == [(ROW,), (ROW + 2,)]


async def test_rare_readings_that_stand_in_order_are_believed(path: Path) -> None:
    async with opened(path, BENCH) as store:
        # A machine that idles at 0.2 W for long, is measured at rest, and is started once; the clock begins anew.
        clock = await add_clock(store)
        powers = [0.2] * 3000 + [0.0, 2900.0, 1383.0, 1383.0, 1383.0] + [0.2] * 50
        for number, power in enumerate(powers):
            at_s = 3.0 + number + (4.0 if number == 7 else 0.0)  # late by a few seconds
            reading = Reading("meter", at_s, (229.0, power))
            store.add_reading(reading, clock_id=clock, trial_id=None)
        # It was just switched on when the program was killed.
        for at_s in (3100.0, 90_000.0):
            reading = Reading("meter", at_s, (229.0, 5000.0))
            store.add_reading(reading, clock_id=clock, trial_id=None)
    new, report = salvaged(path)
    assert report.is_whole
    assert all_rows(new) == all_rows(path)
    assert not ask(new, "SELECT 1 FROM sqlite_master WHERE name = 'doubtful_readings'")


def test_a_clock_that_was_lost_costs_no_readings(path: Path) -> None:
    spoil_page(path, root_page_of(path, "clocks"))
    _, report = salvaged(path)
    assert doubtful_of(report) == 0
