"""A program that was written from the documentation alone follows a whole session."""

import asyncio
import re
from pathlib import Path

import pytest

from tests.system.bench_process import BenchFolder, Run, Simulators
from tests.system.session_follower import follow

pytestmark = [pytest.mark.slow, pytest.mark.pty]


@pytest.mark.timeout(240)
def test_it_sees_the_session_from_its_beginning_to_its_results(tmp_path: Path) -> None:
    bench = BenchFolder(tmp_path, "filters")
    simulators = Simulators(bench)
    running = Run(bench)
    try:
        state = bench.wait_for(lambda state: state["broker"]["state"] == "ok")
        address = re.search(r"127\.0\.0\.1:(\d+)", state["broker"]["text"])
        assert address
        seen = asyncio.run(
            follow("127.0.0.1", int(address[1]), state["bench"], longest_s=200.0)
        )
        code, outcome, _ = running.finish()
    finally:
        running.end()
        simulators.stop()
    assert code == 0
    assert seen["online_seen"]
    assert {"waiting", "settling", "averaging", "done"} <= set(seen["stages"])
    assert all(seen["live"].values())
    assert [line["state"] for line in seen["slip"]] == ["done"] * 4
    told = {
        condition: results[-1]["averages"]
        for condition, results in seen["results"].items()
    }
    expected = {
        trial["condition"]: {
            a["channel"]: [a["mean"], a["expanded_uncertainty"], a["unit"]]
            for a in trial["averages"]
        }
        for trial in outcome["trials"]
    }
    assert told == expected
