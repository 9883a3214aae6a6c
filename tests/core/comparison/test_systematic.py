"""What two trials on one meter have in common, against the closed forms of JCGM 100:2008 (GUM), 5.2.2."""

import math

import pytest

from daq.comparison.observations import ErrorPart, Observation, Quantity, propagate
from daq.comparison.systematic import error_parts
from daq.records import Accuracy
from daq.uncertainty import contributions_of_accuracy
from tests.core.comparison.simulated import comparison_of

Z = 1.959964
POWER = Quantity("power", "Power", "power", "W")


def observation(trial, condition, mean, accuracy, *, within=0.0, channel="power"):
    contributions = contributions_of_accuracy(mean, accuracy)
    return Observation(
        trial,
        condition,
        float(trial),
        mean,
        within,
        math.inf,
        error_parts(channel, mean, contributions, accuracy),
    )


def compared(accuracy, *, within=0.0, channel="power"):
    """Y 96 against B 100, one trial each; no spread is known, so that the errors alone are seen."""
    found = comparison_of(
        POWER,
        [
            observation(1, "B", 100.0, accuracy, within=within),
            observation(2, "Y", 96.0, accuracy, within=within, channel=channel),
        ],
        baseline="B",
    )
    return found.differences[0]


def test_a_gain_error_cancels_in_the_ratio():
    # u_A 0.2 each, gain +-1 %: u_r = sqrt((0.2/96)² + (0.2/100)²) * 0.96 = 0.0027724.
    found = compared(Accuracy(gain_percent=1.0), within=0.2)
    assert found.ratio_expanded_uncertainty == pytest.approx(Z * 0.0027724, rel=1e-4)


def test_of_a_gain_error_the_difference_keeps_its_share():
    found = compared(Accuracy(gain_percent=1.0))
    assert found.expanded_uncertainty == pytest.approx(Z * 0.04 / math.sqrt(3.0))


def test_of_an_offset_the_ratio_keeps_what_the_two_differ_by():
    # |1 - r| u_o / B with u_o = 0.3: 0.00012.
    found = compared(Accuracy(offset=0.3 * math.sqrt(3.0)))
    assert found.ratio_expanded_uncertainty == pytest.approx(Z * 0.00012)
    assert found.expanded_uncertainty == pytest.approx(0.0, abs=1e-12)


def test_a_percent_of_reading_that_is_not_stated_apart_cancels_by_its_share():
    # Close to the correlation of 0.8 with u = 0.6 each, whose difference has 0.6 * sqrt(0.4) = 0.37947; here u goes
    # with the reading: (0.6, 0.576), so that sqrt(0.2 (0.6² + 0.576²) + 0.8 * 0.024²) is left.
    found = compared(Accuracy(percent_of_reading=0.6 * math.sqrt(3.0)))
    left = math.sqrt(0.2 * (0.6**2 + 0.576**2) + 0.8 * 0.024**2)
    assert found.expanded_uncertainty == pytest.approx(Z * left)
    assert found.expanded_uncertainty == pytest.approx(Z * 0.37947, rel=0.03)


def test_counts_never_cancel():
    # Two counts of 0.1 each way: sqrt(2) * 0.2 / sqrt(3).
    found = compared(Accuracy(counts=2, resolution=0.1))
    assert found.expanded_uncertainty == pytest.approx(Z * math.sqrt(2.0 / 3.0) * 0.2)


def test_another_meter_shares_nothing():
    same = compared(Accuracy(gain_percent=1.0))
    other = compared(Accuracy(gain_percent=1.0), channel="power (changed, 2)")
    apart = math.hypot(1.0, 0.96) / math.sqrt(3.0)
    assert other.expanded_uncertainty == pytest.approx(Z * apart)
    assert other.expanded_uncertainty > 10 * same.expanded_uncertainty


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_taking_an_error_apart_keeps_its_size(share):
    accuracy = Accuracy(percent_of_reading=0.5, counts=2, resolution=0.1)
    contributions = contributions_of_accuracy(120.0, accuracy)
    parts = error_parts("v", 120.0, contributions, accuracy, common_share=share)
    # JCGM 100:2008 (GUM), 4.3.7: (0.6 + 0.2) / sqrt(3).
    assert math.hypot(*(p.std_uncertainty for p in parts)) == pytest.approx(
        0.46188, abs=1e-5
    )


@pytest.mark.parametrize("share", [-0.1, 1.2])
def test_the_share_is_a_share(share):
    with pytest.raises(ValueError, match="0 to 1") as refused:
        error_parts("v", 1.0, (), Accuracy(), common_share=share)
    assert str(refused.value) == f"common share {share}, expected 0 to 1"


def test_errors_of_one_source_add_with_their_signs():
    def one(mean, u):
        return Observation(
            1, "B", 0.0, mean, 0.3, 10.0, (ErrorPart("same", u, is_common=True),)
        )

    found = propagate(2.0, [(1.0, one(5.0, 0.4)), (-1.0, one(3.0, 0.3))])
    assert found.errors[0].std_uncertainty == pytest.approx(0.1)
    # JCGM 100:2008 (GUM), equation (10) and (G.2b): 0.3 twice with 10 degrees of freedom.
    assert found.std_uncertainty_within == pytest.approx(0.3 * math.sqrt(2.0))
    assert found.degrees_of_freedom_within == pytest.approx(20.0)


def test_observations_of_two_trials_make_no_derived_one():
    first = Observation(1, "B", 0.0, 1.0, 0.1, 9.0)
    second = Observation(2, "B", 1.0, 1.0, 0.1, 9.0)
    with pytest.raises(ValueError, match="one trial"):
        propagate(1.0, [(1.0, first), (1.0, second)])
