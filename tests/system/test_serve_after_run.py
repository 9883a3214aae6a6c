"""A session begun with `daq run`: a service that comes later takes it up where it was killed, and not where it was stopped."""

import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.system.bench_process import BenchFolder, Run, Simulators
from tests.system.serving import FILTERS, Service, is_called_for, quick_filters

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]
NONE = FILTERS[0]


def operations(bench: BenchFolder) -> list[str]:
    """Kinds of what is in the journal so far."""
    with closing(sqlite3.connect(bench.store)) as connection:
        return [kind for (kind,) in connection.execute("SELECT kind FROM operations")]


@pytest.fixture
def bench(tmp_path: Path) -> BenchFolder:
    return quick_filters(tmp_path)


@pytest.fixture
def simulators(bench: BenchFolder) -> Iterator[Simulators]:
    simulators = Simulators(bench, alone=True)
    yield simulators
    simulators.stop()


@pytest.fixture
def run(bench: BenchFolder, simulators: Simulators) -> Iterator[Run]:
    """A run that calls for its first trial, and whose start is in the file."""
    assert simulators.say("off")
    run = Run(bench)
    bench.wait_for(lambda s: is_called_for(NONE, s) and operations(bench) == ["start"])
    yield run
    run.end()


def test_a_run_that_was_killed_is_taken_up_by_the_next_service(
    bench: BenchFolder, run: Run
) -> None:
    run.kill()
    service = Service(bench)
    try:
        state = bench.wait_for(lambda s: is_called_for(NONE, s))
        assert state["session"]["number"] == 1
        service.signal(signal.SIGTERM)
        assert "Session 1 goes on: 0 of 4 trials are done." in service.finish()[1]
    finally:
        service.end()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_run_that_was_stopped_in_order_is_not_taken_up_by_the_next_service(
    bench: BenchFolder, run: Run, number: int
) -> None:
    run.signal(number)
    assert run.finish(within_s=20.0)[0] == 128 + number
    service = Service(bench)
    try:
        assert bench.state()["session"] is None
        service.signal(signal.SIGTERM)
        assert "The bench is idle." in service.finish()[1]
        assert operations(bench) == ["start", "stop"]
    finally:
        service.end()
