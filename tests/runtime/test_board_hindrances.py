"""What the screens ask of the operator when a trial cannot begin or settle: a silent meter, a failing store, a key."""

import pytest

from daq.config.bench import Bench
from daq.config.plan import Plan, parse_plan
from daq.records import Reading
from daq.runtime.snapshot import ChannelLine, PartLine
from daq.trials.stages import Stage
from tests.runtime.conftest import PLAN, Computer, Rehearsal


@pytest.fixture
def rehearsal(bench: Bench, plan: Plan, computer: Computer) -> Rehearsal:
    return Rehearsal(bench, plan, computer)


def channel(rehearsal: Rehearsal, name: str) -> ChannelLine:
    return next(c for c in rehearsal.board.snapshot().channels if c.name == name)


def waiting_for_velocity(bench: Bench, *, by_key: bool = False) -> Plan:
    """A plan that waits for the anemometer too; with or without a start channel."""
    text = PLAN.replace('required = ["power"]', 'required = ["power", "velocity"]')
    if by_key:
        start, settling = text.index("[start]"), text.index("[settling]")
        text = text[:start] + text[settling:]
    return parse_plan(text, file="plan.toml", bench=bench)


def blow(rehearsal: Rehearsal) -> None:
    """The anemometer is read."""
    rehearsal.take(Reading("anemometer", rehearsal.clock.bench_s(), (12.0,)))


def blow_nothing(rehearsal: Rehearsal) -> None:
    """The anemometer is read in still air."""
    rehearsal.take(Reading("anemometer", rehearsal.clock.bench_s(), (0.0,)))


def test_a_required_meter_that_falls_silent_is_named_until_it_answers(
    bench: Bench, computer: Computer
) -> None:
    rehearsal = Rehearsal(bench, waiting_for_velocity(bench), computer)
    rehearsal.stand_still()
    for _ in range(6):
        rehearsal.read(6.0, 1400.0)
        blow(rehearsal)
    assert rehearsal.board.snapshot().instruction == "Keep it running."
    for _ in range(30):
        rehearsal.read(6.0, 1400.0)
    snapshot = rehearsal.board.snapshot()
    assert snapshot.stage.name == "settling"
    assert snapshot.instruction == (
        "Outlet velocity: its meter has been silent for 30 s. Check its plug."
    )
    assert snapshot.urgency == "action"
    velocity = channel(rehearsal, "velocity")
    assert velocity.holding_back == (
        "too many of its readings are missing: look at the meter and its cable"
    )
    blow(rehearsal)
    assert rehearsal.board.snapshot().instruction == "Keep it running."


def test_a_required_meter_that_was_never_heard_is_named_too(
    bench: Bench, computer: Computer
) -> None:
    rehearsal = Rehearsal(bench, waiting_for_velocity(bench), computer)
    rehearsal.stand_still()
    rehearsal.run_until(Stage.RUNNING_UP)
    assert rehearsal.board.snapshot().instruction == "Keep it running."
    for _ in range(10):
        rehearsal.read(6.0, 1400.0)
    assert rehearsal.board.snapshot().instruction == (
        "Outlet velocity: its meter has been silent for 10 s. Check its plug."
    )


def test_nobody_is_told_to_switch_on_while_a_meter_that_a_trial_needs_has_no_reading(
    bench: Bench, computer: Computer
) -> None:
    rehearsal = Rehearsal(bench, waiting_for_velocity(bench), computer)
    # Meters are given a moment to be heard for the first time.
    assert "then switch on." in rehearsal.board.snapshot().instruction
    for _ in range(4):
        rehearsal.read(0.0, 0.0)
    snapshot = rehearsal.board.snapshot()
    assert snapshot.stage.name == "waiting"
    assert snapshot.instruction == (
        "Do not switch on yet: Outlet velocity has no reading. See to its meter."
    )
    blow(rehearsal)
    assert "then switch on." in rehearsal.board.snapshot().instruction


def test_a_machine_found_running_is_switched_off_first_whatever_is_missing(
    bench: Bench, computer: Computer
) -> None:
    rehearsal = Rehearsal(bench, waiting_for_velocity(bench), computer)
    for _ in range(4):
        rehearsal.read(6.0, 1400.0)
    assert rehearsal.board.snapshot().instruction == (
        "The machine is already running. Switch it off."
    )


def test_a_silent_meter_that_nobody_waits_for_holds_no_trial_back_and_is_told_of(
    rehearsal: Rehearsal,
) -> None:
    blow(rehearsal)
    rehearsal.stand_still()
    rehearsal.run_until(Stage.SETTLING)
    assert channel(rehearsal, "velocity").condition == "old"
    shown = rehearsal.board.snapshot()
    assert shown.instruction == "anemometer is not heard. See the alarm."
    # It has no limit, and the machine is seen by another.
    assert shown.urgency == "action"
    rehearsal.run_until(Stage.DONE)


def test_a_silent_meter_does_not_keep_the_machine_from_being_switched_off(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.DONE)
    computer.pass_s(20.0)
    assert channel(rehearsal, "power").condition == "old"
    assert rehearsal.board.snapshot().instruction == "Done. Switch off."


def test_no_trial_is_called_for_while_the_store_fails_but_one_that_runs_goes_on(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.DONE)
    rehearsal.board.store = PartLine("failing", "bench.db: the disk is full.")
    assert rehearsal.board.snapshot().instruction == "Done. Switch off."
    rehearsal.stand_still()
    snapshot = rehearsal.board.snapshot()
    assert snapshot.instruction == (
        "Wait: the results file cannot be written. See the alarm."
    )
    assert snapshot.urgency == "action"
    rehearsal.board.store = PartLine("ok", "")
    assert "long lead" in rehearsal.board.snapshot().instruction


def test_without_a_start_channel_the_screens_name_the_enter_key(
    bench: Bench, plan: Plan, computer: Computer
) -> None:
    by_key = Rehearsal(bench, waiting_for_velocity(bench, by_key=True), computer)
    shown = by_key.board.snapshot()
    assert shown.instruction == "Fit short lead, then switch on and press Enter."
    assert "Enter" in shown.stage.sentence
    by_channel = Rehearsal(bench, plan, computer).board.snapshot()
    assert "Enter" not in by_channel.instruction + by_channel.stage.sentence


def test_a_machine_that_was_called_on_and_shows_no_load_is_to_be_switched_on(
    bench: Bench, computer: Computer
) -> None:
    by_key = Rehearsal(bench, waiting_for_velocity(bench, by_key=True), computer)
    by_key.stand_still()
    by_key.session.operator_switched(by_key.clock.bench_s())
    for _ in range(10):
        by_key.read(0.0, 0.0)
        blow_nothing(by_key)
    shown = by_key.board.snapshot()
    assert shown.instruction == (
        "Power: nothing rises above rest. Switch the machine on."
    )
    assert shown.stage.seconds_left is None
    assert channel(by_key, "power").holding_back == (
        "nothing rises above rest: switch the machine on"
    )
    by_key.read(6.0, 1400.0)
    blow(by_key)
    assert "Keep it running" in by_key.board.snapshot().instruction


def test_of_a_meter_that_is_not_heard_nobody_is_told_to_keep_it_running(
    bench: Bench, computer: Computer
) -> None:
    rehearsal = Rehearsal(bench, waiting_for_velocity(bench), computer)
    rehearsal.stand_still()
    for _ in range(6):
        rehearsal.read(6.0, 1400.0)
        blow(rehearsal)
    while rehearsal.session.stage is Stage.RUNNING_UP:
        rehearsal.read(6.0, 1400.0)
        blow(rehearsal)
    held_back = channel(rehearsal, "velocity").holding_back
    assert held_back is not None
    assert "keep it running" in held_back
    rehearsal.board.line_changed("anemometer", "port ports/air: nothing is there")
    velocity = channel(rehearsal, "velocity")
    assert velocity.condition == "silent"
    assert "running" not in (velocity.holding_back or "")
