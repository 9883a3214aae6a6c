"""Leads: how often a conductor thinner than its jacket says is found, and how often a right one is accused.

    python tests/benchmarks/leads.py [--sessions N] [--seed S]

Each session is a baseline and one lead on simulated meters (tests/core/comparison/simulated_leads.py), with two
voltmeters or one, one to three repeats, 5 to 50 m of 1 to 6 mm², 3 to 13 A, a supply that wanders by 0.02 to 0.15 %, copper 0 to
20 K above the room. Half of the leads are right: between copper of the nominal area and the most that IEC 60228
allows; the other half are one size smaller, in the same range of that size. Contacts have 0 to 20 milliohms.

Counted where the tool states u(R)/R of at most 15 %, and there by how small it is; what it is not asked to tell (above 15 %) is shown
too. Bounds are Clopper and Pearson's, 95 %.
"""

import argparse
import itertools
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.comparison.lead_decisions import Finding
from daq.comparison.rules import LeadFacts
from tests.benchmarks.coverage import binomial_bounds
from tests.benchmarks.measuring import say, show_table
from tests.core.comparison.simulated_leads import (
    MOST_OHM_PER_KM,
    SMALLER,
    Circumstances,
    session,
)

BINS = (0.0, 0.03, 0.05, 0.08, 0.15, float("inf"))


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one session found, and what was true."""

    is_thin: bool
    has_supply_meter: bool
    relative_u: float
    finding: Finding
    is_covered: bool = True


def outcome(random: np.random.Generator) -> Outcome:
    """Draw a session and carry it out."""
    how = Circumstances(
        nominal_v=float(random.choice([120.0, 230.0])),
        current_a=random.uniform(3.0, 13.0),
        power_factor=random.uniform(0.85, 0.99),
        wander_percent=random.uniform(0.02, 0.15),
        wiring_ohm=random.uniform(0.1, 0.6),
        idle_s=random.uniform(15.0, 60.0),
        warming_k=random.uniform(0.0, 20.0),
        noise_v=random.uniform(0.01, 0.08),
        has_supply_meter=bool(random.integers(2)),
        repeats=int(random.integers(1, 4)),
    )
    jacket = float(random.choice(sorted(SMALLER)))
    length_m = random.uniform(5.0, 50.0)
    is_thin = bool(random.integers(2))
    real = SMALLER[jacket] if is_thin else jacket
    ohm_per_km = random.uniform(17.241 / real, MOST_OHM_PER_KM[real])
    loop = 2.0 * length_m * ohm_per_km / 1000.0 + random.uniform(0.0, 0.02)
    report = session(LeadFacts(area_mm2=jacket, length_m=length_m), loop, how, random)
    found = report.findings[1]
    if found.resistance_ohm is None or found.uncertainty is None:
        return Outcome(is_thin, how.has_supply_meter, np.inf, found.finding)
    u = found.uncertainty
    relative = (
        u.std_uncertainty / found.resistance_ohm
        if found.resistance_ohm > 0.0
        else np.inf
    )
    covered = abs(found.resistance_ohm - loop) <= u.expanded_uncertainty
    return Outcome(is_thin, how.has_supply_meter, relative, found.finding, covered)


def share(hits: Sequence[bool]) -> str:
    """A share with its bounds."""
    if not hits:
        return "-"
    low, high = binomial_bounds(sum(hits), len(hits))
    percent = 100.0 * sum(hits) / len(hits)
    return f"{percent:.1f} % ({100 * low:.1f} to {100 * high:.1f}) of {len(hits)}"


def row(name: str, outcomes: Sequence[Outcome]) -> tuple[object, ...]:
    """What a group of sessions found."""
    thin = [o for o in outcomes if o.is_thin]
    right = [o for o in outcomes if not o.is_thin]
    told = [o for o in thin if o.finding is not Finding.CANNOT_TELL]
    return (
        name,
        share([o.finding is Finding.TOO_HIGH for o in thin]),
        share([o.finding is Finding.TOO_HIGH for o in told]),
        share([o.finding is Finding.TOO_HIGH for o in right]),
        share([o.finding is Finding.CANNOT_TELL for o in outcomes]),
        share([o.is_covered for o in outcomes]),
    )


def show(outcomes: Sequence[Outcome]) -> None:
    """All of it, and apart by method and by how well the resistance is known."""
    inside = [o for o in outcomes if o.relative_u <= BINS[-2]]
    rows = [
        row("u(R)/R to 15 %", inside),
        row("  two voltmeters", [o for o in inside if o.has_supply_meter]),
        row("  one voltmeter", [o for o in inside if not o.has_supply_meter]),
    ]
    for low, high in itertools.pairwise(BINS):
        name = f"  {100 * low:.0f} to {100 * high:.0f} %"
        rows.append(row(name, [o for o in outcomes if low < o.relative_u <= high]))
    show_table(
        f"{len(outcomes)} sessions, {len(inside)} with u(R)/R of at most 15 %",
        (
            "",
            "thin one found",
            "found, if told",
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
    show([outcome(random) for _ in range(chosen.sessions)])


if __name__ == "__main__":
    main()
