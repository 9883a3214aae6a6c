"""The service is killed and started anew: the page's charts still show what was read before."""

import json
import urllib.request

import pytest

from tests.system.bench_process import BenchFolder, Simulators
from tests.system.serving import Service, quick_filters

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]


def trace_of(bench: BenchFolder, channel: str) -> list[tuple[float, float | None]]:
    address = f"http://127.0.0.1:{bench.page_port}/api/trace"
    with urllib.request.urlopen(address, timeout=5) as answer:
        trace = json.load(answer)["channels"][channel]
    return list(zip(trace["t"], trace["v"], strict=True))


def test_a_service_that_was_killed_gives_its_charts_the_past(tmp_path) -> None:
    bench = quick_filters(tmp_path)
    simulators = Simulators(bench, alone=True)
    service = Service(bench)
    try:
        begun_s = bench.state()["clock"]["now_s"]
        bench.wait_for(lambda s: s["clock"]["now_s"] > begun_s + 40.0)
        before = trace_of(bench, "power")
        killed_s = bench.state()["clock"]["now_s"]
        service.kill()
        service = Service(bench)
        now_s = bench.state()["clock"]["now_s"]
        after = trace_of(bench, "power")
    finally:
        service.end()
        simulators.stop()
    # What is not older than 1.2 s of real time is in the file; in bench time it is twelve times as much.
    kept = [point for point in before if point[0] < killed_s - 1.2 * 12.0]
    assert len(kept) > 10
    # The last stretch before the kill may be thinned to other points.
    assert set(kept) <= set(after)
    times_s = [at_s for at_s, _ in after]
    assert times_s == sorted(set(times_s))
    assert any(killed_s < at_s <= now_s + 5.0 for at_s in times_s)
