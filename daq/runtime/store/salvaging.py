"""Finds what can be read of a damaged results file, table by table, without touching the file.

Tables are followed from page to page as SQLite does. Where a page is broken the numbers of the rows below it are known
from the page above; pages that nothing leads to any more are then looked through for rows that fit there, and only
there. What is told as lost is where rows may be missing, never less.
"""

import mmap
import os
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from daq.runtime.store.layout import quoted
from daq.runtime.store.log import Log, read_log
from daq.runtime.store.pages import (
    GREATEST,
    HEADER_BYTES,
    LEAST,
    DamagedPageError,
    Fits,
    Image,
    Interior,
    Leaf,
    Row,
    Value,
    read_page,
)

_MAGIC = b"SQLite format 3\x00"
_USUAL_PAGE_BYTES = 4096
_SMALLEST_PAGE_BYTES, _GREATEST_PAGE_BYTES = 512, 65536
_STRICT_KINDS: dict[str, tuple[type, ...]] = {
    "INTEGER": (int,),
    "REAL": (int, float),
    "TEXT": (str,),
}


@dataclass(frozen=True, slots=True)
class Marks:
    """What the head of a file says.

    Attributes:
        is_sqlite: It begins as a SQLite file does.
        application_id: Whose it is.
        store_format: Its format by our count.
        is_log_damaged: Something that was committed to the log cannot be read any more.
    """

    is_sqlite: bool
    application_id: int
    store_format: int
    is_log_damaged: bool


@dataclass(frozen=True, slots=True)
class SchemaRow:
    """A line of the table of tables."""

    kind: str
    name: str
    table: str
    root: int
    sql: str


@dataclass(slots=True)
class FoundTable:
    """What was found of a table.

    Attributes:
        name: Its name.
        rows: By their numbers.
        lost: Numbers between which rows may be missing, neither included.
    """

    name: str
    rows: dict[int, tuple[Value, ...]] = field(default_factory=dict)
    lost: list[tuple[int, int]] = field(default_factory=list)


def open_image(path: Path) -> tuple[Image, Marks]:
    """Look at a file and its log as they lie; SQLite has no part in it and nothing is written.

    Raises:
        OSError: If the file cannot be read.
    """
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        data: bytes | mmap.mmap = (
            mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) if size else b""
        )
    log_path = path.with_name(f"{path.name}-wal")
    log_data = log_path.read_bytes() if log_path.exists() else b""
    page_bytes = page_bytes_of(data[:HEADER_BYTES], log_data)
    log = read_log(log_data, page_bytes)
    head = log.pages.get(1, data[:HEADER_BYTES])[:HEADER_BYTES].ljust(
        HEADER_BYTES, b"\0"
    )
    image = _image(data, log, head, page_bytes)
    (store_format,) = struct.unpack_from(">I", head, 60)
    (application_id,) = struct.unpack_from(">I", head, 68)
    marks = Marks(head[:16] == _MAGIC, application_id, store_format, log.is_damaged)
    return image, marks


def page_bytes_of(head: bytes, log: bytes) -> int:
    """Length of a page by the first bytes of the file, or by those of the log."""
    found = []
    if head[:16] == _MAGIC and len(head) >= 18:
        (of_file,) = struct.unpack_from(">H", head, 16)
        found.append(_GREATEST_PAGE_BYTES if of_file == 1 else of_file)
    if len(log) >= 12:
        found += struct.unpack_from(">I", log, 8)
    for size in found:
        if _SMALLEST_PAGE_BYTES <= size <= _GREATEST_PAGE_BYTES and not size & (
            size - 1
        ):
            return int(size)
    return _USUAL_PAGE_BYTES


def usable_bytes_of(head: bytes, page_bytes: int) -> int:
    """Length of a page without what is set apart at its end, by the first bytes of the file."""
    reserved = head[20] if head[:16] == _MAGIC and head[20] <= page_bytes - 480 else 0
    return page_bytes - reserved


def _image(data: "bytes | mmap.mmap", log: Log, head: bytes, page_bytes: int) -> Image:
    count = max(len(data) // page_bytes, log.page_count or 0, *log.pages, 0)
    usable = usable_bytes_of(head, page_bytes)
    return Image(data, log.pages, page_bytes, usable, count)  # type: ignore[arg-type] # a map is sliced as bytes are


class Salvage:
    """What can be read of a database."""

    def __init__(self, image: Image) -> None:
        self._image = image
        self._taken: set[int] = set()

    def schema(self) -> tuple[list[SchemaRow], bool]:
        """The table of tables, and whether it is whole."""
        found = FoundTable("sqlite_schema")
        self.follow(found, 1, _fits_schema)
        if found.lost:
            self.fill([(found, _fits_schema)])
        rows = [_schema_row(values) for _, values in sorted(found.rows.items())]
        return rows, not found.lost

    def follow(self, table: FoundTable, root: int, fits: Fits) -> None:
        """Read a table from its first page down."""
        waiting = [(root, LEAST, GREATEST)]
        while waiting:
            number, low, high = waiting.pop()
            page = self._page(number, fits, low, high)
            if page is None:
                if high > low:
                    table.lost.append((low, min(high + 1, GREATEST)))
                continue
            self._taken.add(number)
            table.lost.extend(page.lost)
            if isinstance(page, Interior):
                waiting.extend(page.children)
            else:
                table.rows.update((row.number, row.values) for row in page.rows)

    def _page(
        self, number: int, fits: Fits, low: int = LEAST, high: int = GREATEST
    ) -> Leaf | Interior | None:
        """A page that no table has yet, if it can be read."""
        if number in self._taken:
            return None
        try:
            return read_page(self._image, number, fits, low, high)
        except DamagedPageError:
            return None

    def fill(self, wanting: Sequence[tuple[FoundTable, Fits]]) -> int:
        """Look through the pages that nothing leads to for what tables want; returns how many fit more than one."""
        several = 0
        # A page that a table leads to is not free, whatever the list says.
        free = self._free_pages()
        for number in range(1, self._image.page_count + 1):
            if number in free:
                continue
            fitting = [
                (table, leaf)
                for table, fits in wanting
                if (leaf := self._orphan(number, table, fits)) is not None
            ]
            if len(fitting) == 1:
                self._taken.add(number)
                _add(*fitting[0])
            several += len(fitting) > 1
        for table, _ in wanting:
            table.lost = sorted(set(table.lost))
        return several

    def _orphan(self, number: int, table: FoundTable, fits: Fits) -> Leaf | None:
        page = self._page(number, fits)
        if not isinstance(page, Leaf) or not page.rows:
            return None
        first, last = page.rows[0].number, page.rows[-1].number
        within = any(low < first and last < high for low, high in table.lost)
        return (
            page
            if within and table.rows.keys().isdisjoint(r.number for r in page.rows)
            else None
        )

    def _free_pages(self) -> set[int]:
        """Pages that are not in use: section 1.5, "The Freelist"; as far as their list can be read."""
        free: set[int] = set()
        try:
            (trunk,) = struct.unpack_from(">I", self._image.page(1), 32)
            while trunk and trunk not in free:
                page = self._image.page(trunk)
                (trunk_next, count) = struct.unpack_from(">II", page)
                free.add(trunk)
                free.update(struct.unpack_from(f">{count}I", page, 8))
                trunk = trunk_next
        except (DamagedPageError, struct.error):
            pass  # the pages looked at so far are free; others are at worst rows that were deleted
        return free


def _add(table: FoundTable, leaf: Leaf) -> None:
    """Add rows of a page that nothing leads to, and tell of fewer as lost."""
    first, last = leaf.rows[0].number, leaf.rows[-1].number
    place = next(
        i for i, (low, high) in enumerate(table.lost) if low < first and last < high
    )
    low, high = table.lost[place]
    # Its ends are not known: rows that were refused at them lie in what is left on either side.
    within = [(a, b) for a, b in leaf.lost if a >= first and b <= last]
    sides = [(low, first), (last, high)]
    table.lost[place : place + 1] = [*(s for s in sides if s[1] > s[0] + 1), *within]
    table.rows.update((row.number, row.values) for row in leaf.rows)


def _fits_schema(values: Sequence[Value]) -> bool:
    return (
        len(values) == 5
        and values[0] in {"table", "index", "view", "trigger"}
        and isinstance(values[1], str)
        and isinstance(values[2], str)
        and isinstance(values[3], int)
        and isinstance(values[4], str | None)
    )


def _schema_row(values: Sequence[Value]) -> SchemaRow:
    kind, name, table, root, sql = values
    return SchemaRow(
        str(kind),
        str(name),
        str(table),
        int(root or 0),
        "" if sql is None else str(sql),
    )


@dataclass(frozen=True, slots=True)
class _Column:
    kinds: tuple[type, ...]
    may_be_null: bool
    may_be_missing: bool
    is_number: bool


def fits_table(connection: sqlite3.Connection, table: str) -> Fits:
    """What can be a row of a table that another database has too.

    Args:
        connection: To a database that has such a table.
        table: Its name.
    """
    columns = tuple(_columns(connection, table))

    def fits(values: Sequence[Value]) -> bool:
        if len(values) > len(columns):
            return False
        for value, column in zip(values, columns, strict=False):
            if value is None:
                if not column.may_be_null:
                    return False
            elif column.is_number or (column.kinds and type(value) not in column.kinds):
                return False
        return all(column.may_be_missing for column in columns[len(values) :])

    return fits


def _columns(connection: sqlite3.Connection, table: str) -> Iterator[_Column]:
    rows = connection.execute(f"PRAGMA table_info({quoted(table)})").fetchall()
    is_numbered = sum(bool(row[5]) for row in rows) == 1
    for _, _, kind, not_null, default, key in rows:
        is_number = bool(key) and is_numbered and kind.upper() == "INTEGER"
        yield _Column(
            kinds=_STRICT_KINDS.get(kind.upper(), ()),
            may_be_null=is_number or not not_null,
            may_be_missing=default is not None or not not_null,
            is_number=is_number,
        )


def columns_in(connection: sqlite3.Connection, table: str) -> list[str]:
    """Names of a table's columns, in their order."""
    with closing(connection.execute(f"SELECT * FROM {quoted(table)} LIMIT 0")) as found:  # noqa: S608 - names of ours
        return [column[0] for column in found.description]


def missing_numbers(
    lost: Iterable[tuple[int, int]], present: Iterable[int]
) -> list[tuple[int, int]]:
    """Of ranges with both ends known, those in which not every number is accounted for.

    Args:
        lost: Numbers between which rows may be missing, neither included.
        present: Numbers that are there, of whatever table.
    """
    there = present if isinstance(present, set) else set(present)
    return [
        (low, high)
        for low, high in lost
        if high >= GREATEST or any(n not in there for n in range(low + 1, high))
    ]


__all__ = [
    "FoundTable",
    "Marks",
    "Row",
    "Salvage",
    "SchemaRow",
    "columns_in",
    "fits_table",
    "missing_numbers",
    "open_image",
    "page_bytes_of",
    "usable_bytes_of",
]
