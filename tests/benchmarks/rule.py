"""The settling rule: what a poll of twelve required channels costs it live, and 10 million stored readings judged again.

    python tests/benchmarks/rule.py [--rounds N] [--trials N]

Live: twelve channels ten times a second into one SettlingGroup, as the session feeds it, and after every bin of two seconds the question
of a screen what holds each channel back; beside it, in turns, twelve windows of 600 readings by bare running sums (running_sums.py), which judge nothing. One kind
of readings settles, is averaged and confirmed, then begins anew; the others never settle. A bin is closed by one poll in twenty, which
does the judging for all. The mean is of everything, questions too. Times are the processor's, for on a machine that is shared with others anything has to wait; the longest poll
by the clock stands beside them.

Stored: see stored_readings.py.
"""

import argparse
import gc
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.settling.group import SettlingGroup
from daq.settling.phases import Phase
from daq.trials.judging import settling_group
from daq.typed import TypedReadings
from tests.benchmarks.measuring import (
    cpu_s,
    percentile,
    say,
    show_goal,
    show_table,
)
from tests.benchmarks.running_sums import RunningSums
from tests.benchmarks.stored_readings import compare_reanalysis
from tests.benchmarks.twelve_channels import (
    CHANNELS,
    NAMES,
    NEVER_SETTLED,
    POLLS_A_SECOND,
    RULES,
    SETTLING,
    polls_of,
)

_POLLS = 10_000
_WINDOW = 600


@dataclass
class Fed:
    """What some rounds came to.

    Attributes:
        polls: [1].
        cpu_s: For all of them [s].
        closing_cpu_ms: Polls that closed a bin [ms].
        closing_ms: The same by the clock [ms].
        asking_cpu_ms: What holds each channel back [ms].
        trials: [1] began.
        confirmed: [1] of them.
        withdrawn: [1] declarations.
    """

    polls: int = 0
    cpu_s: float = 0.0
    closing_cpu_ms: list[float] = field(default_factory=list)
    closing_ms: list[float] = field(default_factory=list)
    asking_cpu_ms: list[float] = field(default_factory=list)
    trials: int = 0
    confirmed: int = 0
    withdrawn: int = 0

    @property
    def mean_us(self) -> float:
        """A poll [us]."""
        return self.cpu_s / self.polls * 1e6


def feed_rule(kind: str, seed: int, fed: Fed) -> None:
    """One round with the rule: as many trials as the polls last for."""
    taken = 0
    while taken < _POLLS:
        rows = polls_of(kind, seed + taken, _POLLS - taken).tolist()
        # Readings of hours to come lie in the memory of no session: the collector of garbage shall not walk through them.
        gc.collect()
        gc.freeze()
        taken += _feed_trial(rows, fed)


def _feed_trial(rows: Sequence[Sequence[float]], fed: Fed) -> int:
    """Feed until confirmed; returns how many polls that took."""
    group = settling_group(RULES, 0.0, TypedReadings(()))
    polls_a_bin = round(group.bin_s * POLLS_A_SECOND)
    taken, trial_from_s = 0, cpu_s()
    for values in rows:
        is_closing = taken % polls_a_bin == 0 and taken > 0
        cpu_from_s = cpu_s() if is_closing else 0.0
        begin_s = time.perf_counter()
        for name, value in zip(NAMES, values, strict=True):
            group.feed(name, taken / POLLS_A_SECOND, value)
        taken += 1
        if is_closing:
            fed.closing_ms.append((time.perf_counter() - begin_s) * 1e3)
            fed.closing_cpu_ms.append((cpu_s() - cpu_from_s) * 1e3)
            fed.asking_cpu_ms.append(_ask(group) * 1e3)
        if group.phase is Phase.CONFIRMED:
            break
    fed.cpu_s += cpu_s() - trial_from_s
    fed.polls += taken
    fed.trials += 1
    fed.confirmed += group.phase is Phase.CONFIRMED
    fed.withdrawn += group.withdrawn
    return taken


def _ask(group: SettlingGroup) -> float:
    """Ask what holds each channel back; returns the time that it took [s]."""
    from_s = cpu_s()
    for name in NAMES:
        group.progress(name)
    return cpu_s() - from_s


def push_sums(seed: int) -> float:
    """One round of bare running sums; returns the time that it took [s]."""
    windows = [RunningSums(_WINDOW) for _ in NAMES]
    rows = polls_of(NEVER_SETTLED[0], seed, _POLLS).tolist()
    begin_s = cpu_s()
    for values in rows:
        for window, value in zip(windows, values, strict=True):
            window.push(value)
    return cpu_s() - begin_s


def compare_live(rounds: int) -> None:
    """Measure in turns and print."""
    kinds = {kind: Fed() for kind in (SETTLING, *NEVER_SETTLED)}
    bare_s = 0.0
    for number in range(rounds):
        bare_s += push_sums(number)
        for kind, fed in kinds.items():
            feed_rule(kind, 1000 * number, fed)
    bare_us = bare_s / (rounds * _POLLS) * 1e6
    rows = [("bare running sums", f"{bare_us:.1f}", "1.0", *[""] * 8)]
    rows += [_row(kind, fed, bare_us) for kind, fed in kinds.items()]
    show_table(
        f"A poll of {CHANNELS} required channels, {rounds} rounds of {_POLLS} polls",
        (
            *("readings", "us/poll", "x bare", "closing mean ms", "p99", "p99.9"),
            *("longest by the clock", "asking mean ms", "longest"),
            *("confirmed", "withdrawn"),
        ),
        rows,
    )
    for kind, fed in kinds.items():
        show_goal(f"{kind}: mean us a poll", fed.mean_us, at_most=50.0)
        show_goal(
            f"{kind}: p99.9 of polls that close a bin, ms",
            percentile(fed.closing_cpu_ms, 99.9),
            at_most=2.0,
        )


def _row(kind: str, fed: Fed, bare_us: float) -> tuple[str, ...]:
    closing_ms = fed.closing_cpu_ms
    return (
        kind,
        f"{fed.mean_us:.1f}",
        f"{fed.mean_us / bare_us:.1f}",
        f"{sum(closing_ms) / len(closing_ms):.2f}",
        f"{percentile(closing_ms, 99.0):.2f}",
        f"{percentile(closing_ms, 99.9):.2f}",
        f"{max(fed.closing_ms):.1f}",
        f"{sum(fed.asking_cpu_ms) / len(fed.asking_cpu_ms):.2f}",
        f"{max(fed.asking_cpu_ms):.1f}",
        f"{fed.confirmed} of {fed.trials}",
        str(fed.withdrawn),
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description="Measure what the settling rule costs."
    )
    parser.add_argument("--rounds", type=int, default=6, metavar="N")
    parser.add_argument("--trials", type=int, default=47, metavar="N")
    options = parser.parse_args()
    if options.rounds:
        compare_live(options.rounds)
    if options.trials:
        compare_reanalysis(options.trials)
    say("")


if __name__ == "__main__":
    main()
