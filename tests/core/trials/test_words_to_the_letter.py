"""What a session refuses, names and notes, each sentence whole."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import cast

import pytest

from daq.errors import OperationRefusedError, Refusal
from daq.records import (
    Accuracy,
    Channel,
    NormalisedBy,
    PlannedTrial,
    TrialResult,
    TrialState,
    Window,
)
from daq.settling.level import LevelEstimate
from daq.settling.options import OptionError
from daq.trials import amending
from daq.trials.averaging import trial_average, zero_from_readings, zeros_missing
from daq.trials.in_hand import TrialInHand
from daq.trials.itinerary import Itinerary
from daq.trials.judging import (
    AVERAGED_EVEN_SO,
    CAN_BE_AVERAGED,
    with_recorded_rule,
)
from daq.trials.order import OrderKind, plan_order
from daq.trials.stages import Happening, Stage
from tests.core.trials.session_bench import RULES, order_of

A, B = order_of("a", "b")
ITINERARY = Itinerary((A, B))
FINISHED = TrialResult("trial-1", A, 1, TrialState.FINISHED, 0.0, 100.0)
SET_ASIDE = replace(FINISHED, state=TrialState.SET_ASIDE)


@dataclass
class InHand:
    """Stands for a trial that runs."""

    planned: PlannedTrial
    trial_id: str


RUNS = cast("TrialInHand", InHand(A, "trial-1"))


# ---- refused


@pytest.mark.parametrize(
    ("ask", "code", "told"),
    [
        (
            lambda: amending.line_asked_for(ITINERARY, 3),
            Refusal.UNKNOWN_LINE,
            "line 3 is not in the order, choose one that is",
        ),
        (
            lambda: amending.line_to_skip(ITINERARY, RUNS),
            Refusal.TRIAL_IN_HAND,
            'a trial of "a" is running, switch off first, then leave the line out',
        ),
        (
            lambda: amending.line_to_skip(Itinerary((A,), skipped=[1]), None),
            Refusal.NOTHING_CALLED_FOR,
            "the session is finished, there is nothing to leave out",
        ),
        (
            lambda: amending.refuse_setting_aside(FINISHED, RUNS),
            Refusal.TRIAL_IN_HAND,
            '"a" is being measured now, switch off first, then repeat it',
        ),
        (
            lambda: amending.refuse_setting_aside(SET_ASIDE, None),
            Refusal.ALREADY_SO,
            "the trial is set aside already and counts for nothing, choose another",
        ),
        (
            lambda: amending.refuse_relabelling(FINISHED, "b", ITINERARY, RUNS),
            Refusal.TRIAL_IN_HAND,
            "the trial is still running, switch off first, then relabel it",
        ),
        (
            lambda: amending.refuse_relabelling(FINISHED, "c", ITINERARY, None),
            Refusal.UNKNOWN_CONDITION,
            'condition "c" is not in the plan, choose one of "a", "b"',
        ),
        (
            lambda: amending.refuse_relabelling(FINISHED, "a", ITINERARY, None),
            Refusal.ALREADY_SO,
            'the trial is one of "a" already, choose what was really fitted',
        ),
        (
            lambda: amending.refuse_relabelling(SET_ASIDE, "b", ITINERARY, None),
            Refusal.ALREADY_SO,
            "the trial is set aside already and counts for nothing, choose another",
        ),
        (
            lambda: amending.refuse_pausing(is_paused=True, is_finished=False),
            Refusal.ALREADY_SO,
            "the session is paused already, go on when ready",
        ),
        (
            lambda: amending.refuse_pausing(is_paused=False, is_finished=True),
            Refusal.NOTHING_CALLED_FOR,
            "the session is finished, there is nothing to pause",
        ),
        (
            lambda: amending.refuse_going_on(is_paused=False),
            Refusal.ALREADY_SO,
            "the session is not paused, it is going on",
        ),
        (
            lambda: amending.refuse_acknowledging(is_overdue=False),
            Refusal.NOT_TAKEN,
            "nothing to acknowledge: the machine has not run longer than the plan lets it",
        ),
    ],
)
def test_what_cannot_be_done_now_is_told_with_what_can(
    ask: Callable[[], object], code: Refusal, told: str
) -> None:
    with pytest.raises(OperationRefusedError) as refused:
        ask()
    assert (refused.value.code, str(refused.value)) == (code, told)


def test_what_can_be_done_is_not_refused() -> None:
    other = cast("TrialInHand", InHand(B, "trial-2"))
    assert amending.line_asked_for(ITINERARY, 2) == B
    assert amending.line_to_skip(ITINERARY, None) == A
    for running in (None, other):
        amending.refuse_setting_aside(FINISHED, running)
        amending.refuse_relabelling(FINISHED, "b", ITINERARY, running)
    amending.refuse_pausing(is_paused=False, is_finished=False)
    amending.refuse_going_on(is_paused=True)
    amending.refuse_acknowledging(is_overdue=True)


@pytest.mark.parametrize("note", ["", "power: gaps"])
def test_what_was_changed_of_a_trial_is_noted_after_what_was_said_before(
    note: str,
) -> None:
    trial, before = replace(FINISHED, note=note), f"{note}; " if note else ""
    assert amending.set_aside(trial, "hose off") == replace(
        trial, state=TrialState.SET_ASIDE, note=f"{before}set aside: hose off"
    )
    assert amending.relabelled(trial, B, "wrong hose") == replace(
        trial, planned=B, note=f'{before}relabelled from "a" to "b": wrong hose'
    )


@pytest.mark.parametrize(
    ("ask", "told"),
    [
        (
            lambda: Itinerary((A, B)).skip(3),
            "line 3 is not to come, expected one that is",
        ),
        (
            lambda: Itinerary((A, B), skipped=[2]).skip(2),
            "line 2 is not to come, expected one that is",
        ),
        (
            lambda: Itinerary((A, B)).ask_again(3),
            "there is no line 3, expected a position of the order",
        ),
        (
            lambda: Itinerary((A, B)).add_next("c"),
            "condition 'c' is in no line, expected one of a, b",
        ),
        (
            lambda: plan_order(
                ("a", "b"), baseline="c", repeats=1, kind=OrderKind.AS_WRITTEN, seed=0
            ),
            "baseline 'c' is no condition, expected one of a, b",
        ),
        (
            lambda: plan_order(
                ("a", "b"), baseline="a", repeats=0, kind=OrderKind.AS_WRITTEN, seed=0
            ),
            "0 repeats, expected at least 1",
        ),
    ],
)
def test_misuse_of_the_order_is_told_with_what_was_expected(
    ask: Callable[[], object], told: str
) -> None:
    with pytest.raises(ValueError, match="expected") as refused:
        ask()
    assert str(refused.value) == told


def test_a_rule_of_another_version_is_not_guessed_at() -> None:
    with pytest.raises(OptionError) as refused:
        with_recorded_rule(RULES, '{"tolerances": {}}')
    assert str(refused.value) == "written by another version of the rule"


# ---- names that a store, a page and a broker keep


def test_stages_and_happenings_keep_their_names() -> None:
    assert [stage.value for stage in Stage] == [
        "waiting",
        "running-up",
        "settling",
        "averaging",
        "done",
        "not-settled",
        "limit",
        "finished",
    ]
    assert [happening.value for happening in Happening] == [
        "switched on",
        "run-up over",
        "declared settled, provisionally",
        "declaration withdrawn",
        "settled, confirmed",
        "longest time is up",
        "limit broken",
        "switched off, more to come",
        "switched off, nothing left",
        "left out, nothing left",
        "asked for again",
    ]
    assert [kind.value for kind in OrderKind] == [
        "as written",
        "randomised",
        "baseline first and last",
    ]


def test_a_trial_without_averages_is_marked_with_how_to_have_some() -> None:
    assert CAN_BE_AVERAGED == "can be averaged as not settled: daq reanalyse --even-so"
    assert (
        AVERAGED_EVEN_SO
        == "not settled, averaged on request; the uncertainty holds the drift"
    )


# ---- what a budget's lines say

FLOW = Channel(
    *("flow", "Airflow", "airflow", "m3/h", "outlet", "meter", 0),
    accuracy=Accuracy(percent_of_reading=1.0, resolution=0.1),
    interval_s=1.0,
    subtract_idle=True,
)


def test_every_line_of_a_budget_tells_what_it_is_of() -> None:
    # Ten readings of a display that stands still at 0.5: half a step may be hidden.
    zero = zero_from_readings([0.5] * 10, resolution=0.1)
    assert zero is not None
    level = LevelEstimate(
        mean=200.0,
        plain_mean=201.0,
        std_uncertainty=0.3,
        degrees_of_freedom=12.0,
        half_step=0.05,
        expanded_uncertainty=0.7,
        count=60,
        effective_count=13.4,
        open_drift=0.2,
        normalised=NormalisedBy("voltage", 230.0, 1.8, 0.1, 30.0, 228.0),
    )
    average = trial_average(
        FLOW, level, Window(40.0, 140.0), required=True, zero=zero, voltage_u_v=0.5
    )
    details = {part.name: part.detail for part in average.contributions}
    assert details["scatter and drift"] == "60 readings worth 13"
    assert (
        details["drift left open"]
        == "what the settling rule allows beyond what the readings tell"
    )
    assert details["zero"] == "0.5 subtracted, 10 idle readings"
    assert details["rounding"] == "up to 0.05 hidden by the display's step"
    assert details["rounding of zero"] == "up to 0.05 hidden by the display's step"
    assert details["reference voltage"] == "u = 0.5 V by what is stated of voltage"
    parts = {part.name: part.std_uncertainty for part in average.contributions}
    # k x u / V: 1.8 · 200 · 0.5/228.
    assert parts["reference voltage"] == pytest.approx(1.8 * 200.0 * 0.5 / 228.0)
    assert parts["rounding"] == pytest.approx(0.05 / math.sqrt(3.0))


@pytest.mark.parametrize(("count", "told"), [(0, "no"), (1, "1"), (9, "9")])
def test_a_zero_that_could_not_be_taken_off_is_told(count: int, told: str) -> None:
    other = replace(FLOW, name="other", subtract_idle=False)
    assert zeros_missing([other, FLOW], {"flow": [0.5] * count}) == (
        f"flow: zero not subtracted, {told} readings with the machine off, at least 10 are needed",
    )
    assert zeros_missing([FLOW], {"flow": [0.5] * 10}) == ()
