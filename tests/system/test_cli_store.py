"""The command line and the store: files that are not ours, and what is exported."""

import asyncio
import csv
import io
import json
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path

import pytest

from daq.errors import StoreError
from daq.records import (
    Accuracy,
    Channel,
    PlannedTrial,
    Reading,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
)
from daq.runtime.store import Store
from tests.system.command_line import Daq, Ended

NEWER = 7


def newer_store(path: Path) -> None:
    asyncio.run(empty_store(path))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {NEWER}")


def another_programs(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE birds (name TEXT)")


def no_database(path: Path) -> None:
    path.write_text("Dear diary,\n", encoding="utf-8")


async def empty_store(path: Path) -> None:
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments={}, on_trouble=lambda _: None, loop=loop)
    await store.close()


def volts(name: str, instrument: str) -> Channel:
    return Channel(
        *(name, name, "voltage", "V", "supply end", instrument, 0),
        accuracy=Accuracy(),
        interval_s=1.0,
    )


async def filled_store(path: Path) -> None:
    """One session of one trial, with two readings of each of two meters."""
    channels = {"one": (volts("first", "one"),), "two": (volts("second", "two"),)}
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=channels, on_trouble=lambda _: None, loop=loop)
    clock_id = await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    facts = SessionFacts("s", 0, "bench", "plan", "Blower", "1970-01-01", 1.0, "test")
    line = PlannedTrial(1, "short lead", 1, baseline=True)
    number = await store.begin_session(
        facts, plan_digest="", plan_text="", bench_text="", seed=1, order=[line]
    )
    trial = store.begin_trial(
        number, line, attempt=1, uuid="t", clock_id=clock_id, started_s=10.0
    )
    for at_s in (11.0, 12.0):
        for name in channels:
            reading = Reading(name, at_s, (230.0 + at_s,))
            store.add_reading(reading, clock_id=clock_id, trial_id=trial)
    average = TrialAverage(
        channel="first",
        unit="V",
        required=True,
        mean=241.5,
        plain_mean=241.5,
        std_uncertainty_type_a=0.1,
        degrees_of_freedom_a=30.0,
        std_uncertainty_type_b=0.2,
        std_uncertainty=0.25,
        degrees_of_freedom=60.0,
        coverage_factor=2.0,
        expanded_uncertainty=0.5,
        count=2,
        effective_count=2.0,
        window=Window(11.0, 12.0),
    )
    result = TrialResult("t", line, 1, TrialState.FINISHED, 10.0, 13.0, (average,))
    await store.end_trial(trial, result, rule_json="{}", outbox=None)
    await store.close()


async def second_session(path: Path) -> None:
    """A session without a trial, and a reading taken before its first one."""
    channels = {"one": (volts("first", "one"),), "two": (volts("second", "two"),)}
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=channels, on_trouble=lambda _: None, loop=loop)
    clock_id = await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    facts = SessionFacts("t", 0, "bench", "plan", "Blower", "1970-01-02", 1.0, "test")
    line = PlannedTrial(1, "short lead", 1, baseline=True)
    await store.begin_session(
        facts, plan_digest="", plan_text="", bench_text="", seed=1, order=[line]
    )
    reading = Reading("one", 20.0, (230.0,))
    store.add_reading(reading, clock_id=clock_id, trial_id=None)
    await store.close()


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (newer_store, f"store format {NEWER}, this version reads up to "),
        (another_programs, "a database of another program: name another file"),
        (no_database, "not a results file (no SQLite header): name another file"),
    ],
)
def test_a_store_that_is_not_ours_to_use_ends_with_4_and_stays_as_it_is(
    run: Daq, folder: Path, make: Callable[[Path], None], told: str
) -> None:
    store = folder / "bench.db"
    make(store)
    before = store.read_bytes()
    exported = run("export", store)
    assert (exported.code, exported.out) == (4, "")
    assert exported.says_only(f"{store}: {told}")
    ran = run("run", folder / "bench.toml", folder / "plan.toml")
    assert ran.code == 4
    assert ran.says_only(f"{store}: {told}")
    assert store.read_bytes() == before


def test_a_store_in_a_folder_that_is_not_there_ends_with_4(
    run: Daq, folder: Path
) -> None:
    store = folder / "absent" / "bench.db"
    told = run("run", folder / "bench.toml", folder / "plan.toml", "--store", store)
    assert told.code == 4
    assert told.says_only(f"{store}: no directory {folder / 'absent'}")


def test_exporting_from_no_store_ends_with_4(run: Daq, folder: Path) -> None:
    told = run("export", folder / "bench.db")
    assert (told.code, told.out) == (4, "")
    assert told.says_only("bench.db: no results file there")
    assert not (folder / "bench.db").exists()


@pytest.mark.parametrize("table", ["averages", "wide"])
def test_an_empty_store_exports_its_columns_and_no_row(
    run: Daq, folder: Path, table: str
) -> None:
    asyncio.run(empty_store(folder / "bench.db"))
    told = run("export", folder / "bench.db", "--table", table)
    assert (told.code, told.err) == (0, "")
    (header,) = csv.reader(io.StringIO(told.out, newline=""))
    assert {"session", "condition", "state"} <= set(header)
    as_json = run("export", folder / "bench.db", "--table", table, "--format", "json")
    assert as_json.code == 0
    facts = json.loads(as_json.out)
    assert facts.pop("format") == 1
    assert list(facts.values()) == [[]]


def test_an_empty_store_has_no_readings(run: Daq, folder: Path) -> None:
    asyncio.run(empty_store(folder / "bench.db"))
    words = ("export", folder / "bench.db", "--table", "readings")
    assert run(*words) == Ended(0, "", "")
    assert json.loads(run(*words, "--format", "json").out)["instruments"] == []


def test_a_session_or_instrument_that_is_not_in_the_store_ends_with_2(
    run: Daq, folder: Path
) -> None:
    asyncio.run(empty_store(folder / "bench.db"))
    told = run("export", folder / "bench.db", "--session", "3")
    assert told.code == 2
    assert told.says_only("no session 3, it holds none")
    words = ("--table", "readings", "--instrument", "sundial")
    told = run("export", folder / "bench.db", *words)
    assert told.code == 2
    assert told.says_only("no instrument 'sundial', it holds none")


def rows_of(told: Ended) -> list[dict[str, str]]:
    assert (told.code, told.err) == (0, "")
    return list(csv.DictReader(io.StringIO(told.out, newline="")))


def test_averages_are_exported_with_their_uncertainty(run: Daq, folder: Path) -> None:
    asyncio.run(filled_store(folder / "bench.db"))
    (row,) = rows_of(run("export", folder / "bench.db"))
    assert (row["condition"], row["channel"], row["unit"]) == (
        "short lead",
        "first",
        "V",
    )
    assert (row["mean"], row["expanded_uncertainty"]) == ("241.5", "0.5")
    # Seconds since switch-on.
    assert (row["window_start_s"], row["window_end_s"]) == ("1.0", "2.0")
    as_json = run("export", folder / "bench.db", "--format", "json", "--session", "1")
    (average,) = json.loads(as_json.out)["averages"]
    assert average["mean"] == 241.5


def test_readings_of_one_meter_are_exported_as_a_table_and_of_all_as_json(
    run: Daq, folder: Path
) -> None:
    asyncio.run(filled_store(folder / "bench.db"))
    words = ("export", folder / "bench.db", "--table", "readings")
    rows = rows_of(run(*words, "--instrument", "two"))
    assert [row["second_v"] for row in rows] == ["241.0", "242.0"]
    assert [row["utc"] for row in rows] == [
        "1970-01-01T00:00:11.000Z",
        "1970-01-01T00:00:12.000Z",
    ]
    instruments = json.loads(run(*words, "--format", "json").out)["instruments"]
    assert len(instruments) == 2


def test_readings_of_several_meters_are_refused_as_csv_before_anything_is_written(
    run: Daq, folder: Path
) -> None:
    asyncio.run(filled_store(folder / "bench.db"))
    # Two meters have different columns, which one table cannot hold.
    words = ("export", folder / "bench.db", "--table", "readings")
    told = run(*words)
    assert (told.code, told.out) == (2, "")
    assert told.says_only(
        "bench.db: readings of one, two, each with columns of its own; name one with --instrument"
    )
    assert run(*words, "--output", folder / "readings.csv").code == 2
    assert not (folder / "readings.csv").exists()


def test_readings_are_those_of_all_sessions_unless_one_is_named(
    run: Daq, folder: Path
) -> None:
    store = folder / "bench.db"
    asyncio.run(filled_store(store))
    asyncio.run(second_session(store))
    words = ("export", store, "--table", "readings", "--instrument", "one")
    assert [row["at_s"] for row in rows_of(run(*words))] == ["11.0", "12.0", "20.0"]
    rows = rows_of(run(*words, "--session", "1"))
    assert [row["at_s"] for row in rows] == ["11.0", "12.0"]
    # Averages are those of the newest session that has any: one that was only begun hides nothing.
    assert {row["session"] for row in rows_of(run("export", store))} == {"1"}


def test_sessions_are_listed_with_their_numbers(run: Daq, folder: Path) -> None:
    store = folder / "bench.db"
    asyncio.run(filled_store(store))
    asyncio.run(second_session(store))
    words = ("export", store, "--table", "sessions")
    rows = rows_of(run(*words))
    assert [(r["session"], r["plan"], r["trials"], r["finished"]) for r in rows] == [
        ("1", "plan", "1", "1"),
        ("2", "plan", "0", "0"),
    ]
    facts = json.loads(run(*words, "--format", "json").out)
    assert facts["format"] == 1
    assert [s["session"] for s in facts["sessions"]] == [1, 2]
    assert facts["sessions"][1]["ended_utc"] is None
    told = run("export", store, "--session", rows[0]["session"], "--table", "wide")
    assert [row["condition"] for row in rows_of(told)] == ["short lead"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--instrument", "one"), "--instrument chooses among readings"),
        (("--instrument", "one", "--table", "wide"), "expected --table readings"),
        (("--table", "sessions", "--session", "1"), "expected it without --session"),
    ],
)
def test_an_option_that_does_not_go_with_the_table_is_refused(
    run: Daq, folder: Path, words: Sequence[str], told: str
) -> None:
    asyncio.run(filled_store(folder / "bench.db"))
    ended = run("export", folder / "bench.db", *words)
    assert (ended.code, ended.out) == (2, "")
    assert told in ended.err.splitlines()[-1]


def test_an_export_that_breaks_off_leaves_no_file(
    run: Daq, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks_off(_: object) -> Iterator[str]:
        yield "half of it"
        msg = "the disk was pulled out"
        raise StoreError(msg)

    asyncio.run(filled_store(folder / "bench.db"))
    monkeypatch.setattr("daq.cli.export.render_readings_json", breaks_off)
    before = set(folder.iterdir())
    words = ("--table", "readings", "--format", "json", "--output", folder / "r.json")
    told = run("export", folder / "bench.db", *words)
    assert told.code == 4
    assert told.says_only("the disk was pulled out")
    assert set(folder.iterdir()) == before


def test_an_export_never_overwrites_a_file(run: Daq, folder: Path) -> None:
    asyncio.run(empty_store(folder / "bench.db"))
    output = folder / "averages.csv"
    first = run("export", folder / "bench.db", "--output", output)
    assert first == Ended(0, "", "")
    before = output.read_bytes()
    assert before.startswith(b"session,")
    told = run("export", folder / "bench.db", "--output", output, "--table", "wide")
    assert told.code == 2
    assert told.says_only(f"{output}: it is there already, name another file")
    assert output.read_bytes() == before
    told = run("export", folder / "bench.db", "--output", folder / "no" / "such.csv")
    assert told.code == 2
    assert told.says_only("such.csv: cannot be written: ")
