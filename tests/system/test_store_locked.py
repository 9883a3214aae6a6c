"""A results file that another program has locked: trials go on and are marked, and the operator can always stop."""

import re
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from tests.system.bench_process import BenchFolder, Run, Simulators

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]

MARK = "the store could not be written for a while"


@contextmanager
def locked(store: Path) -> Iterator[None]:
    """Another program has begun to write and does not come to an end."""
    with closing(sqlite3.connect(store, isolation_level=None, timeout=10)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield


@pytest.fixture
def bench(tmp_path: Path) -> BenchFolder:
    return BenchFolder(tmp_path, "filters")


@pytest.fixture
def simulators(bench: BenchFolder) -> Iterator[Simulators]:
    simulators = Simulators(bench, alone=True)
    yield simulators
    simulators.stop()


@pytest.fixture
def run(bench: BenchFolder, simulators: Simulators) -> Iterator[Run]:
    run = Run(bench)
    bench.wait_for(
        lambda s: (
            s["stage"]["name"] == "waiting"
            and all(i["state"] == "ok" for i in s["instruments"])
        )
    )
    simulators.say("fit no filter")
    simulators.say("on")
    yield run
    run.end()


def test_a_locked_store_stops_neither_the_trial_nor_the_screens_nor_the_operator(
    bench: BenchFolder, simulators: Simulators, run: Run
) -> None:
    bench.wait_for(lambda s: s["stage"]["name"] == "averaging")
    with locked(bench.store):
        failing = bench.wait_for(lambda s: s["store"]["state"] == "failing")
        assert "another program has locked it" in failing["store"]["text"]
        done = bench.wait_for(lambda s: s["stage"]["name"] == "done")
        assert done["instruction"] == "Done. Switch off."
        # The result waits for the file; meters are read and shown all the same.
        count = done["instruments"][0]["readings"]
        bench.wait_for(lambda s: s["instruments"][0]["readings"] > count + 20)
        simulators.say("off")
        waiting = bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
        assert waiting["instruction"].startswith("Wait: the results file")
        assert waiting["slip"][0]["state"] == "done"
        assert MARK in waiting["slip"][0]["note"]
        run.signal(signal.SIGINT)
        # Some five seconds of patience in all, and as many for a busy computer.
        code, _, words = run.finish(within_s=10)
    assert code == 4, words
    assert re.search(r"[1-9]\d* readings, gaps and events are lost", words)
    assert "Traceback" not in words


def test_a_trial_during_which_the_store_was_locked_for_a_while_is_stored_with_a_mark(
    bench: BenchFolder, simulators: Simulators, run: Run
) -> None:
    bench.wait_for(lambda s: s["stage"]["name"] == "settling")
    with locked(bench.store):
        bench.wait_for(lambda s: s["store"]["state"] == "failing")
    bench.wait_for(lambda s: s["store"]["state"] == "ok")
    bench.wait_for(lambda s: s["stage"]["name"] == "done")
    simulators.say("off")
    bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
    run.signal(signal.SIGINT)
    code, outcome, words = run.finish(within_s=10)
    assert code == 130, words
    assert MARK in outcome["trials"][0]["note"]
    with closing(sqlite3.connect(bench.store)) as connection:
        (kept,) = connection.execute("SELECT state, note FROM trials").fetchall()
    assert kept[0] == "finished"
    assert MARK in kept[1]


def test_a_trial_begun_while_the_store_is_locked_is_marked_too(
    bench: BenchFolder, simulators: Simulators, run: Run
) -> None:
    bench.wait_for(lambda s: s["stage"]["name"] == "settling")
    simulators.say("off")
    bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
    with locked(bench.store):
        bench.wait_for(lambda s: s["store"]["state"] == "failing")
        simulators.say("on")
        bench.wait_for(lambda s: s["stage"]["name"] == "settling")
    bench.wait_for(lambda s: s["store"]["state"] == "ok")
    simulators.say("off")
    state = bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
    assert MARK in state["slip"][0]["note"]
    run.signal(signal.SIGINT)
    assert run.finish(within_s=10)[0] == 130
