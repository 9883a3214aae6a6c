"""`daq export STORE`."""

import argparse
import contextlib
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from daq.conditions import average_conditions
from daq.errors import InputError
from daq.export import (
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
    read_readings,
    read_sessions,
    read_trial_averages,
    read_trials,
)


def run(arguments: Sequence[str]) -> int:
    """Hand a stored session on."""
    options = _options(arguments)
    pieces = _PIECES[options.table](options)
    if options.output is None:
        for piece in pieces:
            sys.stdout.write(piece)
    else:
        _save(Path(options.output), pieces)
    return 0


def _options(arguments: Sequence[str]) -> argparse.Namespace:
    parser = _parser()
    options = parser.parse_args(arguments)
    if options.instrument is not None and options.table != "readings":
        parser.error("--instrument chooses among readings, expected --table readings")
    if options.session is not None and options.table == "sessions":
        parser.error("--table sessions lists them all, expected it without --session")
    return options


def _sessions(options: argparse.Namespace) -> Iterator[str]:
    sessions = read_sessions(Path(options.store))
    if options.format == "json":
        yield render_sessions_json(sessions)
    else:
        yield render_sessions_csv(sessions)


def _averages(options: argparse.Namespace) -> Iterator[str]:
    store = Path(options.store)
    rows = read_trial_averages(store, options.session)
    trials = read_trials(store, options.session)
    tidy = options.table == "averages"
    if options.format == "json":
        yield render_averages_json(rows, tidy=tidy, trials=trials)
    elif tidy:
        yield render_averages_tidy_csv(rows)
    else:
        yield render_averages_wide_csv(rows, trials=trials)


def _conditions(options: argparse.Namespace) -> Iterator[str]:
    rows = average_conditions(read_trial_averages(Path(options.store), options.session))
    if options.format == "json":
        yield render_conditions_json(rows)
    else:
        yield render_conditions_csv(rows)


def _readings(options: argparse.Namespace) -> Iterator[str]:
    store = Path(options.store)
    wanted = [options.instrument] if options.instrument else None
    if options.format == "csv":
        _refuse_several(store, wanted)
    found = read_readings(store, instruments=wanted, session=options.session)
    if options.format == "json":
        yield from render_readings_json((r.instrument, r.header, r.rows) for r in found)
        return
    for readings in found:
        yield from render_readings_csv(readings.header, readings.rows)


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
    "sessions": _sessions,
}


def _save(path: Path, pieces: Iterable[str]) -> None:
    """Write a new file: whole, or not at all."""
    if path.exists():
        msg = f"{path}: it is there already, name another file"
        raise InputError(msg)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with unfinished.open("w", encoding="utf-8", newline="") as file:
            file.writelines(pieces)
        unfinished.replace(path)
    except OSError as exc:
        msg = f"{path}: cannot be written: {exc.strerror or exc}"
        raise InputError(msg) from exc
    finally:
        # Gone where all went well; where its folder is no good, that was said already.
        with contextlib.suppress(OSError):
            unfinished.unlink()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="daq export",
        description="Averages, conditions, readings or the list of sessions of a results file, for other programs.",
    )
    parser.add_argument("store", metavar="STORE", help="results file")
    parser.add_argument("--format", choices=["csv", "json"], default="csv")
    parser.add_argument(
        "--table",
        choices=list(_PIECES),
        default="averages",
        help=(
            "averages: a line a trial and channel; wide: a line a trial;"
            " conditions: a line a condition and channel, from its repeats;"
            " readings: every reading, in CSV of one instrument; sessions: the list of them with their numbers"
        ),
    )
    parser.add_argument(
        "--session",
        type=int,
        metavar="N",
        help=(
            "number of the session; if absent, the newest,"
            " and for readings all sessions and what was read between trials"
        ),
    )
    parser.add_argument(
        "--instrument", metavar="NAME", help="whose readings, with --table readings"
    )
    parser.add_argument(
        "--output", metavar="FILE", help="a new file instead of standard output"
    )
    return parser
