"""`daq export STORE`."""

import argparse
import dataclasses
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.cli.book import stored_book
from daq.cli.saving import save_bytes, save_text
from daq.conditions import average_conditions
from daq.errors import InputError
from daq.export import (
    csv_text,
    json_document,
    render_analyses_csv,
    render_analyses_json,
    render_averages_json,
    render_averages_tidy_csv,
    render_averages_wide_csv,
    render_conditions_csv,
    render_conditions_json,
    render_readings_csv,
    render_readings_json,
    render_sessions_csv,
    render_sessions_json,
)
from daq.runtime.store import (
    read_analyses,
    read_readings,
    read_sessions,
    read_trial_averages,
    read_trials,
)
from daq.runtime.store.events import StoredEvent, read_events
from daq.workbook import write_workbook


def run(arguments: Sequence[str]) -> int:
    """Hand a stored session on."""
    options = _options(arguments)
    if options.format == "xlsx":
        book = stored_book(
            Path(options.store), options.session, analysis=options.analysis
        )
        save_bytes(Path(options.output), lambda file: write_workbook(file, book))
        return 0
    pieces = _PIECES[options.table](options)
    if options.output is None:
        for piece in pieces:
            sys.stdout.write(piece)
    else:
        save_text(Path(options.output), pieces)
    return 0


def _options(arguments: Sequence[str]) -> argparse.Namespace:
    parser = _parser()
    options = parser.parse_args(arguments)
    if options.instrument is not None and options.table != "readings":
        parser.error("--instrument chooses among readings, expected --table readings")
    if options.session is not None and options.table in {"sessions", "analyses"}:
        parser.error(
            f"--table {options.table} lists them all, expected it without --session"
        )
    if options.format == "xlsx":
        _check_workbook(parser, options)
    if options.analysis is None:
        options.analysis = 0
    elif options.table not in _OF_AN_ANALYSIS:
        parser.error(
            "--analysis chooses among averages, expected --table averages, wide or conditions"
        )
    return options


def _check_workbook(
    parser: argparse.ArgumentParser, options: argparse.Namespace
) -> None:
    if options.table != "averages":
        parser.error(
            "--format xlsx holds averages, comparison, readings, events and notes, expected it without --table"
        )
    if options.output is None:
        parser.error("--format xlsx is no text, expected --output FILE.xlsx")


def _sessions(options: argparse.Namespace) -> Iterator[str]:
    sessions = read_sessions(Path(options.store))
    if options.format == "json":
        yield render_sessions_json(sessions)
    else:
        yield render_sessions_csv(sessions)


def _analyses(options: argparse.Namespace) -> Iterator[str]:
    analyses = read_analyses(Path(options.store))
    if options.format == "json":
        yield render_analyses_json(analyses)
    else:
        yield render_analyses_csv(analyses)


def _averages(options: argparse.Namespace) -> Iterator[str]:
    store, analysis = Path(options.store), options.analysis
    rows = read_trial_averages(store, options.session, analysis=analysis)
    trials = read_trials(store, options.session, analysis=analysis)
    tidy = options.table == "averages"
    if options.format == "json":
        yield render_averages_json(rows, tidy=tidy, trials=trials)
    elif tidy:
        yield render_averages_tidy_csv(rows)
    else:
        yield render_averages_wide_csv(rows, trials=trials)


def _conditions(options: argparse.Namespace) -> Iterator[str]:
    averages = read_trial_averages(
        Path(options.store), options.session, analysis=options.analysis
    )
    rows = average_conditions(averages)
    if options.format == "json":
        yield render_conditions_json(rows)
    else:
        yield render_conditions_csv(rows)


def _readings(options: argparse.Namespace) -> Iterator[str]:
    store = Path(options.store)
    wanted = [options.instrument] if options.instrument else None
    if options.format == "csv":
        _refuse_several(store, wanted)
    read_sessions(store)  # a file that is refused is refused before anything is written
    found = read_readings(store, instruments=wanted, session=options.session)
    if options.format == "json":
        yield from render_readings_json((r.instrument, r.header, r.rows) for r in found)
        return
    for readings in found:
        yield from render_readings_csv(readings.header, readings.rows)


def _events(options: argparse.Namespace) -> Iterator[str]:
    events = read_events(Path(options.store), options.session)
    if options.format == "json":
        yield json_document({"events": [dataclasses.asdict(each) for each in events]})
        return
    names = [field.name for field in dataclasses.fields(StoredEvent)]
    yield csv_text(names, map(dataclasses.astuple, events))


def _refuse_several(store: Path, wanted: list[str] | None) -> None:
    """A CSV file has one row of names, and each instrument has columns of its own."""
    names = [r.instrument for r in read_readings(store, instruments=wanted)]
    if len(names) > 1:
        msg = (
            f"{store}: readings of {', '.join(names)}, each with columns of its own;"
            " name one with --instrument, or take --format json"
        )
        raise InputError(msg)


_PIECES = {
    "averages": _averages,
    "wide": _averages,
    "conditions": _conditions,
    "readings": _readings,
    "events": _events,
    "sessions": _sessions,
    "analyses": _analyses,
}
_OF_AN_ANALYSIS = {"averages", "wide", "conditions"}


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq export",
        description=(
            "Averages, conditions, readings, events, or the lists of sessions and analyses of a results file,"
            " for other programs."
        ),
    )
    parser.add_argument("store", metavar="STORE", help="results file")
    parser.add_argument(
        "--format",
        choices=["csv", "json", "xlsx"],
        default="csv",
        help="xlsx: one workbook with averages, comparison, readings, events and notes",
    )
    parser.add_argument(
        "--table",
        choices=list(_PIECES),
        default="averages",
        help=(
            "averages: a line a trial and channel; wide: a line a trial;"
            " conditions: a line a condition and channel, from its repeats;"
            " readings: every reading, in CSV of one instrument;"
            " events: what happened, and what was checked before;"
            " sessions, analyses: the lists of them with their numbers"
        ),
    )
    parser.add_argument(
        "--session",
        type=int,
        metavar="N",
        help=(
            "number of the session; if absent, that of the analysis or the newest,"
            " and for readings and events all sessions and what was between them"
        ),
    )
    parser.add_argument(
        "--analysis",
        type=int,
        metavar="N",
        help=(
            "number of the analysis whose averages are wanted, as --table analyses lists them;"
            " if absent, 0: what was averaged live"
        ),
    )
    parser.add_argument(
        "--instrument", metavar="NAME", help="whose readings, with --table readings"
    )
    parser.add_argument(
        "--output", metavar="FILE", help="a new file instead of standard output"
    )
    return parser
