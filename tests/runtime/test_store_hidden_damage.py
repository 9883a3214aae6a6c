"""Single bits of a results file that SQLite believes: in an index, the list of free pages, the log, the format's number, a view."""

import sqlite3
import struct
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from io import BytesIO
from pathlib import Path

import pytest

from daq.errors import StoreDamagedError, StoreTooNewError
from daq.runtime.store import (
    opening,
    read_budgets,
    read_readings,
    read_sessions,
    read_trial_averages,
    read_trials,
)
from daq.runtime.store.copying import copy_store
from daq.runtime.store.log import look_through_log, read_log
from daq.runtime.store.opening import altering_store
from daq.runtime.store.salvaged import SalvageReport, salvage_store
from daq.runtime.store.schema import FORMAT
from tests.runtime.damaged_stores import (
    BENCH,
    PAGE_BYTES,
    all_rows,
    kept_store,
    overwrite,
    pages_of,
    root_page_of,
    spoil_page,
)
from tests.runtime.stored_bench import ask, opened

FORMATS = [1, 2, 3]
NUMBER_AT = 60
"""Where the head of a file keeps the number of its format: SQLite, "Database File Format", section 1.3."""
FREE_AT = 32
"""Where it keeps the first page of the list of free pages, and how many they are."""


def flip(path: Path, at_byte: int, bit: int) -> None:
    """Spoil a single bit."""
    (value,) = path.read_bytes()[at_byte : at_byte + 1]
    overwrite(path, at_byte, bytes([value ^ bit]))


def flip_in_text(path: Path, text: bytes, place: int, bit: int) -> None:
    """Spoil a single bit of what stands once in a file, counted from where it begins."""
    data = path.read_bytes()
    assert data.count(text) == 1
    flip(path, data.index(text) + place, bit)


@contextmanager
def refused(path: Path, words: str = "it is damaged") -> Iterator[None]:
    """Expect a refusal with its remedy, and that neither file nor log is changed."""
    log = path.with_name(f"{path.name}-wal")
    before = [file.read_bytes() if file.exists() else b"" for file in (path, log)]
    with pytest.raises(StoreDamagedError, match=rf"{words}.*`daq salvage"):
        yield
    assert [
        file.read_bytes() if file.exists() else b"" for file in (path, log)
    ] == before


def expect_refused(path: Path, words: str = "it is damaged") -> None:
    """Expect that nobody reads, copies or writes the file."""
    with refused(path, words):
        read_sessions(path)
    with refused(path, words):
        copy_store(path, path.with_name("copy.db"))
    with refused(path, words), altering_store(path):
        pass


def salvaged(path: Path) -> tuple[Path, SalvageReport]:
    new = path.with_name("new.db")
    return new, salvage_store(path, new)


# ---- indexes


def spoil_index(path: Path, index: str, text: bytes) -> None:
    """One bit of a name, which is found by it then no longer."""
    start = (root_page_of(path, index) - 1) * PAGE_BYTES
    page = path.read_bytes()[start : start + PAGE_BYTES]
    flip(path, start + page.rindex(text), 0x01)


@pytest.mark.parametrize("is_long", [False, True])
def test_an_index_that_contradicts_its_table_is_damage_also_of_a_long_file(
    path: Path, monkeypatch: pytest.MonkeyPatch, *, is_long: bool
) -> None:
    spoil_index(path, "sqlite_autoindex_averages_1", b"power")
    if is_long:
        monkeypatch.setattr(opening, "LOOKED_THROUGH_READING_BYTES", 0)
    expect_refused(path)


def test_the_readings_of_a_long_file_are_looked_through_before_they_are_read(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "LOOKED_THROUGH_READING_BYTES", 0)
    spoil_page(path, root_page_of(path, "readings_meter_by_trial"))
    assert read_sessions(path)
    with refused(path):
        list(read_readings(path))


async def test_no_session_goes_on_into_a_file_with_a_spoilt_index(path: Path) -> None:
    spoil_index(path, "sqlite_autoindex_averages_1", b"power")
    with refused(path):
        async with opened(path, BENCH):
            pass


# ---- the list of free pages


@pytest.fixture
def thinned(path: Path) -> Path:
    """The file after most readings of a meter were deleted: their pages are free."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DELETE FROM readings_gauge WHERE seq > 200")
        connection.commit()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


def free_list(path: Path) -> tuple[int, list[int]]:
    """Where the numbers of the list begin in the file, and the numbers."""
    data = path.read_bytes()
    (trunk,) = struct.unpack_from(">I", data, FREE_AT)
    start = (trunk - 1) * PAGE_BYTES
    (count,) = struct.unpack_from(">I", data, start + 4)
    return start + 8, list(struct.unpack_from(f">{count}I", data, start + 8))


def naming_readings(path: Path) -> tuple[int, int]:
    """A bit that makes a number of the list that of a page of readings: its byte in the file, and the bit."""
    start, numbers = free_list(path)
    of_readings = set(pages_of(path, "readings_meter"))
    return next(
        (start + 4 * place + 3, 1 << bit)
        for place, number in enumerate(numbers)
        for bit in range(8)
        if number ^ 1 << bit in of_readings
    )


def test_a_file_with_free_pages_is_read_and_written(thinned: Path) -> None:
    assert free_list(thinned)[1]
    assert read_trials(thinned)
    with altering_store(thinned) as connection:
        connection.execute("DELETE FROM events")
    assert read_trials(thinned)


def test_a_free_page_that_holds_readings_is_damage(thinned: Path) -> None:
    flip(thinned, *naming_readings(thinned))
    expect_refused(thinned, "in use, and said to be free")


def test_every_bit_of_the_list_of_free_pages_is_held_against_what_is_in_use(
    thinned: Path,
) -> None:
    start, numbers = free_list(thinned)
    sound = thinned.read_bytes()
    in_head = [(at, bit) for at in range(FREE_AT, FREE_AT + 8) for bit in range(8)]
    in_list = [
        (at, bit) for at in range(start - 8, start + 4 * len(numbers)) for bit in (0, 3)
    ]
    for at, bit in (*in_head, *in_list):
        flip(thinned, at, 1 << bit)
        with refused(thinned, "free|page"), altering_store(thinned):
            pass
        thinned.write_bytes(sound)


def test_a_list_of_free_pages_without_end_is_refused_all_the_same(
    thinned: Path,
) -> None:
    (trunk,) = struct.unpack_from(">I", thinned.read_bytes(), FREE_AT)
    overwrite(thinned, (trunk - 1) * PAGE_BYTES, struct.pack(">I", trunk))
    expect_refused(thinned, "list of free pages is spoilt")


def test_of_a_page_that_the_list_calls_free_and_a_table_leads_to_all_rows_come_over(
    thinned: Path,
) -> None:
    truth = all_rows(thinned)["readings_meter"]
    flip(thinned, *naming_readings(thinned))
    new, report = salvaged(thinned)
    assert all_rows(new)["readings_meter"] == truth
    assert report.is_whole


# ---- the log


def leave_log(path: Path, *, commits: int, length: int = 1) -> Path:
    """The log of a program that was killed after so many commits."""
    log = path.with_name(f"{path.name}-wal")
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        for number in range(commits):
            connection.execute(
                "UPDATE sessions SET software = ?", (str(number) * length,)
            )
        kept = [file.read_bytes() for file in (path, log)]
    for file, content in zip((path, log), kept, strict=True):
        file.write_bytes(content)
    return log


def test_a_log_that_is_whole_is_read(path: Path) -> None:
    leave_log(path, commits=5)
    assert {session.software for session in read_sessions(path)} == {"4"}


@pytest.mark.parametrize("at_byte", [9, 32 + 24 + 100])
def test_a_log_that_has_lost_what_was_committed_is_refused_by_readers_and_copies_too(
    path: Path, at_byte: int
) -> None:
    flip(leave_log(path, commits=5), at_byte, 0x10)
    expect_refused(path, "its log has lost what was committed to it")


def test_a_log_whose_end_was_never_finished_is_read(path: Path) -> None:
    log = leave_log(path, commits=5)
    flip(log, log.stat().st_size - 10, 0x10)
    assert read_sessions(path)


@pytest.mark.parametrize("at_byte", [None, 0, 9, 17, 40, 200, 32 + 2 * 4120, -2000])
def test_a_log_that_is_looked_through_is_taken_as_one_that_is_read(
    path: Path, at_byte: int | None
) -> None:
    log = leave_log(path, commits=4)
    if at_byte is not None:
        flip(log, at_byte % log.stat().st_size, 0x40)
    content = log.read_bytes()
    read = read_log(content, PAGE_BYTES)
    look = look_through_log(BytesIO(content), len(content), PAGE_BYTES)
    assert (look.broken_frame is not None) == read.is_damaged
    if not read.is_damaged:
        assert look.page_count == read.page_count
        assert {
            number: content[place : place + PAGE_BYTES]
            for number, place in look.places.items()
        } == read.pages


@pytest.mark.slow
def test_a_log_is_looked_through_however_long_it_is(path: Path) -> None:
    log = leave_log(path, commits=9, length=2_500_000)
    assert log.stat().st_size > 32_000_000
    flip(log, 32 + 24 + 100, 0x10)
    expect_refused(path, "its log has lost what was committed to it")


# ---- the number of the format


def numbers_of(path: Path, number: int) -> Iterator[int]:
    """Every number that one bit makes of that of the format, put into the file."""
    for bit in range(32):
        other = number ^ 1 << bit
        overwrite(path, NUMBER_AT, struct.pack(">I", other))
        yield other


@pytest.mark.parametrize("number", FORMATS)
def test_a_format_that_contradicts_the_tables_is_damage_and_salvage_finds_the_right_one(
    tmp_path: Path, number: int
) -> None:
    path = kept_store(tmp_path, number)
    truth = all_rows(path)
    for other in numbers_of(path, number):
        if other <= FORMAT:
            expect_refused(path, f"of format {other}")
            new, report = salvaged(path)
            assert all_rows(new) == truth
            assert report.store_format == number
            assert f"it says {other}" in report.remarks[0]
            new.unlink()


@pytest.mark.parametrize("number", FORMATS)
def test_a_number_that_is_too_new_for_its_tables_keeps_the_data_from_nobody(
    tmp_path: Path, number: int
) -> None:
    path = kept_store(tmp_path, number)
    truth = all_rows(path)
    overwrite(path, NUMBER_AT, struct.pack(">I", number | 256))
    with pytest.raises(StoreTooNewError, match="update the program"):
        read_sessions(path)
    new, report = salvaged(path)
    assert all_rows(new) == truth
    assert ask(new, "PRAGMA user_version") == [(number,)]
    assert report.remarks == (
        f"the number of its format is spoilt: it says {number | 256}, what it holds is of format {number}, and so is the"
        " new file",
    )
    assert read_sessions(new)


# ---- views


def of_a_window(path: Path) -> None:
    flip_in_text(path, b"round(a.window_start_s - t.started_s", 23, 0x02)


def of_a_trial_time(path: Path) -> None:
    # The first of the views that tell when a trial began is the list of trials.
    at = path.read_bytes().index(b"CREATE VIEW trial_list")
    flip(path, path.read_bytes().index(b"utc_us / 1e6 + (t.", at) + 11, 0x01)


def of_a_reading(path: Path) -> None:
    flip_in_text(path, b'r."supply_v", r."power_w" FROM', 3, 0x01)


def of_a_name(path: Path) -> None:
    flip_in_text(path, b"a.effective_count,", 2, 0x04)


@pytest.mark.parametrize(
    ("spoil", "view"),
    [
        (of_a_window, "trial_averages"),
        (of_a_trial_time, "trial_list"),
        (of_a_reading, "readings_meter_utc"),
        (of_a_name, "trial_averages"),
    ],
)
def test_a_view_that_is_not_what_it_was_made_as_is_damage_and_salvage_makes_it_anew(
    path: Path, sound: Path, spoil: Callable[[Path], None], view: str
) -> None:
    spoil(path)
    assert path.read_bytes() != sound.read_bytes()
    expect_refused(path, f"the text of its view {view} is spoilt")
    with refused(path):
        read_trial_averages(path, 1)
    new, report = salvaged(path)
    assert report.remarks == (f"the text of its view {view} is spoilt: it was made anew",)  # fmt: skip
    schema = "SELECT type, name, sql FROM sqlite_master ORDER BY 1, 2"
    assert ask(new, schema) == ask(sound, schema)
    assert read_trial_averages(new, 1) == read_trial_averages(sound, 1)
    assert all_rows(new) == all_rows(sound)


def test_what_somebody_else_added_to_a_file_is_no_damage_and_comes_over(
    path: Path,
) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("CREATE TABLE my_notes (text TEXT)")
        connection.execute("INSERT INTO my_notes VALUES ('a')")
        connection.execute("CREATE VIEW my_view AS SELECT count(*) FROM trial_list")
        connection.execute("ALTER TABLE trials ADD COLUMN my_mark TEXT")
        connection.execute("ALTER TABLE readings_meter ADD COLUMN my_value REAL")
    assert read_trials(path)
    assert read_budgets(path)
    with altering_store(path):
        pass
    new, report = salvaged(path)
    assert report.is_whole
    assert all_rows(new) == all_rows(path)
    assert ask(new, "SELECT * FROM my_view") == [(6,)]
    assert [list(readings.rows) for readings in read_readings(new)]
