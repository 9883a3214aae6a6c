"""`daq report STORE`: one page that a session can be handed on with, and the same packed for publishing."""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.cli.compare import add_store_arguments
from daq.cli.published import left_out_words, pack_members, redaction_of
from daq.cli.reported import report_content
from daq.cli.saving import save_bytes, save_text
from daq.report.content import ReportContent
from daq.report.packing import write_pack
from daq.report.page import render_page
from daq.report.redacting import Private


def run(arguments: Sequence[str]) -> int:
    """Write a report of a stored session."""
    options = _options(arguments)
    store = Path(options.store)
    content = report_content(store, options.session, analysis=options.analysis)
    if options.output is not None:
        save_text(Path(options.output), [render_page(content)])
        sys.stdout.write(f"{options.output}: open it in any browser\n")
    if options.publish is not None:
        _publish(Path(options.publish), store, content, options.keep)
    return 0 if any(c.differences for c in content.comparison.comparisons) else 1


def _publish(
    pack: Path, store: Path, content: ReportContent, kept: frozenset[Private]
) -> None:
    number = content.comparison.figures.number
    redaction = redaction_of(store, number, kept)
    save_bytes(
        pack,
        lambda file: write_pack(file, pack_members(store, content, redaction)),
    )
    sys.stdout.write(
        f"{pack}: report, comparison, averages, readings and checksums; left out: {left_out_words(redaction)}.\n"
        "Names and titles are yours and cannot be judged by a program: look through it before you publish it.\n"
    )


def _options(arguments: Sequence[str]) -> argparse.Namespace:
    parser = _parser()
    options = parser.parse_args(arguments)
    if options.output is None and options.publish is None:
        parser.error("nothing to write, expected -o FILE.html or --publish FILE.zip")
    if options.keep and options.publish is None:
        parser.error(
            "--keep says what --publish leaves in, expected --publish FILE.zip"
        )
    return options


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq report",
        description=(
            "One self-contained page on a stored session: the answer, the comparison, drawings, and everything that they"
            " rest on. It needs no network and prints well."
        ),
        epilog="Exit code 1 where nothing could be held against a baseline; the page is written all the same.",
    )
    add_store_arguments(parser)
    parser.add_argument("-o", "--output", metavar="FILE.html", help="a new file")
    parser.add_argument(
        "--publish",
        metavar="FILE.zip",
        help=(
            "a new file with report, comparison, averages, readings and checksums, without paths, names of computers,"
            " serial numbers and notes"
        ),
    )
    parser.add_argument(
        "--keep",
        type=_kept,
        default=frozenset(),
        metavar="KIND,…",
        help=f"what --publish keeps all the same: {', '.join(Private)}",
    )
    return parser


def _kept(text: str) -> frozenset[Private]:
    names = [name.strip() for name in text.split(",") if name.strip()]
    unknown = [name for name in names if name not in set(Private)]
    if unknown or not names:
        msg = f"got {text!r}, expected some of {', '.join(Private)} with commas between"
        raise argparse.ArgumentTypeError(msg)
    return frozenset(Private(name) for name in names)
