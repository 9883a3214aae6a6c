"""How often the mean's stated uncertainty covers the level, on steady machines, with the stop rule active.

    python tests/benchmarks/coverage_of_the_mean.py [--records 2000] [--preset standard] [--noise 1.0] [--jobs 2]

Each record is read five times a second from a level that never moves; only noise and meter differ. The rule declares, averages and
stops by itself, as in a trial, so whatever stopping early does to the coverage is in the figures. Noise is drawn in tolerances from
the ranges below (`--noise` multiplies them): large enough that the mean's uncertainty comes from the noise and not from the
rule's least uncertainty, small enough that most records are declared. In the quantised records the level lies anywhere between two
steps of half to one and a half tolerances, and the noise is 0 to 1 step; U is also told in steps. Bounds are Clopper and Pearson's, 95 %.
"""

import argparse
import functools
import multiprocessing
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.settling.parameters import Parameters
from daq.settling.presets import PRESETS
from daq.settling.record import settle_record
from tests.benchmarks.measuring import median, say, show_table
from tests.startups.bounds import Figure, mean, share
from tests.startups.meter import Meter
from tests.startups.unrest import GRID_S, correlated

TOLERANCE = 0.005
_POLL_HZ = 5.0
_LENGTH_S = 700.0
_FINE = 1e-6
"""A display's step that plays no part, in tolerances."""


@dataclass(frozen=True, slots=True)
class Case:
    """A kind of noise and meter; noise in tolerances or, where the display is coarse, in its steps."""

    words: str
    noise: tuple[float, float]
    correlation_s: float = 0.0
    refresh_s: float = 0.0
    averaging_s: float = 0.0
    coarse: bool = False

    @property
    def goal(self) -> tuple[float, float]:
        """Least and largest coverage wanted [1]."""
        return (0.93, 1.0) if self.coarse else (0.93, 0.98)


CASES = (
    Case("white", (2.5, 7.0)),
    Case("AR(1), 1 s", (0.8, 2.4), correlation_s=1.0),
    Case("AR(1), 3 s", (0.5, 1.5), correlation_s=3.0),
    Case("AR(1), 10 s", (0.3, 0.75), correlation_s=10.0),
    Case("AR(1), 20 s", (0.2, 0.45), correlation_s=20.0),
    Case("refreshes once a second", (1.0, 3.0), refresh_s=1.0),
    Case("averages over 5 s", (0.5, 1.4), averaging_s=5.0),
    Case("quantised, noise 0 to 0.2 step", (0.0, 0.2), coarse=True),
    Case("quantised, noise 0.2 to 0.45 step", (0.2, 0.45), coarse=True),
    Case("quantised, noise 0.45 to 0.7 step", (0.45, 0.7), coarse=True),
    Case("quantised, noise 0.7 to 1 step", (0.7, 1.0), coarse=True),
    Case("quantised, noise 0 to 1 step", (0.0, 1.0), coarse=True),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Of one record: the mean's error and U in tolerances, the step in tolerances, the time taken."""

    error: float
    u: float
    step: float
    taken_s: float


def run(
    index: int, *, case: Case, noise: float, parameters: Parameters
) -> Outcome | None:
    """Make and judge one record; None where it is not declared."""
    seeds = [*case.words.encode(), index]
    generator = np.random.default_rng(seeds)
    step = float(generator.uniform(0.5, 1.5)) if case.coarse else _FINE
    scatter = noise * float(generator.uniform(*case.noise))
    # In tolerances: the level lies anywhere between two steps.
    level = 1.0 / TOLERANCE + step * float(generator.uniform(0.0, 1.0))
    scatter *= step if case.coarse else 1.0
    machine = np.full(round(_LENGTH_S / GRID_S), level)
    if case.correlation_s > 0.0:
        machine += correlated(scatter, case.correlation_s)(generator, machine)
    meter = Meter(
        poll_hz=_POLL_HZ,
        step=step,
        noise=0.0 if case.correlation_s > 0.0 else scatter,
        refresh_s=case.refresh_s,
        averaging_s=case.averaging_s,
    )
    times_s, values = meter.read(generator, machine, 0.0)
    verdict = settle_record(
        times_s.tolist(),
        values.tolist(),
        tolerance=TOLERANCE,
        resolution=step,
        parameters=parameters,
        find_smallest=False,
    )
    if verdict.mean is None or verdict.expanded_uncertainty is None:
        return None
    taken_s = verdict.confirmed_s or 0.0
    return Outcome(verdict.mean - level, verdict.expanded_uncertainty, step, taken_s)


def row(case: Case, outcomes: Sequence[Outcome | None]) -> tuple[object, ...]:
    """What is shown of a case."""
    done = [o for o in outcomes if o is not None]
    covered = share([abs(o.error) <= o.u for o in done])
    u = mean([o.u for o in done])
    in_steps = mean([o.u / o.step for o in done]) if case.coarse else None
    return (
        case.words,
        f"{len(done)}/{len(outcomes)}",
        covered.text(factor=100.0, digits=1),
        _verdict(case, covered),
        f"{u.value:.3f}",
        f"{in_steps.value:.2f}" if in_steps else "",
        f"{median([o.taken_s for o in done]):.0f}",
    )


def _verdict(case: Case, covered: Figure) -> str:
    least, most = case.goal
    if not covered.allows_at_least(least):
        return "MISSED: too low"
    if not covered.allows_at_most(most):
        return "MISSED: too high"
    return "met" if least <= covered.value <= most else "met within the bounds"


def main(arguments: Sequence[str] | None = None) -> None:
    """Run all cases and print."""
    parser = argparse.ArgumentParser(description="Coverage of the mean.")
    parser.add_argument("--records", type=int, default=2000, help="a case (2000)")
    parser.add_argument("--preset", default="standard", help="of the rule (standard)")
    parser.add_argument("--noise", type=float, default=1.0, help="times as much (1)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (2)")
    options = parser.parse_args(arguments)
    chosen = PRESETS[options.preset].parameters
    rows = []
    with multiprocessing.get_context("spawn").Pool(options.jobs) as pool:
        for case in CASES:
            one = functools.partial(
                run, case=case, noise=options.noise, parameters=chosen
            )
            outcomes = pool.map(one, range(options.records), chunksize=16)
            rows.append(row(case, outcomes))
    show_table(
        f"Coverage of the mean, preset {options.preset}, goal 93 to 98 % (quantised: at least 93 %, U at most 0.6 step)",
        ("noise", "declared", "covered %", "goal", "U/tol", "U/step", "median s"),
        rows,
    )
    say("U is the mean over the records; median s: from the start to the result.")


if __name__ == "__main__":
    main()
