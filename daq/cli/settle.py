"""`daq settle FILE`: the settling rule on any file of times and values."""

import argparse
import dataclasses
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.cli.plot import KINDS, Picture, save_plot
from daq.cli.verdict import (
    Judgement,
    judged_by,
    render_json,
    render_words,
    verdict_line,
)
from daq.delimited import MeterLog, parse_log
from daq.errors import InputError
from daq.settling.options import OptionError, options_from_words, with_options
from daq.settling.parameters import Parameters
from daq.settling.presets import PRESETS
from daq.settling.record import RecordVerdict, settle_record
from daq.settling.verdicts import HeldBackBy

_STANDARD_INPUT = "-"


def run(arguments: Sequence[str]) -> int:
    """Judge one file; 0 where it settled, 1 where it did not."""
    parser = _parser()
    options = parser.parse_args(arguments)
    if options.presets:
        sys.stdout.write(_presets_json() if options.json else _presets_table())
        return 0
    if options.file is None:
        parser.error("no file, expected FILE or - for standard input")
    parameters = _parameters(parser, options)
    source, content = _read(options.file)
    log = parse_log(content, source=source, time=options.time, value=options.value)
    judgement = _judge(source, log, options, parameters)
    if options.plot is not None:
        save_plot(_picture(judgement, even_so=options.even_so), options.plot)
        sys.stderr.write(f"wrote {options.plot}\n")
    render = render_json if options.json else render_words
    sys.stdout.write(render(judgement, even_so=options.even_so))
    return 0 if judgement.verdict.settled else 1


def _judge(
    source: str, log: MeterLog, options: argparse.Namespace, parameters: Parameters
) -> Judgement:
    is_estimated = options.resolution is None
    resolution = log.smallest_step if is_estimated else options.resolution
    return Judgement(
        source=source,
        log=log,
        preset=options.preset,
        changed=tuple(options.rule),
        tolerance=options.tol,
        resolution=resolution,
        resolution_is_estimated=is_estimated,
        start_above=options.start_above,
        verdict=_verdict(log, options, resolution, parameters),
    )


def _verdict(
    log: MeterLog,
    options: argparse.Namespace,
    resolution: float,
    parameters: Parameters,
) -> RecordVerdict:
    begin, end = 0, len(log.values)
    if options.start_above is not None:
        stretch = log.stretch_above(options.start_above)
        if stretch is None:
            return RecordVerdict(settled=False, why_not=HeldBackBy.NO_LOAD)
        begin, end = stretch
    verdict = settle_record(
        log.times_s[begin:end],
        log.values[begin:end],
        tolerance=options.tol,
        resolution=resolution,
        parameters=parameters,
    )
    if end < len(log.values) and _runs_to_its_end(verdict):
        return replace(verdict, switched_off_s=log.times_s[end])
    return verdict


def _runs_to_its_end(verdict: RecordVerdict) -> bool:
    return verdict.switched_off_s is None and verdict.silence is None


def _parameters(
    parser: argparse.ArgumentParser, options: argparse.Namespace
) -> Parameters:
    try:
        changes = options_from_words(options.rule)
        return with_options(PRESETS[options.preset].parameters, changes)
    except OptionError as exc:
        parser.error(f"argument --rule: {exc}")


def _read(file: str) -> tuple[str, bytes]:
    """What to call it, and its content."""
    if file == _STANDARD_INPUT:
        return "standard input", sys.stdin.buffer.read()
    path = Path(file)
    try:
        return file, path.read_bytes()
    except FileNotFoundError as exc:
        msg = f"{path}: no such file, check the name"
        raise InputError(msg) from exc
    except OSError as exc:
        msg = f"{path}: cannot be read: {exc.strerror or exc}"
        raise InputError(msg) from exc


def _picture(judgement: Judgement, *, even_so: bool) -> Picture:
    log = judgement.log
    since = log.first_timestamp
    return Picture(
        title=verdict_line(judgement),
        subtitle=f"{Path(judgement.source).name}: {judged_by(judgement)}",
        time_label=f"time / s since {since}" if since else "time / s",
        value_label=log.value_column,
        times_s=log.times_s,
        values=log.values,
        tolerance=judgement.tolerance,
        verdict=judgement.verdict,
        even_so=even_so,
    )


# ---- presets


def _presets_table() -> str:
    head = ("preset", "false settles", "time to result", "uncertainty", "for")
    rows = [
        (
            preset.name,
            f"{preset.false_settle_percent:g} %",
            f"{preset.time_to_result_s:.0f} s",
            f"{preset.uncertainty_percent:g} %",
            preset.purpose,
        )
        for preset in PRESETS.values()
    ]
    widths = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head) - 1)]
    lines = [
        "  ".join([*(c.ljust(w) for c, w in zip(row, widths, strict=False)), row[-1]])
        for row in (head, *rows)
    ]
    studies = dict.fromkeys(preset.study for preset in PRESETS.values())
    return "\n".join([*lines, "", *(f"Measured: {study}" for study in studies), ""])


def _presets_json() -> str:
    listed = [dataclasses.asdict(preset) for preset in PRESETS.values()]
    return json.dumps({"presets": listed}, ensure_ascii=False, indent=1) + "\n"


# ---- options


def _tolerance(text: str) -> float:
    number = _finite(text, "a share above 0 and below 1, like 0.005 for half a percent")
    if not 0.0 < number < 1.0:
        msg = f"got {text}, expected a share above 0 and below 1, like 0.005 for half a percent"
        raise argparse.ArgumentTypeError(msg)
    return number


def _resolution(text: str) -> float:
    number = _finite(text, "the display's step, 0 or more")
    if number < 0.0:
        msg = f"got {text}, expected the display's step, 0 or more"
        raise argparse.ArgumentTypeError(msg)
    return number


def _any_number(text: str) -> float:
    return _finite(text, "a number in the unit of the values")


def _finite(text: str, expected: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        msg = f"got {text}, expected {expected}"
        raise argparse.ArgumentTypeError(msg)
    return number


def _plot_file(text: str) -> Path:
    path = Path(text)
    if path.suffix[1:].lower() not in KINDS:
        msg = f"got {text}, expected a name that ends in .{' or .'.join(KINDS)}"
        raise argparse.ArgumentTypeError(msg)
    return path


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq settle",
        description=(
            "The settling rule on any CSV file: has it settled, when, at which level and how sure is that."
            " Exit code 0 settled, 1 not settled, 2 bad input."
        ),
    )
    parser.add_argument(
        "file",
        nargs="?",
        metavar="FILE",
        help="CSV in UTF-8, columns parted by commas, semicolons or tabs; - for standard input",
    )
    parser.add_argument(
        "--time",
        metavar="COLUMN",
        help=(
            "name or number of the column of times: seconds (from any beginning, also since 1970), or time stamps of"
            " year, month, day like 2026-03-01T12:00:00Z; if absent, the first called so (at_s before utc)"
        ),
    )
    parser.add_argument(
        "--value",
        metavar="COLUMN",
        help="name or number of the column of values; if absent, the only other column of numbers",
    )
    parser.add_argument(
        "--tol",
        type=_tolerance,
        default=0.005,
        metavar="SHARE",
        help="largest drift that still counts as settled, as a share of the level (%(default)s)",
    )
    parser.add_argument(
        "--resolution",
        type=_resolution,
        metavar="STEP",
        help="smallest step of the meter's display; if absent, from the numbers in the file",
    )
    parser.add_argument(
        "--start-above",
        type=_any_number,
        metavar="VALUE",
        help=(
            "the record counts from where the values first stay above this, and to where they no longer do:"
            " what is drawn in standby is not judged"
        ),
    )
    parser.add_argument(
        "--preset",
        choices=list(PRESETS),
        default="standard",
        help="how long it may take and how sure it must be (%(default)s); --presets lists them",
    )
    parser.add_argument(
        "--rule",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="set one parameter of the rule otherwise than the preset; may be repeated",
    )
    parser.add_argument(
        "--even-so",
        action="store_true",
        help="where it did not settle, average its last stretch, marked as not settled, drift included in U",
    )
    parser.add_argument("--json", action="store_true", help="JSON for programs")
    parser.add_argument(
        "--plot",
        type=_plot_file,
        metavar="FILE",
        help="also draw readings, window, mean and bands into an .svg or .png file",
    )
    parser.add_argument(
        "--presets", action="store_true", help="list the presets with measured figures"
    )
    return parser
