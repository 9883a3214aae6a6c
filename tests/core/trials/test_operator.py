"""The operator's word: switched, and seen to be running on."""

import pytest

from daq.errors import OperationRefusedError
from daq.records import Accuracy, Channel, PlannedTrial, Reading, TrialState
from daq.settling.parameters import STANDARD
from daq.trials.session import Session, SessionRules
from daq.trials.stages import RUNNING, Happening, Stage
from daq.trials.switching import StartRule, Switch, SwitchDetector, Switched

ORDER = (
    PlannedTrial(1, "a", 1, baseline=True),
    PlannedTrial(2, "b", 1, baseline=False),
)
LONGEST_S = 400.0


def _channel(name: str, index: int, unit: str) -> Channel:
    accuracy = Accuracy(resolution=0.01)
    return Channel(name, name, name, unit, "", "meter", index, accuracy, 1.0)


def _session(start_channel: str | None = "current") -> Session:
    return Session(
        SessionRules(
            channels=(_channel("current", 0, "A"), _channel("power", 1, "W")),
            required=("power",),
            tolerances={"current": 0.005, "power": 0.005},
            start=StartRule(start_channel, on_above=0.8, off_below=0.4, least_off_s=2),
            limits=(),
            parameters=STANDARD,
            target=None,
            longest_s=LONGEST_S,
        ),
        ORDER,
    )


def _run(
    session: Session, from_s: int, until_s: int, current: float
) -> list[Happening | None]:
    return [
        occurrence.happening
        for at_s in range(from_s, until_s)
        for occurrence in session.feed(Reading("meter", at_s, (current, 1000.0)))
    ]


def test_the_operator_starts_and_ends_a_trial_where_no_channel_tells() -> None:
    session = _session(start_channel=None)
    assert _run(session, 0, 20, 5.0) == []
    (started,) = session.operator_switched(20.0)
    assert (started.happening, started.at_s) == (Happening.SWITCHED_ON, 20.0)
    assert Happening.CONFIRMED in _run(session, 21, 200, 5.0)
    (ended,) = session.operator_switched(200.0)
    assert ended.happening is Happening.OFF_MORE_TO_COME
    assert ended.result is not None
    assert ended.result.state is TrialState.FINISHED
    assert session.called_for == ORDER[1]


def test_a_machine_called_on_before_its_current_rose_is_not_taken_for_off() -> None:
    # A soft starter: nothing is drawn for ten seconds.
    session = _session()
    _run(session, 0, 5, 0.0)
    session.operator_switched(5.0)
    assert Happening.OFF_MORE_TO_COME not in _run(session, 6, 16, 0.0)
    assert session.stage in RUNNING
    _run(session, 16, 200, 5.0)
    # Once it has drawn current, the current tells that it is off.
    assert _run(session, 200, 205, 0.0) == [Happening.OFF_MORE_TO_COME]


def test_a_key_hit_while_the_current_flows_is_not_taken() -> None:
    session = _session()
    _run(session, 0, 5, 0.0)
    _run(session, 5, 60, 5.0)
    trial = session.trial()
    assert session.operator_switched(60.0) == []
    assert session.trial() == trial is not None
    # The trial goes on as if nobody had touched the key.
    assert Happening.CONFIRMED in _run(session, 61, 200, 5.0)
    assert session.operator_switched(200.0) == []
    assert session.stage is Stage.DONE
    assert _run(session, 200, 205, 0.0) == [Happening.OFF_MORE_TO_COME]


def test_a_key_is_taken_for_off_once_the_current_has_fallen() -> None:
    session = _session()
    _run(session, 0, 5, 0.0)
    _run(session, 5, 60, 5.0)
    # Too short a dip for the channel alone.
    assert _run(session, 60, 61, 0.0) == []
    (ended,) = session.operator_switched(61.0)
    assert ended.result is not None
    assert ended.result.state is TrialState.UNFINISHED


def test_a_machine_called_on_and_off_before_its_current_rose_starts_no_trial_later() -> (
    None
):
    session = _session()
    _run(session, 0, 5, 0.0)
    session.operator_switched(5.0)
    (ended,) = session.operator_switched(8.0)
    assert ended.happening is Happening.OFF_MORE_TO_COME
    assert _run(session, 9, 40, 5.0) == []
    assert session.must_switch_off_first
    _run(session, 40, 45, 0.0)
    assert _run(session, 45, 46, 5.0) == [Happening.SWITCHED_ON]


def test_a_key_after_the_last_trial_starts_nothing() -> None:
    session = _session(start_channel=None)
    for number in range(2):
        session.operator_switched(1000.0 * number)
        _run(session, 1000 * number + 1, 1000 * number + 200, 5.0)
        session.operator_switched(1000.0 * number + 200.0)
    assert session.stage is Stage.FINISHED
    assert session.operator_switched(5000.0) == []


def test_a_key_pressed_after_the_longest_time_ends_a_trial_that_was_given_up() -> None:
    session = _session(start_channel=None)
    session.operator_switched(0.0)
    happened = [o.happening for o in session.operator_switched(LONGEST_S)]
    assert happened == [Happening.TIME_UP, Happening.OFF_MORE_TO_COME]


def test_an_acknowledged_machine_may_run_on_for_as_long_again() -> None:
    session = _session(start_channel=None)
    session.operator_switched(0.0)
    session.tick(LONGEST_S)
    overdue_s = [session.overdue_since_s]
    session.tick(LONGEST_S + 10.0)
    session.acknowledge()
    for at_s in (LONGEST_S + 11.0, 2 * LONGEST_S + 9.0, 2 * LONGEST_S + 10.0):
        session.tick(at_s)
        overdue_s.append(session.overdue_since_s)
    assert overdue_s == [LONGEST_S, None, None, 2 * LONGEST_S + 10.0]


def test_a_word_given_for_one_trial_holds_for_no_other() -> None:
    session = _session(start_channel=None)
    session.operator_switched(0.0)
    session.tick(LONGEST_S)
    session.acknowledge()
    session.operator_switched(LONGEST_S + 50.0)
    begun_s = LONGEST_S + 60.0
    session.operator_switched(begun_s)
    session.tick(begun_s + LONGEST_S)
    assert session.overdue_since_s == begun_s + LONGEST_S


@pytest.mark.parametrize("is_running", [False, True])
def test_no_machine_may_run_on_before_it_has_run_too_long(*, is_running: bool) -> None:
    session = _session(start_channel=None)
    if is_running:
        session.operator_switched(0.0)
    with pytest.raises(OperationRefusedError, match="nothing to acknowledge"):
        session.acknowledge()
    session.tick(LONGEST_S)
    assert (session.overdue_since_s is not None) is is_running


def test_a_note_about_the_trial_in_hand_stands_in_its_result_once() -> None:
    session = _session()
    session.mark("before any trial")
    _run(session, 0, 5, 0.0)
    _run(session, 5, 200, 5.0)
    assert session.stage is Stage.DONE
    session.mark("the store could not be written for a while")
    session.mark("the store could not be written for a while")
    ended = [
        occurrence.result
        for at_s in range(200, 205)
        for occurrence in session.feed(Reading("meter", at_s, (0.0, 0.0)))
    ]
    assert [(r.state, r.note) for r in ended if r] == [
        (TrialState.FINISHED, "the store could not be written for a while")
    ]


def test_the_detector_takes_the_operators_word_at_once() -> None:
    detector = SwitchDetector(StartRule("current", 0.8, 0.4, 2.0))
    assert detector.told(Switch.ON, 3.0) == Switched(Switch.ON, 3.0)
    assert detector.told(Switch.ON, 4.0) is None
    assert detector.told(Switch.OFF, 5.0) == Switched(Switch.OFF, 5.0)
