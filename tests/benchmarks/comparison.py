"""How often a comparison is right: intervals, false "real", and whether the differences promised are found.

    python tests/benchmarks/comparison.py [--sessions 2000]

Simulated sessions with known truth (tests/core/comparison/simulated.py): a baseline and three conditions, three repeats,
a known spread between trials. Shares with Clopper and Pearson's bounds, 95 %.
"""

import argparse
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.comparison.spread import StatedSpread
from daq.comparison.verdicts import Difference, Verdict, compare_quantity
from daq.records import Accuracy
from tests.benchmarks.measuring import say, show_table
from tests.core.comparison.simulated import BASELINE, POWER, Bench, session
from tests.startups.bounds import share

CONDITIONS = ("first", "second", "third")
LEVEL = 1000.0
METER = Accuracy(percent_of_reading=0.5, counts=2, resolution=0.1, full_scale=2000.0)
BENCHES = {
    "spread 0.4 %": Bench(),
    "spread 0.4 %, meter 0.5 % + 2 counts": Bench(accuracy=METER),
    "spread 0.4 %, gain 0.5 %, offset 2 W": Bench(
        accuracy=Accuracy(gain_percent=0.5, offset=2.0)
    ),
    "spread nothing, within 0.1 %": Bench(spread=0.0),
    "2 repeats": Bench(repeats=2),
    "6 repeats": Bench(repeats=6),
}


def differences(
    truth: dict[str, float],
    bench: Bench,
    random: np.random.Generator,
    *,
    bracketing: bool = False,
    stated: StatedSpread | None = None,
) -> tuple[Difference, ...]:
    """One session, compared."""
    found = compare_quantity(
        POWER,
        session(truth, bench, random),
        baseline=BASELINE,
        bracketing=bracketing,
        stated=stated,
    )
    if found is None:
        msg = "no baseline"
        raise ValueError(msg)
    return found.differences


def random_truth(random: np.random.Generator) -> dict[str, float]:
    """Conditions anywhere from 15 % below the baseline to 5 % above."""
    return {
        BASELINE: LEVEL,
        **{name: LEVEL * (1.0 + random.uniform(-0.15, 0.05)) for name in CONDITIONS},
    }


def nothing_lost() -> dict[str, float]:
    """All conditions like the baseline."""
    return {BASELINE: LEVEL, **dict.fromkeys(CONDITIONS, LEVEL)}


def coverage(
    bench: Bench, sessions: int, seed: int, *, bracketing: bool = False
) -> tuple[int, int, int]:
    """Differences and ratios that cover the truth, of how many."""
    random = np.random.default_rng(seed)
    inside = ratios = count = 0
    for _ in range(sessions):
        truth = random_truth(random)
        for d in differences(truth, bench, random, bracketing=bracketing):
            true = truth[d.condition] - LEVEL
            inside += abs(d.difference - true) <= d.expanded_uncertainty
            if d.ratio is not None and d.ratio_expanded_uncertainty is not None:
                error = abs(d.ratio - truth[d.condition] / LEVEL)
                ratios += error <= d.ratio_expanded_uncertainty
            count += 1
    return inside, ratios, count


def false_real(
    bench: Bench, sessions: int, seed: int, *, bracketing: bool = False
) -> int:
    """Sessions without any difference in which one is called real."""
    random = np.random.default_rng(seed)
    return sum(
        any(
            d.verdict is Verdict.REAL
            for d in differences(nothing_lost(), bench, random, bracketing=bracketing)
        )
        for _ in range(sessions)
    )


def promised(bench: Bench, sessions: int, seed: int, factor: float) -> int:
    """Sessions that find a difference of `factor` times the size that a session before them stated."""
    random = np.random.default_rng(seed)
    found = 0
    for _ in range(sessions):
        before = differences(nothing_lost(), bench, random)[0]
        if before.detectable is None:
            continue
        truth = {**nothing_lost(), "first": LEVEL - factor * before.detectable}
        after = differences(truth, bench, random)
        found += after[0].verdict is Verdict.REAL
    return found


def said_without_repeats(sessions: int, seed: int) -> int:
    """Sessions with one trial a condition and a hidden spread of twice the scatter within that say "real"."""
    random = np.random.default_rng(seed)
    bench = Bench(spread=0.2, within=0.1, repeats=1)
    return sum(
        any(
            d.verdict is Verdict.REAL
            for d in differences(random_truth(random), bench, random)
        )
        for _ in range(sessions)
    )


def main() -> None:
    """Print the study."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sessions", type=int, default=2000)
    sessions = parser.parse_args().sessions
    say(f"{sessions} sessions a line, a baseline and {len(CONDITIONS)} conditions")
    show_table(
        "Intervals (goal: cover at least 93 %) and false verdicts (goal: at most 5 % of sessions)",
        (
            "sessions",
            "differences covered",
            "ratios covered",
            "called real, nothing lost",
        ),
        list(_interval_rows(sessions)),
    )
    show_table(
        "Differences of the size stated as detectable (goals: 75 to 85 %, at twice the size at least 98 %)",
        ("sessions", "found", "found at twice the size"),
        list(_promise_rows(sessions)),
    )
    never = said_without_repeats(sessions, 5)
    show_table(
        "One trial a condition, hidden spread of twice the scatter within (goal: never real)",
        ("called real",),
        [(_shown(never, sessions),)],
    )


def _interval_rows(sessions: int) -> Iterator[tuple[str, str, str, str]]:
    for name, bench in BENCHES.items():
        yield _interval_row(name, bench, sessions, bracketing=False)
    drifting = Bench(drift_per_trial=0.05)
    yield _interval_row("drift, taken out", drifting, sessions, bracketing=True)
    no_drift = replace(drifting, drift_per_trial=0.0)
    yield _interval_row("no drift, taken out", no_drift, sessions, bracketing=True)


def _interval_row(
    name: str, bench: Bench, sessions: int, *, bracketing: bool
) -> tuple[str, str, str, str]:
    inside, ratios, count = coverage(bench, sessions, 1, bracketing=bracketing)
    wrong = false_real(bench, sessions, 2, bracketing=bracketing)
    return (
        name,
        _shown(inside, count),
        _shown(ratios, count),
        _shown(wrong, sessions),
    )


def _promise_rows(sessions: int) -> Iterator[tuple[str, str, str]]:
    for name, bench in BENCHES.items():
        once, twice = (promised(bench, sessions, 3, factor) for factor in (1.0, 2.0))
        yield name, _shown(once, sessions), _shown(twice, sessions)


def _shown(hits: int, count: int) -> str:
    figure = share([True] * hits + [False] * (count - hits))
    return f"{figure.text(factor=100.0, digits=1)} %"


if __name__ == "__main__":
    main()
