"""Sessions made of log files alone, with a known truth: how often the averages' intervals and the offsets' hold it.

    python tests/benchmarks/imported.py [--sessions 200] [--seed 1]

Each session is four runs of two conditions, logged by a mains meter and by an air meter whose clock is off by up to two
hours, gains or loses, and shows whole seconds. `daq import` makes a session of the two files. Of every average it is
counted whether its interval holds the settled level; of every clock whether the offset that was found is right within
its uncertainty, at both ends of the log. In every other session the meters are free of error and no accuracy is stated,
so that the scatter alone has to account for the averages. In every third session the air meter logs a reading each 5 to
12 s only, too few for the settling rule, of a machine that warms up slowly by 3 %; its log goes into the session that was
made of the mains meter's, and what a plain re-analysis says after it must be the same.

The goal is that of every kind of averages and of offsets 93 of 100 intervals hold the truth, and that every re-analysis
agrees. Ends with 1 if one is missed. How many clocks were found, switchings matched and trials settled is told and has
no goal: a clock that cannot be told is refused, and what was not found is not wrong. It takes three minutes.
"""

import argparse
import contextlib
import io
import json
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.cli import reanalyse
from daq.cli.import_ import run
from daq.errors import InputError

GOAL = 0.93
BEGAN_S = datetime(2026, 3, 1, 9, 0, 0, tzinfo=UTC).timestamp()
POWER_W = {"bare": 1210.0, "filter": 1155.0}
VELOCITY_M_PER_S = {"bare": 14.2, "filter": 12.9}
PERCENT = {"power": 0.5, "velocity": 2.0}
"""Limits of the meters' errors, of reading."""
ORDER = ("bare", "filter", "bare", "filter")
PLAN = """
format = 1
name = "filters"
baseline = "bare"
[machine]
title = "Blower"
[[condition]]
name = "bare"
[[condition]]
name = "filter"
[order]
repeats = 2
[start]
channel = "power"
on_above = 300.0
off_below = 100.0
[settling]
required = REQUIRED
"""
Times = NDArray[np.float64]


@dataclass(frozen=True)
class Run:
    """The machine was on under one condition, by the truth [s since the beginning]."""

    condition: str
    on_s: float
    off_s: float


@dataclass(frozen=True)
class Truth:
    """A session as it was.

    Attributes:
        runs: In order of time.
        length_s: Of the mains meter's log, which begins at 0.
        clock_offset_s: What the air meter's clock shows more than the truth at 0.
        clock_gain: What it gains [1].
        gains: What the meters show by the truth, by channel [1].
        warming: What the machine gives more when it is switched on, decaying [1].
        warming_s: Time constant of that [s].
        air_interval_s: Of the air meter's log [s].
        air_noise: Standard deviation of what it shows, of reading [1].
    """

    runs: tuple[Run, ...]
    length_s: float
    clock_offset_s: float
    clock_gain: float
    gains: dict[str, float]
    warming: float = 0.01
    warming_s: float = 12.0
    air_interval_s: float = 1.0
    air_noise: float = 0.004

    @property
    def is_sparse(self) -> bool:
        """The air meter's readings are too far apart for the settling rule."""
        return self.air_interval_s > 1.0

    @property
    def is_perfect(self) -> bool:
        """The meters are free of error."""
        return set(self.gains.values()) == {1.0}

    def air_clock_s(self, true_s: Times) -> Times:
        """What the air meter's clock shows [s since the beginning]."""
        return true_s * (1.0 + self.clock_gain) + self.clock_offset_s

    def true_s(self, air_clock_s: float) -> float:
        """The truth of a time of the air meter's clock [s]."""
        return (air_clock_s - self.clock_offset_s) / (1.0 + self.clock_gain)


def draw_truth(
    random: np.random.Generator, *, length_s: float = 300.0, is_perfect: bool = False
) -> Truth:
    """Runs of some minutes, no two alike, with pauses between."""
    at_s, runs = 40.0, []
    for condition in ORDER:
        on_s = at_s + random.uniform(0.0, 20.0)
        off_s = on_s + length_s + random.uniform(0.0, 60.0)
        runs.append(Run(condition, on_s, off_s))
        at_s = off_s + random.uniform(30.0, 60.0)
    gains = {
        name: 1.0 if is_perfect else 1.0 + random.uniform(-1.0, 1.0) * percent / 100.0
        for name, percent in PERCENT.items()
    }
    clock = random.uniform(-7200.0, 7200.0), random.normal(0.0, 5e-5)
    return Truth(tuple(runs), at_s, *clock, gains)


def draw_sparse(random: np.random.Generator, *, is_perfect: bool = False) -> Truth:
    """The same of a machine that drifts for longer, with an air meter that logs now and then; noisy or quiet."""
    return replace(
        draw_truth(random, length_s=420.0, is_perfect=is_perfect),
        warming=0.03,
        warming_s=float(random.uniform(40.0, 70.0)),
        air_interval_s=float(random.uniform(5.0, 12.0)),
        air_noise=float(random.choice([0.0005, 0.004])),
    )


def machine(
    truth: Truth, levels: dict[str, float], at_s: Times, *, up_s: float, down_s: float
) -> Times:
    """What a meter would show without noise: it runs up, warms up, runs down."""
    shown = np.zeros_like(at_s)
    for each in truth.runs:
        level, since_s = levels[each.condition], at_s - each.on_s
        rise = 1.0 - np.exp(-np.maximum(since_s, 0.0) / up_s)
        warm = 1.0 + truth.warming * np.exp(-np.maximum(since_s, 0.0) / truth.warming_s)
        fall = np.exp(-np.maximum(at_s - each.off_s, 0.0) / down_s)
        shown += level * rise * warm * np.where(since_s >= 0.0, fall, 0.0)
    return shown


def red_noise(random: np.random.Generator, count: int, share: float) -> Times:
    """Correlated from reading to reading, of this standard deviation [1]."""
    white = random.normal(0.0, share * np.sqrt(1.0 - 0.5**2), count)
    noise = np.empty(count)
    last = random.normal(0.0, share)
    for i in range(count):
        last = 0.5 * last + white[i]
        noise[i] = last
    return noise


def save_mains_log(file: Path, truth: Truth, random: np.random.Generator) -> Path:
    """Time stamps to the millisecond, by the true clock."""
    at_s = np.arange(0.0, truth.length_s, 1.0) + random.uniform(0.0, 0.05)
    power = machine(truth, POWER_W, at_s, up_s=0.4, down_s=0.1)
    shown = truth.gains["power"] * power * (1.0 + red_noise(random, at_s.size, 0.001))
    lines = [
        f"{datetime.fromtimestamp(BEGAN_S + t, UTC):%Y-%m-%dT%H:%M:%S.%f}Z,{v:.1f}"
        for t, v in zip(at_s, shown, strict=True)
    ]
    return _saved(file, ["Time,Power", *lines])


def save_air_log(file: Path, truth: Truth, random: np.random.Generator) -> Path:
    """Time stamps of whole seconds, day-first, by a clock of its own; decimal commas."""
    step_s = truth.air_interval_s
    at_s = np.arange(0.0, truth.length_s, step_s) + step_s * random.uniform(0.0, 1.0)
    velocity = machine(truth, VELOCITY_M_PER_S, at_s, up_s=0.8, down_s=2.0)
    noise = red_noise(random, at_s.size, truth.air_noise)
    shown = truth.gains["velocity"] * velocity * (1.0 + noise)
    clock_s = BEGAN_S + truth.air_clock_s(at_s)
    lines = [
        f"{datetime.fromtimestamp(t, UTC):%d.%m.%Y %H:%M:%S};"
        + f"{v:.2f}".replace(".", ",")
        for t, v in zip(clock_s, shown, strict=True)
    ]
    return _saved(file, ["Time;Velocity", *lines])


def _saved(file: Path, lines: list[str]) -> Path:
    file.write_text("\n".join([*lines, ""]), encoding="utf-8")
    return file


POWER = ("--column", "Power=power:W:supply end")
VELOCITY = ("--column", "Velocity=velocity:m/s:outlet")
COLUMNS = (*POWER, *VELOCITY)
POWER_ACCURACY = ("--accuracy", f"power={PERCENT['power']}%")
VELOCITY_ACCURACY = ("--accuracy", f"velocity={PERCENT['velocity']}%")
ACCURACIES = (*POWER_ACCURACY, *VELOCITY_ACCURACY)


def make_session(folder: Path, truth: Truth, random: np.random.Generator) -> Path:
    """Plan and both logs in a folder; returns the plan."""
    save_mains_log(folder / "mains.csv", truth, random)
    save_air_log(folder / "air.csv", truth, random)
    plan = folder / "plan.toml"
    required = ["power"] if truth.is_sparse else ["power", "velocity"]
    text = PLAN.replace("REQUIRED", json.dumps(required))
    plan.write_text(text, encoding="utf-8")
    return plan


def import_session(folder: Path, truth: Truth) -> dict[str, object]:
    """What `daq import --json` says of them."""
    mains, air = str(folder / "mains.csv"), str(folder / "air.csv")
    plan = ("--plan", str(folder / "plan.toml"))
    store = str(folder / "store.db")
    if not truth.is_sparse:
        accuracies = () if truth.is_perfect else ACCURACIES
        return _said(run, store, mains, air, *plan, *COLUMNS, *accuracies)
    _said(run, store, mains, *plan, *POWER, *_unless(truth, POWER_ACCURACY))
    return _said(run, store, air, *VELOCITY, *_unless(truth, VELOCITY_ACCURACY))


def analyse_again(folder: Path) -> list[dict[str, object]]:
    """Trials as a re-analysis of the session leaves them."""
    facts = _said(reanalyse.run, str(folder / "store.db"), "--dry-run")
    return _trials(facts)


def _unless(truth: Truth, accuracy: tuple[str, ...]) -> tuple[str, ...]:
    return () if truth.is_perfect else accuracy


def _said(command: Callable[[list[str]], int], *words: str) -> dict:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        command([*words, "--json"])
    facts: dict = json.loads(out.getvalue())
    return facts


def _trials(facts: dict) -> list[dict]:
    """Trials with condition, state and averages, whichever command told them."""
    facts = facts.get("reanalysis", facts)
    return [{**trial, **trial.get("after", {})} for trial in facts["trials"]]


class Count:
    """How often something held."""

    def __init__(self) -> None:
        self.held = self.total = 0

    def add(self, *, held: bool) -> None:
        self.held += held
        self.total += 1

    @property
    def share(self) -> float:
        return self.held / self.total if self.total else 0.0


def _kind(truth: Truth) -> str:
    return ", sparse" if truth.is_sparse else ""


def count_session(facts: dict, truth: Truth, counts: Callable[[str], Count]) -> None:
    """Hold one session against the truth."""
    levels = {"power": POWER_W, "velocity": VELOCITY_M_PER_S}
    kind = _kind(truth) + (", perfect meters" if truth.is_perfect else "")
    for trial in _trials(facts):
        counts("trials settled").add(held=trial["state"] == "finished")
        for average in trial["averages"]:
            level = levels[average["channel"]][trial["condition"]]
            off = abs(average["mean"] - level)
            counts(f"averages of {average['channel']}{kind}").add(
                held=off <= average["expanded_uncertainty"]
            )
    (clock,) = [log for log in facts["logs"] if "offset_s" in log]
    edges = clock["edges"]
    counts(f"switchings matched{_kind(truth)}").add(
        held=len(edges) == 2 * len(truth.runs)
    )
    for end in (edges[0], edges[-1]):
        middle_s = clock["reference_s"]
        found_s = (
            end["log_s"]
            + clock["offset_s"]
            + clock["drift"] * (end["log_s"] - middle_s)
        )
        off_s = abs(found_s - truth.true_s(end["log_s"]))
        counts(f"offsets at the ends{_kind(truth)}").add(
            held=off_s <= end["expanded_uncertainty_s"]
        )


def carry_out(seed: int, number: int, counts: Callable[[str], Count]) -> None:
    """Draw one session, import it and hold it against the truth."""
    random = np.random.default_rng([seed, number])
    is_sparse, is_perfect = number % 3 == 2, number % 2 == 1
    draw = draw_sparse if is_sparse else draw_truth
    truth = draw(random, is_perfect=is_perfect)
    with tempfile.TemporaryDirectory() as name:
        make_session(Path(name), truth, random)
        try:
            facts = import_session(Path(name), truth)
        except InputError:
            # Runs that are alike leave several offsets that fit: a refusal is no wrong offset.
            counts(f"clocks found{_kind(truth)}").add(held=False)
            return
        counts(f"clocks found{_kind(truth)}").add(held=True)
        count_session(facts, truth, counts)
        if is_sparse:
            again = [trial["averages"] for trial in analyse_again(Path(name))]
            is_same = again == [trial["averages"] for trial in _trials(facts)]
            counts("re-analyses that agree").add(held=is_same)


def main() -> int:
    """Print the table; returns the exit code."""
    parser = argparse.ArgumentParser(
        description=__doc__.splitlines()[0] if __doc__ else ""
    )
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    counts: dict[str, Count] = {}
    for number in range(options.sessions):
        carry_out(options.seed, number, lambda what: counts.setdefault(what, Count()))
    print(f"{options.sessions} sessions from log files, seed {options.seed}")
    for what, count in counts.items():
        print(
            f"  {what:<42} {count.held:>5} of {count.total:>5}  {100 * count.share:5.1f} %"
        )
    is_missed = any(
        c.share < GOAL
        for w, c in counts.items()
        if w.startswith(("averages", "offsets"))
    ) or any(c.held < c.total for w, c in counts.items() if w.startswith("re-analyses"))
    print(f"goal {100 * GOAL:.0f} % {'missed' if is_missed else 'met'}")
    return 1 if is_missed else 0


if __name__ == "__main__":
    sys.exit(main())
