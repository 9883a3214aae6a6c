"""How true and how steady the time left is that the screens tell: against the true remainder, over many seeds.

    python tests/benchmarks/time_left.py [--seeds N] [--first SEED] [--trace]

Each seed is a whole session of a scenario without wires (simulated_session.py), looked at every two seconds of bench time while
it settles or averages, until the average is confirmed; what is told is the screens' own (session_lines.py). Printed are the mean
absolute error, the share of looks at which nothing is told, the rises from one look to the next that exceed 30 s, a trial, and the largest.
With --trace, what was told of every trial beside the truth, at every tenth look.
"""

import argparse
import itertools
import multiprocessing
import statistics
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.runtime.session_lines import SessionLines
from daq.trials.stages import Happening, Stage
from tests.benchmarks.measuring import say, show_table
from tests.benchmarks.simulated_session import SimulatedSession

SCENARIOS = ("leads", "filters")
JUMP_S = 30.0
"""A rise by more than this is a jump."""

_COUNTED = {Stage.SETTLING, Stage.AVERAGING}


@dataclass(frozen=True, slots=True)
class Look:
    """At one moment of a trial: time since its first look, what is told, what is true [s]; None where nothing is told."""

    at_s: float
    told_s: float | None
    true_s: float

    @property
    def error_s(self) -> float | None:
        """What is told is wrong by so much [s]; None where nothing is told."""
        return None if self.told_s is None else abs(self.told_s - self.true_s)


Trial = tuple[Look, ...]


def told_of(job: tuple[str, int]) -> list[Trial]:
    """What is told during the averaged trials of one session of a scenario and seed."""
    return _Watched(*job).trials()


def rises_s(trial: Trial) -> list[float]:
    """By how much what is told exceeds what was told before [s], wherever it does."""
    told = [look.told_s for look in trial if look.told_s is not None]
    return [b - a for a, b in itertools.pairwise(told) if b > a]


def mean_error_s(trials: Sequence[Trial]) -> float:
    """Over all looks at which something is told [s]."""
    return statistics.fmean(
        look.error_s for trial in trials for look in trial if look.error_s is not None
    )


class _Watched(SimulatedSession):
    """A session whose screens are looked at."""

    def __init__(self, scenario: str, seed: int) -> None:
        super().__init__(scenario, seed)
        self._lines = SessionLines(self._plan, self._session, 1)
        self._shown: dict[str, list[tuple[float, float | None]]] = {}

    def trials(self) -> list[Trial]:
        """Those that were averaged."""
        self.run()
        confirmed_s = {
            event.trial_id: event.at_s
            for event in self._occurrences
            if event.happening is Happening.CONFIRMED
        }
        return [
            tuple(
                Look(at_s - told[0][0], told_s, confirmed_s[trial] - at_s)
                for at_s, told_s in told
                if at_s < confirmed_s[trial]
            )
            for trial, told in self._shown.items()
            if trial in confirmed_s
        ]

    def _glance(self, now_s: float) -> None:
        super()._glance(now_s)
        told_s = self._lines.seconds_left(is_hindered=False)
        trial = self._session.trial()
        if trial is not None and self._session.stage in _COUNTED:
            self._shown.setdefault(trial.trial_id, []).append((now_s, told_s))


def main() -> int:
    """Carry out the sessions and print the table; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seeds", type=int, default=6, help="of each scenario [1]")
    parser.add_argument("--first", type=int, default=1, help="seed [1]")
    parser.add_argument("--trace", action="store_true", help="print every trial")
    given = parser.parse_args()
    jobs = [
        (scenario, seed)
        for scenario in SCENARIOS
        for seed in range(given.first, given.first + given.seeds)
    ]
    with multiprocessing.Pool() as pool:
        told = dict(zip(jobs, pool.map(told_of, jobs, chunksize=1), strict=True))
    if given.trace:
        for (scenario, seed), trials in told.items():
            for trial in trials:
                say(f"{scenario} {seed}: {_traced(trial)}")
    rows = [
        _row(scenario, [t for job in jobs if job[0] == scenario for t in told[job]])
        for scenario in SCENARIOS
    ]
    head = ("scenario", "trials", "mean error", "nothing told", "jumps a trial", "largest rise")  # fmt: skip
    show_table("Time left as it is told", head, rows)
    return 0


def _traced(trial: Trial) -> str:
    return " ".join(
        f"{look.at_s:.0f}s:{'-' if look.told_s is None else f'{look.told_s:.0f}'}({look.true_s:.0f})"
        for look in trial[::10]
    )


def _row(scenario: str, trials: Sequence[Trial]) -> tuple[str, ...]:
    rises = [rise_s for trial in trials for rise_s in rises_s(trial)]
    looks = [look for trial in trials for look in trial]
    silent = sum(look.told_s is None for look in looks) / len(looks)
    jumps = sum(rise_s > JUMP_S for rise_s in rises) / len(trials)
    return (
        scenario,
        str(len(trials)),
        f"{mean_error_s(trials):.1f} s",
        f"{silent:.0%}",
        f"{jumps:.2f}",
        f"{max(rises, default=0.0):.0f} s",
    )


if __name__ == "__main__":
    sys.exit(main())
