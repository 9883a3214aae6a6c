"""Puts the service's broker into every trouble during sessions, and counts what that cost.

    python tests/campaigns/brokers.py [--sessions 1 --seed 1 --only stopped]

The real `daq serve` on simulated meters and a simulated person, at 24 times the speed of life; a Mosquitto that keeps what it holds; a subscriber whose session
it keeps. In each session the broker is in trouble while a trial is averaged and its result is told, trial after trial. From outside is seen: that each result
in the outbox was received, in order, a repeat the same byte by byte; how long after the broker's return the first fresh reading came; how the polls fared
while the broker was in trouble and otherwise; by how much the service's memory grew. Exit code 1 where a result is missing, altered or out of order, where
it took longer than 2 s, where five in a hundred more polls were missed than in the quiet parts of the same session, where memory grew by more than
a quiet session's and what may be held meanwhile, or where nothing was tried (`brokers_verdict`): a session without trouble, without a result or without polls,
or a trouble of which the service did not say that the broker is away.
"""

import argparse
import signal
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import closing, suppress
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measuring import percentile, say, show_table
from tests.campaigns.arguments import a_count, unless_broken_off
from tests.campaigns.brokers_gate import HOST, Gate, Way
from tests.campaigns.brokers_verdict import Outcome, Polls, Trouble, is_seen
from tests.campaigns.brokers_witness import (
    OTHER_WORD,
    USER,
    WORD,
    KeepingBroker,
    Witness,
    delivery,
)
from tests.campaigns.kills_service import SPEED, KilledService, pause
from tests.campaigns.missed_polls import polls_of
from tests.system.bench_process import BenchFolder, Simulators
from tests.system.serving import quick_filters

_MOST_ANSWERS_AND_WISHES, _RESULTS = 16 + 16, 1
_LONGEST_S = 12.0
_WAITED_S = 30.0
_SEEN_WITHIN_S = 20.0
"""A broker that was stopped is missed once it owes an answer."""
_MB = 1e6


_WAYS = {
    Trouble.REFUSING: Way.REFUSING,
    Trouble.ABSENT: Way.ABSENT,
    Trouble.SWALLOWING: Way.SWALLOWING,
    Trouble.SLOW: Way.SLOW,
}


class TroubledSession:
    """One session whose broker is in trouble again and again."""

    def __init__(
        self, folder: Path, trouble: Trouble, random: Random, *, bench: BenchFolder
    ) -> None:
        self._trouble = trouble
        self._random = random
        is_encrypted = trouble is Trouble.EXPIRED
        self._broker = KeepingBroker(folder, is_encrypted=is_encrypted)
        self._gate = Gate(self._broker.port)
        self._bench = bench
        self._spans: list[tuple[float, float]] = []
        self._memory_mb: list[float] = []
        (bench.path / "word").write_text(f"{WORD}\n", encoding="utf-8")
        (bench.path / "word").chmod(0o600)
        lines = [f'host = "{HOST}"', f"port = {self._gate.port}", f'user = "{USER}"', 'password_file = "word"']  # fmt: skip
        if is_encrypted:
            lines += ["tls = true", f'ca_file = "{folder / "ca.crt"}"']
        table = "\n".join(["[broker]", *lines])
        bench.edit("bench.toml", "[page]", f"{table}\n\n[page]")

    def run(self, outcome: Outcome, *, seed: int) -> None:
        """Carry it out, and count."""
        self._broker.begin()
        witness = Witness(self._broker.witness_port)
        simulators = Simulators(self._bench, "--speed", SPEED, seed=seed)
        service = KilledService(self._bench)
        try:
            service.wait_ready()
            self._bench.wait_for(lambda s: s["broker"]["state"] == "ok")
            service.start_session("filters")
            while self._next_trial():
                self._make_trouble(service, witness, outcome)
            self._wait_received(witness)
            service.stop()
        finally:
            service.end()
            simulators.stop()
            witness.leave()
            self._gate.close()
            self._broker.signal(signal.SIGCONT)
            self._broker.end(orderly=False)
        self._count(witness, outcome)

    def _next_trial(self) -> bool:
        """Wait until the next trial is averaged; false where the session is finished."""
        stages = {"averaging", "finished"}
        state = self._bench.wait_for(lambda s: s["stage"]["name"] in stages, within_s=240.0)  # fmt: skip
        return bool(state["stage"]["name"] == "averaging")

    def _make_trouble(
        self, service: KilledService, witness: Witness, outcome: Outcome
    ) -> None:
        begun_s = time.monotonic()
        self._memory_mb.append(_memory_mb(service.process.pid))
        from_s = _bench_s()
        self._begin()
        with suppress(AssertionError):
            # Until the result of this trial is told: that may take long where polls are missed.
            self._bench.wait_for(
                lambda s: s["stage"]["name"] != "averaging", within_s=_LONGEST_S
            )
        pause(self._random.uniform(1.0, 4.0))
        outcome.seen += self._is_seen()
        self._memory_mb.append(_memory_mb(service.process.pid))
        self._end()
        self._spans.append((from_s, _bench_s()))
        outcome.troubles += 1
        if self._trouble is not Trouble.NONE:
            outcome.live_s.append(_wait_live(witness))
        lasted_s = self._spans[-1][1] - from_s
        say(
            f"{self._trouble}: {lasted_s / float(SPEED):.1f} s, live after "
            f"{outcome.live_s[-1] if outcome.live_s else 0.0:.2f} s, {time.monotonic() - begun_s:.1f} s in all"
        )

    def _is_seen(self) -> bool:
        """Whether the service says so while it lasts; waited for, where it has to be seen."""
        if self._trouble in {Trouble.NONE, Trouble.SLOW}:
            return False
        try:
            self._bench.wait_for(self._tells_of_it, within_s=_SEEN_WITHIN_S)
        except AssertionError:
            return False
        return True

    def _tells_of_it(self, state: Mapping[str, Any]) -> bool:
        broker = state["broker"]
        return is_seen(self._trouble, broker["state"], broker["text"])

    def _begin(self) -> None:
        way = _WAYS.get(self._trouble)
        if way is not None:
            self._gate.be(way)
        elif self._trouble is not Trouble.NONE:
            _BEGIN[self._trouble](self._broker)

    def _end(self) -> None:
        """The broker is back when this returns."""
        if self._trouble in _WAYS:
            self._gate.be(Way.OPEN)
        elif self._trouble is Trouble.STOPPED:
            self._broker.signal(signal.SIGCONT)
        elif self._trouble is not Trouble.NONE:
            self._broker.end(orderly=True)
            self._broker.set_up()
            self._broker.begin()

    def _wait_received(self, witness: Witness) -> None:
        end = time.monotonic() + _WAITED_S
        while time.monotonic() < end:
            got = {(each.trial, each.revision) for each in tuple(witness.results)}
            if len(got) >= _told(self._bench.store):
                return
            pause(0.05)

    def _count(self, witness: Witness, outcome: Outcome) -> None:
        outcome.sessions += 1
        outcome.told.append(_told(self._bench.store))
        with closing(sqlite3.connect(self._bench.store)) as store:
            trials = [
                u for (u,) in store.execute("SELECT uuid FROM trials ORDER BY id")
            ]
            _count_polls(store, self._spans, outcome)
        outcome.came.append(delivery(witness.results, trials))
        grown_mb = max(self._memory_mb, default=0.0) - min(
            self._memory_mb[:1], default=0.0
        )
        outcome.growth_mb = max(outcome.growth_mb, grown_mb)
        outcome.held_mb = max(outcome.held_mb, held_mb(witness.largest))
        outcome.slowed += self._gate.slowed


_BEGIN: dict[Trouble, Callable[[KeepingBroker], None]] = {
    Trouble.STOPPED: lambda broker: broker.signal(signal.SIGSTOP),
    Trouble.RESTARTING: lambda broker: broker.end(orderly=True),
    Trouble.KILLED: lambda broker: broker.end(orderly=False),
    Trouble.WRONG_WORD: lambda broker: broker.come_back(word=OTHER_WORD),
    Trouble.EXPIRED: lambda broker: broker.come_back(certificate="expired"),
}


def held_mb(largest: Mapping[str, int]) -> float:
    """What the service may hold for a broker, by the largest payload of each topic [byte].

    One live or retained payload a topic and the one that is being sent, a result, 16 answers and 16 wishes (DEVELOPERS.md, "Brokers in
    trouble"); of the 4096 messages that may have arrived there is none, for nobody else speaks to it.
    """
    most = max(largest.values(), default=0)
    others = (_MOST_ANSWERS_AND_WISHES + _RESULTS) * most
    return (2 * sum(largest.values()) + others) / _MB


def _wait_live(witness: Witness) -> float:
    """How long after now the first reading comes that is taken after now [s]."""
    back_s, back_utc_s = time.monotonic(), time.time()
    while time.monotonic() < back_s + _WAITED_S:
        at_s = witness.live_after(back_utc_s)
        if at_s is not None:
            return at_s - back_s
        pause(0.01)
    return float("inf")


# ---- what is seen of the service


def _bench_s() -> float:
    return time.clock_gettime(time.CLOCK_BOOTTIME) * float(SPEED)


def _memory_mb(pid: int) -> float:
    text = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    (line,) = (each for each in text.splitlines() if each.startswith("VmRSS"))
    return int(line.split()[1]) * 1024 / _MB


def _told(path: Path) -> int:
    """How many messages were ever put into the outbox."""
    with closing(sqlite3.connect(path)) as store:
        row = store.execute("SELECT seq FROM sqlite_sequence WHERE name = 'outbox'").fetchone()  # fmt: skip
    return int(row[0]) if row else 0


def _count_polls(
    store: sqlite3.Connection, spans: list[tuple[float, float]], outcome: Outcome
) -> None:
    """Those from the first trouble on: before that the service was starting."""
    channels = store.execute("SELECT DISTINCT table_name, interval_s FROM channels").fetchall()  # fmt: skip
    began_s = spans[0][0] if spans else 0.0

    def polls_at(at_s: float) -> Polls:
        inside = any(start_s <= at_s <= end_s for start_s, end_s in spans)
        return outcome.meanwhile if inside else outcome.otherwise

    for table, interval_s in channels:
        rows = store.execute(f"SELECT at_s FROM {table} WHERE at_s >= ? ORDER BY seq", (began_s,)).fetchall()  # noqa: S608 - the name is of the store itself  # fmt: skip
        times_s = [at_s for (at_s,) in rows]
        for before_s, at_s in pairwise(times_s):
            polls = polls_at(at_s)
            polls.made += 1
            late_s = (at_s - before_s - interval_s) / float(SPEED)
            polls.late_s.append(max(late_s, 0.0))
    gaps = store.execute("SELECT at_s, detail FROM gaps WHERE at_s >= ?", (began_s,))
    for at_s, detail in gaps:
        polls_at(at_s).missed += polls_of(detail)


# ---- the campaign


def troubled(trouble: Trouble, *, sessions: int, seed: int) -> Outcome:
    """So many sessions with this trouble."""
    outcome = Outcome(trouble)
    for number in range(sessions):
        random = Random(seed + number)  # noqa: S311 - moments, no secret
        with tempfile.TemporaryDirectory() as place, tempfile.TemporaryDirectory() as folder:  # fmt: skip
            bench = quick_filters(Path(folder))
            bench.edit("plan.toml", "[settling]", "[averaging]\nleast_s = 30\nlongest_s = 60\n\n[settling]")  # fmt: skip
            session = TroubledSession(Path(place), trouble, random, bench=bench)
            session.run(outcome, seed=seed + number)
    return outcome


HEAD = (
    "broker",
    *(
        "sessions",
        "troubles",
        "seen",
        "told",
        "received",
        "repeats",
        "altered",
        "disorder",
    ),
    *("live, most / s", "polls missed / %", "otherwise / %"),
    *("late 99 % / ms", "otherwise / ms", "grown / MB", "may be held / MB", "verdict"),
)


def row(trouble: Trouble, outcome: Outcome) -> list[object]:
    """One line of the table."""
    came = outcome.came
    meanwhile, otherwise = outcome.meanwhile, outcome.otherwise
    return [
        *(trouble, outcome.sessions, outcome.troubles),
        *(outcome.seen, sum(outcome.told)),
        sum(each.received for each in came),
        sum(each.repeats for each in came),
        sum(each.altered for each in came),
        sum(each.disorder for each in came),
        f"{max(outcome.live_s):.2f}" if outcome.live_s else "-",
        *(f"{100.0 * each.share_missed:.2f}" for each in (meanwhile, otherwise)),
        *(
            f"{1e3 * percentile(each.late_s, 99.0):.1f}"
            for each in (meanwhile, otherwise)
        ),
        f"{outcome.growth_mb:.1f}",
        f"{outcome.held_mb:.2f}",
        outcome.wrong or "kept",
    ]


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sessions", type=a_count, default=1, help="with each trouble")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=[each.name.lower() for each in Trouble])
    options = parser.parse_args()
    troubles = [Trouble[options.only.upper()]] if options.only else list(Trouble)
    outcomes: dict[Trouble, Outcome] = {}
    for trouble in troubles:
        outcomes[trouble] = troubled(
            trouble, sessions=options.sessions, seed=options.seed
        )
        rows = [row(*each) for each in outcomes.items()]
        show_table("brokers in trouble", HEAD, rows)
    for trouble, outcome in outcomes.items():
        if outcome.wrong:
            say(f"WRONG: {trouble}: {outcome.wrong}")
    return 0 if all(each.is_in_order for each in outcomes.values()) else 1


if __name__ == "__main__":
    sys.exit(unless_broken_off(main))
