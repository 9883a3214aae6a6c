"""Sentences for screens, log and alarms."""

import pytest

from daq.alarm_words import breach_text, overdue_text, store_again_text
from daq.records import Accuracy, Channel, PlannedTrial, TrialResult, TrialState
from daq.settling.verdicts import HeldBackBy
from daq.trials.limits import Breach, Limit
from daq.trials.reasons import REASONS, noted
from daq.trials.session import Occurrence
from daq.trials.stages import OVER, RUNNING, TRANSITIONS, Happening, Stage
from daq.units import UNITS
from daq.wording import (
    Urgency,
    decimals_of,
    decimals_of_uncertainty,
    held_back,
    held_back_advice,
    instruction,
    occurrence_text,
    shown_average,
    shown_percent,
    shown_value,
    silent_meter,
    stage_sentence,
    trial_name,
    unit_symbol,
    why_not_settled,
    without_seconds,
)

FIRST = PlannedTrial(1, "fine filter", 1, baseline=False)
SECOND = PlannedTrial(5, "fine filter", 2, baseline=False)
LIMIT = Limit("current", above=13.0, below=None, for_s=5.0, reason="rating of the plug")
BREACH = Breach(LIMIT, 13.42, 100.0, 107.0)


def _channel(unit: str = "A", resolution: float = 0.01) -> Channel:
    accuracy = Accuracy(resolution=resolution)
    return Channel("current", "Current", "current", unit, "", "m", 0, accuracy, 1.0)


# ---- numbers


@pytest.mark.parametrize(
    ("unit", "shown"),
    [("Cel", "°C"), ("m3/h", "m³/h"), ("inH2O", "inH₂O"), ("1", ""), ("W", "W")],
)
def test_a_unit_is_shown_as_people_write_it(unit: str, shown: str) -> None:
    assert unit_symbol(unit) == shown


def test_no_exponent_is_left_beside_its_unit() -> None:
    assert not [unit for unit in UNITS if "3" in unit_symbol(unit)]


@pytest.mark.parametrize(
    ("resolution", "decimals"),
    [(1000.0, 0), (1.0, 0), (0.5, 1), (0.1, 1), (0.05, 2), (0.01, 2), (0.001, 3)],
)
def test_decimals_are_those_of_the_display(resolution: float, decimals: int) -> None:
    assert decimals_of(resolution) == decimals


@pytest.mark.parametrize(
    ("expanded", "decimals"),
    # GUM 7.2.6: at most two significant digits: 120, 12, 1.2, 0.46, 0.0046.
    [(120.0, 0), (12.0, 0), (1.2, 1), (0.46188, 2), (0.0046, 4)],
)
def test_an_uncertainty_shows_two_significant_digits(
    expanded: float, decimals: int
) -> None:
    assert decimals_of_uncertainty(expanded) == decimals


def test_a_mean_is_rounded_to_its_uncertainty() -> None:
    # GUM 7.2.6 gives the form (10.05762 with 0.027 becomes 10.058 with 0.027).
    assert shown_average(10.05762, 0.027, "Cel") == "10.058 ± 0.027 °C"
    assert shown_average(0.93267, 0.0046, "1") == "0.9327 ± 0.0046"
    assert shown_average(1203.6, 12.5, "W") == "1204 ± 12 W"


def test_a_value_is_shown_with_its_unit() -> None:
    assert shown_value(12.0, "m/s", 2) == "12.00 m/s"
    assert shown_value(-0.5, "1", 1) == "-0.5"


@pytest.mark.parametrize(
    ("share", "shown"),
    # By hand: two significant digits, the next one up.
    [
        (0.005, "0.50 %"),
        (0.00512, "0.52 %"),
        (0.00996, "1.0 %"),
        (0.123, "13 %"),
        (0.0, "0 %"),
    ],
)
def test_a_share_that_is_enough_is_never_rounded_down(share: float, shown: str) -> None:
    assert shown_percent(share) == shown


# ---- what the operator is told to do


def _told(
    stage: Stage,
    *,
    by_key: bool = False,
    switch_off_first: bool = False,
    seconds_left: float | None = None,
    hindrance: str | None = None,
) -> tuple[str, Urgency]:
    return instruction(
        stage,
        "Fit the fine filter",
        by_key=by_key,
        switch_off_first=switch_off_first,
        seconds_left=seconds_left,
        hindrance=hindrance,
    )


@pytest.mark.parametrize("by_key", [False, True])
@pytest.mark.parametrize("stage", Stage)
def test_every_stage_has_an_instruction_and_a_sentence(
    stage: Stage,
    by_key: bool,  # noqa: FBT001 - a parameter of the test, not of an interface
) -> None:
    text, _ = _told(stage, by_key=by_key)
    assert text.endswith(".")
    assert stage_sentence(stage, by_key=by_key).endswith(".")


def test_waiting_says_what_to_fit_and_that_it_starts_by_switching_on() -> None:
    assert _told(Stage.WAITING) == (
        "Fit the fine filter, then switch on.",
        Urgency.ACTION,
    )
    assert "by itself" in stage_sentence(Stage.WAITING, by_key=False)


def test_without_a_start_channel_the_operator_is_told_to_press_enter() -> None:
    assert _told(Stage.WAITING, by_key=True) == (
        "Fit the fine filter, then switch on and press Enter.",
        Urgency.ACTION,
    )
    for stage in OVER:
        told, urgency = _told(stage, by_key=True)
        without, as_urgent = _told(stage)
        assert told == f"{without} Then press Enter."
        assert urgency is as_urgent
    for stage in (Stage.WAITING, Stage.DONE):
        assert "Enter" in stage_sentence(stage, by_key=True)
        assert "Enter" not in stage_sentence(stage, by_key=False)


@pytest.mark.parametrize("stage", Stage)
def test_enter_is_named_only_where_it_does_something(stage: Stage) -> None:
    assert "Enter" not in _told(stage)[0]
    if stage in {*RUNNING, Stage.FINISHED}:
        assert _told(stage, by_key=True) == _told(stage)


def test_a_machine_found_running_is_to_be_switched_off() -> None:
    text, urgency = _told(Stage.WAITING, switch_off_first=True)
    assert "Switch it off." in text
    assert urgency is Urgency.ACTION


@pytest.mark.parametrize("stage", Stage)
def test_only_danger_is_red_and_it_says_switch_off_at_the_plug(stage: Stage) -> None:
    for by_key in (False, True):
        text, urgency = _told(stage, by_key=by_key)
        assert (urgency is Urgency.DANGER) == (stage is Stage.LIMIT)
        assert ("Switch off at the plug." in text) == (stage is Stage.LIMIT)


def test_what_must_be_mended_comes_first_while_a_trial_waits_or_runs() -> None:
    silent = silent_meter("Outlet velocity", 30.2)
    assert silent == (
        "Outlet velocity: its meter has been silent for 30 s. Check its plug."
    )
    for stage in (Stage.WAITING, *RUNNING):
        told = _told(stage, hindrance=silent, switch_off_first=True, seconds_left=20.0)
        assert told == (silent, Urgency.ACTION)


@pytest.mark.parametrize("stage", [*OVER, Stage.FINISHED])
def test_nothing_to_be_mended_keeps_a_machine_from_being_switched_off(
    stage: Stage,
) -> None:
    hindrance = silent_meter("Outlet velocity", 30.0)
    assert _told(stage, hindrance=hindrance) == _told(stage)


def test_whoever_is_told_of_changes_only_sees_no_running_count() -> None:
    counts = [silent_meter("Power", s) for s in (9.0, 10.0)]
    assert {without_seconds(text) for text in counts} == {
        "Power: its meter has been silent. Check its plug."
    }


@pytest.mark.parametrize("stage", Stage)
def test_an_instruction_without_a_count_stays_as_it_is(stage: Stage) -> None:
    for by_key in (False, True):
        text, _ = _told(stage, by_key=by_key)
        assert without_seconds(text) == text


# ---- alarms


def test_an_alarm_tells_what_happened_what_it_may_mean_and_what_to_do() -> None:
    assert breach_text(BREACH, _channel()) == (
        "Current 13.42 A is above 13.00 A (rating of the plug), for 7 s. "
        "Lead, plug or motor may overheat. Switch off at the plug."
    )


def test_a_value_below_its_limit_is_called_that() -> None:
    low = Limit("current", above=13.0, below=1.0, for_s=5.0, reason="a lost phase")
    text = breach_text(Breach(low, 0.4, 0.0, 5.0), _channel(resolution=0.1))
    assert text == (
        "Current 0.4 A is below 1.0 A (a lost phase), for 5 s. "
        "The machine may stall and overheat. Switch off at the plug."
    )


def test_a_limit_of_zero_is_shown_as_zero() -> None:
    low = Limit("current", above=None, below=0.0, for_s=0.0, reason="a wrong way round")
    assert "is below 0.00 A" in breach_text(Breach(low, -1.0, 0.0, 0.0), _channel())


def test_a_machine_left_running_ends_at_the_plug_too() -> None:
    text = overdue_text(900.0)
    assert "longer than the plan's 900 s" in text
    assert text.endswith("Switch off at the plug.")


# ---- events


def test_repeats_are_named_from_the_second_on() -> None:
    assert trial_name(FIRST) == "fine filter"
    assert trial_name(SECOND) == "fine filter, repeat 2"


@pytest.mark.parametrize("reason", HeldBackBy)
def test_every_reason_for_not_being_settled_has_words_and_something_to_do(
    reason: HeldBackBy,
) -> None:
    what, to_do = held_back_advice(reason).split(": ")
    assert what == held_back(reason)
    assert to_do


@pytest.mark.parametrize("reason", HeldBackBy)
def test_every_reason_tells_what_was_seen_and_what_to_do(reason: HeldBackBy) -> None:
    seen, _, advice = why_not_settled(reason).partition(". ")
    for sentence in (seen, advice):
        assert sentence[0].isupper()
    assert advice.endswith(".")


def test_no_two_reasons_are_told_alike() -> None:
    for tell in (held_back, held_back_advice, why_not_settled):
        assert len({tell(reason) for reason in HeldBackBy}) == len(HeldBackBy)


def test_a_note_names_every_channel_and_each_remedy_once() -> None:
    drifting, noisy = HeldBackBy.DRIFT, HeldBackBy.NOISE
    notes = noted([("power", drifting), ("current", noisy), ("velocity", drifting)])
    assert notes == (
        f"power: drifting ({REASONS[drifting].remedy})",
        f"current: too noisy ({REASONS[noisy].remedy})",
        "velocity: drifting",
    )


def _result(state: TrialState, note: str = "") -> TrialResult:
    return TrialResult("id", FIRST, 1, state, 0.0, 100.0, note=note)


@pytest.mark.parametrize(
    "happening", sorted({happening for _, happening in TRANSITIONS}), ids=str
)
def test_every_happening_has_a_line_that_names_the_trial(happening: Happening) -> None:
    is_limit = happening is Happening.LIMIT_BROKEN
    line = occurrence_text(
        Occurrence(
            Stage.SETTLING,
            happening,
            10.0,
            FIRST,
            result=_result(TrialState.FINISHED),
            breach=BREACH if is_limit else None,
            reason=HeldBackBy.STEP if happening is Happening.WITHDRAWN else None,
        )
    )
    assert line.startswith("fine filter: ")
    assert line.endswith(".")


def test_a_withdrawn_declaration_says_why() -> None:
    withdrawn = Occurrence(
        *(Stage.SETTLING, Happening.WITHDRAWN, 9.0, SECOND),
        reason=HeldBackBy.DRIFT,
        channels=("power", "current"),
    )
    assert occurrence_text(withdrawn) == (
        "fine filter, repeat 2: power and current not settled after all, it still drifts; settling goes on."
    )


@pytest.mark.parametrize(
    ("state", "says"),
    [
        (TrialState.FINISHED, "the trial is complete"),
        # Switched off too soon, or given up because a meter was silent.
        (TrialState.UNFINISHED, "before it had settled; its readings are kept"),
        (TrialState.UNFINISHED, "it will be asked for again"),
        (TrialState.NOT_SETTLED, "marked not settled"),
        (TrialState.LIMIT_BROKEN, "marked limit broken"),
    ],
)
def test_the_end_of_a_trial_says_how_it_ended(state: TrialState, says: str) -> None:
    ended = Occurrence(
        Stage.WAITING, Happening.OFF_MORE_TO_COME, 9.0, FIRST, result=_result(state)
    )
    assert says in occurrence_text(ended)


def test_a_trial_without_averages_says_in_the_log_why_and_what_to_do() -> None:
    (note,) = noted([("power", HeldBackBy.HUNTING)])
    for happening in (Happening.TIME_UP, Happening.OFF_MORE_TO_COME):
        result = _result(TrialState.UNFINISHED, note)
        ended = Occurrence(Stage.WAITING, happening, 9.0, FIRST, result=result)
        assert occurrence_text(ended).endswith(f". {note}.")


def test_a_machine_that_never_ran_is_given_up_with_that_reason() -> None:
    (note,) = noted([("power", HeldBackBy.NO_LOAD)])
    ended = Occurrence(
        Stage.NOT_SETTLED,
        Happening.TIME_UP,
        9.0,
        FIRST,
        result=_result(TrialState.UNFINISHED, note),
        reason=HeldBackBy.NO_LOAD,
    )
    told = occurrence_text(ended)
    assert told.startswith("fine filter: given up, nothing rises above rest. power: ")
    assert "longest time" not in told


def test_a_repeated_attempt_is_counted() -> None:
    started = Occurrence(Stage.RUNNING_UP, Happening.SWITCHED_ON, 9.0, FIRST, attempt=3)
    assert occurrence_text(started).endswith("the trial begins (attempt 3).")


def test_a_broken_limit_names_the_trial_only_where_there_is_one() -> None:
    second = Occurrence(Stage.LIMIT, None, 9.0, FIRST, breach=BREACH)
    assert occurrence_text(second) == (
        "fine filter: current broke its limit (rating of the plug)."
    )
    nobody = Occurrence(Stage.WAITING, None, 9.0, None, breach=BREACH)
    assert occurrence_text(nobody) == (
        "No trial runs: current broke its limit (rating of the plug)."
    )


def test_a_store_that_comes_back_tells_what_was_lost_and_only_then() -> None:
    assert store_again_text(0).endswith("nothing was lost.")
    assert "; 17 rows that waited for it were lost" in store_again_text(17)
