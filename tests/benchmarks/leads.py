"""Leads: how often a conductor thinner than its jacket says is found, and how often a right one is accused.

    python tests/benchmarks/leads.py [--sessions N] [--seed S]

Each session is a baseline and one lead on simulated meters (tests/core/comparison/simulated_leads.py), with two
voltmeters or one, one to three repeats, 5 to 50 m of 1 to 6 mm², 3 to 13 A, a supply that wanders by 0.02 to 0.15 %, copper 0 to
20 K above the room. Half of the leads are right: between copper of the nominal area and the most that IEC 60228
allows; the other half are one size smaller, in the same range of that size. Contacts have 0 to 20 milliohms.

Counted where the tool states u(R)/R of at most 15 %, and there by how small it is; what it is not asked to tell (above 15 %) is shown
too. Shares are in %, their bounds Clopper and Pearson's, 95 %.
"""

import argparse
import itertools
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.comparison.lead_decisions import Finding
from tests.benchmarks.measuring import say, show_table
from tests.core.comparison.simulated_leads import Drawn, drawn_session
from tests.startups.bounds import share

BINS = (0.0, 0.03, 0.05, 0.08, 0.15, float("inf"))


def is_covered(drawn: Drawn) -> bool:
    """Whether the true resistance lies within U of what was found; nothing found claims nothing."""
    u, resistance = drawn.found.uncertainty, drawn.found.resistance_ohm
    if u is None or resistance is None:
        return True
    return abs(resistance - drawn.loop_ohm) <= u.expanded_uncertainty


def shown(hits: Sequence[bool]) -> str:
    """A share with its bounds [%]."""
    if not hits:
        return "-"
    return f"{share(hits).text(factor=100.0, digits=1)} of {len(hits)}"


def row(name: str, sessions: Sequence[Drawn]) -> tuple[object, ...]:
    """What a group of sessions found."""
    thin = [d.found.finding for d in sessions if d.is_thin]
    right = [d.found.finding for d in sessions if not d.is_thin]
    return (
        name,
        shown([finding is Finding.TOO_HIGH for finding in thin]),
        shown([finding is Finding.AS_IT_SHOULD_BE for finding in thin]),
        shown([finding is Finding.TOO_HIGH for finding in right]),
        shown([finding is Finding.CANNOT_TELL for finding in (*thin, *right)]),
        shown([is_covered(d) for d in sessions]),
    )


def show(sessions: Sequence[Drawn]) -> None:
    """All of it, and apart by method and by how well the resistance is known."""
    inside = [d for d in sessions if d.relative_u <= BINS[-2]]
    rows = [
        row("u(R)/R to 15 %", inside),
        row("  two voltmeters", [d for d in inside if d.how.has_supply_meter]),
        row("  one voltmeter", [d for d in inside if not d.how.has_supply_meter]),
    ]
    for low, high in itertools.pairwise(BINS):
        name = f"  {100 * low:.0f} to {100 * high:.0f} %"
        rows.append(row(name, [d for d in sessions if low < d.relative_u <= high]))
    show_table(
        f"{len(sessions)} sessions, {len(inside)} with u(R)/R of at most 15 %",
        (
            "",
            "thin one found",
            "thin one passed",
            "right one accused",
            "cannot tell",
            "within U",
        ),
        rows,
    )


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=20260)
    chosen = parser.parse_args()
    random = np.random.default_rng(chosen.seed)
    say(f"seed {chosen.seed}")
    show([drawn_session(random) for _ in range(chosen.sessions)])


if __name__ == "__main__":
    main()
