"""The conveying index: a rule of the trade, with its uncertainty and its standing."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.physics.conveying import conveying_index

RATIOS = st.floats(0.05, 2.0)


def test_a_loss_of_eleven_percent_of_flow_leaves_little_more_than_half() -> None:
    # Common practice, no published source: 11.4 % less flow leaves 54.6 %.
    index = conveying_index(1.0 - 0.114, ratio_std_uncertainty=0.0)
    assert index.value == pytest.approx(0.546, abs=5e-4)


@pytest.mark.parametrize(
    ("ratio", "value"), [(0.95, 0.773781), (0.9, 0.59049), (0.8, 0.32768), (0.5, 2**-5)]
)
def test_the_usual_exponent_is_five(ratio: float, value: float) -> None:
    # By hand.
    index = conveying_index(ratio, ratio_std_uncertainty=0.0)
    assert index.value == pytest.approx(value, abs=1e-6)
    assert index.exponent == 5.0


@pytest.mark.parametrize(("exponent", "value"), [(2.0, 0.784996), (3.0, 0.695506)])
def test_the_exponent_can_be_another(exponent: float, value: float) -> None:
    # By hand: 0.886², 0.886³.
    index = conveying_index(0.886, ratio_std_uncertainty=0.0, exponent=exponent)
    assert index.value == pytest.approx(value, abs=1e-6)


def test_every_index_says_what_it_rests_on() -> None:
    index = conveying_index(0.9, ratio_std_uncertainty=0.01)
    assert index.standing == "common practice, no published source"


def test_one_percent_of_flow_is_five_percent_of_index() -> None:
    # GUM equation (12).
    index = conveying_index(0.8, ratio_std_uncertainty=0.008)
    assert index.std_uncertainty / index.value == pytest.approx(0.05)


@given(RATIOS, st.floats(1.0, 7.0))
def test_the_uncertainty_is_the_slope_of_the_index(
    ratio: float, exponent: float
) -> None:
    step = 1e-6 * ratio
    above, here, below = (
        conveying_index(r, ratio_std_uncertainty=step, exponent=exponent)
        for r in (ratio + step, ratio, ratio - step)
    )
    assert here.std_uncertainty == pytest.approx(
        (above.value - below.value) / 2.0, rel=1e-6
    )


@given(RATIOS, st.floats(1.001, 1.5))
def test_an_intervals_ends_stay_in_order(ratio: float, more: float) -> None:
    low = conveying_index(ratio, ratio_std_uncertainty=0.0)
    high = conveying_index(ratio * more, ratio_std_uncertainty=0.0)
    assert high.value > low.value


@pytest.mark.parametrize("ratio", [0.0, -0.5, math.nan, math.inf])
def test_no_flow_has_no_index(ratio: float) -> None:
    with pytest.raises(ValueError, match="flow ratio"):
        conveying_index(ratio, ratio_std_uncertainty=0.0)


@pytest.mark.parametrize("exponent", [0.0, 0.9, 7.1, -5.0, math.nan])
def test_an_exponent_out_of_range_is_refused(exponent: float) -> None:
    with pytest.raises(ValueError, match="exponent"):
        conveying_index(0.9, ratio_std_uncertainty=0.0, exponent=exponent)


def test_a_negative_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="uncertainty of the flow ratio"):
        conveying_index(0.9, ratio_std_uncertainty=-0.1)
