"""A short form of the study of typed readings: a drift within what is allowed, and how a case is judged."""

import pytest

from tests.benchmarks.typed_readings import Case, Outcome, meets_goal, run

# Scatter so small that nothing but the drift tells how far the mean may be off.
DRIFTING = Case("a drift that is allowed", step=1e-4, noise=2e-4, drift=0.03)


@pytest.mark.slow
def test_the_interval_holds_the_drift_that_the_rule_allows() -> None:
    outcomes = [run(DRIFTING, index, preset="standard", seed=1) for index in range(25)]
    done = [outcome for outcome in outcomes if outcome is not None]
    assert len(done) == 25
    # 93 of 100 are 23.25 of 25; by the readings' scatter alone about 20 are covered.
    assert sum(abs(each.error) <= each.u for each in done) >= 24
    # Nor is it bought by an interval as wide as the tolerance, 1 %.
    assert max(each.u for each in done) < 0.01


@pytest.mark.parametrize(
    ("covered", "is_met"),
    # Upper 95 % bounds by the beta quantiles of Clopper and Pearson: 88.9 and 93.3 %, 100 %.
    [(125, False), (133, True), (150, True)],
)
def test_a_case_misses_the_goal_only_where_its_upper_bound_does(
    covered: int, *, is_met: bool
) -> None:
    inside, outside = Outcome(0.0, 0.0, 1.0, 5), Outcome(2.0, 2.0, 1.0, 5)
    outcomes = [inside] * covered + [outside] * (150 - covered)
    assert meets_goal(outcomes) is is_met


def test_a_case_without_any_average_misses_the_goal() -> None:
    assert not meets_goal([None, None])
