"""What the screens say of a machine that runs without a trial, and of meters that are over their range."""

import pytest

from daq.config.bench import Bench
from daq.config.plan import Plan, parse_plan
from daq.records import Gap, GapReason, Reading
from daq.trials.stages import Stage
from tests.runtime.conftest import PLAN, Computer, Rehearsal


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
    rehearsal.stand_still()
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


def test_a_longest_time_that_the_plan_does_not_state_is_not_called_its_own(
    bench: Bench, computer: Computer
) -> None:
    text = PLAN.replace("trial_longest_s = 300.0\n", "")
    plan = parse_plan(text, file="plan.toml", bench=bench)
    rehearsal = Rehearsal(bench, plan, computer)
    rehearsal.stand_still()
    rehearsal.run_until(Stage.DONE)
    computer.pass_s(900.0)
    rehearsal.tick()
    texts = [alarm.text for alarm in rehearsal.board.snapshot().alarms]
    assert any("longer than 900 s (the plan states no other)" in x for x in texts)


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


def test_nobody_is_told_to_switch_on_while_the_start_channel_shows_no_usable_value(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.stand_still()
    for _ in range(4):
        rehearsal.read(None, 1400.0)
    snapshot = rehearsal.board.snapshot()
    assert snapshot.stage.name == "waiting"
    assert snapshot.instruction == (
        "Current shows no usable value: the machine may run unseen. Switch off at the plug, then see to its range."
    )
    assert (snapshot.urgency, snapshot.alarms) == ("action", ())


def test_a_channel_that_shows_no_usable_value_at_rest_and_in_the_run_up_is_no_hindrance(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.stand_still()
    for _ in range(4):
        rehearsal.read(0.0, None)
    assert rehearsal.board.snapshot().instruction.endswith("then switch on.")
    for _ in range(4):
        rehearsal.read(6.0, None)
    assert rehearsal.board.snapshot().stage.name == "running-up"
    assert rehearsal.board.snapshot().instruction == "Keep it running."


def test_a_channel_that_a_trial_waits_for_and_cannot_use_is_named(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.SETTLING)
    for _ in range(4):
        rehearsal.read(6.0, None)
    assert rehearsal.board.snapshot().instruction == (
        "Power shows no usable value. See to its meter's range."
    )
    rehearsal.read(6.0, 1400.0)
    assert rehearsal.board.snapshot().instruction == "Keep it running."


def test_a_limited_channel_without_a_usable_value_alarms_while_the_machine_runs(
    bench: Bench, computer: Computer
) -> None:
    limited = (
        f'{PLAN}\n[[limit]]\nchannel = "velocity"\nabove = 20\nreason = "impeller"\n'
    )
    rehearsal = Rehearsal(bench, parse_plan(limited, file="plan.toml", bench=bench), computer)  # fmt: skip
    told = []
    for amperes, seconds in ((0.0, 15), (6.0, 9), (6.0, 4), (0.0, 4)):
        for _ in range(seconds):
            rehearsal.read(amperes, 1400.0 if amperes else 5.0)
            rehearsal.take(Reading("anemometer", rehearsal.clock.bench_s(), (None,)))
        told.append([alarm.text for alarm in rehearsal.board.snapshot().alarms])
    assert [len(texts) for texts in told] == [0, 0, 1, 0]
    assert told[2][0].startswith("Outlet velocity shows no usable value while")
    assert slip_state(rehearsal) != "limit broken"


def slip_state(rehearsal: Rehearsal) -> str:
    return rehearsal.board.snapshot().slip[0].state


def test_a_limit_broken_at_rest_calls_for_no_switching_on_and_is_no_danger(
    bench: Bench, computer: Computer
) -> None:
    limited = (
        f'{PLAN}\n[[limit]]\nchannel = "velocity"\nabove = 20\nreason = "draught"\n'
    )
    rehearsal = Rehearsal(bench, parse_plan(limited, file="plan.toml", bench=bench), computer)  # fmt: skip
    for _ in range(5):
        rehearsal.read(0.0, 5.0)
        rehearsal.take(Reading("anemometer", rehearsal.clock.bench_s(), (25.0,)))
    snapshot = rehearsal.board.snapshot()
    assert len(snapshot.alarms) == 1
    assert snapshot.instruction == "Leave it off: a limit is broken."
    assert snapshot.urgency == "action"


def test_missed_polls_are_not_laid_at_the_meters_door(rehearsal: Rehearsal, computer: Computer) -> None:  # fmt: skip
    rehearsal.read(6.0, 1400.0)
    computer.pass_s(12.0)
    detail = "12 polls were due while this computer was busy or asleep"
    at_s = rehearsal.clock.bench_s()
    rehearsal.take(Gap("meter", at_s, GapReason.MISSED, detail, 12))
    (meter,) = (i for i in rehearsal.board.snapshot().instruments if i.name == "meter")
    assert meter.text == f"no reading for 12 s: {detail}"
