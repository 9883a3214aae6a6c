"""`daq salvage STORE [FILE]`."""

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.errors import InputError
from daq.runtime.store.refusing import kind_of
from daq.runtime.store.salvaged import (
    DOUBTFUL,
    SalvagedTable,
    SalvageReport,
    salvage_store,
)


def run(arguments: Sequence[str]) -> int:
    """Write what can be read of a damaged results file to a new one, and say what is lost."""
    options = _parser().parse_args(arguments)
    source = Path(options.store)
    if (kind := kind_of(source)) is not None:
        msg = f"{source}: no such file, for it is {kind}: check the name"
        raise InputError(msg)
    if not source.is_file():
        msg = f"{source}: no such file, check the name"
        raise InputError(msg)
    target = Path(options.file) if options.file else _beside(source)
    report = salvage_store(source, target)
    if options.json:
        sys.stdout.write(f"{json.dumps(_facts(source, target, report), indent=2)}\n")
    else:
        sys.stdout.writelines(f"{line}\n" for line in _lines(source, target, report))
    return 0 if report.is_whole else 1


def _beside(source: Path) -> Path:
    return source.with_name(f"{source.stem}-salvaged{source.suffix}")


def _facts(source: Path, target: Path, report: SalvageReport) -> dict[str, object]:
    return {
        "store": str(source),
        "file": str(target),
        "whole": report.is_whole,
        "tables": [
            {
                "table": table.name,
                "rows": table.rows,
                "refused": table.refused,
                "doubtful": table.doubtful,
                "lost": [{"first": first, "last": last} for first, last in table.lost],
            }
            for table in report.tables
        ],
        "marked_trials": list(report.marked_trials),
        "remarks": list(report.remarks),
    }


def _lines(source: Path, target: Path, report: SalvageReport) -> Iterator[str]:
    yield f"{target}: what could be read of {source}, which was left as it is"
    width = max((len(table.name) for table in report.tables), default=0)
    for table in report.tables:
        rows = "row" if table.rows == 1 else "rows"
        yield f"  {table.name:<{width}}  {table.rows:>9} {rows}{_lost(table)}"
    for remark in report.remarks:
        yield f"  {remark}"
    if report.marked_trials:
        numbers = ", ".join(map(str, report.marked_trials))
        yield f"  trials of which something is lost, as their notes say: {numbers}"
    yield (
        f"Other commands take {target} as they take any results file; to go on measuring into it, name it as the bench's"
        " store."
    )
    yield (
        "Nothing is lost. A value that was changed inside a row cannot be told where it is still credible."
        if report.is_whole
        else "Something is lost. A value that was changed inside a row cannot be told where it is still credible."
    )


def _lost(table: SalvagedTable) -> str:
    return "".join(f"; {part}" for part in _losses(table))


def _losses(table: SalvagedTable) -> Iterator[str]:
    if parts := [_range(first, last) for first, last in _joined(table.lost)]:
        is_shared = table.name.startswith("readings_")
        together = " (all meters are counted together)" if is_shared else ""
        yield f"rows may be missing between the numbers{together} {', '.join(parts)}"
    if table.refused:
        yield f"{table.refused} contradict others"
    if table.doubtful:
        yield (
            f"{table.doubtful} cannot be believed, for time, trial or a value is absurd: kept apart in the table {DOUBTFUL},"
            " no command counts them as readings"
        )


def _joined(lost: Sequence[tuple[int, int | None]]) -> list[tuple[int, int | None]]:
    """Ranges that follow upon each other as one: a range a page would be a long list."""
    joined: list[tuple[int, int | None]] = []
    end: int | None = None
    for first, last in lost:
        if joined and end is not None and first == end + 1:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
        end = last
    return joined


def _range(first: int, last: int | None) -> str:
    if last is None:
        return f"from {max(first, 1)} on"
    return str(first) if first == last else f"{max(first, 1)} to {last}"


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq salvage",
        description=(
            "Write what can be read of a damaged results file to a new file, page by page and row by row."
            " Readings that cannot be believed are kept apart in a table of the new file."
            " The damaged file is only read. Ends with 1 where something is lost, with 4 where nothing can be read."
        ),
    )
    parser.add_argument("store", metavar="STORE", help="the damaged results file")
    parser.add_argument(
        "file",
        metavar="FILE",
        nargs="?",
        help="new file; if absent, STORE's name with -salvaged, beside it",
    )
    parser.add_argument("--json", action="store_true", help="what was found as JSON")
    return parser
