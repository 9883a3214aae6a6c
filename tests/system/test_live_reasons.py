"""Every reason for not having settled, through the whole program while it runs: on the page, in the record, afterwards.

Sessions on simulated meters, one attempt a reason, all under one condition: the program need not know what the bench
does to it. Each attempt runs until the page tells the reason, and is then switched off. A coarse meter and a restless
supply have sessions of their own, for they would disturb the others.

`no load` cannot come where a current starts the trial, for that is a load; it comes where somebody presses the key
while the machine stands still.
"""

import csv
import io
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from daq.settling.verdicts import HeldBackBy
from daq.trials.reasons import REASONS
from daq.wording import held_back_advice
from tests.system.bench_process import (
    ROOT,
    BenchFolder,
    Simulators,
    Terminal,
    run_command,
)

pytestmark = [
    pytest.mark.alone,
    pytest.mark.slow,
    pytest.mark.pty,
    pytest.mark.timeout(180),
]

SPEED = ("--speed", "20")
SEEN_FOR_S = 6.0
# A meter of 10 mA a step on a fan that draws 0.7 A.
COARSE_METER = (
    (
        "simulation.toml",
        'kind = "power-analyser-query"\nline = "power"',
        'kind = "ac-meter-float"\nline = "power"\nunit = 1',
    ),
    (
        "bench.toml",
        'profile = "power-analyser-query"\nport = "ports/power"',
        'profile = "ac-meter-float"\nport = "ports/power"\nunit = 1\nbaud = 19200',
    ),
    ("plan.toml", 'required = ["power", "velocity"]', 'required = ["current"]'),
)
RESTLESS_SUPPLY = (
    ("simulation.toml", "wander_percent = 0.04", "wander_percent = 3"),
    ("simulation.toml", "wander_time_s = 15", "wander_time_s = 0.3"),
    ("plan.toml", 'required = ["power", "velocity"]', 'required = ["power"]'),
)
FILTERS = (
    (
        "simulation.toml",
        "quadratic_pa_s2_per_m2 = 1 }",
        "quadratic_pa_s2_per_m2 = 1, flutter_percent = 60, flutter_s = 12 }",
    ),
    (
        "simulation.toml",
        "quadratic_pa_s2_per_m2 = 1.5 }",
        "quadratic_pa_s2_per_m2 = 1.5, flutter_percent = 60, flutter_s = 2500 }",
    ),
    # Finer than what a flap or a clogged filter does to it.
    (
        "plan.toml",
        'required = ["power", "velocity"]',
        'required = ["power", "velocity"]\ntolerances = { velocity = 0.001 }',
    ),
)
LOOSE_FLAP, CLOGGING = "coarse filter", "medium filter"
Edit = tuple[str, str, str]


@dataclass(frozen=True)
class Attempt:
    """What was told of an attempt: by the page while it ran, and by the event at its end."""

    number: int
    page: dict[str, Any]
    event: str

    def holding_back(self, channel: str) -> str:
        held: str = next(
            c["holding_back"] for c in self.page["channels"] if c["name"] == channel
        )
        return held


class Session:
    """One session at a terminal; the test is the person who fits, switches and presses Enter."""

    def __init__(self, folder: Path, edits: Sequence[Edit]) -> None:
        self.bench = BenchFolder(folder, "filters")
        for file, old, new in edits:
            self.bench.edit(file, old, new)
        # By this one the current is in the middle of a step, and seldom shows the next.
        self.simulators = Simulators(self.bench, *SPEED, seed=36, alone=True)
        self.terminal = Terminal(run_command(self.bench, *SPEED))
        self.bench.wait_for(_is_ready)
        self._attempts = 0

    def attempt(
        self,
        channel: str,
        reason: HeldBackBy,
        *,
        condition: str = "no filter",
        by_key: bool = False,
        meanwhile: Callable[["Session"], None] = lambda _: None,
    ) -> Attempt:
        """Run one trial until the page tells the reason, and switch off."""
        self._attempts += 1
        self.simulators.say(f"fit {condition}")
        self._switch("on", by_key=by_key)
        self.bench.wait_for(lambda s: s["trial"] is not None)
        meanwhile(self)
        page = self._wait_for_reason(channel, held_back_advice(reason))
        self._switch("off", by_key=by_key)
        ended = self.bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
        event = next(e["text"] for e in ended["events"] if "switched off" in e["text"])
        return Attempt(self._attempts, page, event)

    def _switch(self, word: str, *, by_key: bool) -> None:
        if by_key:
            self.terminal.press(b"\r")
        else:
            self.simulators.say(word)

    def _wait_for_reason(self, channel: str, advice: str) -> dict[str, Any]:
        """The page's state once it has told the same reason for some seconds."""
        since_s: float | None = None

        def is_told(state: dict[str, Any]) -> bool:
            nonlocal since_s
            told = next(c for c in state["channels"] if c["name"] == channel)
            now_s: float = state["clock"]["now_s"]
            if told["holding_back"] != advice:
                since_s = None
                return False
            since_s = now_s if since_s is None else since_s
            return now_s - since_s >= SEEN_FOR_S

        return self.bench.wait_for(is_told, within_s=30.0)

    def run_for(self, seconds: float) -> None:
        """Let the trial run for so long since its switch-on."""
        self.bench.wait_for(
            lambda s: s["clock"]["now_s"] > s["trial"]["started_s"] + seconds
        )

    def stop(self) -> None:
        self.terminal.signal(signal.SIGINT)
        assert self.terminal.finish() == 130
        self.simulators.stop()


def _is_ready(state: dict[str, Any]) -> bool:
    return state["stage"]["name"] == "waiting" and all(
        i["state"] == "ok" for i in state["instruments"]
    )


def _fall_silent(session: Session) -> None:
    session.run_for(20.0)
    session.simulators.say("fault duct-air silent 40")


def _warm_up(session: Session) -> None:
    """Until nothing but the display is left to blame."""
    session.run_for(115.0)


def _clog(session: Session) -> None:
    session.run_for(60.0)
    session.simulators.say("clog 200")


Play = Callable[[Session], dict[HeldBackBy, Attempt]]


@dataclass(frozen=True)
class Told:
    """What became of every attempt, and what is said of them afterwards."""

    attempts: dict[HeldBackBy, Attempt]
    notes: dict[int, str]
    exported: dict[int, str]
    again: str

    def assert_told(self, reason: HeldBackBy, channel: str) -> None:
        """Page, event, record, export and re-analysis name the channel, the reason and what to do."""
        attempt, words = self.attempts[reason], REASONS[reason]
        assert attempt.holding_back(channel) == f"{words.now}: {words.do_now}"
        note = self.notes[attempt.number]
        assert f"{channel}: {reason.value}" in note
        assert f"{reason.value} ({words.remedy})" in note
        assert note in attempt.event
        assert self.exported[attempt.number] == note
        assert f"{channel}: {reason.value}" in self.again_of(attempt.number)
        assert words.remedy in self.again_of(attempt.number)

    def again_of(self, trial: int) -> str:
        """What re-analysis says of one trial."""
        _, _, rest = self.again.partition(f"Trial {trial}: ")
        return rest.partition("\n\n")[0]


def _said(*words: str, code: int = 0) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "daq", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (code, "")
    return done.stdout


def _told(folder: Path, edits: Sequence[Edit], play: Play) -> Told:
    """Play a session, then ask what is said of it."""
    session = Session(folder, edits)
    try:
        attempts = play(session)
    finally:
        session.stop()
    store = str(session.bench.store)
    with closing(sqlite3.connect(store)) as connection:
        notes = dict(connection.execute("SELECT id, note FROM trials"))
    rows = csv.DictReader(io.StringIO(_said("export", store, "--table", "wide")))
    exported = {int(row["trial"]): row["note"] for row in rows}
    again = _said("reanalyse", store, "--dry-run", code=1)
    return Told(attempts, notes, exported, again)


def _with_fine_meters(session: Session) -> dict[HeldBackBy, Attempt]:
    attempt = session.attempt
    return {
        # First, while the slow swing of its filter is steepest.
        HeldBackBy.DRIFT: attempt("velocity", HeldBackBy.DRIFT, condition=CLOGGING),
        HeldBackBy.TOO_SHORT: attempt("velocity", HeldBackBy.TOO_SHORT),
        HeldBackBy.HUNTING: attempt(
            "velocity", HeldBackBy.HUNTING, condition=LOOSE_FLAP
        ),
        HeldBackBy.STEP: attempt(
            "velocity", HeldBackBy.STEP, condition="fine filter", meanwhile=_clog
        ),
        HeldBackBy.GAPS: attempt("velocity", HeldBackBy.GAPS, meanwhile=_fall_silent),
        HeldBackBy.NO_LOAD: attempt("power", HeldBackBy.NO_LOAD, by_key=True),
    }


def _with_a_coarse_meter(session: Session) -> dict[HeldBackBy, Attempt]:
    told = session.attempt("current", HeldBackBy.RESOLUTION, meanwhile=_warm_up)
    return {HeldBackBy.RESOLUTION: told}


def _with_a_restless_supply(session: Session) -> dict[HeldBackBy, Attempt]:
    return {HeldBackBy.NOISE: session.attempt("power", HeldBackBy.NOISE)}


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    """The session, once for all the tests."""
    return _told(tmp_path_factory.mktemp("fine"), FILTERS, _with_fine_meters)


def test_a_filter_that_clogs_is_told_as_drifting(told: Told) -> None:
    told.assert_told(HeldBackBy.DRIFT, "velocity")


def test_a_trial_switched_off_at_once_is_told_as_too_short(told: Told) -> None:
    told.assert_told(HeldBackBy.TOO_SHORT, "velocity")


def test_scatter_beyond_the_tolerance_is_told_as_too_noisy(tmp_path: Path) -> None:
    told = _told(tmp_path, RESTLESS_SUPPLY, _with_a_restless_supply)
    told.assert_told(HeldBackBy.NOISE, "power")


def test_a_display_of_few_steps_is_told_as_too_coarse(tmp_path: Path) -> None:
    told = _told(tmp_path, COARSE_METER, _with_a_coarse_meter)
    told.assert_told(HeldBackBy.RESOLUTION, "current")


def test_a_flap_that_moves_to_and_fro_is_told_as_hunting(told: Told) -> None:
    told.assert_told(HeldBackBy.HUNTING, "velocity")


def test_something_that_gets_into_the_filter_is_told_as_a_step(told: Told) -> None:
    told.assert_told(HeldBackBy.STEP, "velocity")


def test_a_meter_that_falls_silent_is_told_as_gaps(told: Told) -> None:
    told.assert_told(HeldBackBy.GAPS, "velocity")


def test_a_key_pressed_beside_an_idle_machine_is_told_as_no_load(told: Told) -> None:
    told.assert_told(HeldBackBy.NO_LOAD, "power")
    page = told.attempts[HeldBackBy.NO_LOAD].page
    assert page["instruction"] == (
        "Power: nothing rises above rest. Switch the machine on."
    )


def test_no_attempt_was_averaged_and_all_came_out_the_same_again(told: Told) -> None:
    others = set(HeldBackBy) - set(told.attempts)
    assert others == {HeldBackBy.RESOLUTION, HeldBackBy.NOISE}
    assert told.again.count("unfinished, the same to the bit") == len(told.attempts)
