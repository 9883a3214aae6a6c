"""A results file that goes away or is spoilt while a session runs: screens and meters go on, and the end tells the truth."""

import random
import re
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.system.bench_process import ROOT, BenchFolder, Run, Simulators, run_command

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]


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
    simulators.say("fit no filter")
    bench.wait_for(lambda s: s["instruments"][0]["readings"] > 20)
    yield run
    run.end()


def spoil(path: Path) -> None:
    """Random bytes over all but the head, as another program or a dying disk would write them."""
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(random.Random(1).randbytes(size - 4096))  # noqa: S311 - no secret


def wait_for_more(bench: BenchFolder) -> dict:
    """Meters are read and shown all the same."""
    count = bench.state()["instruments"][0]["readings"]
    return bench.wait_for(lambda s: s["instruments"][0]["readings"] > count + 20)


def test_a_store_that_is_removed_is_told_at_once_and_what_is_lost_is_counted(
    bench: BenchFolder, run: Run
) -> None:
    for name in ("bench.db", "bench.db-wal", "bench.db-shm"):
        bench.store.with_name(name).unlink()
    failing = bench.wait_for(lambda s: s["store"]["state"] == "failing")
    assert "no such file or directory" in failing["store"]["text"]
    assert any("bench.db" in alarm["text"] for alarm in failing["alarms"])
    wait_for_more(bench)
    run.signal(signal.SIGINT)
    code, _, words = run.finish(within_s=15)
    assert code == 4, words
    assert re.search(r"[1-9]\d* readings, gaps and events are lost", words)
    assert not bench.store.exists()


def test_a_store_that_is_spoilt_ends_with_code_4_and_is_refused_and_left_alone_after_that(
    bench: BenchFolder, run: Run
) -> None:
    remedy = f"`daq salvage {bench.store}` writes what can be read to a new file"
    spoil(bench.store)
    wait_for_more(bench)
    run.signal(signal.SIGINT)
    code, _, words = run.finish(within_s=15)
    assert code == 4, words
    assert remedy in words
    assert "Traceback" not in words
    before = bench.store.read_bytes()
    again = subprocess.run(
        run_command(bench, "--json"),
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert again.returncode == 4
    (line,) = again.stderr.splitlines()
    assert "bench.db: it is damaged" in line
    assert remedy in line
    assert bench.store.read_bytes() == before
