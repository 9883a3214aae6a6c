"""All benchmarks in turn, each in a process of its own; takes about five minutes.

    python tests/benchmarks/all.py

Ends with 1 if one could not be run; a goal that is missed is printed and is no failure (see measuring.py).
"""

import os
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
SCRIPTS = (
    "startup",
    "wire",
    "path",
    "store",
    "rule",
    "coverage",
    "viewers",
    "page_latency",
    "page_memory",
    "week",
)


def main() -> int:
    """Run them; returns the exit code."""
    broken = []
    for name in SCRIPTS:
        begin_s = time.monotonic()
        print(f"==== {name}.py, load {os.getloadavg()[0]:.1f}", flush=True)
        done = subprocess.run([sys.executable, str(HERE / f"{name}.py")], check=False)
        if done.returncode:
            broken.append(name)
        print(f"==== {name}.py took {time.monotonic() - begin_s:.0f} s\n", flush=True)
    if broken:
        print(f"could not be run: {', '.join(broken)}", file=sys.stderr)
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
