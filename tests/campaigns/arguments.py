"""How a campaign begins and ends.

With 0 sessions, rounds or kills nothing is measured, so that is a wrong argument (exit code 2). One that an interrupt ends says that it is broken off.
"""

import argparse
import math
from collections.abc import Callable

from tests.benchmarks.measuring import say

BROKEN_OFF = 130
"""Exit code of a campaign that an interrupt ended: what it shows is no result."""


def a_count(text: str) -> int:
    """How many, at least one."""
    number = int(text)
    if number < 1:
        msg = f"must be 1 or more, got {number}: nothing would be measured"
        raise argparse.ArgumentTypeError(msg)
    return number


def a_span(text: str) -> float:
    """How long or how fast, more than nothing."""
    number = float(text)
    if not number > 0.0 or math.isinf(number):
        msg = f"must be more than 0 and have an end, got {text}: nothing would be measured"
        raise argparse.ArgumentTypeError(msg)
    return number


def unless_broken_off(main: Callable[[], int]) -> int:
    """Run a campaign; its exit code."""
    try:
        return main()
    except KeyboardInterrupt:
        say("NOT MEASURED: broken off")
        return BROKEN_OFF
