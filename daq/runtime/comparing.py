"""The process that compares a session beside the service, so that arithmetic does not hold up the polling.

`python -P -m daq.runtime.comparing STORE SESSION` reads the store while the service writes it, and prints the comparison
as JSON, null where no trial was begun. What keeps it from being made goes to stderr.
"""

import json
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

_NICE = 10
"""So much the process gives way to others."""


def main(arguments: Sequence[str]) -> int:
    """Print a session's comparison; returns the exit code."""
    os.nice(_NICE)
    # What is imported takes longer than what is calculated: it gives way too.
    from daq.errors import DaqError
    from daq.runtime.compared_lines import compared_so_far, reason_of

    store, session = arguments
    path = Path(store)
    try:
        line = compared_so_far(path, int(session))
    except DaqError as exc:
        sys.stderr.write(f"{reason_of(path, exc)}\n")
        return exc.exit_code
    text = json.dumps(line and asdict(line), ensure_ascii=False, allow_nan=False)
    sys.stdout.write(f"{text}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
