"""What the screens say of a machine that runs without a trial, and of meters that are over their range."""

import pytest

from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.records import Gap, GapReason
from daq.trials.stages import Stage
from tests.runtime.conftest import Computer, Rehearsal


@pytest.fixture
def rehearsal(bench: Bench, plan: Plan, computer: Computer) -> Rehearsal:
    return Rehearsal(bench, plan, computer)


def test_a_machine_left_running_by_its_session_is_told_of_until_it_is_off(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.DONE)
    rehearsal.board.close()
    for _ in range(2):
        snapshot = rehearsal.board.snapshot()
        assert (snapshot.stage.name, snapshot.urgency) == ("idle", "danger")
        assert snapshot.instruction.startswith("Switch off at the plug")
        (alarm,) = snapshot.alarms
        assert "nothing watches its limits" in alarm.text
        rehearsal.read(6.0, 1400.0)
    rehearsal.read(0.0, 5.0)
    snapshot = rehearsal.board.snapshot()
    assert (snapshot.alarms, snapshot.urgency) == ((), "wait")


def test_a_meter_that_falls_silent_under_a_machine_found_running_is_alarmed_of(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.read(6.0, 1400.0)
    assert rehearsal.session.must_switch_off_first
    for _ in range(5):
        computer.pass_s(1.0)
        rehearsal.take(Gap("meter", rehearsal.clock.bench_s(), GapReason.NO_REPLY, ""))
    (alarm,) = rehearsal.board.snapshot().alarms
    assert "meter is not heard while the machine runs" in alarm.text


def test_a_broken_limit_outranks_a_pause_and_an_idle_call(rehearsal: Rehearsal) -> None:
    rehearsal.stand_still()
    rehearsal.session.pause()
    for _ in range(6):
        rehearsal.read(13.5, 1400.0)
    snapshot = rehearsal.board.snapshot()
    assert snapshot.stage.name == "paused"
    assert snapshot.instruction == "A limit is broken. Switch off at the plug."
    assert snapshot.urgency == "danger"


def test_a_machine_found_running_for_too_long_alarms_and_is_to_be_unplugged(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.read(6.0, 1400.0)
    computer.pass_s(298.0)
    rehearsal.read(6.0, 1400.0)
    assert rehearsal.board.snapshot().alarms == ()
    assert not rehearsal.board.snapshot().overdue
    rehearsal.read(6.0, 1400.0)
    snapshot = rehearsal.board.snapshot()
    (alarm,) = snapshot.alarms
    assert "longer than the plan's 300 s" in alarm.text
    assert snapshot.overdue
    assert snapshot.urgency == "danger"
    assert snapshot.instruction.startswith("Switch off at the plug")


def test_nobody_is_told_to_switch_on_while_the_start_channel_is_over_its_range(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.stand_still()
    # Not yet as long as the plan's limit of the current allows.
    for _ in range(3):
        rehearsal.read(None, 1400.0)
    snapshot = rehearsal.board.snapshot()
    assert snapshot.stage.name == "waiting"
    assert snapshot.instruction == (
        "Current is over its meter's range: the machine may be running unseen. Switch off at the plug."
    )
    assert snapshot.urgency == "action"


def test_a_channel_that_a_trial_waits_for_over_its_range_is_named_before_and_in_it(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.stand_still()
    for _ in range(4):
        rehearsal.read(0.0, None)
    assert rehearsal.board.snapshot().instruction == (
        "Do not switch on yet: Power is over its meter's range. Choose a higher one."
    )
    rehearsal.read(0.0, 5.0)
    rehearsal.run_until(Stage.SETTLING)
    for _ in range(4):
        rehearsal.read(6.0, None)
    assert rehearsal.board.snapshot().instruction == (
        "Power is over its meter's range. Switch off, then choose a higher range."
    )
    rehearsal.read(6.0, 1400.0)
    assert rehearsal.board.snapshot().instruction == "Keep it running."
