"""Does a results file hold what the number of its format says?

A number and the text of a view are believed by whoever reads the file, and one bit makes another one of them. All that
a format has is known: its tables and their columns, the steps that led to it, and its views word for word. Tables are
compared by their columns, for a column that somebody added is no damage; so are tables and views of other names. Of a
virtual table nothing is asked: its columns come from a module that this program need not have.
"""

import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from itertools import chain

from daq.runtime.store.columns import texts_with_utc
from daq.runtime.store.layout import view_name
from daq.runtime.store.schema import (
    FORMAT,
    STEPS,
    STEPS_TABLE,
    empty_store,
    file_format,
    step_name,
)

_COLUMNS = """SELECT m.name, c.name, c.type, c."notnull", c.dflt_value, c.pk
  FROM sqlite_master m, pragma_table_info(m.name) c WHERE m.type = 'table' AND m.rootpage > 0 ORDER BY m.rowid, c.cid"""
_REFERENCES = """SELECT m.name, f.id, f.seq, f."table", f."from", f."to", f.on_delete
  FROM sqlite_master m, pragma_foreign_key_list(m.name) f WHERE m.type = 'table' AND m.rootpage > 0"""
_VIEWS = "SELECT name, sql FROM sqlite_master WHERE type = 'view' AND tbl_name = name AND rootpage = 0"
_STEPS_TAKEN = f"SELECT name FROM {STEPS_TABLE} WHERE migration_set = ? ORDER BY name"  # noqa: S608 - a constant
_READINGS_OF = "SELECT DISTINCT table_name FROM channels ORDER BY 1"

_Row = tuple[object, ...]
_Rows = Mapping[str, Collection[_Row]]


@dataclass(frozen=True, slots=True)
class _Held:
    """What a file has: columns and references by table, texts by view."""

    columns: _Rows
    references: _Rows
    views: Mapping[str, str]

    def parts(self) -> set[tuple[str, object]]:
        """Its tables and their columns, by their names alone."""
        return {
            (table, column)
            for table, rows in self.columns.items()
            for column in (None, *(row[0] for row in rows))
        }


def find_false_claim(connection: sqlite3.Connection) -> str | None:
    """Tell what of a file is not as its format has it, None where all is.

    Args:
        connection: To a file of ours; of a format that is too new nothing is known.

    Raises:
        sqlite3.Error: If it cannot be read.
    """
    number = file_format(connection)
    if number > FORMAT:
        return None
    held = _held(connection)
    # One by one: what the next looks at is there where the one before has found nothing.
    tells = chain(
        _against_number(connection, held, number),
        _spoilt_views(held, number),
        _spoilt_views_of_readings(connection, held, number),
    )
    return next(tells, None)


def _held(connection: sqlite3.Connection) -> _Held:
    return _Held(
        _by_table(connection.execute(_COLUMNS)),
        _by_table(connection.execute(_REFERENCES)),
        dict(connection.execute(_VIEWS).fetchall()),
    )


def _by_table(rows: Iterable[_Row]) -> dict[str, list[_Row]]:
    found: dict[str, list[_Row]] = {}
    for table, *rest in rows:
        found.setdefault(str(table), []).append(tuple(rest))
    return found


@cache
def _known(store_format: int) -> _Held:
    with closing(empty_store(store_format)) as connection:
        return _held(connection)


def _against_number(
    connection: sqlite3.Connection, held: _Held, number: int
) -> Iterator[str]:
    known, parts = _known(number), held.parts()
    beyond = _known(FORMAT).parts() - known.parts()
    steps = [step_name(each) for each in range(1, number + 1)]
    if (
        not known.parts() <= parts
        or beyond & parts
        or _steps_taken(connection, held) != steps
    ):
        yield f"it says that it is of format {number}, and does not hold what that has"
    for each, of_format in (
        (held.columns, known.columns),
        (held.references, known.references),
    ):
        for table, rows in of_format.items():
            if not set(rows) <= set(each.get(table, ())):
                yield f"the columns of its table {table} are not those it was made with"


def _steps_taken(connection: sqlite3.Connection, held: _Held) -> list[str]:
    if STEPS_TABLE not in held.columns:
        return []
    return [name for (name,) in connection.execute(_STEPS_TAKEN, (STEPS,))]


def _spoilt_views(held: _Held, number: int) -> Iterator[str]:
    for name, text in _known(number).views.items():
        if held.views.get(name) != text:
            yield spoilt_view(name)


def _spoilt_views_of_readings(
    connection: sqlite3.Connection, held: _Held, number: int
) -> Iterator[str]:
    if not number:
        return
    for (table,) in connection.execute(_READINGS_OF).fetchall():
        columns = [str(row[0]) for row in held.columns.get(table, ())]
        view = view_name(table)
        if held.views.get(view) not in texts_with_utc(table, columns):
            yield spoilt_view(view)


def spoilt_view(name: str) -> str:
    """Say that a view is not what it was made as."""
    return f"the text of its view {name} is spoilt"
