"""Whole uncertainty budgets printed in the GUM, and second opinions of independent libraries."""

import math
import random
from typing import Any

import pytest

from daq.records import Accuracy, Contribution, Distribution
from daq.stats import sample_mean, sample_std_dev, student_t_quantile
from daq.uncertainty import (
    combine,
    contributions_of_accuracy,
    std_uncertainty_of_accuracy,
)

# ---- JCGM 100:2008 (GUM), H.1: calibration of an end gauge; Table H.1 has the printed figures

LENGTH_NM = 50_000_623.0
ALPHA_PER_K = 11.5e-6


def _end_gauge() -> dict[str, Contribution]:
    """The contributions to the length, from what H.1.3 says of each [nm]."""
    # H.1.3.1: the certificate states U = 0.075 um with k = 3, and 18 degrees of freedom.
    (standard,) = contributions_of_accuracy(
        LENGTH_NM,
        Accuracy(
            certificate_u=75.0, certificate_k=3.0, certificate_degrees_of_freedom=18.0
        ),
    )
    # H.1.3.2: 5.8 nm with 24, 3.9 nm with 5, 6.7 nm with 8 degrees of freedom.
    difference = combine(
        [Contribution(5.8, 24), Contribution(3.9, 5), Contribution(6.7, 8)]
    )
    # H.1.3.4 and H.1.3.5: the limits 1e-6 /K and 0.05 K; H.1.6: 50 and 2 degrees of freedom;
    # sensitivities l * 0.1 K and l * alpha (H.1.4).
    alpha = std_uncertainty_of_accuracy(0.0, Accuracy(absolute=1e-6))
    theta = std_uncertainty_of_accuracy(0.0, Accuracy(absolute=0.05))
    return {
        "standard": standard,
        "difference": Contribution(
            difference.std_uncertainty, difference.degrees_of_freedom
        ),
        "expansion": Contribution(LENGTH_NM * 0.1 * alpha, 50),
        "temperature": Contribution(LENGTH_NM * ALPHA_PER_K * theta, 2),
    }


@pytest.mark.parametrize(
    ("name", "printed", "digit"),
    # Table H.1, last column; a unit of the last printed digit.
    [
        ("standard", 25.0, 1.0),
        ("difference", 9.7, 0.1),
        ("expansion", 2.9, 0.1),
        ("temperature", 16.6, 0.1),
    ],
)
def test_each_contribution_of_the_end_gauge_is_as_printed(
    name: str, printed: float, digit: float
) -> None:
    assert _end_gauge()[name].std_uncertainty == pytest.approx(printed, abs=digit)


def test_the_budget_of_the_end_gauge_is_as_printed() -> None:
    combined = combine(list(_end_gauge().values()))
    # H.1.5: u_c = 32 nm. H.1.6: nu_eff = 16.7, truncated to 16; t99(16) = 2.92 and U99 = 93 nm.
    assert combined.std_uncertainty == pytest.approx(32.0, abs=0.5)
    assert combined.degrees_of_freedom == pytest.approx(16.7, abs=0.1)
    assert int(combined.degrees_of_freedom) == 16
    t99 = student_t_quantile(0.995, combined.degrees_of_freedom)
    assert t99 == pytest.approx(2.92, abs=0.005)
    assert t99 * combined.std_uncertainty == pytest.approx(93.0, abs=0.9)
    # Table G.2: t95(16) = 2.12.
    assert combined.coverage_factor == pytest.approx(2.12, abs=0.005)


# ---- GUM, H.2: simultaneous resistance and reactance

VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)
MILLIAMPERES = (19.663, 19.639, 19.640, 19.685, 19.678)
RADIANS = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


@pytest.mark.parametrize(
    ("values", "mean", "u", "digit"),
    # Table H.2: means and standard uncertainties of the five readings each.
    [
        (VOLTS, 4.9990, 0.0032, 0.0001),
        (MILLIAMPERES, 19.6610, 0.0095, 0.0001),
        (RADIANS, 1.04446, 0.00075, 0.00001),
    ],
)
def test_means_of_repeated_readings_are_as_printed(
    values: tuple[float, ...], mean: float, u: float, digit: float
) -> None:
    assert sample_mean(values) == pytest.approx(mean, abs=digit)
    found = sample_std_dev(values) / math.sqrt(len(values))
    assert found == pytest.approx(u, abs=digit)


@pytest.mark.parametrize(
    ("angle", "mean", "u"),
    # H.2.4, approach 2, Table H.4: 127.732(71) ohm, 219.847(295) ohm and 254.260(236) ohm; the last digit may
    # differ by one, because the GUM rounds on the way.
    [
        (math.cos, 127.732, 0.071),
        (math.sin, 219.847, 0.295),
        (lambda _: 1.0, 254.260, 0.236),
    ],
    ids=["resistance", "reactance", "impedance"],
)
def test_correlated_inputs_are_right_when_each_observation_is_worked_out(
    angle: Any, mean: float, u: float
) -> None:
    values = [
        1000.0 * v / i * angle(phi)
        for v, i, phi in zip(VOLTS, MILLIAMPERES, RADIANS, strict=True)
    ]
    assert sample_mean(values) == pytest.approx(mean, abs=0.001)
    found = sample_std_dev(values) / math.sqrt(len(values))
    assert found == pytest.approx(u, abs=0.001)


# ---- GUM, 4.3: what a certificate or a maker states


def test_a_certificate_at_three_standard_deviations() -> None:
    # 4.3.3: "240 ug at the three standard deviation level": u = 80 ug.
    (part,) = contributions_of_accuracy(
        1000.000325, Accuracy(certificate_u=240.0, certificate_k=3.0)
    )
    assert part.std_uncertainty == pytest.approx(80.0, rel=1e-12)
    assert part.degrees_of_freedom == math.inf
    assert part.distribution is Distribution.NORMAL


def test_a_certificate_at_99_percent() -> None:
    # 4.3.4: 129 uohm defines an interval with a level of 99 %, k = 2.58: u = 50 uohm.
    accuracy = Accuracy(certificate_u=129.0, certificate_k=2.58)
    (part,) = contributions_of_accuracy(10.000742e6, accuracy)
    assert part.std_uncertainty == pytest.approx(50.0, abs=0.5)


def test_limits_of_a_sum_are_added_before_they_become_a_standard_uncertainty() -> None:
    # 4.3.7, example 2: a voltmeter with limits of 14e-6 of reading and 2e-6 of range; at 0.928571 V on the
    # range of 1 V: a = 15 uV, u = 8.7 uV.
    accuracy = Accuracy(percent_of_reading=14e-4, percent_of_range=2e-4, full_scale=1.0)
    (part,) = contributions_of_accuracy(0.928571, accuracy)
    assert part.std_uncertainty == pytest.approx(8.7e-6, abs=0.05e-6)
    assert part.distribution is Distribution.RECTANGULAR


# ---- second opinions


def _random_budgets() -> list[list[Contribution]]:
    draw = random.Random(7)  # noqa: S311  # no secret: the same budgets at every run
    return [
        [
            Contribution(
                10.0 ** draw.uniform(-3.0, 2.0),
                draw.choice([math.inf, draw.uniform(1.0, 200.0)]),
            )
            for _ in range(draw.randint(1, 8))
        ]
        for _ in range(50)
    ]


@pytest.mark.parametrize("budget", _random_budgets())
def test_an_independent_library_combines_likewise(budget: list[Contribution]) -> None:
    gtc: Any = pytest.importorskip("GTC")
    inputs = [
        gtc.ureal(0.0, part.std_uncertainty, part.degrees_of_freedom) for part in budget
    ]
    theirs = sum(inputs[1:], inputs[0])
    ours = combine(budget)
    assert ours.std_uncertainty == pytest.approx(gtc.uncertainty(theirs), rel=1e-12)
    nu = gtc.dof(theirs)
    # That library calls more than a million degrees of freedom infinite.
    if nu < 1e6:
        assert ours.degrees_of_freedom == pytest.approx(nu, rel=1e-9)
    else:
        assert ours.degrees_of_freedom >= 1e6


@pytest.mark.parametrize("budget", _random_budgets())
def test_an_independent_library_has_the_same_coverage_factor(
    budget: list[Contribution],
) -> None:
    stats: Any = pytest.importorskip("scipy.stats")
    ours = combine(budget)
    # G.4.1: truncated to the next lower integer; ours does so up to 200 degrees of freedom, above which it makes
    # no difference of 1e-4.
    nu = ours.degrees_of_freedom
    whole = math.floor(nu) if nu <= 200.0 else nu
    theirs = float(stats.t.ppf(0.975, whole) if whole < 1e9 else stats.norm.ppf(0.975))
    assert ours.coverage_factor == pytest.approx(theirs, abs=1e-5)
