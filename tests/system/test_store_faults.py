"""A results file that goes away or is spoilt while a session runs: screens and meters go on, and the end tells the truth."""

import os
import random
import re
import signal
import sqlite3
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path

import pytest

from tests.campaigns.store_faults_disk import HANGS, SlowDisk
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


class OddRun(Run):
    """`daq run`, started in another way."""

    def __init__(self, command: list[str], environment: Mapping[str, str]) -> None:
        self._process = subprocess.Popen(
            command,
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        )


def spoil(path: Path, *, head: int = 4096) -> None:
    """Random bytes over all but the head, as another program or a dying disk would write them."""
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(head)
        file.write(random.Random(1).randbytes(size - head))  # noqa: S311 - no secret


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


def test_a_log_that_is_spoilt_is_told_and_ends_with_code_4(
    bench: BenchFolder, run: Run
) -> None:
    spoil(bench.store.with_name("bench.db-wal"), head=32)
    failing = bench.wait_for(lambda s: s["store"]["state"] == "failing", within_s=10)
    assert any("bench.db" in alarm["text"] for alarm in failing["alarms"])
    wait_for_more(bench)
    run.signal(signal.SIGINT)
    code, _, words = run.finish(within_s=15)
    assert code == 4, words
    assert f"`daq salvage {bench.store}`" in words
    assert "Traceback" not in words


def test_a_store_that_is_emptied_is_told_at_once_and_ends_with_code_4(
    bench: BenchFolder, run: Run
) -> None:
    os.truncate(bench.store, 0)
    failing = bench.wait_for(lambda s: s["store"]["state"] == "failing", within_s=10)
    assert "it was emptied while in use" in failing["store"]["text"]
    assert any("bench.db" in alarm["text"] for alarm in failing["alarms"])
    wait_for_more(bench)
    run.signal(signal.SIGINT)
    code, _, words = run.finish(within_s=15)
    assert code == 4, words
    assert re.search(r"[1-9]\d* readings, gaps and events are lost", words)
    assert bench.store.stat().st_size == 0
    assert bench.store.with_name("bench.db-wal").stat().st_size > 0


def test_a_log_that_is_removed_is_told_and_nothing_that_was_shown_is_lost(
    bench: BenchFolder, run: Run
) -> None:
    bench.store.with_name("bench.db-wal").unlink()
    failing = bench.wait_for(lambda s: s["store"]["state"] == "failing", within_s=10)
    assert "its log was removed or replaced" in failing["store"]["text"]
    shown = failing["instruments"][0]["readings"]
    bench.wait_for(lambda s: s["store"]["state"] == "ok", within_s=10)
    run.kill()
    with closing(sqlite3.connect(bench.store)) as connection:
        (stored,) = connection.execute(
            "SELECT count(*) FROM readings_power_analyser"
        ).fetchone()
    # All but the last second of before the log was missed; the simulators run at 12 times the speed.
    assert stored >= shown - 20


def test_a_disk_that_hangs_is_told_and_the_end_says_how_much_is_not_written(
    bench: BenchFolder, simulators: Simulators, tmp_path: Path
) -> None:
    disk = slow_disk(tmp_path)
    run = OddRun(run_command(bench, "--json"), disk.environment)
    try:
        simulators.say("fit no filter")
        bench.wait_for(lambda s: s["instruments"][0]["readings"] > 20)
        disk.set_wait(HANGS)
        failing = bench.wait_for(lambda s: s["store"]["state"] == "failing")
        assert "nothing could be written for 5 s" in failing["store"]["text"]
        assert any("does not answer" in a["text"] for a in failing["alarms"])
        assert "results file cannot be written" in failing["instruction"]
        disk.set_wait(0)
        bench.wait_for(lambda s: s["store"]["state"] == "ok")
        disk.set_wait(HANGS)
        bench.wait_for(lambda s: s["store"]["state"] == "failing")
        run.signal(signal.SIGTERM)
        code, _, words = run.finish(within_s=25)
        assert code == 4, words
        assert re.search(
            r"does not answer: [1-9]\d* readings, gaps and events are not written",
            words,
        )
    finally:
        disk.set_wait(0)
        run.end()


def test_a_disk_that_takes_its_time_over_every_write_holds_up_nothing(
    bench: BenchFolder, simulators: Simulators, tmp_path: Path
) -> None:
    disk = slow_disk(tmp_path)
    run = OddRun(run_command(bench, "--json"), disk.environment)
    try:
        simulators.say("fit no filter")
        bench.wait_for(lambda s: s["instruments"][0]["readings"] > 20)
        disk.set_wait(100)
        assert wait_for_more(bench)["store"]["state"] == "ok"
        shown = bench.state()["instruments"][0]["readings"]
        run.signal(signal.SIGTERM)
        code, _, words = run.finish(within_s=60)
        assert code == 143, words
    finally:
        run.end()
    with closing(sqlite3.connect(bench.store)) as connection:
        (stored,) = connection.execute(
            "SELECT count(*) FROM readings_power_analyser"
        ).fetchone()
    assert stored >= shown


def slow_disk(folder: Path) -> SlowDisk:
    try:
        return SlowDisk(folder)
    except LookupError as exc:
        pytest.skip(str(exc))


FEW_ROWS = """
import sys
import daq.runtime.store.store as store
store.BUFFER_ROWS = 40
from daq.cli import main
main(sys.argv[1:])
"""
"""The service with room for few rows in memory."""


def test_once_rows_were_dropped_nothing_says_that_nothing_was_lost(
    bench: BenchFolder, simulators: Simulators
) -> None:
    words = run_command(bench, "--json")
    run = OddRun([words[0], "-c", FEW_ROWS, *words[3:]], os.environ)
    try:
        simulators.say("fit no filter")
        bench.wait_for(lambda s: s["instruments"][0]["readings"] > 20)
        with closing(sqlite3.connect(bench.store, isolation_level=None)) as other:
            other.execute("PRAGMA busy_timeout = 10000")
            other.execute("BEGIN IMMEDIATE")
            bench.wait_for(lambda s: "are being lost" in s["store"]["text"])
            other.execute("COMMIT")
        bench.wait_for(lambda s: s["store"]["state"] == "ok")
        run.signal(signal.SIGTERM)
        code, _, said = run.finish(within_s=15)
    finally:
        run.end()
    assert code == 4, said
    assert re.search(
        r"can be written again; [1-9]\d* rows that waited for it were lost", said
    )
    assert "nothing was lost" not in said
