"""Writes what can be read of a damaged results file to a new one that every command opens.

The damaged file is only read. What a row refers to and what is lost is put right so that the new file is whole in
itself: a reading whose trial is lost belongs to none, an average whose trial is lost is left out, and a lost session or
clock gets a row that says so. Trials that lost something say so in their notes. Readings that cannot be believed
(doubtful.py) go to a table of their own, which no other command reads. All of that is told.
"""

import contextlib
import fcntl
import json
import math
import os
import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from daq.errors import StoreBusyError, StoreError
from daq.runtime.store.claimed import spoilt_view
from daq.runtime.store.columns import show_with_utc, texts_with_utc
from daq.runtime.store.doubtful import Doubtful, find_doubtful
from daq.runtime.store.layout import quoted, view_name
from daq.runtime.store.pages import GREATEST, LEAST, Fits, Image, Value
from daq.runtime.store.placing import expect_new_store, place
from daq.runtime.store.referring import (
    mark_trials,
    mend_references,
    remake_spans,
)
from daq.runtime.store.salvaged_format import checked_format
from daq.runtime.store.salvaging import (
    FoundTable,
    Marks,
    Salvage,
    SchemaRow,
    columns_in,
    fits_table,
    missing_numbers,
    open_image,
)
from daq.runtime.store.schema import (
    APPLICATION_ID,
    STEPS,
    STEPS_TABLE,
    in_memory,
)

_COUNTERS = "sqlite_sequence"
_NOTHING = FoundTable("")
DOUBTFUL = "doubtful_readings"
_MAKE_DOUBTFUL = (
    f"CREATE TABLE IF NOT EXISTS {DOUBTFUL} (id INTEGER PRIMARY KEY, table_name TEXT NOT NULL, seq INTEGER NOT NULL,"
    " why TEXT NOT NULL, row_json TEXT NOT NULL) STRICT"
)
_NUMBERED_TOGETHER = 2
"""The first format that numbers readings over all instruments together."""


@dataclass(frozen=True, slots=True)
class SalvagedTable:
    """What came over of a table.

    Attributes:
        name: Its name.
        rows: How many were written.
        refused: How many were read and cannot be: they contradict the table's rules or another row.
        doubtful: How many readings cannot be believed, and are in the table DOUBTFUL of the new file instead.
        lost: First and last number between which rows may be missing; None as the last: to the end.
    """

    name: str
    rows: int
    refused: int
    doubtful: int
    lost: tuple[tuple[int, int | None], ...]


@dataclass(frozen=True, slots=True)
class SalvageReport:
    """What came over of a file.

    Attributes:
        tables: Of those that hold something or lost something.
        remarks: What else is not as it was, in words.
        marked_trials: Numbers of the trials whose notes say that something of theirs is lost.
        store_format: Of the file and of the new one.
    """

    tables: tuple[SalvagedTable, ...]
    remarks: tuple[str, ...]
    marked_trials: tuple[int, ...]
    store_format: int

    @property
    def is_whole(self) -> bool:
        """Whether all was there."""
        return not self.remarks and not any(
            t.lost or t.refused or t.doubtful for t in self.tables
        )


def salvage_store(source: Path, target: Path) -> SalvageReport:
    """Write what can be read of a results file to a new file.

    Args:
        source: The damaged file; it is not written, and neither is its log.
        target: The new one; there must be none under that path.

    Raises:
        StoreBusyError: If a program is writing the damaged file.
        StoreForeignError: If it is not ours.
        StoreTooNewError: If a newer version wrote it.
        InputError: If there is a file under the new path already.
        StoreError: If nothing can be read, or the new file cannot be written.
    """
    expect_new_store(target)
    unfinished = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        with _left_alone(source):
            image, marks = open_image(source)
            report = _written(source, unfinished, image, marks)
        place(unfinished, target)
    except sqlite3.Error as exc:
        msg = f"{target}: cannot be written: {exc}"
        raise StoreError(msg) from exc
    except OSError as exc:
        msg = f"{exc.filename or target}: {(exc.strerror or str(exc)).lower()}"
        raise StoreError(msg) from exc
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink()
    return report


@contextmanager
def _left_alone(source: Path) -> Iterator[None]:
    """No program of ours writes the file meanwhile."""
    descriptor = os.open(source, os.O_RDONLY | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError as exc:
        msg = (
            f"{source}: a program is writing it, so it cannot be read as it lies: end that program,"
            f" or copy what it has with `daq backup {source} FILE`"
        )
        raise StoreBusyError(msg) from exc
    finally:
        os.close(descriptor)


def _written(
    source: Path, unfinished: Path, image: Image, marks: Marks
) -> SalvageReport:
    salvage = Salvage(image)
    schema, is_whole = salvage.schema()
    store_format = checked_format(source, image, marks, schema)
    with (
        closing(sqlite3.connect(unfinished, isolation_level=None)) as connection,
        closing(in_memory(store_format)) as reference,
    ):
        connection.execute("PRAGMA foreign_keys = off")
        connection.execute("BEGIN IMMEDIATE")
        work = _Work(connection, reference, salvage, store_format, marks.is_log_damaged)
        if marks.is_log_damaged:
            work.remarks.append(
                "the log is damaged: what was written last may be missing"
            )
        if not is_whole or not marks.is_sqlite:
            work.remarks.append(
                "the head or the list of tables is damaged: both were made anew"
            )
        if marks.is_sqlite and marks.store_format != store_format and is_whole:
            work.remarks.append(
                f"the number of its format is spoilt: it says {marks.store_format}, what it holds is of format"
                f" {store_format}, and so is the new file"
            )
        report = work.bring_over(schema, is_whole=is_whole)
        if (
            not any(t.rows for t in report.tables if t.name != "analyses")
            and not report.is_whole
        ):
            msg = f"{source}: nothing of it can be read"
            raise StoreError(msg)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {store_format}")
        connection.execute("COMMIT")
        _check(connection)
        connection.execute("PRAGMA journal_mode = wal")
    return report


def _check(connection: sqlite3.Connection) -> None:
    (answer,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    if answer != "ok" or connection.execute("PRAGMA foreign_key_check").fetchone():
        msg = f"the new file contradicts itself: {answer}"
        raise sqlite3.DatabaseError(msg)


@dataclass(slots=True)
class _Work:
    """One file on its way over."""

    connection: sqlite3.Connection
    reference: sqlite3.Connection
    salvage: Salvage
    store_format: int
    is_log_damaged: bool
    remarks: list[str] = field(default_factory=list)
    found: dict[str, FoundTable] = field(default_factory=dict)

    def bring_over(
        self, schema: Sequence[SchemaRow], *, is_whole: bool
    ) -> SalvageReport:
        tables = {row.name: row for row in schema if row.kind == "table"}
        self._make([row.sql for row in tables.values() if not _is_own(row.name)])
        self._make_what_is_missing("table")
        self._read(tables)
        self._make_lost_reading_tables()
        self._see_what_is_missing()
        doubtful = self._take_out_doubtful()
        refused = {name: self._insert(table) for name, table in self.found.items()}
        self._keep_doubtful(doubtful)
        self._insert_steps()
        self.remarks += mend_references(self.connection)
        if self.found.get("spans", _NOTHING).lost:
            remake_spans(self.connection, self._reading_tables())
        lost = {name: list(table.lost) for name, table in self.found.items()}
        for each, _ in doubtful:
            lost[each.table.name].append((each.number - 1, each.number + 1))
        marked = mark_trials(self.connection, lost, self.store_format)
        self._make_what_is_missing("view")
        self._show_readings()
        views = self._texts_of_views()
        self._tell_spoilt_views(views, schema, is_whole=is_whole)
        # Those of other names are somebody else's, and come over as they are.
        self._make(
            row.sql for row in schema if row.kind != "table" and row.name not in views
        )
        self._make_what_is_missing("index")
        return SalvageReport(
            tuple(
                self._report(refused, Counter(each.table.name for each, _ in doubtful))
            ),
            tuple(self.remarks),
            marked,
            self.store_format,
        )

    def _make(self, statements: Iterable[str]) -> None:
        for statement in statements:
            if not statement.startswith("CREATE "):
                continue
            # A statement that cannot be carried out is spoilt; that of the format is taken then.
            with contextlib.suppress(sqlite3.Error, sqlite3.Warning, ValueError):
                self.connection.execute(statement)

    def _make_what_is_missing(self, kind: str) -> None:
        there = {
            name
            for (name,) in self.connection.execute("SELECT name FROM sqlite_master")
        }
        for name, sql in self.reference.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = ? AND sql IS NOT NULL ORDER BY rowid",
            (kind,),
        ):
            if name not in there and not name.startswith("sqlite_"):
                self.connection.execute(sql)

    def _read(self, tables: Mapping[str, SchemaRow]) -> None:
        wanting: list[tuple[FoundTable, Fits]] = []
        for name in (*self._table_names(), STEPS_TABLE):
            table, fits = FoundTable(name), self._fits(name)
            self.found[name] = table
            row = tables.get(name)
            if row is not None and row.root > 1:
                self.salvage.follow(table, row.root, fits)
            elif name != _COUNTERS:
                table.lost.append((LEAST, GREATEST))
            if table.lost:
                wanting.append((table, fits))
        self._fill(wanting)
        # Its pages are nobody else's; what stands in it is made anew.
        del self.found[STEPS_TABLE]

    def _fits(self, table: str) -> Fits:
        fits = fits_table(self.connection, table)
        is_remade = table == STEPS_TABLE

        def fits_by_set(values: Sequence[Value]) -> bool:
            # Of one shape with another table: its rows tell whose steps they are.
            return fits(values) and (values[1:2] == (STEPS,)) == is_remade

        return fits_by_set

    def _fill(self, wanting: Sequence[tuple[FoundTable, Fits]]) -> None:
        several = self.salvage.fill(wanting) if wanting else 0
        if several:
            self.remarks.append(
                f"{several} pages could belong to more than one table and were left out"
            )

    def _table_names(self) -> list[str]:
        rows = self.connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name <> ? ORDER BY rowid",
            (STEPS_TABLE,),
        )
        return [str(name) for (name,) in rows]

    def _make_lost_reading_tables(self) -> None:
        """Make the tables of readings that the channels name and the list of tables does not."""
        wanted: dict[str, list[str]] = {}
        for _, values in sorted(self.found["channels"].rows.items()):
            table, column = str(values[3]), str(values[4])
            if table not in self.found and column not in wanted.setdefault(table, []):
                wanted[table].append(column)
        wanting = []
        for name, columns in wanted.items():
            self.connection.execute(_reading_table(name, columns))
            self.found[name] = FoundTable(name, lost=[(LEAST, GREATEST)])
            wanting.append((self.found[name], fits_table(self.connection, name)))
        self._fill(wanting)

    def _see_what_is_missing(self) -> None:
        """Of the ranges that are lost keep those that a row may be missing in."""
        readings = [self.found[name] for name in self._reading_tables()]
        together = {n for table in readings for n in table.rows}
        is_numbered_together = self.store_format >= _NUMBERED_TOGETHER
        for table in self.found.values():
            shared = is_numbered_together and table in readings
            present = together if shared else set(table.rows)
            # Only analyses are counted from 0.
            least = LEAST if table.name == "analyses" else 0
            lost = [(max(low, least), high) for low, high in table.lost]
            table.lost = missing_numbers(lost, present)

    def _take_out_doubtful(self) -> list[tuple[Doubtful, tuple[Value, ...]]]:
        """Readings that cannot be believed are none of their tables' any more."""
        clocks = self.found["clocks"]
        # Of a damaged log an older state of a table may be left, that lacks nothing to itself.
        may_lack = bool(clocks.lost) or self.is_log_damaged
        doubtful = find_doubtful(
            [self.found[name] for name in self._reading_tables()],
            clocks=None if may_lack else set(clocks.rows),
            is_numbered_together=self.store_format >= _NUMBERED_TOGETHER,
        )
        return [(each, each.table.rows.pop(each.number)) for each in doubtful]

    def _keep_doubtful(
        self, doubtful: Sequence[tuple[Doubtful, tuple[Value, ...]]]
    ) -> None:
        if doubtful:
            self.connection.execute(_MAKE_DOUBTFUL)
        for each, values in doubtful:
            columns = columns_in(self.connection, each.table.name)
            row = dict(zip(columns, (each.number, *values[1:]), strict=False))
            row = {k: v if _is_json(v) else str(v) for k, v in row.items()}
            self.connection.execute(
                f"INSERT INTO {DOUBTFUL} (table_name, seq, why, row_json) VALUES (?, ?, ?, ?)",  # noqa: S608 - a constant
                (each.table.name, each.number, each.why, json.dumps(row)),
            )

    def _reading_tables(self) -> list[str]:
        head = ["seq", "clock_id"]
        return [n for n in self.found if columns_in(self.connection, n)[:2] == head]

    def _insert(self, table: FoundTable) -> int:
        """Write the rows of a table; returns how many it refuses."""
        if table.name == _COUNTERS:
            return self._insert_counters(table)
        columns = columns_in(self.connection, table.name)
        numbered = self._numbered_column(table.name)
        refused = 0
        for number, values in sorted(table.rows.items()):
            names = [quoted(c) for c in columns[: len(values)]]
            row: Sequence[Value] = values
            if numbered is None:
                names, row = ["rowid", *names], (number, *values)
            else:
                row = tuple(
                    number if i == numbered else v for i, v in enumerate(values)
                )
            statement = f"INSERT INTO {quoted(table.name)} ({', '.join(names)}) VALUES ({', '.join('?' * len(row))})"  # noqa: S608 - names of the file, quoted
            try:
                self.connection.execute(statement, row)
            except sqlite3.IntegrityError:
                refused += 1
        return refused

    def _insert_counters(self, table: FoundTable) -> int:
        # Only ever upwards: what SQLite has counted itself comes from the rows.
        for _, (name, value) in sorted(table.rows.items()):
            self.connection.execute(
                f"UPDATE {_COUNTERS} SET seq = max(seq, ?) WHERE name = ?",  # noqa: S608 - a constant
                (value, name),
            )
            self.connection.execute(
                f"INSERT INTO {_COUNTERS} (name, seq) SELECT ?1, ?2"  # noqa: S608 - a constant
                f" WHERE NOT EXISTS (SELECT 1 FROM {_COUNTERS} WHERE name = ?1)",
                (name, value),
            )
        return 0

    def _numbered_column(self, name: str) -> int | None:
        rows = self.connection.execute(f"PRAGMA table_info({quoted(name)})").fetchall()
        keys = [row for row in rows if row[5]]
        is_number = len(keys) == 1 and keys[0][2].upper() == "INTEGER"
        return int(keys[0][0]) if is_number else None

    def _insert_steps(self) -> None:
        rows = self.reference.execute(f"SELECT * FROM {quoted(STEPS_TABLE)}").fetchall()  # noqa: S608 - a constant
        self.connection.executemany(
            f"INSERT INTO {quoted(STEPS_TABLE)} VALUES (?, ?, ?, ?)",  # noqa: S608 - a constant
            rows,
        )

    def _show_readings(self) -> None:
        """Make the views of readings."""
        for name in self._reading_tables():
            show_with_utc(self.connection, name)

    def _texts_of_views(self) -> dict[str, frozenset[str]]:
        """By the names of our views, what they can have been made as."""
        texts = {
            view_name(name): texts_with_utc(name, columns_in(self.connection, name))
            for name in self._reading_tables()
        }
        rows = self.reference.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'view'"
        )
        return texts | {name: frozenset({sql}) for name, sql in rows}

    def _tell_spoilt_views(
        self,
        views: Mapping[str, frozenset[str]],
        schema: Sequence[SchemaRow],
        *,
        is_whole: bool,
    ) -> None:
        """Tell which views were not what they were made as."""
        if not is_whole:
            return  # it is told that the list of tables is damaged, and the views are of it
        before = {row.name: row.sql for row in schema if row.kind == "view"}
        self.remarks += [
            f"{spoilt_view(name)}: it was made anew"
            for name, sound in views.items()
            if before.get(name) not in sound
        ]

    def _report(
        self, refused: Mapping[str, int], doubtful: Mapping[str, int]
    ) -> Iterator[SalvagedTable]:
        for name, table in self.found.items():
            if name == _COUNTERS or not (
                table.rows or table.lost or doubtful.get(name)
            ):
                continue
            (rows,) = self.connection.execute(
                f"SELECT count(*) FROM {quoted(name)}"  # noqa: S608 - quoted
            ).fetchone()
            lost = tuple(
                (low + 1, None if high >= GREATEST else high - 1)
                for low, high in table.lost
            )
            yield SalvagedTable(name, rows, refused[name], doubtful.get(name, 0), lost)


def _is_json(value: Value) -> bool:
    """Bytes that were written over a number may leave none."""
    return not isinstance(value, float) or math.isfinite(value)


def _is_own(name: str) -> bool:
    """Whether SQLite or the steps of the schema make the table by themselves."""
    return name.startswith("sqlite_") or name == STEPS_TABLE


def _reading_table(name: str, columns: Sequence[str]) -> str:
    further = "".join(f", {quoted(column)} REAL" for column in columns)
    return (
        f"CREATE TABLE {quoted(name)} (seq INTEGER PRIMARY KEY,"
        " clock_id INTEGER NOT NULL REFERENCES clocks (id),"
        " trial_id INTEGER REFERENCES trials (id), at_s REAL NOT NULL, flags INTEGER NOT NULL"
        f"{further}) STRICT"
    )
