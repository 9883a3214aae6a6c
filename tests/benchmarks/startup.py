"""Start-up: how long a user waits for the program to say anything, beside an interpreter that does nothing.

    python tests/benchmarks/startup.py

`daq --help` is the installed console script where there is one in this environment, else `python -m daq --help`.
"""

import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measuring import (
    children_cpu_s,
    median,
    say,
    show_goal,
    show_table,
)

ROOT = Path(__file__).resolve().parents[2]
_ROUNDS = 15


def commands() -> dict[str, Sequence[str]]:
    """What is started, by name; the yardstick first."""
    python = sys.executable
    script = shutil.which("daq", path=str(Path(python).parent))
    help_command = [script] if script else [python, "-m", "daq"]
    return {
        "python -c pass": [python, "-c", "pass"],
        ("daq" if script else "python -m daq") + " --help": [*help_command, "--help"],
        "python -m daq --version": [python, "-m", "daq", "--version"],
        "python -m daq check --help": [python, "-m", "daq", "check", "--help"],
        "python -m daq run --help": [python, "-m", "daq", "run", "--help"],
    }


def run_once(command: Sequence[str]) -> tuple[float, float]:
    """Time and CPU time of one start [s]."""
    cpu_from, begin_s = children_cpu_s(), time.perf_counter()
    subprocess.run(command, cwd=ROOT, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begin_s, children_cpu_s() - cpu_from


def main() -> None:
    """Measure in turns and print."""
    chosen = commands()
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in chosen}
    for command in chosen.values():
        run_once(command)  # compiled files and disk cache
    for _ in range(_ROUNDS):
        for name, command in chosen.items():
            taken[name].append(run_once(command))
    times = {name: median([t for t, _ in both]) for name, both in taken.items()}
    cpus = {name: median([c for _, c in both]) for name, both in taken.items()}
    yardstick, first, second, *_ = chosen
    rows = [
        (
            name,
            f"{times[name] * 1e3:.0f}",
            f"{times[name] / times[yardstick]:.1f}",
            f"{cpus[name] * 1e3:.0f}",
            f"{cpus[name] / cpus[yardstick]:.1f}",
        )
        for name in chosen
    ]
    show_table(
        f"Start-up, median of {_ROUNDS} in turns",
        ("command", "ms", "x pass", "CPU ms", "x pass"),
        rows,
    )
    for name in (first, second):
        show_goal(f"{name} over pass", times[name] / times[yardstick], at_most=5.0)
    say("")


if __name__ == "__main__":
    main()
