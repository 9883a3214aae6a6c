"""What the benchmarks share: percentiles, this process's own CPU time, waiting to a deadline, tables, goals.

No benchmark is a test: machines differ and are shared, so figures are printed and nothing is asserted. What is compared is
measured in the same run, in turns, and only ratios are held against a goal.
"""

import math
import resource
import sys
import time
from collections.abc import Sequence

_SPIN_S = 0.0002


def percentile(values: Sequence[float], percent: float) -> float:
    """Nearest-rank percentile; NaN where there is no value."""
    if not values:
        return math.nan
    rank = math.ceil(percent / 100.0 * len(values))
    return sorted(values)[max(rank, 1) - 1]


def median(values: Sequence[float]) -> float:
    """Nearest-rank median; NaN where there is no value."""
    return percentile(values, 50.0)


def cpu_s() -> float:
    """CPU time that this process has used, all its threads together [s]."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def children_cpu_s() -> float:
    """CPU time of all children that have ended [s]."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def wait_until(monotonic_s: float) -> None:
    """Wait to a moment of time.monotonic(), to some microseconds."""
    rest_s = monotonic_s - time.monotonic() - _SPIN_S
    if rest_s > 0.0:
        time.sleep(rest_s)  # noqa: TID251  # plays the wire, which is real time itself
    while time.monotonic() < monotonic_s:
        pass


def show_table(
    title: str, head: Sequence[str], rows: Sequence[Sequence[object]]
) -> None:
    """Print one table, columns under each other."""
    cells = [[str(cell) for cell in row] for row in (head, *rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(head))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        for row in cells
    ]
    rule = "-" * (sum(widths) + 2 * (len(widths) - 1))
    shown = [title, lines[0], rule, *lines[1:]]
    say("\n" + "\n".join(line.rstrip() for line in shown))


def show_goal(words: str, value: float, *, at_most: float) -> None:
    """Print a figure beside the most that it should be."""
    verdict = "met" if value <= at_most else "MISSED"
    say(f"{words}: {value:.2f}, goal at most {at_most:g}: {verdict}")


def show_least_goal(words: str, value: float, *, at_least: float) -> None:
    """Print a figure beside the least that it should be."""
    verdict = "met" if value >= at_least else "MISSED"
    say(f"{words}: {value:.2f}, goal at least {at_least:g}: {verdict}")


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()
