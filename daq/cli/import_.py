"""`daq import STORE FILE…`: a meter that keeps its own log, into a session or as a session of its own."""

import argparse
import io
import math
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.cli.imported_columns import known_channels, stated_accuracy, wanted_column
from daq.cli.imported_doubts import expect_units_of_names
from daq.cli.imported_into import FOUND, OFFSET_IS_RIGHT, import_into
from daq.cli.imported_logs import read_logs
from daq.cli.imported_new import make_session
from daq.cli.imported_words import (
    is_settled,
    render_into,
    render_into_json,
    render_made,
    render_made_json,
)
from daq.cli.reanalysed import exit_code
from daq.logs.stamps import DateOrder, HourJump

_ONLY_WITH_PLAN = ("order", "skip_run", "began")
_ONLY_WITHOUT = ("session", "required")


def run(arguments: Sequence[str]) -> int:
    """Import logs; 0 where every trial has settled, 1 where one has not."""
    parser = _parser()
    options = parser.parse_args(arguments)
    _expect_fitting(parser, options)
    known = known_channels(
        bench=Path(options.bench) if options.bench else None,
        profiles=[Path(name) for name in options.profile],
        accuracies=options.accuracy,
        zeros=options.zero,
    )
    _expect_known(parser, options)
    logs = read_logs(options, known)
    expect_units_of_names(logs, options.as_stated)
    if options.plan is None:
        found = import_into(options, logs)
        text = render_into_json(found) if options.json else render_into(found)
        sys.stdout.write(text)
        return exit_code(found.found)
    made = make_session(options, logs)
    text = render_made_json(made) if options.json else render_made(made, options.store)
    sys.stdout.write(text)
    return 0 if is_settled(made) else 1


def _expect_fitting(
    parser: argparse.ArgumentParser, options: argparse.Namespace
) -> None:
    """Options that mean nothing here are refused rather than overlooked."""
    names = _ONLY_WITHOUT if options.plan else _ONLY_WITH_PLAN
    where = "without" if options.plan else "with"
    for name in names:
        if getattr(options, name):
            parser.error(f"argument --{name.replace('_', '-')}: only {where} --plan")
    if options.offset_is_right and not any(o is not None for o in options.offset):
        parser.error(f"argument {OFFSET_IS_RIGHT}: only with --offset SECONDS")
    if options.off_below is not None and options.on_above is None:
        parser.error("argument --off-below: only with --on-above")
    if options.off_below is not None and options.off_below > options.on_above:
        parser.error("argument --off-below: above --on-above, expected it at or below")


def _expect_known(parser: argparse.ArgumentParser, options: argparse.Namespace) -> None:
    """What is said of a channel is said of one that is imported."""
    names = [each.name for each in options.column]
    said = [("accuracy", name) for name, _ in options.accuracy]
    said += [("zero", name) for name in options.zero]
    said += [("as-stated", name) for name in options.as_stated]
    for option, name in said:
        if name not in names:
            parser.error(
                f"argument --{option}: no channel {name!r} is imported, expected one of {', '.join(names)}"
            )


# ---- options


def _offset(text: str) -> float | None:
    return None if text == FOUND else _number(text)


def _number(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        msg = f"got {text}, expected a number"
        raise argparse.ArgumentTypeError(msg)
    return number


def _line(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        msg = f"got {text!r}, expected the number of a line, from 1"
        raise argparse.ArgumentTypeError(msg)
    return int(text)


def _encoding(text: str) -> str:
    try:
        # Refuses codecs of other things than text, too.
        io.TextIOWrapper(io.BytesIO(), encoding=text)
    except (LookupError, ValueError) as exc:
        msg = f"got {text!r}, expected a text encoding like cp1252, cp850 or utf-16"
        raise argparse.ArgumentTypeError(msg) from exc
    return text


def _moment(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as exc:
        msg = f"got {text!r}, expected a date and time like 2026-03-01T12:00:00+01:00"
        raise argparse.ArgumentTypeError(msg) from exc
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq import",
        description=(
            "Readings of a meter's own log into a session that is in the store, which is then analysed again; with"
            " --plan a whole session from logs alone. The log's clock is set by the switchings that both saw."
        ),
        epilog=(
            "Nothing is imported twice: a log's content is remembered. Exit code 1 where a trial has not settled."
        ),
    )
    parser.add_argument("store", metavar="STORE", help="results file")
    parser.add_argument(
        "files", nargs="+", metavar="FILE", help="log: CSV, a meter a file"
    )
    parser.add_argument(
        "--column",
        action="append",
        required=True,
        type=wanted_column,
        metavar="COLUMN=CHANNEL:UNIT:PLACE",
        help=(
            'column that becomes a channel, like "Power=power:W:machine end"; may be repeated; of several files,'
            " NUMBER/COLUMN names one"
        ),
    )
    _add_reading_options(parser)
    _add_clock_options(parser)
    _add_channel_options(parser)
    _add_session_options(parser)
    parser.add_argument(
        "--dry-run", action="store_true", help="show what would come out, keep nothing"
    )
    parser.add_argument(
        "--json", action="store_true", help="the same facts for programs"
    )
    return parser


def _add_reading_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("how the log is read")
    group.add_argument(
        "--time",
        metavar="COLUMN",
        help="name or number of the column of times, or of two, like Datum+Uhrzeit; if absent, the first called so",
    )
    group.add_argument(
        "--header",
        action="append",
        default=[],
        type=_line,
        metavar="LINE",
        help=(
            "number of the line with the names of the columns; found by the names that are wanted, if absent; once for all"
            " files, or once a file"
        ),
    )
    group.add_argument(
        "--encoding",
        action="append",
        default=[],
        type=_encoding,
        metavar="NAME",
        help=(
            "of the text, like cp1252; if absent, UTF-8, or what a byte-order mark tells; once for all files, or once a file"
        ),
    )
    group.add_argument(
        "--dates",
        type=DateOrder,
        choices=list(DateOrder),
        help="whether 03/04/2026 begins with the day or the month, where the log does not tell",
    )
    group.add_argument(
        "--hour-jump",
        type=HourJump,
        choices=list(HourJump),
        help="what a step of just an hour is: the clock was changed for summer time, or the log paused",
    )
    group.add_argument(
        "--skip-bad-lines",
        action="store_true",
        help="a line that cannot be read is a gap, counted and told, instead of an error",
    )


def _add_clock_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("how its clock is set")
    group.add_argument(
        "--offset",
        action="append",
        default=[],
        type=_offset,
        metavar="SECONDS",
        help=(
            "what is to be added to the log's times to make them the session's (UTC for times with a date, else seconds"
            f" since the session began); {FOUND!r}, from the switchings, if absent; once for all files, or once a file;"
            " with --plan the log that has the start channel sets the clock of the others"
        ),
    )
    group.add_argument(
        OFFSET_IS_RIGHT,
        action="store_true",
        help="take a stated offset that most switchings gainsay; analysis and events say so",
    )
    group.add_argument(
        "--edges",
        action="append",
        default=[],
        metavar="COLUMN",
        help="column that tells the switchings; if absent, the first imported one that shows two levels",
    )
    group.add_argument(
        "--on-above",
        type=_number,
        metavar="VALUE",
        help=(
            "in that column: on above this; if absent, from the two levels that it shows, of which the one further from"
            " zero is on, be it suction below zero"
        ),
    )
    group.add_argument(
        "--off-below",
        type=_number,
        metavar="VALUE",
        help="and off below this; the same if absent",
    )


def _add_channel_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("what is known of the meter")
    group.add_argument(
        "--meter",
        action="append",
        default=[],
        metavar="NAME",
        help="name of the meter, one a file in their order; the file's name if absent",
    )
    group.add_argument(
        "--accuracy",
        action="append",
        default=[],
        type=stated_accuracy,
        metavar="CHANNEL=TERMS",
        help="maker's limits, like power=0.5%%+2d: percent of reading, digits (d), a number in its unit; may be repeated",
    )
    group.add_argument(
        "--profile",
        action="append",
        default=[],
        metavar="FILE",
        help="profile whose fields have the channels' names: units and accuracy",
    )
    group.add_argument(
        "--bench",
        metavar="BENCH",
        help="bench whose channels have the same names: titles, units, places, accuracy",
    )
    group.add_argument(
        "--as-stated",
        action="append",
        default=[],
        metavar="CHANNEL",
        help=(
            "its unit is as --column says, whatever the column's name or other channels at its place make likely;"
            " may be repeated"
        ),
    )
    group.add_argument(
        "--zero",
        action="append",
        default=[],
        metavar="CHANNEL",
        help="what it reads with the machine off is its zero and is taken off; may be repeated",
    )


def _add_session_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("which session")
    group.add_argument(
        "--session",
        type=int,
        metavar="N",
        help="number of the session; the newest that has trials, if absent",
    )
    group.add_argument(
        "--required",
        action="append",
        default=[],
        metavar="CHANNEL",
        help="analyse again as if trials had waited for this channel, and for no other not named so; may be repeated",
    )
    group.add_argument(
        "--plan",
        metavar="PLAN",
        help="make a session of its own by this plan, from the logs alone",
    )
    group.add_argument(
        "--order",
        metavar="NAMES",
        help="conditions in the order they were run, parted by commas; the plan's order if absent",
    )
    group.add_argument(
        "--skip-run",
        action="append",
        type=int,
        default=[],
        metavar="N",
        help="this run of the log counts for nothing; may be repeated",
    )
    group.add_argument(
        "--began",
        type=_moment,
        metavar="TIME",
        help="when the log began, where it does not tell, like 2026-03-01T12:00:00+01:00",
    )
