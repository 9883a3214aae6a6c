"""Kills the service at every moment of its sessions, and counts what that cost.

    python tests/campaigns/kills.py [--kills 300 --sessions 30 --seed 1]

The real `daq serve` on simulated meters and a simulated person, at 24 times the speed of life. After each kill (SIGKILL) the store is held against what
a viewer of the page had been shown: whole, every reading older than 1.2 s there with every value, nothing gone that was there before. The service is
started again and must go on with the session by itself; at a session's end each condition was done once, and is judged the same from the store. An
interrupt ends the campaign and shows what there is. Exit code 1 where anything was violated, or too little was measured to tell (`kills_verdict`),
130 where it was broken off.
"""

import argparse
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from itertools import cycle
from pathlib import Path
from random import Random
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measuring import say, show_table
from tests.campaigns.arguments import BROKEN_OFF, a_count
from tests.campaigns.kills_findings import (
    KINDS,
    copied,
    lines_done,
    lines_settled,
    look_at,
    newest_session,
)
from tests.campaigns.kills_moments import (
    BEFORE_A_SESSION,
    WHILE_STARTING,
    WITHIN_A_SESSION,
    Moment,
    put_older_store,
    reach,
)
from tests.campaigns.kills_service import SPEED, KilledService, NotStartedError
from tests.campaigns.kills_verdict import Tally, unmeasured
from tests.system.bench_process import BenchFolder, Simulators, reanalysed
from tests.system.serving import quick_filters

FORMATS = (1, 2)


class KilledSession:
    """One session in a folder of its own, killed again and again, and carried to its end."""

    def __init__(self, bench: BenchFolder, tally: Tally, random: Random) -> None:
        self._bench = bench
        self._tally = tally
        self._random = random
        self._before: dict[str, Any] | None = None
        self._has_begun = False
        self._moment = Moment.IDLE

    def run(self, moments: Sequence[Moment]) -> None:
        """Kill it at each of these moments in turn, then let it end."""
        service = KilledService(self._bench)
        try:
            for moment in moments:
                self._moment = moment
                self._tally.wanted[moment] += 1
                if moment not in WHILE_STARTING:
                    service = self._go_on(service, moment)
                self._moment = reach(moment, service, self._random)
                if service.has_ended and moment is not Moment.ENDING:
                    self._wrong("not resumed", f"it ended: {service.said()[-300:]}")
                self._kill(service)
                service = KilledService(self._bench)
            service = self._go_on(service, None)
            service.wait_for("finished", within_s=240.0)
            if service.stop() != 143:
                self._wrong("not resumed", f"it ended: {service.said()[-300:]}")
            self._look_at_session()
        except (NotStartedError, AssertionError, OSError) as exc:
            self._wrong("not resumed", f"{exc}"[:600])
        finally:
            service.end()

    def _go_on(self, service: KilledService, moment: Moment | None) -> KilledService:
        """The service, or another in its place, is there, and its session in hand, if it was."""
        try:
            state = service.wait_ready()
        except NotStartedError as exc:
            self._wrong("does not start", str(exc))
            if self._has_begun:
                raise
            service = self._anew(service)
            state = service.wait_ready()
        if self._has_begun:
            self._look_at_resumed(state)
        elif moment not in BEFORE_A_SESSION:
            service.start_session("filters")
            self._has_begun = True
        return service

    def _anew(self, service: KilledService) -> KilledService:
        """As if the operator had put the store away."""
        service.end()
        for file in self._bench.path.glob(f"{self._bench.store.name}*"):
            file.unlink()
        self._before = None
        return KilledService(self._bench)

    def _look_at_resumed(self, state: dict[str, Any]) -> None:
        number, _, _ = newest_session(self._bench.store)
        found = state["session"]
        done = len(lines_done(self._bench.store))
        if found is None or found["number"] != number or found["done"] < done:
            said = f"{found}, expected session {number} with {done} done"
            self._wrong("not resumed", said)

    def _kill(self, service: KilledService) -> None:
        killed_real_s, seen = service.kill()
        self._tally.kills[self._moment] += 1
        copy = copied(self._bench.store, self._bench.path / "copy")
        findings, self._before = look_at(
            copy, seen=seen, killed_real_s=killed_real_s, before=self._before
        )
        self._tally.of(self._moment).add(findings)

    def _look_at_session(self) -> None:
        self._tally.sessions += 1
        number, state, lines = newest_session(self._bench.store)
        often = lines_done(self._bench.store)
        self._tally.lines += sum(often.values())
        self._tally.settled += lines_settled(self._bench.store)
        expected = dict.fromkeys(range(1, lines + 1), 1)
        if state != "finished" or often != expected:
            said = f"session {number} is {state}, done by position: {often}"
            self._wrong("condition not once", said)
        elif not (facts := reanalysed(self._bench.store, code=None))["reproduced"]:
            self._wrong("not reproduced", f"session {number}: {facts}")

    def _wrong(self, kind: str, text: str) -> None:
        self._tally.of(self._moment).say(kind, text)
        say(f"{self._moment}: {kind}: {text}")


def run_session(
    bench: BenchFolder, moments: Sequence[Moment], tally: Tally, *, seed: int
) -> None:
    """A session on a bench of its own, with a person who does what the page asks for."""
    random = Random(seed)  # noqa: S311 - moments, no secret
    if Moment.MIGRATING in moments:
        put_older_store(bench.store, random.choice(FORMATS))
    simulators = Simulators(bench, "--speed", SPEED, seed=seed)
    try:
        KilledSession(bench, tally, random).run(moments)
    finally:
        simulators.stop()


def shared_out(kills: int, sessions: int, random: Random) -> Iterator[list[Moment]]:
    """The moments of each session: one before it, one at its end, and between them all others in turn."""
    first, within = cycle(BEFORE_A_SESSION), _in_turn(random)
    for session in range(sessions):
        count = kills * (session + 1) // sessions - kills * session // sessions
        middle = [next(within) for _ in range(max(count - 2, 0))]
        yield [next(first), *middle, Moment.FINISHED][:count]


def _in_turn(random: Random) -> Iterator[Moment]:
    while True:
        yield from random.sample(WITHIN_A_SESSION, len(WITHIN_A_SESSION))


def _counted(tally: Tally, moment: Moment) -> list[int]:
    found = tally.of(moment)
    violations = [len(found.wrong.get(kind, ())) for kind in KINDS]
    return [tally.kills[moment], found.cut_commits, found.checked, *violations]


def show(tally: Tally) -> None:
    """The table of counts."""
    figures = [_counted(tally, moment) for moment in Moment]
    all_of_them = [sum(counts) for counts in zip(*figures, strict=True)]
    rows: list[list[object]] = [
        [moment, *counts] for moment, counts in zip(Moment, figures, strict=True)
    ]
    rows.append(["all", *all_of_them])
    head = ["killed", "kills", "commit cut", "readings held against it", *KINDS]
    show_table(f"{tally.sessions} sessions", head, rows)


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=a_count, default=300)
    parser.add_argument("--sessions", type=a_count, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for what is left of a session in which something was violated")  # fmt: skip
    options = parser.parse_args()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.default_int_handler)
    tally, began_s = Tally(), time.monotonic()
    random = Random(options.seed)  # noqa: S311 - moments, no secret
    plan = shared_out(options.kills, options.sessions, random)
    is_broken_off = False
    try:
        for session, moments in enumerate(plan, start=1):
            before = len(tally.violations)
            with tempfile.TemporaryDirectory() as folder:
                bench = quick_filters(Path(folder))
                run_session(bench, moments, tally, seed=options.seed * 1000 + session)
                if options.keep and len(tally.violations) > before:
                    shutil.copytree(folder, options.keep / f"session-{session}")
            told = f"{tally.kills.total()} kills, {len(tally.violations)} violations"
            say(f"session {session}: {told}, {time.monotonic() - began_s:.0f} s")
    except KeyboardInterrupt:
        is_broken_off = True
    show(tally)
    for line in tally.violations:
        say(line)
    lacking = [
        *unmeasured(
            tally,
            kills=options.kills,
            sessions=options.sessions,
            is_broken_off=is_broken_off,
        )
    ]
    for line in lacking:
        say(f"NOT MEASURED: {line}")
    if is_broken_off:
        return BROKEN_OFF
    return 1 if tally.violations or lacking else 0


if __name__ == "__main__":
    sys.exit(main())
