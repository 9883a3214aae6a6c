"""Asks the computer what a session depends on: its clock, whether that follows a time server, and free disk."""

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

from daq.checklist.computer import ClockFacts
from daq.errors import StoreError
from daq.runtime.clock import Clock, ClockOffset, rfc3339
from daq.runtime.store.opening import reading_store

_PATIENCE_S = 5.0

AskSystem = Callable[[], str | None]
"""Gives what the system's time service says of itself; None where there is none."""


def time_service_says() -> str | None:
    """`timedatectl show`, where it is there and works."""
    program = shutil.which("timedatectl")
    if program is None:
        return None
    try:
        asked = subprocess.run(  # noqa: S603 - found by name, nothing of a user's in it
            [program, "show"],
            capture_output=True,
            text=True,
            timeout=_PATIENCE_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return asked.stdout if asked.returncode == 0 else None


def clock_facts(
    clock: Clock, store: Path, *, ask: AskSystem = time_service_says
) -> ClockFacts:
    """What is known of this computer's clock.

    Args:
        clock: At the speed of life.
        store: Results file of the bench, which knows what the clock showed before; it need not be there.
        ask: Asks the system's time service.
    """
    now, last = clock.offset, _last_offset(store)
    said = ask()
    is_synchronised = None if said is None else "NTPSynchronized=yes" in said.split()
    if last is None:
        return ClockFacts(rfc3339(now.utc_us), is_synchronised)
    step_s, passed_s = None, 0.0
    # Times of another boot, or of a demonstration's hurried clock, cannot be compared with these.
    if (last.boot_id, last.speed) == (now.boot_id, now.speed):
        step_s = (now.utc_us - last.utc_us_at(now.monotonic_s)) / 1e6
        passed_s = now.monotonic_s - last.monotonic_s
    return ClockFacts(
        rfc3339(now.utc_us), is_synchronised, rfc3339(last.utc_us), step_s, passed_s
    )


def _last_offset(store: Path) -> ClockOffset | None:
    """What tied bench time to UTC when the store was last written; None where it cannot be read."""
    if not store.exists():
        return None
    try:
        with reading_store(store) as connection:
            row = connection.execute(
                "SELECT boot_id, monotonic_s, utc_us, speed FROM clocks ORDER BY id DESC LIMIT 1"
            ).fetchone()
    except StoreError:
        # What is wrong with the store is told by whoever writes into it.
        return None
    return None if row is None else ClockOffset(*row)


def free_bytes(store: Path) -> tuple[int, Path]:
    """Free for this user where the store is or will be, and the folder that was asked."""
    folder = store.resolve().parent
    while not folder.exists():
        folder = folder.parent
    return shutil.disk_usage(folder).free, folder
