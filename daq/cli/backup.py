"""`daq backup STORE FILE`."""

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.runtime.store.copying import CopiedStore, copy_store


def run(arguments: Sequence[str]) -> int:
    """Copy a results file and say what is in the copy."""
    options = _parser().parse_args(arguments)
    copied = copy_store(Path(options.store), Path(options.file))
    if options.json:
        facts = {"store": options.store, "file": options.file, **asdict(copied)}
        sys.stdout.write(f"{json.dumps(facts, indent=2)}\n")
    else:
        sys.stdout.write(f"{_words(options.file, copied)}\n")
    return 0


def _words(file: str, copied: CopiedStore) -> str:
    newest = (
        f"the last of {copied.newest_reading_utc}"
        if copied.newest_reading_utc
        else "none at all"
    )
    return (
        f"{file}: {copied.size_bytes / 1e6:.1f} MB, checked and sound;"
        f" sessions: {copied.sessions}; readings: {copied.readings}, {newest}"
    )


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq backup",
        description=(
            "Copy a results file as it is at one moment, also while a service writes it, and check the copy."
            " A file that is there already is never written over."
        ),
    )
    parser.add_argument("store", metavar="STORE", help="results file")
    parser.add_argument("file", metavar="FILE", help="new file for the copy")
    parser.add_argument("--json", action="store_true", help="what was copied as JSON")
    return parser
