"""Repeated trials: the two-level analysis, against the GUM's example, hand-made cases and simulated sessions."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.repeats import (
    Basis,
    Spread,
    TrialMean,
    add_common,
    average_trials,
    pool_spread,
    separate_components,
    spread_of,
)
from daq.stats import f_tail, student_t_quantile

VECTORS = Path(__file__).parent.parent / "vectors"
H5 = json.loads((VECTORS / "two_level.json").read_text(encoding="utf-8"))["gum_h5"]
STEADY = settings(derandomize=True, deadline=None, max_examples=100)
MEANS = st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=8)


def trials_of(*means: float, u: float = 0.1, nu: float = 20.0) -> list[TrialMean]:
    return [TrialMean(mean, u, nu) for mean in means]


# ---- the GUM's example of two levels


def days() -> list[TrialMean]:
    """Means of the days [V], with the standard uncertainty that a day's observations give it."""
    k = H5["observations"]
    return [
        TrialMean(H5["offset_v"] + mean * 1e-6, s * 1e-6 / math.sqrt(k), k - 1)
        for mean, s in zip(H5["day_means_uv"], H5["day_std_devs_uv"], strict=True)
    ]


def test_the_mean_of_ten_days_is_that_of_the_gum() -> None:
    found = average_trials(days())
    mean_uv = (found.mean - H5["offset_v"]) * 1e6
    assert mean_uv == pytest.approx(H5["mean_uv"], abs=H5["mean_tolerance_uv"])
    assert found.std_uncertainty * 1e6 == pytest.approx(
        H5["u_of_mean_uv"], abs=H5["u_of_mean_tolerance_uv"]
    )
    assert found.degrees_of_freedom == H5["u_of_mean_degrees_of_freedom"]
    assert (found.trials, found.basis) == (10, Basis.OWN_SPREAD)


def test_the_variances_between_and_within_days_are_those_of_the_gum() -> None:
    spread, parts = spread_of(days()), separate_components(days())
    assert spread is not None
    assert parts is not None
    assert spread.std_dev * 1e6 == pytest.approx(
        H5["std_dev_of_day_means_uv"], abs=H5["std_dev_of_day_means_tolerance_uv"]
    )
    of_observations = parts.std_dev_within * math.sqrt(H5["observations"]) * 1e6
    assert of_observations == pytest.approx(
        H5["pooled_std_dev_of_observations_uv"],
        abs=H5["pooled_std_dev_of_observations_tolerance_uv"],
    )
    assert parts.std_dev_between * 1e6 == pytest.approx(
        H5["std_dev_between_uv"], abs=H5["std_dev_between_tolerance_uv"]
    )
    assert not parts.is_hidden


def test_the_ratio_of_variances_is_that_of_the_gum() -> None:
    parts = separate_components(days())
    assert parts is not None
    assert parts.f_ratio == pytest.approx(H5["f_ratio"], abs=H5["f_ratio_tolerance"])
    # Significant at 5 %, not at 2.5 %: F lies between the two printed quantiles.
    assert parts.f_probability is not None
    assert 0.025 < parts.f_probability < 0.05
    assert f_tail(H5["f_95_percent"], 9, 40) == pytest.approx(0.05, abs=0.001)
    assert f_tail(H5["f_97_5_percent"], 9, 40) == pytest.approx(0.025, abs=0.001)


def test_the_gums_figure_for_no_effect_between_days_follows_from_what_is_given() -> (
    None
):
    # H.5: both variances pooled, 9 and 40 degrees of freedom. We print what it needs and don't use it.
    spread, parts = spread_of(days()), separate_components(days())
    assert spread is not None
    assert parts is not None
    nu = H5["u_if_no_effect_between_degrees_of_freedom"]
    pooled = (9 * spread.std_dev**2 + 40 * parts.std_dev_within**2) / nu
    assert math.sqrt(pooled / 10) * 1e6 == pytest.approx(
        H5["u_if_no_effect_between_uv"], abs=H5["u_if_no_effect_between_tolerance_uv"]
    )


# ---- by hand


def test_the_spread_between_trials_rules_over_thousands_of_readings() -> None:
    # Four trials with a spread of exactly 0.8 (deviations 0.4 sqrt 3 (1, 1, -1, -1): squares 4 x 0.48 over 3), each known
    # to 0.05 from within: 0.8/sqrt 4 = 0.40, not 0.05/sqrt 4 = 0.025.
    step = 0.4 * math.sqrt(3.0)
    four = [50 + step, 50 + step, 50 - step, 50 - step]
    found = average_trials(trials_of(*four, u=0.05, nu=500))
    assert found.mean == pytest.approx(50.0)
    assert found.std_uncertainty == pytest.approx(0.40)
    assert found.std_uncertainty_within == pytest.approx(0.025)
    assert found.degrees_of_freedom == 3
    assert found.components is not None
    # 0.8^2 less 0.05^2.
    assert found.components.std_dev_between == pytest.approx(math.sqrt(0.6375))


def test_trials_of_unequal_length_count_alike() -> None:
    # Means 10 and 12, uncertainties 0.3 and 0.4: s^2 = 2, within (0.09 + 0.16)/2 = 0.125, F = 16.
    unequal = [TrialMean(10.0, 0.3, 10), TrialMean(12.0, 0.4, 50)]
    found = average_trials(unequal)
    assert found.mean == 11.0
    assert found.std_uncertainty == pytest.approx(1.0)
    assert found.std_uncertainty_within == pytest.approx(0.25)
    assert found.components is not None
    assert found.components.std_dev_within == pytest.approx(math.sqrt(0.125))
    assert found.components.std_dev_between == pytest.approx(math.sqrt(1.875))
    assert found.components.f_ratio == pytest.approx(16.0)


def test_a_condition_that_was_not_repeated_says_so_and_claims_no_spread() -> None:
    found = average_trials(trials_of(7.0, u=0.2, nu=15))
    assert found.basis is Basis.NOT_REPEATED
    assert found.mean == 7.0
    assert found.std_uncertainty == pytest.approx(0.2)
    assert found.degrees_of_freedom == pytest.approx(15)
    assert found.spread is None
    assert found.components is None
    assert spread_of(trials_of(7.0)) is None


def test_two_trials_alone_have_the_factor_of_one_degree_of_freedom() -> None:
    found = average_trials(trials_of(10.0, 11.0))
    assert (found.basis, found.degrees_of_freedom) == (Basis.OWN_SPREAD, 1)
    # Half the difference; GUM Table G.2: t = 12.71 for one degree of freedom.
    assert found.std_uncertainty == pytest.approx(0.5)
    total = add_common(found, [0.0, 0.0])
    assert total.expanded_uncertainty == pytest.approx(6.355, abs=0.0025)


def test_a_hidden_variation_between_trials_is_none_and_said_to_be_hidden() -> None:
    # Spread of 0.1/sqrt 2 about 5.05, but each mean is only known to 1.
    parts = separate_components(trials_of(5.0, 5.1, u=1.0))
    assert parts is not None
    assert (parts.std_dev_between, parts.is_hidden) == (0.0, True)
    assert parts.f_ratio == pytest.approx(0.005)
    assert parts.f_probability is not None
    assert parts.f_probability > 0.9


def test_trials_that_agree_by_chance_do_not_make_the_mean_certain() -> None:
    # A coarse meter shows the same twice: the spread is 0, what is left open within the trials is not.
    found = average_trials(trials_of(21.0, 21.0, u=0.3, nu=8))
    assert found.basis is Basis.WITHIN
    assert found.std_uncertainty == pytest.approx(0.3 / math.sqrt(2.0))
    assert found.degrees_of_freedom == pytest.approx(16)


def test_trials_without_any_scatter_have_no_ratio() -> None:
    parts = separate_components(trials_of(5.0, 6.0, u=0.0, nu=math.inf))
    assert parts is not None
    assert (parts.f_ratio, parts.f_probability) == (None, None)
    assert parts.std_dev_between == pytest.approx(math.sqrt(0.5))


# ---- spread pooled over conditions


def test_the_pooled_spread_is_that_of_all_repeated_conditions() -> None:
    # Variances 2 (1 degree), 1 (2 degrees), and one condition that was not repeated: (2 + 2)/3.
    pooled = pool_spread(
        [trials_of(1.0, 3.0), trials_of(9.0, 10.0, 11.0), trials_of(5.0)]
    )
    assert pooled is not None
    assert pooled.std_dev == pytest.approx(math.sqrt(4.0 / 3.0))
    assert pooled.degrees_of_freedom == 3


def test_there_is_no_pooled_spread_without_a_repeat() -> None:
    assert pool_spread([trials_of(1.0), trials_of(2.0)]) is None
    assert pool_spread([]) is None


def test_few_repeats_borrow_the_pooled_spread() -> None:
    pooled = Spread(0.8, 4)
    two = average_trials(trials_of(10.0, 10.5), pooled=pooled)
    assert two.basis is Basis.POOLED_SPREAD
    assert two.std_uncertainty == pytest.approx(0.8 / math.sqrt(2.0))
    assert two.degrees_of_freedom == 4
    # What its own trials showed is told all the same.
    assert two.spread is not None
    assert two.spread.std_dev == pytest.approx(0.5 / math.sqrt(2.0))
    one = average_trials(trials_of(10.0), pooled=pooled)
    assert one.basis is Basis.POOLED_SPREAD
    assert one.std_uncertainty == pytest.approx(0.8)


def test_enough_repeats_go_by_their_own_spread() -> None:
    four = average_trials(trials_of(10.0, 12.0, 10.0, 12.0), pooled=Spread(0.1, 30))
    assert (four.basis, four.degrees_of_freedom) == (Basis.OWN_SPREAD, 3)


def test_a_pool_that_is_no_better_known_is_not_borrowed() -> None:
    # The pool is this condition itself.
    two = average_trials(trials_of(10.0, 10.5), pooled=Spread(0.3536, 1))
    assert two.basis is Basis.OWN_SPREAD


# ---- what all trials have in common


def test_the_meters_accuracy_does_not_shrink_with_the_number_of_trials() -> None:
    found = average_trials(trials_of(10.0, 12.0, 10.0, 12.0))
    # s = 2/sqrt 3, over sqrt 4; the accuracy 1.5 enters whole: u^2 = 1/3 + 2.25.
    total = add_common(found, [1.5] * 4)
    assert total.std_uncertainty == pytest.approx(math.sqrt(1.0 / 3.0 + 2.25))
    # Welch and Satterthwaite with 3 degrees of freedom and none that is limited: 3 u^4/(1/3)^2.
    assert total.degrees_of_freedom == pytest.approx(27.0 * (1.0 / 3.0 + 2.25) ** 2)


def test_each_trial_states_what_it_has_in_common() -> None:
    found = average_trials(trials_of(10.0, 12.0))
    with pytest.raises(ValueError, match="1 uncertainties of type B, expected one for"):
        add_common(found, [1.5])


def test_a_meters_inaccuracy_never_makes_the_result_look_better() -> None:
    # Two trials: u = 0.5 with one degree of freedom, U = 12.706 x 0.5. With 0.5 of type B Welch and Satterthwaite find
    # 4 degrees of freedom and U = 2.776 x 0.707: less than without it.
    found = average_trials(trials_of(10.0, 11.0))
    total = add_common(found, [0.5, 0.5])
    assert total.degrees_of_freedom == pytest.approx(4.0)
    assert total.std_uncertainty == pytest.approx(0.5 * math.sqrt(2.0))
    assert total.expanded_uncertainty == pytest.approx(6.353, abs=5e-4)
    assert total.coverage_factor == pytest.approx(6.353 / 0.70711, abs=1e-3)


# ---- whatever the figures


@STEADY
@given(MEANS, st.floats(-1e4, 1e4), st.floats(0.01, 10.0))
def test_a_shift_of_all_trials_shifts_the_mean_alone(
    means: list[float], shift: float, u: float
) -> None:
    plain = average_trials(trials_of(*means, u=u))
    moved = average_trials(trials_of(*[m + shift for m in means], u=u))
    assert moved.mean == pytest.approx(plain.mean + shift, abs=1e-8)
    assert plain.components is not None
    assert moved.components is not None
    assert moved.components.std_dev_between == pytest.approx(
        plain.components.std_dev_between, rel=1e-3, abs=1e-4
    )


@STEADY
@given(MEANS, st.floats(0.01, 10.0), st.integers(1, 100))
def test_no_evaluation_claims_less_than_the_scatter_within_or_the_trials_spread(
    means: list[float], u: float, nu: int
) -> None:
    found = average_trials(trials_of(*means, u=u, nu=nu))
    n = len(means)
    expanded = found.std_uncertainty * student_t_quantile(
        0.975, found.degrees_of_freedom
    )
    assert found.spread is not None
    of_spread = found.spread.std_dev / math.sqrt(n) * student_t_quantile(0.975, n - 1)
    of_within = u / math.sqrt(n) * student_t_quantile(0.975, n * nu)
    assert expanded == pytest.approx(max(of_spread, of_within), rel=1e-2)
    assert expanded >= (1 - 1e-9) * of_spread


@pytest.mark.parametrize("between", [0.0, 0.5, 1.0, 5.0])
@pytest.mark.parametrize("n", [2, 3, 6])
def test_the_interval_covers_the_condition_often_enough(n: int, between: float) -> None:
    # Each trial is off by its own amount (sd `between`), its mean by 1 more, of which it knows with 20 degrees of freedom.
    generator = np.random.default_rng([n, int(2 * between)])
    runs, covered = 1500, 0
    means = generator.normal(0.0, math.hypot(between, 1.0), (runs, n))
    within = np.sqrt(generator.chisquare(20, (runs, n)) / 20)
    for run in range(runs):
        trials = [
            TrialMean(float(m), float(u), 20)
            for m, u in zip(means[run], within[run], strict=True)
        ]
        total = add_common(average_trials(trials), [0.0] * n)
        covered += abs(average_trials(trials).mean) <= total.expanded_uncertainty
    # Student's t covers 95 %; the count may fall short of it by 3.1 binomial standard deviations (99.9 %).
    assert covered / runs >= 0.95 - 3.1 * math.sqrt(0.95 * 0.05 / runs)


@pytest.mark.parametrize("accuracy", [0.3, 1.0])
@pytest.mark.parametrize("n", [2, 3, 5])
def test_with_a_meter_that_is_off_the_interval_still_covers(
    n: int, accuracy: float
) -> None:
    # All trials of a session are off by one amount, anywhere within the limits root 3 times `accuracy`; spread of the mean: 1.
    generator = np.random.default_rng([n, int(10 * accuracy)])
    runs, covered = 1500, 0
    means = generator.normal(0.0, math.sqrt(n), (runs, n))
    means += generator.uniform(-1.0, 1.0, (runs, 1)) * math.sqrt(3.0) * accuracy
    for row in means.tolist():
        found = average_trials(trials_of(*row, u=0.01))
        total = add_common(found, [accuracy] * n)
        covered += abs(found.mean) <= total.expanded_uncertainty
    # 94 % at least, as stated; the count may fall short of it by 3.1 binomial standard deviations (99.9 %).
    assert covered / runs >= 0.94 - 3.1 * math.sqrt(0.94 * 0.06 / runs)


def test_a_spread_pooled_over_conditions_covers_too() -> None:
    # Four conditions, twice each, at levels of their own: 4 degrees of freedom instead of 1.
    generator = np.random.default_rng(77)
    levels = (100.0, 90.0, 85.0, 60.0)
    runs, covered, narrower = 1000, 0, 0
    for _ in range(runs):
        session = [
            trials_of(*(level + generator.normal(0.0, 1.0, 2)), u=0.1)
            for level in levels
        ]
        pooled = pool_spread(session)
        total = add_common(average_trials(session[0], pooled=pooled), [0.0, 0.0])
        alone = add_common(average_trials(session[0]), [0.0, 0.0])
        error = abs(average_trials(session[0]).mean - levels[0])
        covered += error <= total.expanded_uncertainty
        narrower += total.expanded_uncertainty < alone.expanded_uncertainty
    assert covered / runs >= 0.95 - 3.1 * math.sqrt(0.95 * 0.05 / runs)
    assert narrower / runs > 0.7


# ---- what cannot be averaged


@pytest.mark.parametrize(
    "trial",
    [
        TrialMean(math.nan, 0.1, 5),
        TrialMean(1.0, math.inf, 5),
        TrialMean(1.0, -0.1, 5),
        TrialMean(1.0, 0.1, 0),
        TrialMean(1.0, 0.1, math.nan),
    ],
)
def test_figures_that_say_nothing_are_refused(trial: TrialMean) -> None:
    with pytest.raises(ValueError, match="expected finite figures, none below 0"):
        average_trials([trial])


def test_no_trials_have_no_mean() -> None:
    with pytest.raises(ValueError, match="no trials, expected at least one"):
        average_trials([])
