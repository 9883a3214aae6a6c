"""What the settling rule refuses and names, each sentence whole."""

import math
from dataclasses import asdict

import numpy as np
import pytest

from daq.settling.distributions import normal_cdf, student_t_cdf
from daq.settling.group import SettlingGroup
from daq.settling.normalising import NotFitted, WhyNotFitted, normalise
from daq.settling.options import with_options
from daq.settling.parameters import STANDARD
from daq.settling.rule import GroupRule
from daq.settling.verdicts import HeldBackBy
from tests.core.settling.readings import channel


def test_reasons_keep_the_words_that_stores_and_reports_have() -> None:
    assert [reason.value for reason in HeldBackBy] == [
        "no load",
        "too short",
        "drifting",
        "too noisy",
        "resolution too coarse",
        "hunting",
        "step",
        "gaps",
    ]


@pytest.mark.parametrize(
    ("why", "figure", "limit", "told"),
    [
        (
            WhyNotFitted.FEW_BINS,
            12.0,
            30.0,
            "too few bins (12, at least 30 are needed)",
        ),
        (
            WhyNotFitted.NOT_POSITIVE,
            -0.123456,
            0.0,
            "readings that are not above zero (the least is -0.1235)",
        ),
        (
            WhyNotFitted.WITH_TIME,
            0.876,
            0.7,
            "voltage and elapsed time ran together (correlation 0.88, at most 0.7)",
        ),
        (
            WhyNotFitted.STEADY,
            0.456,
            0.3,
            "the voltage moved too little (standard uncertainty of its exponent 0.46, at most 0.3)",
        ),
    ],
)
def test_why_an_exponent_is_not_told_is_said_with_its_figures(
    why: WhyNotFitted, figure: float, limit: float, told: str
) -> None:
    assert NotFitted(why, figure, limit).in_words() == told


@pytest.mark.parametrize(("voltage", "reference_v"), [(0.0, 230.0), (230.0, 0.0)])
def test_no_value_is_taken_from_or_to_a_voltage_of_zero(
    voltage: float, reference_v: float
) -> None:
    with pytest.raises(ValueError, match="expected") as refused:
        normalise(1.0, voltage, exponent=2.0, reference_v=reference_v)
    assert str(refused.value) == (
        f"voltage {voltage} V with reference {reference_v} V, expected both above 0 V"
    )


def test_a_group_needs_a_channel_to_wait_for_and_windows_that_hold_its_bins() -> None:
    with pytest.raises(ValueError, match="expected") as refused:
        SettlingGroup([channel(required=False)], start_s=0.0, parameters=STANDARD)
    assert str(refused.value) == "no required channel, expected at least one"
    # The longest window holds eight bins of 30 s, and seven of 34 s.
    slow = channel(interval_s=15.0)
    with pytest.raises(ValueError, match="expected") as refused:
        GroupRule([slow], start_s=0.0, bin_s=34.0, parameters=STANDARD)
    assert str(refused.value) == (
        "bins of 34 s, expected the longest window, 240 s, to hold 8 of them"
    )
    GroupRule([slow], start_s=0.0, bin_s=30.0, parameters=STANDARD)


NOTHING_AT_ALL = (
    "floor",
    "hunting",
    "jump",
    "jump_noise",
    "quiet_after_more",
    "quiet_after_one",
    "quiet_least_s",
)


def test_of_these_parameters_none_at_all_means_something() -> None:
    none = with_options(STANDARD, dict.fromkeys(NOTHING_AT_ALL, 0.0))
    assert asdict(none) == {**asdict(STANDARD), **dict.fromkeys(NOTHING_AT_ALL, 0.0)}


def test_the_distributions_are_those_of_their_source() -> None:
    # Abramowitz and Stegun, table 26.1: Phi(1) = 0.841344746, Phi(2) = 0.977249868.
    x = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    expected = [0.022750132, 0.158655254, 0.5, 0.841344746, 0.977249868]
    assert normal_cdf(x).tolist() == pytest.approx(expected, abs=7.5e-8)
    # 26.7.8: x (1 - 1/(4 nu)) over the root of 1 + x²/(2 nu).
    for nu in (0.5, 2.0, 9.0):
        shrunk = [
            float(each)
            * (1.0 - 1.0 / (4.0 * nu))
            / math.sqrt(1.0 + each**2 / (2.0 * nu))
            for each in x
        ]
        found = student_t_cdf(x, np.full(5, nu))
        by_error_function = [0.5 * math.erfc(-each / math.sqrt(2.0)) for each in shrunk]
        assert found.tolist() == pytest.approx(by_error_function, abs=7.5e-8)
