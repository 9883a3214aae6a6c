"""A disk that is full in the middle of a session: told at once, nothing lost, recording resumes.

A limit on the size of files stands for the full disk; it is lifted from outside, as room would be made.
"""

import resource
import sqlite3
import subprocess
import sys

import pytest

from tests.system.bench_process import ROOT, SPEED, BenchFolder, Simulators

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]

if not hasattr(resource, "prlimit"):
    pytest.skip(
        "the limit of another process can be set on Linux only", allow_module_level=True
    )

FULL_AT_BYTES = 400_000


def test_a_full_disk_is_told_at_once_and_recording_resumes_with_nothing_lost(tmp_path):
    bench = BenchFolder(tmp_path, "leads")
    simulators = Simulators(bench)
    command = [
        sys.executable,
        "-m",
        "daq",
        "run",
        str(bench.path / "bench.toml"),
        str(bench.path / "plan.toml"),
    ]
    run = subprocess.Popen(
        [*command, "--speed", SPEED, "--json"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    resource.prlimit(
        run.pid, resource.RLIMIT_FSIZE, (FULL_AT_BYTES, resource.RLIM_INFINITY)
    )
    try:
        failing = bench.wait_for(lambda s: s["store"]["state"] == "failing")
        assert "Readings are kept in memory" in failing["store"]["text"]
        assert any(
            "Readings are kept in memory" in alarm["text"]
            for alarm in failing["alarms"]
        )
        # Display and sampling go on.
        count = failing["instruments"][0]["readings"]
        bench.wait_for(lambda s: s["instruments"][0]["readings"] > count + 20)
        resource.prlimit(
            run.pid,
            resource.RLIMIT_FSIZE,
            (resource.RLIM_INFINITY, resource.RLIM_INFINITY),
        )
        bench.wait_for(lambda s: s["store"]["state"] == "ok")
        shown = bench.state()
        run.terminate()
        _, words = run.communicate(timeout=15)
    finally:
        run.kill()
        simulators.stop()
    assert run.returncode == 143, words
    connection = sqlite3.connect(bench.store)
    stored = connection.execute(
        "SELECT count(*) FROM readings_meter_supply_end"
    ).fetchone()[0]
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
    assert stored >= shown["instruments"][0]["readings"]
