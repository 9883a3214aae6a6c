"""How often the interval of a channel that is typed by hand covers the level, over whole simulated sessions.

    python tests/benchmarks/typed_readings.py [--sessions 130] [--preset standard] [--seed 1]

Each session is a trial of the product's own: a machine whose power is polled settles while somebody reads a meter by eye when asked,
some seconds late, and types what it shows. Known are the level that the machine settles to and, of a meter with a stated accuracy, its
error. Held against the interval is that level, and beside it the mean over the window. Bounds are Clopper and Pearson's, 95 %;
the goal is 93 of 100 in each case: a case whose upper bound lies below it is named, and the exit code is 1. Takes about a twentieth of
a second a session, `--sessions` of each of the nine cases.
"""

import argparse
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.records import Accuracy, Channel, PlannedTrial, Reading, TrialAverage
from daq.settling.presets import PRESETS
from daq.trials.session import Session, SessionRules
from daq.trials.stages import Stage
from daq.trials.switching import StartRule
from tests.benchmarks.measuring import median, say, show_least_goal, show_table
from tests.startups.bounds import Figure, share

GOAL = 0.93
_LONGEST_S = 900
_OFF_S, _OFF, _ON_A = 4, 0.0, 5.0
_POWER_W, _POWER_NOISE = 1000.0, 0.001
_PLAN = (PlannedTrial(1, "a", 1, baseline=True), PlannedTrial(2, "b", 1, baseline=False))  # fmt: skip
_POWER = Channel("power", "Power", "power", "W", "", "meter", 0, Accuracy(resolution=0.1), 1.0)  # fmt: skip
_CURRENT = Channel("current", "Current", "current", "A", "", "meter", 1, Accuracy(resolution=0.01), 1.0)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Case:
    """What the machine and the person are like; shares are of the level.

    Attributes:
        words: What is shown of it.
        step: Of the display.
        noise: Standard deviation of what the display shows.
        noise_s: Its time constant; 0 for readings that have nothing to do with each other [s].
        drift: What is left of the level at switch-on, decaying.
        wave: Amplitude of a load that comes and goes.
        wave_s: Its period [s].
        stated_percent: Limits of the meter's error, which is anywhere within them [% of reading].
        misread: Readings whose last digit is off by one [1].
        missed: Askings that are not answered [1].
    """

    words: str
    step: float = 0.001
    noise: float = 0.01
    noise_s: float = 2.0
    drift: float = 0.0
    wave: float = 0.0
    wave_s: float = 12.0
    stated_percent: float = 0.0
    misread: float = 0.0
    missed: float = 0.0


CASES = (
    Case("fine display, 1 % of noise"),
    Case("coarse display, noise of a third of a step", step=0.01, noise=0.0033),
    Case("coarse display, readings mostly alike", step=0.02, noise=0.001),
    Case("drift within what is allowed", noise=0.004, drift=0.03),
    Case(
        "drift within what is allowed, hardly any noise",
        step=0.0001,
        noise=0.0005,
        drift=0.03,
    ),
    Case("a load that comes and goes every 12 s", noise=0.003, wave=0.01),
    Case("a stated accuracy of 2 %", noise=0.004, stated_percent=2.0),
    Case("one last digit in five misread", step=0.01, noise=0.005, misread=0.2),
    Case("a third of the askings not answered", missed=0.33),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Of one session [shares of the level], with the time from the declaration [s]."""

    error: float
    error_of_mean: float
    u: float
    count: int


class Typist:
    """Somebody who reads a display when asked, and types.

    Attributes:
        level: What the machine settles to [unit of the channel].
    """

    def __init__(self, case: Case, generator: np.random.Generator) -> None:
        self.case, self._generator = case, generator
        # Anywhere between two steps of the display.
        self.level = 10.0 * (1.0 + case.step * float(generator.uniform(-0.5, 0.5)))
        self._gain = 1.0 + case.stated_percent / 100.0 * generator.uniform(-1.0, 1.0)
        self._phase = generator.uniform(0.0, 2.0 * math.pi)
        self._noise = _noise(case, generator)

    def truth(self, since_on_s: float, settles_s: float) -> float:
        """What the machine does then, noise and all that comes and goes left out [unit of the channel]."""
        return self.level * (1.0 + self.case.drift * math.exp(-since_on_s / settles_s))

    def shown(self, since_on_s: float, settles_s: float) -> float:
        """What is typed of a display looked at then [unit of the channel]."""
        case = self.case
        wave = case.wave * math.sin(2.0 * math.pi * since_on_s / case.wave_s + self._phase)  # fmt: skip
        noise = float(self._noise[int(since_on_s)])
        value = self.truth(since_on_s, settles_s) + self.level * (wave + noise)
        step = 10.0 * case.step
        steps = round(value * self._gain / step)
        if self._generator.random() < case.misread:
            steps += int(self._generator.choice([-1, 1]))
        return steps * step

    def delay_s(self) -> float:
        """From the asking to the look [s]; beyond all bounds where nobody looks."""
        if self._generator.random() < self.case.missed:
            return math.inf
        return float(self._generator.uniform(2.0, 8.0))


def _noise(case: Case, generator: np.random.Generator) -> np.ndarray:
    """What the display shows too much, second by second [share of the level]."""
    keeps = math.exp(-1.0 / case.noise_s) if case.noise_s else 0.0
    last, values = float(generator.normal()), []
    for innovation in generator.normal(0.0, math.sqrt(1.0 - keeps**2), _LONGEST_S + 60):
        last = keeps * last + float(innovation)
        values.append(case.noise * last)
    return np.array(values)


def rules_of(case: Case, preset: str) -> SessionRules:
    """A plan with one polled channel and one that is typed."""
    accuracy = Accuracy(percent_of_reading=case.stated_percent, resolution=10.0 * case.step)  # fmt: skip
    typed = Channel("velocity", "Velocity", "velocity", "m/s", "", "velocity", 0, accuracy, 60.0)  # fmt: skip
    return SessionRules(
        channels=(_POWER, _CURRENT, typed),
        required=("power",),
        tolerances={"power": 0.005, "current": 0.005, "velocity": 0.01},
        start=StartRule("current", 0.8, 0.4, 2.0),
        limits=(),
        parameters=PRESETS[preset].parameters,
        target=None,
        longest_s=float(_LONGEST_S),
        typed=("velocity",),
    )


def run(case: Case, index: int, *, preset: str, seed: int) -> Outcome | None:
    """One trial; None where it has no average of the channel."""
    generator = np.random.default_rng([seed, index, *case.words.encode()])
    typist = Typist(case, generator)
    settles_s = float(generator.uniform(15.0, 45.0))
    session = Session(
        rules_of(case, preset), _PLAN, new_trial_id=lambda: f"{seed} {index}"
    )
    average = _measured(session, typist, settles_s, generator)
    if average is None:
        return None
    # Times count from the switch-on, which lies _OFF_S after the beginning.
    window = np.arange(average.window.start_s, average.window.end_s) - _OFF_S
    mean = float(np.mean([typist.truth(t, settles_s) for t in window]))
    return Outcome(
        error=(average.mean - typist.level) / typist.level,
        error_of_mean=(average.mean - mean) / typist.level,
        u=average.expanded_uncertainty / typist.level,
        count=average.count,
    )


def _measured(
    session: Session,
    typist: Typist,
    settles_s: float,
    generator: np.random.Generator,
) -> TrialAverage | None:
    asked_s, looks_s = None, math.inf
    for second in range(_LONGEST_S):
        now_s, on_s = float(second), float(second - _OFF_S)
        session.feed(Reading("meter", now_s, _polled(on_s, settles_s, generator)))
        if session.stage is Stage.DONE:
            found = session.feed(Reading("meter", now_s + 0.5, (0.0, _OFF)))
            found += session.feed(Reading("meter", now_s + 4.0, (0.0, _OFF)))
            results = [o.result for o in found if o.result is not None]
            return next((a for a in results[-1].averages if a.channel == "velocity"), None)  # fmt: skip
        asking = session.asking()
        if asking is not None and asking.since_s != asked_s:
            asked_s, looks_s = asking.since_s, now_s + typist.delay_s()
        if asking is not None and now_s >= looks_s:
            # Looked at some seconds ago, typed now.
            value = typist.shown(on_s - generator.uniform(1.0, 3.0), settles_s)
            session.feed(Reading("velocity", now_s, (value,)))
    return None


def _polled(
    on_s: float, settles_s: float, generator: np.random.Generator
) -> tuple[float, float]:
    if on_s < 0.0:
        return 0.0, _OFF
    warm = 1.0 + 0.03 * math.exp(-on_s / settles_s)
    return _POWER_W * (warm + _POWER_NOISE * float(generator.normal())), _ON_A


def row(case: Case, outcomes: Sequence[Outcome | None]) -> tuple[object, ...]:
    """What is shown of a case."""
    done = [o for o in outcomes if o is not None]
    return (
        case.words,
        f"{len(done)}/{len(outcomes)}",
        covered(done).text(factor=100.0, digits=1),
        share([abs(o.error_of_mean) <= o.u for o in done]).text(factor=100.0, digits=1),
        f"{100.0 * median([o.u for o in done]):.2f}",
        f"{median([o.count for o in done]):.0f}",
    )


def covered(done: Sequence[Outcome]) -> Figure:
    """How often the level lies within the interval."""
    return share([abs(o.error) <= o.u for o in done])


def meets_goal(outcomes: Sequence[Outcome | None]) -> bool:
    """Whether the share covered may be the goal, by its upper bound; not where no session has an average."""
    done = [o for o in outcomes if o is not None]
    return bool(done) and covered(done).allows_at_least(GOAL)


def sessions_of(case: Case, options: argparse.Namespace) -> Iterator[Outcome | None]:
    """All sessions of a case."""
    for index in range(options.sessions):
        yield run(case, index, preset=options.preset, seed=options.seed)


def main() -> int:
    """Measure every case and all together; 1 if a case misses the goal."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=130, help="of each case")
    parser.add_argument("--preset", choices=list(PRESETS), default="standard")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rows, everything, missing = [], [], []
    for case in CASES:
        outcomes = list(sessions_of(case, options))
        rows.append(row(case, outcomes))
        everything += outcomes
        if not meets_goal(outcomes):
            missing.append(case.words)
        say(" | ".join(map(str, rows[-1])))
    rows.append(row(replace(CASES[0], words="all"), everything))
    head = ("case", "averaged", "covers the level, %", "covers the window's mean, %", "U, % (median)", "readings (median)")  # fmt: skip
    show_table(f"{len(everything)} sessions, preset {options.preset}", head, rows)
    done = [o for o in everything if o is not None]
    show_least_goal("Covered, %", 100.0 * covered(done).value, at_least=100.0 * GOAL)
    say(f"Cases surely below the goal: {'; '.join(missing) or 'none'}")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
