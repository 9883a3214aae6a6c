"""Rows read from the pages of a file, against what SQLite says of it."""

import random
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daq.runtime.store.log import read_log
from daq.runtime.store.pages import (
    DamagedPageError,
    Image,
    Leaf,
    read_page,
    read_record,
)
from daq.runtime.store.salvaging import FoundTable, Salvage, fits_table, open_image

VALUES = [
    None,
    *(0, 1, -1, 127, -128, 128, 32767, -32769, 2**23, -(2**31), 2**40, 2**62, -(2**63)),
    *(0.5, -1.25e300, 3.0),
    *("", "short", "äöü €", "long " * 1000),
    b"\x00\xff" * 3,
]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A table whose rows have every kind of value and every length of number."""
    path = tmp_path / "any.db"
    rng = random.Random(3)  # noqa: S311 - no secret
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("CREATE TABLE t (a, b, c)")
        numbers = [1, 127, 128, 16_383, 16_384, 2**31, 2**56, 2**62]
        numbers += sorted(rng.sample(range(20_000, 2**30), 400))
        for number in numbers:
            connection.execute(
                "INSERT INTO t (rowid, a, b, c) VALUES (?, ?, ?, ?)",
                (number, *rng.choices(VALUES, k=3)),
            )
    return path


def rows_by_sql(path: Path) -> dict[int, tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return {n: tuple(r) for n, *r in connection.execute("SELECT rowid, * FROM t")}


def rows_by_page(path: Path) -> FoundTable:
    image, _ = open_image(path)
    found = FoundTable("t")
    with closing(sqlite3.connect(":memory:")) as like:
        like.execute("CREATE TABLE t (a, b, c)")
        Salvage(image).follow(found, 2, fits_table(like, "t"))
    return found


def test_every_kind_of_value_is_read_from_the_pages_as_sqlite_reads_it(
    path: Path,
) -> None:
    found = rows_by_page(path)
    assert found.rows == rows_by_sql(path)
    assert found.lost == []


@pytest.mark.parametrize("page_bytes", [512, 1024, 65536])
def test_pages_of_every_length_are_read(path: Path, page_bytes: int) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA page_size = {page_bytes}")
        connection.execute("VACUUM")
    assert rows_by_page(path).rows == rows_by_sql(path)


def test_what_stands_in_the_log_only_is_read_too(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = wal")
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        connection.execute("INSERT INTO t VALUES ('new', 1, 2)")
        connection.execute("UPDATE t SET a = 'changed' WHERE rowid = 128")
        expected = {
            n: tuple(r) for n, *r in connection.execute("SELECT rowid, * FROM t")
        }
        assert rows_by_page(path).rows == expected


@pytest.mark.parametrize("seed", range(30))
def test_whatever_is_written_over_a_page_no_row_comes_out_that_was_not_there(
    path: Path, seed: int
) -> None:
    rng = random.Random(seed)  # noqa: S311 - no secret
    expected = rows_by_sql(path)
    data = bytearray(path.read_bytes())
    start, length = rng.randrange(4096, len(data) - 600), rng.choice([40, 200, 600])
    data[start : start + length] = rng.randbytes(length)
    path.write_bytes(data)
    found = rows_by_page(path)
    # A value is allowed to be spoilt: nothing in a file of SQLite's tells of that.
    assert found.rows.keys() <= expected.keys()
    for number in expected.keys() - found.rows.keys():
        assert any(low < number < high for low, high in found.lost)


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\x02",
        b"\x02\x0a",
        b"\x02\x07",
        b"\x02\x01",
        b"\x03\x01",
        b"\x02\x08\x00",
        b"\xff" * 9,
    ],
    ids=[
        "empty",
        "no kind",
        "no such kind",
        "no float",
        "no number",
        "short head",
        "rest",
        "endless",
    ],
)
def test_a_row_whose_lengths_do_not_add_up_is_none(payload: bytes) -> None:
    with pytest.raises((DamagedPageError, IndexError, struct.error)):
        read_record(payload)


def test_a_float_that_is_no_number_is_none() -> None:
    nan = struct.pack(">d", float("nan"))
    with pytest.raises(DamagedPageError):
        read_record(b"\x02\x07" + nan)


def leaf_page(*cells: tuple[int, bytes]) -> bytes:
    """A page of rows: number and record each."""
    page, end, pointers = bytearray(512), 512, []
    for number, record in cells:
        cell = bytes([len(record), number]) + record
        end -= len(cell)
        page[end : end + len(cell)] = cell
        pointers.append(end)
    page[:8] = struct.pack(">BHHHB", 13, 0, len(cells), end, 0)
    page[8 : 8 + 2 * len(cells)] = struct.pack(f">{len(cells)}H", *pointers)
    return bytes(page)


ONE = b"\x02\x09"
"""A record of the number 1."""


def read_leaf(page: bytes) -> Leaf:
    image = Image(bytes(512) + page, {}, 512, 512, 2)
    found = read_page(image, 2, lambda values: values == (1,))
    assert isinstance(found, Leaf)
    return found


def numbers_of(leaf: Leaf) -> list[int]:
    return [row.number for row in leaf.rows]


def test_a_row_beside_one_that_is_refused_is_not_trusted() -> None:
    cells = [(n, ONE) for n in range(1, 8)]
    cells[3] = (4, b"\x02\x0a")
    leaf = read_leaf(leaf_page(*cells))
    assert numbers_of(leaf) == [1, 2, 6, 7]
    assert leaf.lost == ((2, 6),)


def test_a_number_out_of_order_does_not_take_the_others_with_it() -> None:
    cells = [(n, ONE) for n in (1, 2, 3, 100, 5, 6, 7)]
    assert numbers_of(read_leaf(leaf_page(*cells))) == [1, 2, 6, 7]


def test_rows_that_overlap_are_refused() -> None:
    page = bytearray(leaf_page(*((n, ONE) for n in range(1, 6))))
    (second,) = struct.unpack_from(">H", page, 10)
    struct.pack_into(">H", page, 10, second + 1)
    assert numbers_of(read_leaf(bytes(page))) == [4, 5]


# ---- the log


@pytest.fixture
def log(tmp_path: Path) -> Iterator[bytes]:
    """A log of five commits of one page each, as SQLite writes it."""
    path = tmp_path / "logged.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = wal")
        connection.execute("CREATE TABLE t (a)")
        for number in range(3):
            connection.execute("INSERT INTO t VALUES (?)", (number,))
        yield path.with_name("logged.db-wal").read_bytes()


FRAME_BYTES = 24 + 4096


def test_a_log_that_ends_in_the_middle_of_what_was_never_finished_is_in_order(
    log: bytes,
) -> None:
    whole = read_log(log, 4096)
    torn = read_log(log[:-100] + bytes(100), 4096)
    assert not whole.is_damaged
    assert not torn.is_damaged
    assert torn.pages[2] != whole.pages[2]


@pytest.mark.parametrize("at_byte", [0, 12, 40, 200, 32 + FRAME_BYTES + 9])
def test_a_log_that_is_broken_before_two_commits_is_damaged(
    log: bytes, at_byte: int
) -> None:
    spoilt = log[:at_byte] + b"\xa5\x5a\xa5\x5a" + log[at_byte + 4 :]
    found = read_log(spoilt, 4096)
    assert found.is_damaged
    # What was written after that is there all the same.
    assert found.pages[2] == read_log(log, 4096).pages[2]


def test_what_lies_in_a_log_from_an_earlier_use_is_no_damage(log: bytes) -> None:
    frames = log[32 + 2 * FRAME_BYTES :]
    older = b"".join(
        frames[at : at + 8] + b"older..." + frames[at + 16 : at + FRAME_BYTES]
        for at in range(0, len(frames), FRAME_BYTES)
    )
    found = read_log(log[: 32 + 2 * FRAME_BYTES] + older, 4096)
    assert not found.is_damaged
    assert set(found.pages) == {1, 2}


def test_an_empty_log_holds_nothing() -> None:
    assert read_log(b"", 4096).pages == {}
    assert not read_log(bytes(32), 4096).is_damaged
