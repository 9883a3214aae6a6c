"""What is written of a damaged results file to a new one: all that can be read, nothing that was not there, all losses told."""

import random
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from daq.errors import (
    InputError,
    StoreBusyError,
    StoreError,
    StoreForeignError,
    StoreTooNewError,
)
from daq.runtime.store import (
    read_budgets,
    read_readings,
    read_sessions,
    read_trial_averages,
    read_trials,
)
from daq.runtime.store.salvaged import SalvageReport, salvage_store
from tests.runtime.damaged_stores import (
    BENCH,
    PAGE_BYTES,
    all_rows,
    list_pages_of,
    overwrite,
    pages_of,
    root_page_of,
    spoil_page,
)
from tests.runtime.stored_bench import add_clock, ask, begin_session, opened


def salvaged(path: Path) -> tuple[Path, SalvageReport]:
    new = path.with_name("new.db")
    return new, salvage_store(path, new)


def lost_of(report: SalvageReport, table: str) -> tuple[tuple[int, int | None], ...]:
    return next(t.lost for t in report.tables if t.name == table)


def read_everything(path: Path) -> None:
    """Whatever every command asks of a file."""
    for session in read_sessions(path):
        read_trials(path, session.session)
        read_trial_averages(path, session.session)
        read_budgets(path, session=session.session)
    for readings in read_readings(path):
        list(readings.rows)


def test_of_a_sound_file_all_comes_over(path: Path) -> None:
    before = path.read_bytes()
    new, report = salvaged(path)
    assert report.is_whole
    assert report.marked_trials == ()
    assert all_rows(new) == all_rows(path)
    schema = "SELECT type, name, sql FROM sqlite_master ORDER BY 1, 2"
    assert ask(new, schema) == ask(path, schema)
    assert path.read_bytes() == before


async def test_what_stands_in_the_log_only_comes_over(path: Path) -> None:
    async with opened(path, BENCH) as store:
        await begin_session(store)
        await store.flush()
        files = {f.name: f.read_bytes() for f in path.parent.iterdir()}
        expected = all_rows(path)
    assert "bench.db-wal" in files
    for name, content in files.items():
        path.with_name(name).write_bytes(content)
    path.with_name("bench.db-shm").unlink()
    new, report = salvaged(path)
    assert report.is_whole
    assert all_rows(new) == expected


def test_a_spoilt_page_of_readings_costs_its_own_rows_and_says_which(
    path: Path, sound: Path
) -> None:
    truth = all_rows(sound)["readings_meter"]
    pages = pages_of(path, "readings_meter")
    spoil_page(path, pages[1])
    new, report = salvaged(path)
    kept = all_rows(new)["readings_meter"]
    ((first, last),) = lost_of(report, "readings_meter")
    assert last is not None
    assert {n: row for n, row in truth.items() if not first <= n <= last} == kept
    assert 0 < len(truth) - len(kept) <= PAGE_BYTES // 25
    others = [t for t in report.tables if t.name != "readings_meter"]
    assert not any(t.lost or t.refused for t in others)


def test_trials_that_lost_readings_say_so_and_others_do_not(path: Path) -> None:
    last = pages_of(path, "readings_gauge")[-1]
    spoil_page(path, last)
    new, report = salvaged(path)
    assert 6 in report.marked_trials
    assert 1 not in report.marked_trials
    notes = {trial.trial: trial.note for trial in read_trials(new, 2)}
    assert "some of its readings are lost: the results file was damaged" in notes[6]
    (unmarked,) = [t.note for t in read_trials(new, 1) if t.trial == 1]
    assert unmarked == ""


def test_where_the_page_that_leads_to_the_others_is_spoilt_all_rows_are_found(
    path: Path, sound: Path
) -> None:
    spoil_page(path, root_page_of(path, "readings_meter"))
    new, report = salvaged(path)
    assert all_rows(new)["readings_meter"] == all_rows(sound)["readings_meter"]
    assert all_rows(new)["readings_gauge"] == all_rows(sound)["readings_gauge"]
    # Whether there was more behind the last of them cannot be known.
    assert not report.is_whole
    assert [last for _, last in lost_of(report, "readings_meter")] == [None]


def test_of_lost_averages_their_trials_tell_and_are_finished_no_longer(
    path: Path,
) -> None:
    for page in pages_of(path, "averages"):
        spoil_page(path, page)
    new, report = salvaged(path)
    assert report.marked_trials == (1, 2, 3, 4, 5, 6)
    assert {trial.state for trial in read_trials(new, 1)} == {"unfinished"}
    read_everything(new)


def test_a_session_whose_plan_is_spoilt_keeps_its_trials_and_says_what_is_lost(
    path: Path,
) -> None:
    for page in pages_of(path, "sessions"):
        spoil_page(path, page)
    new, report = salvaged(path)
    assert any(
        r.startswith("session 1 is lost but for its trials") for r in report.remarks
    )
    assert [s.trials for s in read_sessions(new)] == [3, 3]
    assert {s.state for s in read_sessions(new)} == {"abandoned"}
    assert len(read_trial_averages(new, 1)) == 6
    read_everything(new)


def test_readings_of_a_lost_trial_are_kept_without_and_its_averages_are_not(
    path: Path,
) -> None:
    for page in pages_of(path, "trials"):
        spoil_page(path, page)
    new, report = salvaged(path)
    assert (
        "900 rows of readings_meter were of trials that are lost, and are kept without"
        in report.remarks
    )
    assert ask(new, "SELECT count(*), count(trial_id) FROM readings_meter") == [
        (900, 0)
    ]
    assert ask(new, "SELECT count(*) FROM averages") == [(0,)]
    read_everything(new)


def test_a_lost_clock_is_dated_from_1970_and_that_is_told(path: Path) -> None:
    spoil_page(path, root_page_of(path, "clocks"))
    new, report = salvaged(path)
    assert (
        "clock 1 is lost: what was read by it is dated from 1970-01-01"
        in report.remarks
    )
    read_everything(new)


@pytest.mark.parametrize("place", [None, 0, 1, 2])
def test_a_spoilt_head_or_list_of_tables_is_made_anew(
    path: Path, sound: Path, place: int | None
) -> None:
    spoil_page(path, 1 if place is None else list_pages_of(path)[place])
    new, report = salvaged(path)
    assert any("head or the list of tables is damaged" in r for r in report.remarks)
    truth, found = all_rows(sound), all_rows(new)
    for table in ("sessions", "averages", "readings_meter", "readings_gauge"):
        assert found[table] == truth[table]
    assert found["trials"].keys() == truth["trials"].keys()
    assert ask(new, "PRAGMA user_version") == [(3,)]
    assert ask(new, "SELECT count(*) FROM readings_meter_utc") == [(900,)]
    read_everything(new)


def test_a_file_cut_short_keeps_what_is_left(path: Path, sound: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])
    new, report = salvaged(path)
    assert not report.is_whole
    kept, truth = all_rows(new)["readings_meter"], all_rows(sound)["readings_meter"]
    assert 0 < len(kept) < len(truth)
    assert kept.items() <= truth.items()
    read_everything(new)


async def test_a_salvaged_file_is_written_on(path: Path) -> None:
    spoil_page(path, pages_of(path, "readings_meter")[0])
    spoil_page(path, root_page_of(path, "spans"))
    new, _ = salvaged(path)
    readings = ask(new, "SELECT count(*) FROM readings_gauge")
    async with opened(new, BENCH) as store:
        # Later by years: what belongs to sessions is not thinned all the same.
        await store.add_clock("later", monotonic_s=0.0, utc_us=2**51, speed=1.0)
        assert await store.thin(older_than_s=0.0, every_s=1e9) == 0
        assert await store.outbox_next() is not None
        assert await begin_session(store) == 3
        assert store.next_reading == 1801
    assert ask(new, "SELECT count(*) FROM readings_gauge") == readings


def test_nothing_is_written_where_nothing_can_be_read(path: Path) -> None:
    noise = random.Random(2).randbytes(path.stat().st_size - 200)  # noqa: S311 - no secret
    overwrite(path, 200, noise)
    with pytest.raises(StoreError, match=r"bench\.db: nothing of it can be read"):
        salvaged(path)
    assert [file.name for file in path.parent.iterdir()] == ["bench.db"]


async def test_a_file_that_is_being_written_is_left_alone(path: Path) -> None:
    async with opened(path, BENCH) as store:
        await add_clock(store)
        with pytest.raises(StoreBusyError, match=r"`daq backup .*bench\.db FILE`"):
            salvaged(path)


def of_another_program(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE birds (name TEXT)")


def no_database(path: Path) -> None:
    path.write_text("utc,power_w\n" * 1000)


def of_a_newer_version(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 9")
        connection.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('steadybench', 'format_9', '')"
        )
        connection.commit()


@pytest.mark.parametrize(
    ("make", "refusal"),
    [
        (of_another_program, StoreForeignError),
        (no_database, StoreForeignError),
        (of_a_newer_version, StoreTooNewError),
    ],
)
def test_a_file_that_is_not_ours_or_too_new_is_refused(
    path: Path, make: Callable[[Path], None], refusal: type[StoreError]
) -> None:
    make(path)
    with pytest.raises(refusal):
        salvaged(path)
    assert not path.with_name("new.db").exists()


def test_a_file_that_is_there_is_not_written_over(path: Path) -> None:
    new = path.with_name("new.db")
    new.write_text("mine")
    with pytest.raises(InputError, match=r"new\.db: it is there already"):
        salvage_store(path, new)
    assert new.read_text() == "mine"


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_wherever_a_file_is_spoilt_losses_are_told_and_what_comes_over_can_be_used(
    path: Path, sound: Path, seed: int
) -> None:
    rng = random.Random(seed)  # noqa: S311 - no secret
    truth, size = all_rows(sound), path.stat().st_size
    for _ in range(rng.randint(1, 4)):
        length = rng.choice([100, 1000, 5000])
        overwrite(path, rng.randrange(size - length), rng.randbytes(length))
    new, report = salvaged(path)
    found = all_rows(new)
    for table, rows in truth.items():
        if rows.keys() - found[table].keys():
            assert not report.is_whole
    for table in ("readings_meter", "readings_gauge"):
        assert found[table].keys() <= truth[table].keys()
    assert ask(new, "PRAGMA integrity_check") == [("ok",)]
    assert ask(new, "PRAGMA foreign_key_check") == []
    read_everything(new)
