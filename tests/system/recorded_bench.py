"""Sessions of a small bench, recorded in no time: as the daemon would have written them."""

import asyncio
from collections.abc import Callable
from pathlib import Path

from daq.config.bench import Bench, parse_bench
from daq.config.plan import Plan, parse_plan
from daq.trials.stages import Stage
from tests.runtime.conftest import BENCH, MAINS, PLAN, VANE, Computer
from tests.runtime.recorded_session import Recording, recording


def small_bench() -> Bench:
    profiles = {"mains": ("mains.toml", MAINS), "vane": ("vane.toml", VANE)}
    return parse_bench(BENCH, file="bench.toml", find_profile=profiles.get)


def settled_then_too_short(session: Recording) -> None:
    """The first condition settles, the second is switched off too soon."""
    session.rehearsal.stand_still()
    session.rehearsal.run_until(Stage.DONE)
    session.rehearsal.stand_still()
    session.rehearsal.run_until(Stage.SETTLING)
    for _ in range(20):
        session.rehearsal.read(6.0, 1400.0)
    session.rehearsal.stand_still()


def all_settled(session: Recording) -> None:
    """Both conditions settle, and the machine is left running for some minutes more."""
    for _ in range(2):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
        for _ in range(150):
            session.rehearsal.read(6.0, 1400.0)
    session.rehearsal.stand_still()


def only_begun(_: Recording) -> None:
    pass


def record_session(path: Path, play: Callable[[Recording], None]) -> Path:
    """Record what is played as a new session; returns the store."""

    async def rehearse() -> None:
        bench = small_bench()
        plan: Plan = parse_plan(PLAN, file="plan.toml", bench=bench)
        async with recording(path, bench, plan, Computer(), new=True) as (session, _):
            play(session)

    asyncio.run(rehearse())
    return path
