"""The yardstick computes what it says."""

import numpy as np
import pytest

from tests.benchmarks.running_sums import RunningSums

LENGTH = 600


def test_the_running_sums_are_those_of_the_window_by_the_direct_formulas() -> None:
    random = np.random.default_rng(1)
    readings = 230.0 + np.cumsum(random.normal(0.0, 0.01, 3000))
    readings += random.normal(0.0, 0.2, 3000)
    sums = RunningSums(LENGTH)
    for count, value in enumerate(readings.tolist(), 1):
        found = sums.push(value)
        if found is None or count % 97:
            continue
        window = readings[max(0, count - LENGTH) : count]
        n, away = len(window), window - window.mean()
        assert found.mean == pytest.approx(window.mean(), rel=1e-12)
        # Of what was added and taken away some thousand times 1e-8 are left in doubt.
        assert found.variance == pytest.approx(window.var(ddof=1), rel=1e-8)
        slope = np.polyfit(np.arange(n), window, 1)[0]
        assert found.slope == pytest.approx(slope, rel=1e-6, abs=1e-10)
        lag = (away[1:] * away[:-1]).sum() / (away * away).sum()
        assert found.lag_one == pytest.approx(lag, rel=1e-6, abs=1e-8)


def test_equal_readings_vary_by_nothing() -> None:
    sums = RunningSums(5)
    found = [sums.push(1.5) for _ in range(9)]
    assert found[:2] == [None, None]
    assert found[-1] == (1.5, 0.0, 0.0, 0.0)
