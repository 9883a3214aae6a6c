"""Can a results file's list of free pages be believed?

SQLite writes over whatever its list calls free, and nothing but the list says so: one bit of a number in it and the next
write destroys readings. SQLite's own look leaves the list out where a file has views. Here every page of the list is
held against the pages that tables and indexes lead to. Bounded whatever the numbers say: every page is taken once.

Source: SQLite, "Database File Format", https://www.sqlite.org/fileformat2.html, sections 1.5 and 1.6.
"""

import sqlite3
import struct
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass

from daq.runtime.store.layout import quoted
from daq.runtime.store.pages import HEADER_BYTES, DamagedPageError, Image
from daq.runtime.store.salvaging import Salvage, SchemaRow

_OF_INDEX_ABOVE, _OF_TABLE_ABOVE, _OF_INDEX, _OF_TABLE = 2, 5, 10, 13
_ABOVE = {_OF_INDEX_ABOVE, _OF_TABLE_ABOVE}
_LOCKING_BYTE = 2**30
_NUMBERS = {"INTEGER", "REAL"}
_SPOILT = "its list of free pages is spoilt"


class _ContradictionError(Exception):
    """What is wrong, in words."""


@dataclass(frozen=True, slots=True)
class _Tree:
    """A table or an index.

    Attributes:
        root: Its first page.
        is_compact: None of its rows can go on on a further page.
    """

    root: int
    is_compact: bool


def find_false_free_page(image: Image) -> str | None:
    """Tell why a file's list of free pages cannot be believed, None where it can."""
    try:
        first, count = struct.unpack_from(">II", image.page(1), 32)
        if not first and not count:
            return None
        free = set(_listed(image, first))
        if len(free) != count:
            return _SPOILT
        schema, is_whole = Salvage(image).schema()
        if not is_whole:
            return "its list of tables is spoilt"
        _expect_unused(image, [_Tree(1, is_compact=False), *_trees(schema)], free)
    except _ContradictionError as exc:
        return str(exc)
    except (DamagedPageError, struct.error, IndexError):
        return _SPOILT
    return None


def _listed(image: Image, first: int) -> Iterator[int]:
    """The pages of the list.

    Raises:
        _ContradictionError: If it names what is none, or a page twice.
    """
    seen: set[int] = set()
    trunk = first
    while trunk:
        page = image.page(trunk)
        trunk_next, count = struct.unpack_from(">II", page)
        if 8 + 4 * count > image.usable_bytes:
            raise _ContradictionError(_SPOILT)
        for number in (trunk, *struct.unpack_from(f">{count}I", page, 8)):
            if not 2 <= number <= image.page_count or number in seen:
                raise _ContradictionError(_SPOILT)
            seen.add(number)
            yield number
        trunk = trunk_next


def _trees(schema: Sequence[SchemaRow]) -> Iterator[_Tree]:
    compact = {
        row.name for row in schema if row.kind == "table" and _is_compact(row.sql)
    }
    for row in schema:
        if row.root:
            yield _Tree(row.root, row.table in compact)


def _is_compact(sql: str) -> bool:
    """Whether a table holds numbers only, and so few that a row, also of an index, fits on the smallest share of a page."""
    with closing(sqlite3.connect(":memory:")) as connection:
        try:
            connection.execute(sql)
            ((name, is_strict),) = connection.execute(
                "SELECT name, strict FROM pragma_table_list WHERE schema = 'main' AND name <> 'sqlite_schema'"
            ).fetchall()
            columns = connection.execute(f"PRAGMA table_info({quoted(name)})")
            kinds = [str(row[2]).upper() for row in columns]
        except (sqlite3.Error, sqlite3.Warning, ValueError):
            return False
    return bool(is_strict) and set(kinds) <= _NUMBERS and len(kinds) < 100


def _expect_unused(image: Image, trees: Sequence[_Tree], free: set[int]) -> None:
    """Follow all tables and indexes.

    Raises:
        _ContradictionError: If they lead to a page that is free, or twice to one.
    """
    taken = bytearray(image.page_count + 1)
    if (locking := _LOCKING_BYTE // image.page_bytes + 1) in free:
        raise _ContradictionError(_SPOILT)
    for tree in trees:
        for number in _pages(image, tree):
            if not 1 <= number <= image.page_count or taken[number]:
                msg = f"page {number} is in use twice, or not there"
                raise _ContradictionError(msg)
            if number in free or number == locking:
                msg = f"page {number} is in use, and said to be free"
                raise _ContradictionError(msg)
            taken[number] = 1


def _pages(image: Image, tree: _Tree) -> Iterator[int]:
    """The pages of a tree; whoever asks ends it where one comes twice."""
    waiting = [tree.root]
    while waiting:
        number = waiting.pop()
        yield number
        page = image.page(number)
        start = HEADER_BYTES if number == 1 else 0
        kind = page[start]
        if kind not in {*_ABOVE, _OF_INDEX, _OF_TABLE}:
            raise DamagedPageError
        at = _cells(image, page, start, 12 if kind in _ABOVE else 8)
        if not tree.is_compact and kind != _OF_TABLE_ABOVE:
            for cell in at:
                yield from _further(image, page, cell, kind)
        if kind in _ABOVE:
            (last,) = struct.unpack_from(">I", page, start + 8)
            below = [int.from_bytes(page[cell : cell + 4]) for cell in at] + [last]
            # All leaves lie equally deep: of rows that do not go on elsewhere they need not be read.
            if tree.is_compact and image.page(last)[0] not in _ABOVE:
                yield from below
            else:
                waiting += below


def _cells(image: Image, page: bytes, start: int, head_bytes: int) -> tuple[int, ...]:
    (count,) = struct.unpack_from(">H", page, start + 3)
    if start + head_bytes + 2 * count > image.usable_bytes:
        raise DamagedPageError
    return struct.unpack_from(f">{count}H", page, start + head_bytes)


def _further(image: Image, page: bytes, at: int, kind: int) -> Iterator[int]:
    """The pages that a row goes on on."""
    size, at = _length(page, at + 4 if kind == _OF_INDEX_ABOVE else at)
    usable = image.usable_bytes
    most = usable - 35
    if kind == _OF_TABLE:
        _, at = _length(page, at)
    else:
        most = (usable - 12) * 64 // 255 - 23
    if size <= most:
        return
    least = (usable - 12) * 32 // 255 - 23
    local = least + (size - least) % (usable - 4)
    (number,) = struct.unpack_from(">I", page, at + (local if local <= most else least))
    while number:
        yield number
        (number,) = struct.unpack_from(">I", image.page(number))


def _length(page: bytes, at: int) -> tuple[int, int]:
    """A number of one to nine bytes, and where what follows it begins."""
    number = 0
    for place in range(at, at + 8):
        number = number << 7 | page[place] & 0x7F
        if page[place] < 0x80:
            return number, place + 1
    return number << 8 | page[at + 8], at + 9
