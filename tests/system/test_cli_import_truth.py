"""`daq import` on drawn logs of known truth, dense and sparse, and a plain re-analysis after it."""

import pytest

from tests.benchmarks.imported import Count, carry_out


@pytest.mark.slow
def test_averages_and_offsets_hold_the_truth_and_a_plain_reanalysis_agrees() -> None:
    """A small share of tests/benchmarks/imported.py, too small for rates; three sessions have a log of few readings."""
    counts: dict[str, Count] = {}
    for number in range(10):
        carry_out(2, number, lambda what: counts.setdefault(what, Count()))
    for what, count in counts.items():
        if what.startswith(("averages", "offsets")):
            assert count.share >= 0.8, what
    again = counts["re-analyses that agree"]
    assert again.held == again.total > 0
    assert counts["averages of velocity, sparse"].total > 0
