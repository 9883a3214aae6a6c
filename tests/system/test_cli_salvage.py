"""`daq salvage`: what can be read of a damaged file goes to a new one that every command opens."""

import asyncio
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.runtime.damaged_stores import (
    PAGE_BYTES,
    all_rows,
    kept_store,
    overwrite,
    pages_of,
    spoil_page,
    write_store,
)
from tests.runtime.stored_bench import ask
from tests.system.command_line import Daq


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "bench.db"
    asyncio.run(write_store(path, trials=4, polls=200))
    return path


def test_a_sound_file_comes_over_whole(run: Daq, store: Path) -> None:
    ended = run("salvage", store)
    assert (ended.code, ended.err) == (0, "")
    assert ended.out.splitlines()[-1].startswith("Nothing is lost.")
    assert all_rows(store.with_name("bench-salvaged.db")) == all_rows(store)


def test_losses_are_told_by_table_and_number(run: Daq, store: Path) -> None:
    before = all_rows(store)["readings_gauge"]
    spoil_page(store, pages_of(store, "readings_gauge")[0])
    damaged = store.read_bytes()
    ended = run("salvage", store, store.with_name("new.db"))
    assert (ended.code, ended.err) == (1, "")
    kept = all_rows(store.with_name("new.db"))["readings_gauge"]
    (line,) = [each for each in ended.out.splitlines() if "readings_gauge" in each]
    assert (
        f"{len(kept)} rows; rows may be missing between the numbers (all meters are counted together) 1 to "
        in line
    )
    # Readings of two meters are numbered together and in turns.
    assert int(line.split(" to ")[1]) in {min(kept) - 1, min(kept) - 2}
    assert 0 < len(kept) < len(before)
    assert "trials of which something is lost, as their notes say: 1" in ended.out
    assert store.read_bytes() == damaged


def test_of_tables_that_are_no_readings_it_is_not_said_that_meters_are_counted_together(
    run: Daq, store: Path
) -> None:
    spoil_page(store, pages_of(store, "events")[0])
    ended = run("salvage", store, store.with_name("new.db"))
    (line,) = [x for x in ended.out.splitlines() if x.strip().startswith("events ")]
    assert "rows may be missing between the numbers " in line
    assert "meters" not in line


def test_programs_are_told_in_json(run: Daq, store: Path) -> None:
    spoil_page(store, pages_of(store, "readings_gauge")[0])
    ended = run("salvage", store, "--json")
    assert ended.code == 1
    facts = json.loads(ended.out)
    assert (facts["whole"], facts["marked_trials"], facts["remarks"]) == (
        False,
        [1],
        [],
    )
    (gauge,) = [t for t in facts["tables"] if t["table"] == "readings_gauge"]
    assert gauge["lost"][0]["first"] == 1
    assert gauge["refused"] == 0
    assert facts["file"] == str(store.with_name("bench-salvaged.db"))


def test_readings_that_cannot_be_believed_are_counted_in_plain_words(
    run: Daq, store: Path
) -> None:
    with closing(sqlite3.connect(store)) as connection, connection:
        connection.execute("UPDATE readings_meter SET power_w = 1e40 WHERE seq = 601")
    ended = run("salvage", store, store.with_name("new.db"))
    assert ended.code == 1
    (line,) = [each for each in ended.out.splitlines() if "readings_meter" in each]
    assert "799 rows; 1 cannot be believed" in line
    assert "in the table doubtful_readings" in line
    assert "trials of which something is lost, as their notes say: 2" in ended.out
    facts = json.loads(run("salvage", store, "--json").out)
    doubtful = {table["table"]: table["doubtful"] for table in facts["tables"]}
    assert (doubtful["readings_meter"], doubtful["readings_gauge"]) == (1, 0)
    exported = run(
        "export",
        store.with_name("new.db"),
        "--table",
        "readings",
        "--instrument",
        "meter",
    )
    assert exported.code == 0
    assert "1e+40" not in exported.out


@pytest.mark.slow
def test_every_command_opens_what_was_salvaged(run: Daq, store: Path) -> None:
    for table in ("sessions", "readings_meter", "channels"):
        spoil_page(store, pages_of(store, table)[0])
    assert run("salvage", store).code == 1
    new = store.with_name("bench-salvaged.db")
    for words in (
        ("export", new),
        ("export", new, "--table", "readings", "--format", "json"),
        ("export", new, "--table", "sessions"),
        ("budget", new),
        ("backup", new, store.with_name("copy.db")),
        ("salvage", new),
    ):
        ended = run(*words)
        assert ended.code in {0, 1}, (words, ended)
        assert "our own fault" not in ended.err


def test_where_nothing_can_be_read_the_code_is_4_and_no_file_is_made(
    run: Daq, store: Path
) -> None:
    overwrite(store, 100, bytes(store.stat().st_size - 100))
    ended = run("salvage", store)
    assert ended.code == 4
    assert ended.says_only("bench.db: nothing of it can be read")
    assert [file.name for file in store.parent.iterdir()] == ["bench.db"]


def test_commands_on_a_damaged_file_name_the_remedy(run: Daq, store: Path) -> None:
    overwrite(store, PAGE_BYTES, bytes(store.stat().st_size - PAGE_BYTES))
    ended = run("export", store)
    assert ended.code == 4
    assert ended.says_only("bench.db: it is damaged", f"`daq salvage {store}`")


def test_pages_that_were_lost_side_by_side_are_one_range(run: Daq, store: Path) -> None:
    for page in pages_of(store, "readings_gauge")[:2]:
        spoil_page(store, page)
    out = run("salvage", store).out
    (line,) = [each for each in out.splitlines() if "readings_gauge" in each]
    assert line.count(" to ") == 1
    assert re.search(r"^  \w+ +1 row$", out, re.MULTILINE), out


def test_a_folder_is_no_results_file(run: Daq) -> None:
    ended = run("salvage", ".")
    assert ended.code == 2
    assert ended.says_only(".: no such file")


def test_a_file_that_is_not_there_is_bad_input(run: Daq, tmp_path: Path) -> None:
    ended = run("salvage", tmp_path / "absent.db")
    assert ended.code == 2
    assert ended.says_only("absent.db: no such file, check the name")


@pytest.mark.parametrize("store_format", [1, 2, 3])
def test_files_of_every_released_format_come_over_whole(
    run: Daq, tmp_path: Path, store_format: int
) -> None:
    kept, new = kept_store(tmp_path, store_format), tmp_path / "new.db"
    ended = run("salvage", kept, new)
    assert (ended.code, ended.err) == (0, "")
    assert all_rows(new) == all_rows(kept)
    assert ask(new, "PRAGMA user_version") == [(store_format,)]


@pytest.mark.slow
def test_what_rests_on_averages_is_compared_the_same_where_only_readings_were_lost(
    run: Daq, tmp_path: Path
) -> None:
    kept, new = kept_store(tmp_path, 3), tmp_path / "new.db"
    before = compared_power(run, kept)
    spoil_page(kept, pages_of(kept, "readings_power_analyser")[1])
    assert run("salvage", kept, new).code == 1
    assert compared_power(run, new) == before


def compared_power(run: Daq, store: Path) -> list[object]:
    lines = json.loads(run("compare", store, "--json").out)["comparison"]
    found = [line for line in lines if line["quantity"] == "power"]
    assert len(found) == 4
    return found
