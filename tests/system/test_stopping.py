"""A service that is told to stop: while somebody looks on, while a stored session is being compared, in the middle of a trial.

`tests/campaigns/signals.py` sends each signal in every state.
"""

import http.client
import os
import signal
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.campaigns.kills_moments import Moment
from tests.campaigns.signals import Sent, mosquitto, run_session
from tests.runtime.compared_sessions import ONCE, store_session
from tests.system.bench_process import BenchFolder, Simulators
from tests.system.serving import Service, quick_filters

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]
PROCESSES = Path("/proc")


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
