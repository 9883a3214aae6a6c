"""`daq serve`: the bench read for ever, sessions that outlast the program, other days, and a store that does not grow."""

import os
import signal
import socket
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from tests.system.bench_process import (
    ROOT,
    BenchFolder,
    Run,
    Simulators,
    Terminal,
    run_command,
)
from tests.system.serving import (
    FILTERS,
    Service,
    ask,
    begin_endless_trial,
    done,
    is_called_for,
    measure,
    quick_filters,
)

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(240)]
NONE, COARSE, MEDIUM, FINE = FILTERS


def rows(store: Path, statement: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(store)) as connection:
        return connection.execute(statement).fetchall()


@pytest.fixture
def bench(tmp_path: Path) -> BenchFolder:
    return quick_filters(tmp_path)


@pytest.fixture
def simulators(bench: BenchFolder) -> Iterator[Simulators]:
    simulators = Simulators(bench, alone=True)
    yield simulators
    simulators.stop()


def test_a_killed_service_goes_on_by_itself_and_asks_for_the_trial_again(
    bench: BenchFolder, simulators: Simulators
) -> None:
    service = Service(bench)
    try:
        done(bench, "start", "filters")
        measure(bench, simulators, NONE)
        done(bench, "skip", "--reason", "it is at the workshop")
        begin_endless_trial(bench, simulators, MEDIUM)
        bench.wait_for(
            lambda _: rows(bench.store, "SELECT count(*) FROM trials") == [(2,)]
        )
        service.kill()
        simulators.say("off")
        simulators.say("fault duct-air none")
        service = Service(bench)
        state = bench.wait_for(lambda s: is_called_for(MEDIUM, s))
        assert state["session"] == {
            "number": 1,
            "state": "running",
            "done": 1,
            "total": 4,
            "skipped": 1,
        }
        assert [line["state"] for line in state["slip"]] == [
            *("done", "skipped", "unfinished", "to come")
        ]
        measure(bench, simulators, MEDIUM)
        assert rows(bench.store, "SELECT condition, attempt, state FROM trials") == [
            (NONE, 1, "finished"),
            (MEDIUM, 1, "unfinished"),
            (MEDIUM, 2, "finished"),
        ]
        service.signal(signal.SIGTERM)
        code, said = service.finish()
        assert code == 143, said
        assert "Session 1 goes on: 1 of 4 trials are done." in said
        assert rows(bench.store, "PRAGMA integrity_check") == [("ok",)]
    finally:
        service.end()


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)]
)
def test_a_signal_ends_an_idle_service_in_order(
    bench: BenchFolder, simulators: Simulators, number: int, code: int
) -> None:
    assert simulators.say("off")
    service = Service(bench)
    try:
        service.signal(number)
        returned, said = service.finish()
        assert returned == code, said
        assert "The bench is idle." in said
        assert "Go on with: daq serve" in said
        assert "Traceback" not in said
        assert not (bench.path / "bench.db-wal").exists()
        assert ask(bench, "status").code == 5
    finally:
        service.end()


def test_a_session_that_was_stopped_is_not_taken_up_by_itself(
    bench: BenchFolder, simulators: Simulators
) -> None:
    service = Service(bench)
    try:
        done(bench, "start", "filters")
        measure(bench, simulators, NONE)
        done(bench, "stop")
        # What is asked for is in the file within the second, like any reading.
        stops = "SELECT count(*) FROM operations WHERE kind = 'stop'"
        bench.wait_for(lambda _: rows(bench.store, stops) == [(1,)])
        service.kill()
        service = Service(bench)
        assert bench.state()["session"] is None
    finally:
        service.end()


# ---- another day


def put_back(store: Path) -> None:
    """As if the session had been worked on yesterday."""
    with closing(sqlite3.connect(store)) as connection, connection:
        connection.execute(
            "UPDATE sessions SET worked_on_utc ="
            " strftime('%Y-%m-%dT%H:%M:%fZ', 'now', '-1 day')"
        )


@pytest.fixture
def yesterday(bench: BenchFolder, simulators: Simulators) -> BenchFolder:
    """A bench with a session of which two trials were made yesterday."""
    run = Run(bench)
    try:
        for condition in (NONE, COARSE):
            bench.wait_for(partial(is_called_for, condition))
            measure(bench, simulators, condition)
        run.signal(signal.SIGTERM)
        assert run.finish(within_s=20)[0] == 143
    finally:
        run.end()
    put_back(bench.store)
    return bench


def test_a_run_on_another_day_asks_and_without_a_keyboard_says_what_to_write(
    yesterday: BenchFolder, simulators: Simulators
) -> None:
    refused = subprocess.run(
        run_command(yesterday, "--plain"),
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert refused.returncode == 2
    assert refused.stdout == ""
    assert "session 1 was last worked on another day" in refused.stderr
    assert "say --same if they are, --new to begin anew" in refused.stderr
    assert rows(yesterday.store, "SELECT state FROM sessions") == [("open",)]

    run = Run(yesterday, "--same")
    try:
        state = yesterday.wait_for(lambda s: is_called_for(NONE, s))
        assert [line["condition"] for line in state["slip"]] == [
            *(NONE, COARSE, NONE, MEDIUM, FINE)
        ]
        measure(yesterday, simulators, NONE)
        yesterday.wait_for(lambda s: is_called_for(MEDIUM, s))
        run.signal(signal.SIGTERM)
        assert run.finish(within_s=20)[0] == 143
    finally:
        run.end()
    # Worked on again: the same day now, and nobody is asked.
    run = Run(yesterday)
    try:
        yesterday.wait_for(lambda s: is_called_for(MEDIUM, s))
    finally:
        run.end()


@pytest.mark.parametrize(
    ("answers", "code", "words"),
    [
        (b"y\ny\ny\n", 130, "Session 1 goes on: 2 of 4 trials are done."),
        (b"y\nn\ny\n", 2, "begin anew with --new"),
    ],
)
def test_a_run_on_another_day_takes_the_answers_at_the_terminal(
    yesterday: BenchFolder, answers: bytes, code: int, words: str
) -> None:
    terminal = Terminal([*run_command(yesterday), "--plain"])
    terminal.press(answers)
    if code == 130:
        yesterday.wait_for(lambda s: is_called_for(NONE, s))
        terminal.signal(signal.SIGINT)
    assert terminal.finish(within_s=60.0) == code
    assert words in " ".join(terminal.drawn.decode().split())


def test_a_service_leaves_yesterdays_session_alone_until_it_is_told_that_all_is_the_same(
    bench: BenchFolder, simulators: Simulators
) -> None:
    service = Service(bench)
    try:
        done(bench, "start", "filters")
        for condition in (NONE, COARSE):
            measure(bench, simulators, condition)
        service.kill()
        put_back(bench.store)
        service = Service(bench)
        assert bench.state()["session"] is None
        refused = ask(bench, "start", "filters")
        assert refused.code == 1
        assert "say --same if they are, --new to begin anew" in refused.err
        assert bench.state()["session"] is None
        done(bench, "start", "filters", "--same")
        bench.wait_for(lambda s: is_called_for(NONE, s))
        # Killed before anything is measured, it is today's session all the same.
        today = "SELECT worked_on_utc > strftime('%Y-%m-%dT%H', 'now', '-1 hour') FROM sessions"
        bench.wait_for(lambda _: rows(bench.store, today) == [(1,)])
        service.kill()
        service = Service(bench)
        bench.wait_for(lambda s: is_called_for(NONE, s))
    finally:
        service.end()


# ---- a bench that is left on


def test_readings_of_an_idle_bench_are_thinned_and_those_of_sessions_are_not(
    bench: BenchFolder, simulators: Simulators
) -> None:
    # At twelve times the speed of life a minute of the bench is five seconds.
    kept = "[idle]\nkeep_all_h = 0.01\nkeep_every_s = 20.0\n\n[page]"
    bench.edit("bench.toml", "[page]", kept)
    service = Service(bench)
    try:
        done(bench, "start", "filters")
        measure(bench, simulators, NONE)
        done(bench, "stop")
        before = bench.state()["clock"]["now_s"]
        bench.wait_for(lambda s: s["clock"]["now_s"] > before + 300.0)
        service.signal(signal.SIGTERM)
        assert service.finish()[0] == 143
        table = "readings_power_analyser"
        trial = f"SELECT count(*) FROM {table} WHERE trial_id IS NOT NULL"  # noqa: S608 - ours
        idle = f"SELECT at_s FROM {table} WHERE at_s > {before} ORDER BY at_s"  # noqa: S608 - ours
        of_trial = rows(bench.store, trial)
        # It begins with thinning: what is old by then goes.
        service = Service(bench)
        newest_s = rows(bench.store, f"SELECT max(at_s) FROM {table}")[0][0]  # noqa: S608 - ours
        old_s = newest_s - 0.01 * 3600.0
        bench.wait_for(
            lambda _: (
                sum(t < old_s for (t,) in rows(bench.store, idle))
                <= 2 + (old_s - before) / 20.0
            )
        )
        assert rows(bench.store, trial) == of_trial
        left = [t for (t,) in rows(bench.store, idle) if t < old_s]
        assert len(left) >= 0.8 * (old_s - before) / 20.0 - 1
    finally:
        service.end()


def test_a_service_manager_hears_of_its_beginning_and_its_end(
    bench: BenchFolder, simulators: Simulators, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert simulators.say("off")
    address = f"steadybench-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(f"\0{address}")
        manager.settimeout(20.0)
        monkeypatch.setenv("NOTIFY_SOCKET", f"@{address}")
        monkeypatch.setenv("WATCHDOG_USEC", "1000000")
        service = Service(bench)
        try:
            assert [manager.recv(100) for _ in range(3)] == [
                *(b"READY=1", b"WATCHDOG=1", b"WATCHDOG=1")
            ]
            service.signal(signal.SIGTERM)
            while (heard := manager.recv(100)) == b"WATCHDOG=1":
                pass
            assert heard == b"STOPPING=1"
            assert service.finish()[0] == 143
        finally:
            service.end()
