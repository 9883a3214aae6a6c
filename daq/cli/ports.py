"""`daq ports`: every serial adapter, and which of them is which."""

import argparse
import asyncio
import json
import sys
from collections.abc import Awaitable, Callable, Sequence

from daq.cli.arguments import CommandParser, number_between
from daq.cli.ports_words import (
    as_facts,
    as_text,
    built_in,
    change_words,
    short,
    troubles,
)
from daq.runtime.ports.adapters import Found, find_adapters
from daq.runtime.ports.plugs import PlugWatch
from daq.runtime.ports.system import System

_LOOK_EVERY_S = 0.5
_WATCH_S = 120.0
_LONGEST_S = 3600.0

Sleep = Callable[[float], Awaitable[None]]


def run(
    arguments: Sequence[str],
    *,
    system: System | None = None,
    sleep: Sleep = asyncio.sleep,
) -> int:
    """List adapters, or watch which is unplugged.

    Args:
        arguments: Of the command line.
        system: The computer, unless another is laid out in a folder.
        sleep: Passes the time between two looks.
    """
    options = _parser().parse_args(arguments)
    computer = system or System()
    if options.which:
        return asyncio.run(_watch(computer, options.seconds, sleep))
    found = find_adapters(computer)
    if options.json:
        facts = json.dumps(as_facts(found), ensure_ascii=False, indent=1)
        sys.stdout.write(facts + "\n")
    else:
        sys.stdout.write(as_text(found))
    return 0 if _is_in_order(found) else 3


def _is_in_order(found: Found) -> bool:
    """Whether there is a port, and nothing stands in the way of any."""
    if found.portless or not found.adapters:
        return False
    return not any(troubles(adapter) for adapter in found.adapters)


async def _watch(system: System, seconds: float, sleep: Sleep) -> int:
    """Tell what is unplugged and what comes back, until all is there again."""
    found = find_adapters(system)
    usb = [adapter for adapter in found.adapters if adapter.is_usb]
    if not usb:
        sys.stdout.write(built_in(found.adapters))
        sys.stdout.write(as_text(Found((), found.portless, found.is_container)))
        return 3
    _say(
        "".join(f"{short(adapter)}\n" for adapter in usb)
        + "\nUnplug one now, and plug it into the same socket again."
        f" Watching for {seconds:g} s; Ctrl-C ends it.\n"
    )
    watch = PlugWatch(usb)
    for _ in range(round(seconds / _LOOK_EVERY_S)):
        await sleep(_LOOK_EVERY_S)
        for change in watch.look(find_adapters(system).adapters):
            _say(change_words(change))
        if watch.is_whole_again:
            _say("All of them are there again.\n")
            return 0
    _say(_time_is_up(watch))
    return 1


def _time_is_up(watch: PlugWatch) -> str:
    if not watch.missing:
        return "Time is up; nothing was unplugged.\n"
    listed = "; ".join(short(adapter) for adapter in watch.missing)
    return f"Time is up; not plugged in again: {listed}\n"


def _say(text: str) -> None:
    sys.stdout.write(text)
    sys.stdout.flush()


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq ports",
        description="Every serial adapter: chip, serial number, paths that stay, who holds it, what stands in the way,"
        " and the line to write into a bench file. No port is opened.",
    )
    how = parser.add_mutually_exclusive_group()
    how.add_argument(
        "--which",
        action="store_true",
        help="watch while you unplug an adapter and plug it in again: says which one it is",
    )
    how.add_argument(
        "--json",
        action="store_true",
        help="print the same facts as JSON on standard output",
    )
    parser.add_argument(
        "--seconds",
        type=number_between(_LOOK_EVERY_S, _LONGEST_S),
        default=_WATCH_S,
        help="how long to watch with --which (default %(default)g)",
    )
    return parser
