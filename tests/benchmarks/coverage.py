"""Coverage: how often the demonstration's averages hold the truth, over many seeds of noise, errors and wander.

    python tests/benchmarks/coverage.py [--seeds N] [--first SEED]

Each seed is a whole session of both scenarios without wires (simulated_session.py). Counted, for every channel: averages whose error
is within U, and within 1.7 U, the bound beyond which `daq demo` calls itself failed; and, for the channels that the trials
wait for, how often the readings' own scatter and drift are covered by the type A part alone once the meter's error, which the
simulators know, is taken out. U is for 95 %; it is larger than needed where a meter is better than its statement.

Bounds are Clopper and Pearson's, 95 %. Averages of one session share their meters' errors, so only those for whole sessions are strict.
"""

import argparse
import math
import multiprocessing
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measuring import median, percentile, say, show_table
from tests.benchmarks.simulated_session import Compared, SessionTold, SimulatedSession

SCENARIOS = ("leads", "filters")
ALLOWED = 1.7
"""As `daq demo` has it."""

_RISK = 0.05


def binomial_bounds(hits: int, tries: int) -> tuple[float, float]:
    """Two-sided 95 % bounds of a probability.

    Source:
        Clopper and Pearson, Biometrika 26 (1934) 404: the probabilities at which so many hits or more, or so many or fewer, have 2.5 %.
    """
    low, high = 0.0, 1.0
    if hits > 0:
        low = _where(lambda p: 1.0 - _at_most(hits - 1, tries, p) < _RISK / 2.0)
    if hits < tries:
        high = _where(lambda p: _at_most(hits, tries, p) > _RISK / 2.0)
    return low, high


def _at_most(hits: int, tries: int, p: float) -> float:
    return math.fsum(
        math.comb(tries, k) * p**k * (1.0 - p) ** (tries - k) for k in range(hits + 1)
    )


def _where(is_below: Callable[[float], bool]) -> float:
    low, high = 0.0, 1.0
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (middle, high) if is_below(middle) else (low, middle)
    return low


def _share(hits: Sequence[bool]) -> str:
    if not hits:
        return "-"
    low, high = binomial_bounds(sum(hits), len(hits))
    percent = 100.0 * sum(hits) / len(hits)
    return f"{percent:.1f} % ({100.0 * low:.1f} to {100.0 * high:.1f})"


def _run(job: tuple[str, int]) -> SessionTold:
    return SimulatedSession(*job).run()


def show_channels(scenario: str, sessions: Sequence[SessionTold]) -> None:
    """Coverage by channel."""
    compared = [c for session in sessions for c in session.compared]
    names = dict.fromkeys(c.channel for c in compared)
    rows = [_row(name, [c for c in compared if c.channel == name]) for name in names]
    show_table(
        f"Scenario {scenario!r}, {len(sessions)} sessions",
        ("channel", "averages", "within U", f"within {ALLOWED} U", "worst", "type A"),
        rows,
    )


def _row(name: str, compared: Sequence[Compared]) -> tuple[object, ...]:
    required = compared[0].required
    type_a = [c.scatter_in_u <= 1.0 for c in compared] if required else []
    return (
        f"{name}{' (required)' if required else ''}",
        len(compared),
        _share([c.error_in_u <= 1.0 for c in compared]),
        _share([c.error_in_u <= ALLOWED for c in compared]),
        f"{max(c.error_in_u for c in compared):.2f} U",
        _share(type_a),
    )


def show_sessions(sessions: Sequence[SessionTold]) -> None:
    """How the demonstration as a whole would have gone."""
    held = [
        session.not_settled == 0
        and all(c.error_in_u <= ALLOWED for c in session.compared)
        for session in sessions
    ]
    say(
        f"demonstrations that keep their promise: {sum(held)}/{len(held)}, {_share(held)}"
    )
    failed = [str(s.seed) for s, good in zip(sessions, held, strict=True) if not good]
    if failed:
        say(f"seeds of the others: {', '.join(failed)}")
    confirmed = [t for session in sessions for t in session.confirmed_s]
    declared = [t for session in sessions for t in session.declared_s]
    lengths = [session.length_s for session in sessions]
    say(
        f"switch-on to declared: median {median(declared):.0f} s; to confirmed: {_spread(confirmed)}; "
        f"whole session: {_spread(lengths)} of bench time"
    )
    say(
        f"declarations withdrawn: {sum(s.withdrawn for s in sessions)}; "
        f"trials without an average: {sum(s.not_settled for s in sessions)}"
    )


def _spread(values: Sequence[float]) -> str:
    return f"median {median(values):.0f}, p95 {percentile(values, 95.0):.0f}, longest {max(values, default=math.nan):.0f} s"


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the sessions on all processors and print."""
    parser = argparse.ArgumentParser(description="How often averages hold the truth.")
    parser.add_argument("--seeds", type=int, default=20, help="how many (20)")
    parser.add_argument("--first", type=int, default=1, help="the first seed (1)")
    options = parser.parse_args(arguments)
    seeds = range(options.first, options.first + options.seeds)
    jobs = [(scenario, seed) for scenario in SCENARIOS for seed in seeds]
    with multiprocessing.get_context("spawn").Pool() as pool:
        sessions = pool.map(_run, jobs, chunksize=1)
    for number, scenario in enumerate(SCENARIOS):
        part = sessions[number * len(seeds) : (number + 1) * len(seeds)]
        show_channels(scenario, part)
        show_sessions(part)
    say("")


if __name__ == "__main__":
    main()
