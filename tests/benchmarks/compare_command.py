"""`daq compare` and `daq plan` on a session of 40 trials, beside an interpreter that does nothing.

    python tests/benchmarks/compare_command.py

The session has ten conditions, four times each, and four channels; two sessions of the same machine stand before it. Start-up is what
`--help` of the same command takes, so what lies above it is reading, deriving and comparing.
"""

import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from tests.benchmarks.measuring import median, say, show_goal, show_table
from tests.core.comparison.bench_texts import PLAN
from tests.runtime.compared_sessions import Carried, store_session

ROOT = Path(__file__).resolve().parents[2]
_CONDITIONS, _REPEATS, _ROUNDS = 10, 4, 7
_YARDSTICK = "python -c pass"


def plan_of(conditions: int) -> str:
    """A plan with so many conditions beside the baseline's, and a size that matters."""
    more = "".join(f'[[condition]]\nname = "lead {n}"\n' for n in range(2, conditions))
    head, start = PLAN.split("[start]")
    return f"{head}{more}[start]{start}[comparison]\ndetect_percent = 0.1\n"


def forty_trials(folder: Path) -> tuple[Path, Path]:
    """A store with a session of 40 trials as the newest of three, and its plan."""
    random = np.random.default_rng(5)
    names = ["short lead", "long lead", *(f"lead {n}" for n in range(2, _CONDITIONS))]
    trials = [
        Carried(name, (1.0 - 0.004 * index) * float(random.normal(1.0, 0.002)))
        for _ in range(_REPEATS)
        for index, name in enumerate(names)
    ]
    text = plan_of(_CONDITIONS)
    plan = folder / "plan.toml"
    plan.write_text(text, encoding="utf-8")
    store = folder / "bench.db"
    for _ in range(3):
        store_session(store, trials, plan=text)
    return store, plan


def commands(store: Path, plan: Path) -> dict[str, Sequence[str]]:
    """What is started, by name; the yardstick first."""
    python = sys.executable
    daq = [python, "-m", "daq"]
    return {
        _YARDSTICK: [python, "-c", "pass"],
        "daq compare --help": [*daq, "compare", "--help"],
        "daq compare": [*daq, "compare", str(store)],
        "daq compare --json": [*daq, "compare", str(store), "--json"],
        "daq plan --help": [*daq, "plan", "--help"],
        "daq plan": [*daq, "plan", str(plan), "--from", str(store)],
    }


def run_once(command: Sequence[str]) -> float:
    """Time of one start [s]."""
    begin_s = time.perf_counter()
    subprocess.run(command, cwd=ROOT, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begin_s


def main() -> None:
    """Measure in turns and print."""
    with tempfile.TemporaryDirectory() as folder:
        chosen = commands(*forty_trials(Path(folder)))
        taken: dict[str, list[float]] = {name: [] for name in chosen}
        for command in chosen.values():
            run_once(command)  # compiled files and disk cache
        for _ in range(_ROUNDS):
            for name, command in chosen.items():
                taken[name].append(run_once(command))
    times = {name: median(each) for name, each in taken.items()}
    show_table(
        f"A session of {_CONDITIONS * _REPEATS} trials, median of {_ROUNDS} in turns",
        ("command", "ms", "x pass"),
        [
            (name, f"{each * 1e3:.0f}", f"{each / times[_YARDSTICK]:.1f}")
            for name, each in times.items()
        ],
    )
    for name in ("daq compare", "daq compare --json"):
        beyond_s = times[name] - times["daq compare --help"]
        show_goal(f"{name} beyond its start-up [s]", beyond_s, at_most=1.0)
    beyond_s = times["daq plan"] - times["daq plan --help"]
    show_goal("daq plan beyond its start-up [s]", beyond_s, at_most=1.0)
    say("")


if __name__ == "__main__":
    main()
