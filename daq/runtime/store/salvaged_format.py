"""Of which format is a damaged results file? The number that says so may be what is spoilt.

Every step from format to format is put down in the file together with what it does, so the steps tell, and after them
the tables. Only what has steps of which nothing is known here is of a newer version of the program.
"""

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from daq.errors import StoreForeignError, StoreTooNewError
from daq.runtime.store.pages import Image, Value
from daq.runtime.store.salvaging import FoundTable, Marks, Salvage, SchemaRow
from daq.runtime.store.schema import (
    APPLICATION_ID,
    FORMAT,
    STEPS,
    STEPS_TABLE,
    in_memory,
    step_name,
)

_OURS = frozenset({"clocks", "sessions", "trials", "channels", "averages"})


def checked_format(
    source: Path, image: Image, marks: Marks, schema: Sequence[SchemaRow]
) -> int:
    """Tell the format of what there is.

    Args:
        source: The file.
        image: Its pages.
        marks: What its head says.
        schema: Its list of tables.

    Raises:
        StoreForeignError: If it is not ours.
        StoreTooNewError: If a newer version wrote it.
    """
    steps = _steps(image, schema)
    names = {row.name for row in schema if row.kind == "table"}
    has_our_mark = marks.is_sqlite and marks.application_id == APPLICATION_ID
    if not has_our_mark and not names & _OURS:
        msg = f"{source}: not a results file, or nothing is left that tells so"
        raise StoreForeignError(msg)
    by_tables = 3 if "spans" in names else 2 if "analyses" in names else 1
    known = {step_name(each): each for each in range(1, FORMAT + 1)}
    is_newer = bool(steps - known.keys()) if steps else not _are_of(schema, by_tables)
    if has_our_mark and marks.store_format > FORMAT and names - {""} and is_newer:
        msg = (
            f"{source}: store format {marks.store_format}, this version reads up to {FORMAT}:"
            " update the program"
        )
        raise StoreTooNewError(msg)
    found = max([by_tables, *(known[each] for each in steps & known.keys())])
    # Where neither steps nor tables tell, the number is all there is.
    may_lack = has_our_mark and not steps and marks.store_format <= FORMAT
    return max(found, marks.store_format) if may_lack else found


def _steps(image: Image, schema: Sequence[SchemaRow]) -> set[str]:
    """The steps from format to format that led to the file, as far as their list can be read."""
    table = FoundTable(STEPS_TABLE)
    for row in schema:
        if row.kind == "table" and row.name == STEPS_TABLE:
            Salvage(image).follow(table, row.root, _fits_step)
    return {str(values[2]) for values in table.rows.values()}


def _fits_step(values: Sequence[Value]) -> bool:
    return len(values) == 4 and values[1] == STEPS and isinstance(values[2], str)


def _are_of(schema: Sequence[SchemaRow], store_format: int) -> bool:
    """Whether all tables of a format are there as it made them."""
    texts = {row.name: row.sql for row in schema}
    with closing(in_memory(store_format)) as reference:
        rows = reference.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
        ).fetchall()
    return all(texts.get(name) == sql for name, sql in rows)
