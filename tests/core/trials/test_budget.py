"""What a trial average's uncertainty is made of, by hand and by closed forms."""

import math

import numpy as np
import pytest

from daq.records import Accuracy, Channel, Contribution, Evaluation, Window
from daq.settling.level import LevelEstimate
from daq.trials.averaging import (
    LEAST_IDLE_READINGS,
    Zero,
    trial_average,
    trial_averages,
    zero_from_readings,
    zeros_missing,
)
from daq.uncertainty import combine

WINDOW = Window(130.0, 190.0)
ROOT_3 = math.sqrt(3.0)


def _flow(accuracy: Accuracy, *, subtract_idle: bool = False) -> Channel:
    return Channel(
        *("flow", "Airflow", "airflow", "m3/h", "outlet", "meter", 0),
        accuracy=accuracy,
        interval_s=1.0,
        subtract_idle=subtract_idle,
    )


def _level(*, half_step: float = 0.0) -> LevelEstimate:
    return LevelEstimate(
        mean=200.0,
        plain_mean=201.0,
        std_uncertainty=0.3,
        degrees_of_freedom=12.0,
        half_step=half_step,
        expanded_uncertainty=0.7,
        count=60,
        effective_count=13.0,
    )


def _named(parts: tuple[Contribution, ...]) -> dict[str, Contribution]:
    return {part.name: part for part in parts}


def test_each_part_that_the_profile_states_is_a_contribution_of_its_own() -> None:
    # At 200 m3/h: gain 1 % = 2, offset 0.6, linearity 0.5 % of 400 = 2, temperature 0.02 %/K within 5 K = 0.2;
    # limits, so over the root of 3 (GUM 4.3.7). U = 1.5 with k = 2: 0.75.
    accuracy = Accuracy(
        gain_percent=1.0,
        offset=0.6,
        linearity_percent=0.5,
        full_scale=400.0,
        temperature_percent_per_k=0.02,
        temperature_span_k=5.0,
        certificate_u=1.5,
        certificate_k=2.0,
        certificate_degrees_of_freedom=40.0,
    )
    average = trial_average(_flow(accuracy), _level(), WINDOW, required=True)
    parts = _named(average.contributions)
    assert {name: p.std_uncertainty for name, p in parts.items()} == pytest.approx(
        {
            "scatter and drift": 0.3,
            "gain": 2.0 / ROOT_3,
            "offset": 0.6 / ROOT_3,
            "linearity": 2.0 / ROOT_3,
            "temperature": 0.2 / ROOT_3,
            "certificate": 0.75,
        }
    )
    assert {name for name, p in parts.items() if p.kind is Evaluation.TYPE_A} == {
        "scatter and drift"
    }
    assert parts["certificate"].degrees_of_freedom == 40.0
    assert parts["gain"].degrees_of_freedom == math.inf
    # By hand: the squares are 0.09, 4/3, 0.12, 4/3, 0.04/3, 0.5625; their sum 3.45250.
    assert average.std_uncertainty == pytest.approx(math.sqrt(3.4525), rel=1e-6)
    # nu = 3.4525^2/(0.09^2/12 + 0.5625^2/40) = 1388.4.
    assert average.degrees_of_freedom == pytest.approx(1388.4, abs=0.1)


def test_a_certificate_in_percent_grows_with_the_reading() -> None:
    # 0.4 % of 200 m3/h is 0.8; over k = 2.
    accuracy = Accuracy(certificate_u_percent=0.4, certificate_k=2.0)
    average = trial_average(_flow(accuracy), _level(), WINDOW, required=True)
    assert average.std_uncertainty_type_b == pytest.approx(0.4)


def test_the_budget_combines_to_what_the_average_states() -> None:
    accuracy = Accuracy(percent_of_reading=1.0, resolution=0.1)
    average = trial_average(
        _flow(accuracy), _level(half_step=0.05), WINDOW, required=True
    )
    combined = combine(average.contributions)
    assert average.std_uncertainty == combined.std_uncertainty
    assert average.degrees_of_freedom == combined.degrees_of_freedom
    assert average.expanded_uncertainty == combined.expanded_uncertainty
    assert average.std_uncertainty == pytest.approx(
        math.hypot(average.std_uncertainty_type_a, average.std_uncertainty_type_b)
    )


def test_nothing_is_subtracted_where_nobody_asked_for_it() -> None:
    (average,) = trial_averages(
        [_flow(Accuracy())],
        {"flow": _level()},
        WINDOW,
        required=["flow"],
        idle={"flow": [1.5] * 30},
    )
    assert (average.mean, average.zero_offset) == (200.0, 0.0)
    assert [part.name for part in average.contributions] == ["scatter and drift"]


# ---- the zero


def test_the_mean_of_the_idle_readings_is_taken_off_and_its_uncertainty_counted() -> (
    None
):
    # 0.4 and 0.6 in turn, 20 readings: mean 0.5, s = 0.1 sqrt(20/19). Readings that alternate are taken as
    # independent: u = s/sqrt(20) = 0.1/sqrt(19), 19 degrees of freedom.
    (average,) = trial_averages(
        [_flow(Accuracy(), subtract_idle=True)],
        {"flow": _level()},
        WINDOW,
        required=["flow"],
        idle={"flow": [0.4, 0.6] * 10},
    )
    assert average.mean == pytest.approx(199.5)
    assert average.plain_mean == pytest.approx(200.5)
    assert average.zero_offset == pytest.approx(0.5)
    zero = _named(average.contributions)["zero"]
    assert zero.std_uncertainty == pytest.approx(0.1 / math.sqrt(19.0))
    assert zero.degrees_of_freedom == pytest.approx(19.0)
    assert zero.kind is Evaluation.TYPE_A
    # Type A as a whole: 0.09 + 0.01/19; GUM G.2b for its degrees of freedom.
    variance = 0.09 + 0.01 / 19.0
    assert average.std_uncertainty_type_a == pytest.approx(math.sqrt(variance))
    assert average.degrees_of_freedom_a == pytest.approx(
        variance**2 / (0.09**2 / 12.0 + (0.01 / 19.0) ** 2 / 19.0)
    )


def test_a_measured_zero_takes_the_place_of_the_stated_offset() -> None:
    channel = _flow(Accuracy(gain_percent=1.0, offset=0.6), subtract_idle=True)
    zero = Zero(0.5, 0.02, 19.0, half_step=0.0, count=20)
    measured = trial_average(channel, _level(), WINDOW, required=True, zero=zero)
    stated = trial_average(channel, _level(), WINDOW, required=True)
    assert set(_named(measured.contributions)) == {"scatter and drift", "zero", "gain"}
    assert set(_named(stated.contributions)) == {"scatter and drift", "offset", "gain"}


def test_a_zero_that_never_moves_may_be_off_by_half_a_step() -> None:
    # The display shows 0.0 throughout: the truth is within half a step of 0.1, rectangular (GUM F.2.2.1).
    zero = zero_from_readings([0.0] * 20, resolution=0.1)
    assert zero is not None
    channel = _flow(Accuracy(resolution=0.1), subtract_idle=True)
    average = trial_average(channel, _level(), WINDOW, required=True, zero=zero)
    hidden = _named(average.contributions)["rounding of zero"]
    assert hidden.std_uncertainty == pytest.approx(0.05 / ROOT_3)
    counted = _flow(Accuracy(counts=1, resolution=0.1), subtract_idle=True)
    average = trial_average(counted, _level(), WINDOW, required=True, zero=zero)
    assert "rounding of zero" not in _named(average.contributions)


def test_too_few_idle_readings_are_no_zero_and_that_is_said() -> None:
    channel = _flow(Accuracy(), subtract_idle=True)
    few = {"flow": [0.5] * (LEAST_IDLE_READINGS - 1)}
    (average,) = trial_averages(
        [channel], {"flow": _level()}, WINDOW, required=[], idle=few
    )
    assert average.mean == 200.0
    (said,) = zeros_missing([channel], few)
    assert said.startswith("flow: zero not subtracted, 9 readings with the machine off")
    (said,) = zeros_missing([channel], {})
    assert "no readings with the machine off" in said
    assert zeros_missing([channel], {"flow": [0.5] * LEAST_IDLE_READINGS}) == ()
    assert zeros_missing([_flow(Accuracy())], {}) == ()


def test_the_stated_interval_holds_the_truth_as_often_as_stated() -> None:
    # A vane with a gain error within 1 %, a linearity error within 0.25 % of 400, an unknown zero far larger than
    # either, a calibration with U = 1 (k = 2) and readings that scatter: the limits hold, everything else is normal.
    accuracy = Accuracy(
        gain_percent=1.0,
        linearity_percent=0.25,
        full_scale=400.0,
        certificate_u=1.0,
        certificate_k=2.0,
    )
    channel = _flow(accuracy, subtract_idle=True)
    draw, truth, records = np.random.default_rng(11), 150.0, 1500
    held = 0
    for _ in range(records):
        zero = draw.uniform(-20.0, 20.0)
        fixed = draw.uniform(-1.5, 1.5) + draw.uniform(-1.0, 1.0) + draw.normal(0, 0.5)
        # Twelve readings, their mean and its uncertainty by GUM 4.2.3, and as many with the machine off.
        shown = truth + fixed + zero + draw.normal(0.0, 2.0, 12)
        idle = zero + draw.normal(0.0, 2.0, 12)
        u = float(shown.std(ddof=1)) / math.sqrt(12.0)
        mean = float(shown.mean())
        level = LevelEstimate(mean, mean, u, 11.0, 0.0, 2.2 * u, 12, 12.0)
        (average,) = trial_averages(
            [channel],
            {"flow": level},
            WINDOW,
            required=[],
            idle={"flow": idle.tolist()},
        )
        held += abs(average.mean - truth) <= average.expanded_uncertainty
    # 95 % of 1500 with four standard deviations of the binomial below; limits that hold make it more, not less.
    assert held / records >= 0.95 - 4.0 * math.sqrt(0.95 * 0.05 / records)
    assert held / records <= 0.99
