"""A service that is told to stop: while somebody looks on, while a stored session is being compared, in the middle of a trial.

`tests/campaigns/signals.py` sends each signal in every state.
"""

import http.client
import os
import signal
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from tests.campaigns import signals
from tests.campaigns.kills_moments import Moment
from tests.campaigns.signals import mosquitto, run_session
from tests.campaigns.signals_verdict import MOMENTS, Sent, Stop, unmeasured
from tests.runtime.compared_sessions import ONCE, store_session
from tests.system.bench_process import BenchFolder, Simulators
from tests.system.serving import Service, quick_filters

PROCESSES = Path("/proc")


def _runs_it(test: Callable[..., None]) -> Callable[..., None]:
    """A test with the service as a process of its own."""
    for mark in (pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)):
        test = mark(test)
    return test


@pytest.fixture(autouse=True)
def _hang_up_is_not_ignored() -> Iterator[None]:
    """The service obeys a hang-up unless it inherits that it is to be ignored, as under nohup; these tests may be run so themselves."""
    before = signal.signal(signal.SIGHUP, lambda *_: None)
    yield
    signal.signal(signal.SIGHUP, before)


@pytest.fixture
def bench(tmp_path: Path) -> BenchFolder:
    bench = quick_filters(tmp_path)
    store_session(bench.store, ONCE)
    return bench


@pytest.fixture
def service(bench: BenchFolder) -> Iterator[Service]:
    simulators = Simulators(bench, alone=True)
    try:
        service = Service(bench)
        yield service
        service.end()
    finally:
        simulators.stop()


def comparing(bench: BenchFolder) -> int | None:
    """Process that compares a session of this bench."""
    for process in PROCESSES.glob("[0-9]*"):
        try:
            words = (process / "cmdline").read_bytes().split(b"\0")
        except OSError:
            continue  # it has just ended
        if b"daq.runtime.comparing" in words and os.fsencode(bench.store) in words:
            return int(process.name)
    return None


@_runs_it
@pytest.mark.skipif(not PROCESSES.is_dir(), reason="no /proc to find the process in")
def test_it_stops_at_once_and_leaves_no_comparison_behind(
    bench: BenchFolder, service: Service
) -> None:
    viewer = socket.create_connection(("127.0.0.1", bench.page_port))
    host = f"127.0.0.1:{bench.page_port}"
    viewer.sendall(f"GET /api/live HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
    statuses: list[int] = []

    def look_at_session() -> None:
        asking = http.client.HTTPConnection(host, timeout=60)
        asking.request("GET", "/api/sessions/1")
        statuses.append(asking.getresponse().status)
        asking.close()

    looking = threading.Thread(target=look_at_session)
    looking.start()
    bench.wait_for(lambda _: comparing(bench) is not None)
    process = comparing(bench)
    assert process is not None
    # From now on it would never end by itself.
    os.kill(process, signal.SIGSTOP)
    service.signal(signal.SIGTERM)
    code, said = service.finish(within_s=3.0)
    looking.join()
    viewer.close()
    assert (code, statuses) == (128 + signal.SIGTERM, [503])
    assert "Traceback" not in said
    assert comparing(bench) is None


@_runs_it
@pytest.mark.mosquitto
@pytest.mark.parametrize(
    ("sent", "moment"),
    [(Sent.INT_TWICE, Moment.RUNNING_UP), (Sent.HUP, Moment.IDLE)],
)
def test_a_signal_ends_it_in_order_and_the_broker_is_told(
    tmp_path: Path, sent: Sent, moment: Moment
) -> None:
    with mosquitto(tmp_path) as port:
        bench = quick_filters(tmp_path)
        (stop,) = run_session(bench, sent, [moment], port=port, seed=1)
    assert (stop.moment, stop.wrong) == (moment, {})


# ---- the campaign: when it proves something


def stop(moment: Moment, sent: Sent, reached: Moment | None = None) -> Stop:
    again = sent is Sent.INT_TWICE
    return Stop(moment, reached or moment, sent, 0.4, {}, was_sent_again=again)


STOPS = [stop(moment, sent) for sent in Sent for moment in MOMENTS]


def lacking(stops: Sequence[Stop], *, rounds: int = 1) -> list[str]:
    return [*unmeasured(stops, sent=[*Sent], rounds=rounds)]


def test_each_signal_at_each_moment_is_all_that_was_asked_for() -> None:
    assert lacking(STOPS) == []


def test_stops_that_were_not_made_or_fell_elsewhere_are_told() -> None:
    assert lacking([]) == [
        "SIGTERM: 0 of 8 stops",
        "SIGINT: 0 of 8 stops",
        "SIGINT twice: 0 of 8 stops",
        "SIGINT twice: it had ended each time before the second was sent",
        "SIGHUP: 0 of 8 stops",
    ]
    assert lacking(STOPS[1:]) == ["SIGTERM: 7 of 8 stops"]
    assert len(lacking(STOPS, rounds=2)) == len(Sent)
    elsewhere = stop(MOMENTS[0], Sent.TERM, Moment.ANOTHER)
    assert lacking([elsewhere, *STOPS[1:]]) == [
        "SIGTERM: never idle, though that was wanted 1 times"
    ]
    lone = [replace(each, was_sent_again=False) for each in STOPS]
    assert lacking(lone) == [
        "SIGINT twice: it had ended each time before the second was sent"
    ]


def run(monkeypatch: pytest.MonkeyPatch, stops: Iterator[Stop], *words: str) -> int:
    monkeypatch.setattr(signals, "stopped", lambda *_args, **_options: stops)
    monkeypatch.setattr("sys.argv", ["signals.py", *words])
    kept = {each: signal.getsignal(each) for each in (signal.SIGINT, signal.SIGHUP)}
    try:
        return signals.main()
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)


def test_a_campaign_that_is_broken_off_says_so_and_is_not_passed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted() -> Iterator[Stop]:
        yield STOPS[0]
        raise KeyboardInterrupt

    assert run(monkeypatch, interrupted()) == 130
    assert "NOT MEASURED: broken off" in capsys.readouterr().out
    assert run(monkeypatch, iter(STOPS)) == 0
    assert run(monkeypatch, iter([])) == 1
    assert "NOT MEASURED: SIGHUP: 0 of 8 stops" in capsys.readouterr().out
    late = replace(STOPS[0], wrong={"too late": "3.2 s"})
    assert run(monkeypatch, iter([late, *STOPS[1:]])) == 1


def test_no_round_is_a_wrong_argument(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        run(monkeypatch, iter([]), "--rounds", "0")
    assert ended.value.code == 2
    assert "argument --rounds: must be 1 or more" in capsys.readouterr().err
