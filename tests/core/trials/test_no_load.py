"""A trial that was begun by hand while the machine stood still: never averaged, and asked for again."""

import dataclasses

import numpy as np
import pytest

from daq.records import Accuracy, Channel, Reading, TrialResult, TrialState
from daq.settling.parameters import STANDARD
from daq.settling.verdicts import HeldBackBy
from daq.trials.judging import CAN_BE_AVERAGED, SessionRules
from daq.trials.reanalysis import ReadingBlock, judge_again
from daq.trials.reasons import REASONS
from daq.trials.session import Session
from daq.trials.stages import Happening, Stage
from daq.trials.switching import StartRule
from tests.core.trials.session_bench import order_of

ON_S, END_S, LONGEST_S = 5.0, 350.0, 400.0
NO_LOAD = f"no load ({REASONS[HeldBackBy.NO_LOAD].remedy})"


def _channel(name: str, index: int, unit: str) -> Channel:
    accuracy = Accuracy(resolution=0.1)
    return Channel(name, name, name, unit, "", "meter", index, accuracy, 1.0)


RULES = SessionRules(
    channels=(
        _channel("power", 0, "W"),
        _channel("velocity", 1, "m/s"),
        _channel("voltage", 2, "V"),
    ),
    required=("power", "velocity", "voltage"),
    tolerances=dict.fromkeys(("power", "velocity", "voltage"), 0.005),
    start=StartRule(None, on_above=0.0, off_below=0.0, least_off_s=2.0),
    limits=(),
    parameters=STANDARD,
    target=None,
    longest_s=LONGEST_S,
)
IDLE, RUNNING = (0.2, 0.0, 230.0), (900.0, 12.0, 229.0)
Values = tuple[float | None, float | None, float | None]


def _begun(rules: SessionRules = RULES) -> Session:
    session = Session(rules, order_of("a", "b"))
    session.operator_switched(ON_S)
    return session


def _readings(values: Values, from_s: float, until_s: float) -> list[Reading]:
    """One a second, with the flicker of a meter: half a step, rounded to steps."""
    random = np.random.default_rng(1)
    return [
        Reading(
            "meter",
            float(at_s),
            tuple(
                None if v is None else round(v + random.normal(0.0, 0.05), 1)
                for v in values
            ),
        )
        for at_s in np.arange(from_s, until_s)
    ]


def _feed(
    session: Session, values: Values, *, from_s: float, until_s: float
) -> list[Happening | None]:
    return [
        occurrence.happening
        for reading in _readings(values, from_s, until_s)
        for occurrence in session.feed(reading)
    ]


def _ended(session: Session, at_s: float) -> TrialResult:
    (ended,) = session.operator_switched(at_s)
    assert ended.result is not None
    return ended.result


def test_an_idle_machine_is_given_up_where_it_would_have_been_averaged() -> None:
    session = _begun()
    happened = _feed(session, IDLE, from_s=6.0, until_s=END_S)
    assert happened[-1] is Happening.TIME_UP
    # Long before the longest time: at the confirmation, for which an idle meter flickers steadily enough.
    assert session.now_s < ON_S + LONGEST_S
    assert Happening.DECLARED in happened
    assert Happening.CONFIRMED not in happened
    assert session.stage is Stage.NOT_SETTLED


def test_an_idle_machine_is_asked_for_again_with_the_reason_and_the_remedy() -> None:
    session = _begun()
    _feed(session, IDLE, from_s=6.0, until_s=END_S)
    ended = _ended(session, END_S)
    assert (ended.state, ended.averages) == (TrialState.UNFINISHED, ())
    # A voltage is there whether the machine runs or not.
    assert ended.note == f"power: {NO_LOAD}; velocity: no load"
    assert session.done_count == 0
    called_for = session.called_for
    assert called_for is not None
    assert called_for.condition == "a"


def test_an_idle_machine_ended_by_hand_says_no_load_too() -> None:
    session = _begun()
    _feed(session, IDLE, from_s=6.0, until_s=60.0)
    ended = _ended(session, 60.0)
    assert ended.note.startswith(f"power: {NO_LOAD}; velocity: no load")
    assert CAN_BE_AVERAGED not in ended.note


def test_the_screens_are_told_while_nothing_rises() -> None:
    session = _begun()
    _feed(session, IDLE, from_s=6.0, until_s=40.0)
    assert session.without_load() == ("power", "velocity")
    progress = session.channel_progress("power")
    assert progress is not None
    assert (progress.held_back_by, progress.mean) == (HeldBackBy.NO_LOAD, None)
    _feed(session, RUNNING, from_s=40.0, until_s=42.0)
    assert session.without_load() == ()
    progress = session.channel_progress("power")
    assert progress is not None
    assert progress.held_back_by is not HeldBackBy.NO_LOAD


def test_one_channel_above_rest_is_a_load_and_another_may_stay_at_zero() -> None:
    session = _begun()
    happened = _feed(session, (900.0, 0.0, 229.0), from_s=6.0, until_s=END_S)
    assert happened[-1] is Happening.CONFIRMED


def test_a_meter_that_was_never_heard_is_missing_and_not_idle() -> None:
    session = _begun()
    _feed(session, (None, None, 230.0), from_s=6.0, until_s=60.0)
    assert session.without_load() == ()
    assert "power: gaps" in _ended(session, 60.0).note


def test_voltages_alone_tell_nothing_of_a_load() -> None:
    session = _begun(dataclasses.replace(RULES, required=("voltage",)))
    assert _feed(session, IDLE, from_s=6.0, until_s=END_S)[-1] is Happening.CONFIRMED


def test_what_begins_a_trial_by_itself_is_a_load() -> None:
    # Three steps of the display: less than what else counts as rest.
    start = StartRule("power", on_above=0.25, off_below=0.15, least_off_s=2.0)
    session = Session(dataclasses.replace(RULES, start=start), order_of("a"))
    _feed(session, (0.0, 0.0, 230.0), from_s=0.0, until_s=5.0)
    happened = _feed(session, (0.3, 0.0, 230.0), from_s=5.0, until_s=END_S)
    assert happened[0] is Happening.SWITCHED_ON
    assert happened[-1] is Happening.CONFIRMED


@pytest.mark.parametrize("length", [1, 50, 1000])
def test_an_idle_machine_is_not_averaged_by_re_analysis_either(length: int) -> None:
    session = _begun()
    _feed(session, IDLE, from_s=6.0, until_s=END_S)
    live = _ended(session, END_S)
    rows = [
        (number, reading.at_s, value)
        for reading in _readings(IDLE, 6.0, END_S)
        for number, value in enumerate(reading.values)
    ]
    blocks = [
        ReadingBlock(
            ("power", "velocity", "voltage"),
            np.array([row[0] for row in rows[first : first + length]], dtype=np.intp),
            np.array([row[1] for row in rows[first : first + length]]),
            np.array([row[2] for row in rows[first : first + length]]),
        )
        for first in range(0, len(rows), length)
    ]
    again = judge_again(live, RULES, lambda: blocks, idle={}, even_so=False)
    assert (again.state, again.averages, again.note) == (live.state, (), live.note)


def test_a_reason_is_that_of_the_end_where_the_start_channel_never_told() -> None:
    # Begun by hand, with a threshold that the machine does not reach.
    start = StartRule("power", on_above=1500.0, off_below=0.5, least_off_s=2.0)
    session = _begun(dataclasses.replace(RULES, start=start))
    drifting = [
        Reading("meter", at_s, (900.0 + at_s, 12.0, 229.0))
        for at_s in np.arange(6.0, 150.0).tolist()
    ]
    for reading in drifting:
        session.feed(reading)
    assert _ended(session, 150.0).note.startswith("power: drifting")
