"""`daq serve BENCH`."""

import argparse
import asyncio
import sys
from collections.abc import Sequence
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.cli.closing import closing_of_serve, telling_of_the_machine
from daq.cli.files import load_bench
from daq.cli.screens import display_for
from daq.cli.serving import add_service_options, surroundings
from daq.runtime.daemon import serve_bench


def run(arguments: Sequence[str]) -> int:
    """Poll, store and publish until stopped."""
    options = _parser().parse_args(arguments)
    bench = load_bench(Path(options.bench))
    with (
        telling_of_the_machine() as sight,
        display_for(options.bench, plain=options.plain, to_stderr=False) as display,
    ):
        sight.of(display)
        around = surroundings(options, bench, display)
        stopped_by = asyncio.run(serve_bench(around))
    closing = closing_of_serve(
        bench=options.bench, stated_store=options.store, speed=options.speed
    )
    sys.stdout.write(closing)
    return 128 + stopped_by


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq serve",
        description="Poll, store and publish a bench for as long as it runs; sessions are started and operated from the page, "
        "with `daq session`, and over MQTT where the bench file allows it.",
        epilog="Plans on offer are those beside the bench file. Never leave a running machine alone; switch off at the plug. This program only reads.",
    )
    parser.add_argument("bench", metavar="BENCH", help="bench file (TOML)")
    add_service_options(parser)
    return parser
