"""How much longer a trial is likely to take, as the session answers it."""

import dataclasses

import pytest

from daq.trials.session import Session
from daq.trials.stages import Stage
from tests.core.trials.session_bench import (
    LONGEST_S,
    OFF_A,
    ON_A,
    RULES,
    TOO_MUCH_A,
    Bench,
    order_of,
)


def left_s(bench: Bench) -> float | None:
    return bench.session.time_left_s()


def run_until(bench: Bench, stage: Stage) -> None:
    """The machine runs until the session is there."""
    for _ in range(round(LONGEST_S)):
        if bench.stage() is stage:
            return
        bench.run(1, ON_A)
    pytest.fail(f"{bench.stage()} after {LONGEST_S} s, expected {stage}")


def test_outside_a_trial_and_before_anything_is_known_nothing_is_said() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    assert left_s(bench) is None
    bench.run(1, ON_A)
    assert bench.stage() is Stage.RUNNING_UP
    assert left_s(bench) is None


def test_averaging_takes_at_least_the_least_time_and_the_estimate_runs_down() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    run_until(bench, Stage.AVERAGING)
    declared_s = bench.now_s
    least_s = RULES.parameters.least_s
    assert left_s(bench) == least_s
    bench.run(20, ON_A)
    # Bins of 2 s: what is over counts by whole bins.
    assert left_s(bench) == pytest.approx(least_s - 20.0, abs=2.0)
    run_until(bench, Stage.DONE)
    # A quiet machine needs no more than the least time.
    assert bench.now_s - declared_s == pytest.approx(least_s, abs=4.0)


def test_a_trial_that_is_over_says_nothing_more() -> None:
    bench = Bench()
    bench.settle()
    assert bench.stage() is Stage.DONE
    assert left_s(bench) is None
    bench.run(5, OFF_A)
    assert left_s(bench) is None


def test_a_broken_limit_ends_the_count() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    run_until(bench, Stage.AVERAGING)
    bench.run(10, TOO_MUCH_A)
    assert bench.stage() is Stage.LIMIT
    assert left_s(bench) is None


@pytest.mark.parametrize("longest_s", [60.0, 90.0, 120.0])
def test_it_is_never_longer_than_what_is_left_of_the_longest_time(
    longest_s: float,
) -> None:
    rules = dataclasses.replace(RULES, longest_s=longest_s)
    bench = Bench(Session(rules, order_of("a", "b")))
    bench.run(5, OFF_A)
    bench.run(1, ON_A)
    started_s, known = bench.now_s, 0
    while bench.stage() not in {Stage.NOT_SETTLED, Stage.DONE}:
        bench.run(1, ON_A)
        estimate_s = left_s(bench)
        if estimate_s is not None:
            known += 1
            assert 0.0 <= estimate_s <= started_s + longest_s - bench.now_s
    assert known > 0


def test_what_is_left_of_the_longest_time_runs_down_without_readings_too() -> None:
    bench = Bench()
    assert bench.session.longest_left_s() == 0.0
    bench.run(5, OFF_A)
    bench.run(1, ON_A)
    assert bench.session.longest_left_s() == LONGEST_S
    bench.wait(100.0)
    assert bench.session.longest_left_s() == LONGEST_S - 100.0
