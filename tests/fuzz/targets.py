"""Every target by its name: which function takes an input, what its parser is made of, and with what a fuzzer begins.

Modules are named, not imported: a fuzzer must instrument the parsers before anything imports them.
"""

import importlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from tests.fuzz.seeds import text_seeds, wire_seeds


@dataclass(frozen=True)
class Target:
    """One parser under test.

    Attributes:
        module: Holds a function of the target's name.
        parsers: Packages whose branches count; whole ones, and never the harness.
        seeds: What a fuzzer begins with.
        longest: Input that is tried [byte].
        inputs: That a whole campaign tries [1]; None where it is bounded by time.
        minutes: That a whole campaign takes; None where it is bounded by inputs.
    """

    name: str
    module: str
    parsers: tuple[str, ...]
    seeds: Callable[[], Sequence[bytes]]
    longest: int
    inputs: int | None = None
    minutes: float | None = None

    def function(self) -> Callable[[bytes], object]:
        """Takes an input; raises AssertionError, or whatever the parser let out, if something is wrong."""
        found: Callable[[bytes], object] = getattr(
            importlib.import_module(self.module), self.name
        )
        return found


def _wire(name: str, module: str) -> Target:
    seeds = partial(wire_seeds, name)
    module = f"tests.fuzz.{module}"
    return Target(name, module, ("daq",), seeds, 64, inputs=10_000_000)


def _timed(name: str, module: str, *more_parsers: str, longest: int = 256) -> Target:
    seeds = partial(text_seeds, name)
    parsers = ("daq", *more_parsers)
    return Target(name, f"tests.fuzz.{module}", parsers, seeds, longest, minutes=20.0)


TARGETS = {
    target.name: target
    for target in (
        _wire("modbus_rtu", "registers"),
        _wire("modbus_ascii", "registers"),
        _wire("query_lines", "lines"),
        _wire("streamed_lines", "lines"),
        _wire("checked_lines", "lines"),
        _wire("polled_frames", "frames"),
        _wire("streamed_frames", "frames"),
        _timed("heard_lines", "texts"),
        _timed("bench_file", "texts", "tomllib"),
        _timed("profile_file", "texts", "tomllib"),
        _timed("plan_file", "texts", "tomllib"),
        _timed("meter_log", "texts"),
        _timed("whole_log", "whole_logs"),
        _timed("checks_file", "entries", "tomllib"),
        _timed("typed_reading", "entries", longest=96),
        _timed("broker_ask", "payloads"),
        _timed("followed", "payloads"),
        _timed("page", "page", "h11", longest=600),
    )
}
