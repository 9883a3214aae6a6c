"""Another lead is fitted than the one called for: told while the machine runs, on page and in the record."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.system.bench_process import BenchFolder, Run, Simulators

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]
SPEED = ("--speed", "20")


def test_a_wrong_lead_is_told_at_once_and_the_right_one_is_not(tmp_path: Path) -> None:
    bench = BenchFolder(tmp_path, "leads")
    simulators = Simulators(bench, *SPEED, seed=8, alone=True)
    run = Run(bench, *SPEED)
    try:
        bench.wait_for(lambda s: s["channels"][0]["value"] is not None)
        # Idle readings first: what the voltmeters differ by with the machine off.
        begun_s = bench.state()["clock"]["now_s"]
        bench.wait_for(lambda s: s["clock"]["now_s"] > begun_s + 20.0)
        # "at the outlet" is called for.
        simulators.say("fit 1.0 mm2, 40 m")
        simulators.say("on")
        told = bench.wait_for(lambda s: bool(s["alarms"]), within_s=30.0)
        assert told["stage"]["name"] in {"running-up", "settling"}
        words = told["alarms"][0]["text"]
        assert "'1.0 mm2, 40 m' seems to be fitted instead of 'at the outlet'" in words
        simulators.say("off")
        bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
        noted = bench.state()
        assert noted["alarms"] == []
        assert "'1.0 mm2, 40 m' seems to be fitted" in noted["slip"][0]["note"]

        off_s = bench.state()["clock"]["now_s"]
        simulators.say("fit at the outlet")
        bench.wait_for(lambda s: s["clock"]["now_s"] > off_s + 14.0)
        simulators.say("on")
        right = bench.wait_for(
            lambda s: (
                s["trial"] is not None
                and s["clock"]["now_s"] > s["trial"]["started_s"] + 100.0
            ),
            within_s=30.0,
        )
        assert right["alarms"] == []
    finally:
        run.end()
        simulators.stop()
    with closing(sqlite3.connect(bench.store)) as store:
        kinds = [k for (k,) in store.execute("SELECT kind FROM events").fetchall()]
    assert kinds.count("lead") == 1
