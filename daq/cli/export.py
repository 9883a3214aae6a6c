"""`daq export STORE`."""

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from daq.errors import InputError
from daq.export import (
    render_averages_json,
    render_averages_tidy_csv,
    render_averages_wide_csv,
    render_readings_csv,
    render_readings_json,
)
from daq.runtime.store import read_readings, read_trial_averages, read_trials


def run(arguments: Sequence[str]) -> int:
    """Hand a stored session on."""
    options = _parser().parse_args(arguments)
    pieces = _readings(options) if options.table == "readings" else _averages(options)
    if options.output is None:
        for piece in pieces:
            sys.stdout.write(piece)
    else:
        _save(Path(options.output), pieces)
    return 0


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


def _readings(options: argparse.Namespace) -> Iterator[str]:
    wanted = [options.instrument] if options.instrument else None
    found = read_readings(
        Path(options.store), instruments=wanted, session=options.session
    )
    if options.format == "json":
        yield from render_readings_json((r.instrument, r.header, r.rows) for r in found)
        return
    first = next(found, None)
    if first is not None:
        yield from render_readings_csv(first.header, first.rows)
    if (other := next(found, None)) is not None:
        msg = (
            f"{options.store}: only {first.instrument if first else ''} was written, but there are readings of "
            f"{other.instrument} too, with columns of their own; name one with --instrument, or take --format json"
        )
        raise InputError(msg)


def _save(path: Path, pieces: Iterable[str]) -> None:
    if path.exists():
        msg = f"{path}: it is there already, name another file"
        raise InputError(msg)
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            file.writelines(pieces)
    except OSError as exc:
        msg = f"{path}: cannot be written: {exc}"
        raise InputError(msg) from exc


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="daq export",
        description="Averages or readings of a stored session, for other programs.",
    )
    parser.add_argument("store", metavar="STORE", help="results file")
    parser.add_argument("--format", choices=["csv", "json"], default="csv")
    parser.add_argument(
        "--table",
        choices=["averages", "wide", "readings"],
        default="averages",
        help="averages: a line a trial and channel; wide: a line a trial; readings: every reading of one instrument",
    )
    parser.add_argument(
        "--session",
        type=int,
        metavar="N",
        help="number of the session; the newest if absent",
    )
    parser.add_argument("--instrument", metavar="NAME", help="whose readings")
    parser.add_argument(
        "--output", metavar="FILE", help="a new file instead of standard output"
    )
    return parser
