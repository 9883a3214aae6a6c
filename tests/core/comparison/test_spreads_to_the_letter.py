"""Where a spread between trials is known from, and what it shows, figure by figure."""

import math

import pytest
from scipy import stats  # type: ignore[import-untyped]  # ships no types

from daq.comparison.contrasts import spread_without_drift
from daq.comparison.critical import dunnett_probability
from daq.comparison.designs import difference_shown
from daq.comparison.spread import SpreadSource, StatedSpread, usable_spread
from daq.repeats import Spread
from tests.core.comparison.observed import observation


def test_a_spread_says_where_it_is_known_from() -> None:
    three, one = Spread(2.0, 3.0), Spread(1.0, 1.0)
    own = usable_spread(three)
    assert own is not None
    assert (own.source, own.detail) == (
        SpreadSource.SESSION,
        "3 degrees of freedom from this session's repeats",
    )
    earlier = usable_spread(one, earlier=[(4, three), (7, three)])
    assert earlier is not None
    assert (earlier.source, earlier.detail) == (
        SpreadSource.EARLIER,
        "7 degrees of freedom, with sessions 4, 7",
    )
    # Two of 3 degrees and one of 1: (3·4 + 3·4 + 1)/7.
    assert earlier.std_dev == pytest.approx(math.sqrt(25.0 / 7.0))
    single = usable_spread(None, earlier=[(4, three)])
    assert single is not None
    assert single.detail == "3 degrees of freedom, with session 4"
    stated = usable_spread(
        one, stated=StatedSpread(0.5, 4.0, "logbook"), baseline_mean=-200.0
    )
    assert stated is not None
    assert (stated.source, stated.std_dev, stated.detail) == (
        SpreadSource.STATED,
        1.0,
        "0.5 % with 4 degrees of freedom, stated in the plan: logbook",
    )


@pytest.mark.parametrize(
    ("ratio", "correlations", "nu", "told"),
    [
        (
            -1.0,
            [0.5],
            3.0,
            "ratio -1.0, correlations [0.5], degrees of freedom 3.0: expected at least one condition, none below 0",
        ),
        (
            1.0,
            [],
            3.0,
            "ratio 1.0, correlations [], degrees of freedom 3.0: expected at least one condition, none below 0",
        ),
        (
            1.0,
            [0.5],
            0.0,
            "ratio 1.0, correlations [0.5], degrees of freedom 0.0: expected at least one condition, none below 0",
        ),
        (1.0, [0.5, 1.0], 3.0, "correlations [0.5, 1.0], expected 0 up to below 1"),
        (1.0, [-0.1], 3.0, "correlations [-0.1], expected 0 up to below 1"),
    ],
)
def test_figures_that_no_design_has_are_refused(
    ratio: float, correlations: list[float], nu: float, told: str
) -> None:
    with pytest.raises(ValueError, match="expected") as refused:
        dunnett_probability(ratio, correlations, nu)
    assert str(refused.value) == told


def test_a_session_without_repeats_goes_by_the_spread_that_is_known() -> None:
    # Eight degrees of freedom either way: what is found goes as the root of 1/n + 1/n0 alone.
    five = difference_shown(
        [5], baseline_repeats=5, std_dev=1.0, degrees_of_freedom=8.0
    )
    one = difference_shown([1], baseline_repeats=1, std_dev=1.0, degrees_of_freedom=8.0)
    assert five is not None
    assert one == pytest.approx(five * math.sqrt(2.0 / 0.4), rel=1e-3)


@pytest.mark.parametrize("factor", [0.0, 0.3, math.sqrt(0.5), 0.9])
@pytest.mark.parametrize("nu", [1.0, 2.0, 3.0, 8.0, 100.0])
def test_one_condition_alone_is_students_t_to_the_stated_digit(
    factor: float, nu: float
) -> None:
    for ratio in (0.1, 1.0, 2.5, 6.0, 40.0):
        expected = 2.0 * float(stats.t.cdf(ratio, nu)) - 1.0
        found = dunnett_probability(ratio, [factor], nu)
        assert found == pytest.approx(expected, abs=1e-6)


def test_a_baseline_between_two_others_tells_of_the_spread_without_drift() -> None:
    # An even drift of 1 a trial falls out: the middle one lies 3 beside the line through the others.
    means = {1: ("bare", 10.0), 2: ("hose", 50.0), 3: ("bare", 15.0), 5: ("bare", 14.0)}
    seen = [
        observation(mean, trial=trial, condition=condition)
        for trial, (condition, mean) in means.items()
    ]
    found = spread_without_drift(seen, baseline="bare")
    assert found is not None
    # Weights -1/2, 1, -1/2: variance 1.5 s², one degree of freedom.
    assert found.std_dev == pytest.approx(3.0 / math.sqrt(1.5))
    assert found.degrees_of_freedom == pytest.approx(1.0)
