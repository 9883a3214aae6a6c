"""What is said where nobody can see how a running machine fares: silent meters, values over their range, a sleeping computer."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from daq.config.bench import Bench, parse_bench
from daq.config.plan import Plan, parse_plan
from daq.operations import Start
from daq.records import Gap, GapReason, Reading
from daq.runtime.snapshot import Snapshot
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended
from tests.runtime.conftest import BENCH, MAINS, PLAN, VANE, Computer, Rehearsal

IMPELLER = f'{PLAN}\n[[limit]]\nchannel = "velocity"\nabove = 20\nreason = "impeller"\n'
NO_LIMIT = PLAN[: PLAN.index("[[limit]]")]
BY_KEY = PLAN[: PLAN.index("[start]")] + PLAN[PLAN.index("[settling]") :]
SAY_SO = "then say so: Enter at the terminal, the page's button or daq session BENCH switched."


@pytest.fixture
def rehearsal(bench: Bench, plan: Plan, computer: Computer) -> Rehearsal:
    return Rehearsal(bench, plan, computer)


def rehearsal_of(text: str, bench: Bench, computer: Computer) -> Rehearsal:
    return Rehearsal(bench, parse_plan(text, file="plan.toml", bench=bench), computer)


def blow(rehearsal: Rehearsal, velocity: float | None = 12.0) -> None:
    """The anemometer is read."""
    rehearsal.take(Reading("anemometer", rehearsal.clock.bench_s(), (velocity,)))


def run_blind(rehearsal: Rehearsal, seconds: int) -> Snapshot:
    """The machine runs, and only the mains meter is heard."""
    for _ in range(seconds):
        rehearsal.read(6.0, 1400.0)
    return rehearsal.board.snapshot()


# ---- meters whose values are old when they come


def lagging(*, mains_s: float = 0.0, vane_s: float = 0.0) -> Bench:
    """Meters that send values of so long ago."""
    mains = MAINS.replace("refresh_s = 1.0", f"refresh_s = 1.0\nlag_s = {mains_s}")
    vane = VANE.replace("refresh_s = 0.5", f"refresh_s = 0.5\nlag_s = {vane_s}")
    profiles = {"mains": ("mains.toml", mains), "vane": ("vane.toml", vane)}
    return parse_bench(BENCH, file="bench.toml", find_profile=profiles.get)


@pytest.mark.parametrize(("mains_s", "vane_s"), [(2.0, 0.0), (0.0, 5.0), (2.0, 5.0)])
def test_a_meter_is_heard_when_its_values_come_however_old_they_are(
    computer: Computer, mains_s: float, vane_s: float
) -> None:
    bench = lagging(mains_s=mains_s, vane_s=vane_s)
    rehearsal = rehearsal_of(PLAN, bench, computer)
    for quarters in range(240):
        computer.pass_s(0.25)
        now_s = rehearsal.clock.bench_s()
        values = (6.0, 1400.0) if quarters > 20 else (0.0, 0.0)
        if quarters % 4 == 0:
            rehearsal.take(Reading("meter", now_s - mains_s, values))
        if quarters % 2 == 0:
            rehearsal.take(Reading("anemometer", now_s - vane_s, (5.0,)))
        shown = rehearsal.board.snapshot()
        assert shown.alarms == ()
        assert [i.state for i in shown.instruments] == ["ok", "ok"]
        assert {c.condition for c in shown.channels} == {"ok"}
        assert "silent" not in shown.instruction
        assert "has no reading" not in shown.instruction


def test_a_lagging_meter_that_falls_silent_is_told_of_by_when_it_was_last_heard(
    computer: Computer,
) -> None:
    rehearsal = rehearsal_of(PLAN, lagging(vane_s=5.0), computer)
    rehearsal.stand_still()
    rehearsal.run_until(Stage.RUNNING_UP)
    heard_s = rehearsal.clock.bench_s()
    rehearsal.take(Reading("anemometer", heard_s - 5.0, (5.0,)))
    assert run_blind(rehearsal, 2).alarms == ()
    (alarm,) = run_blind(rehearsal, 1).alarms
    assert "no reading for 3 s" in alarm.text
    assert alarm.since_s == heard_s


# ---- the start channel


@pytest.mark.parametrize("until", [Stage.SETTLING, Stage.DONE])
@pytest.mark.parametrize("text", [PLAN, NO_LIMIT], ids=["limited", "no limit"])
def test_a_start_channel_without_a_usable_value_alarms_while_the_machine_runs(
    bench: Bench, computer: Computer, text: str, until: Stage
) -> None:
    limit = 'channel = "power"\nabove = 9000'
    text = text.replace('channel = "current"\nabove = 13.0', limit)
    rehearsal = rehearsal_of(text, bench, computer)
    rehearsal.stand_still()
    rehearsal.run_until(until)
    for _ in range(5):
        rehearsal.read(None, 1400.0)
    # Inrush, or a meter that changes its range.
    assert rehearsal.board.snapshot().alarms == ()
    rehearsal.read(None, 1400.0)
    shown = rehearsal.board.snapshot()
    (alarm,) = shown.alarms
    assert alarm.text.startswith(
        "Current shows no usable value: nobody can see whether the machine still runs."
    )
    assert f"switch off at the plug, {SAY_SO}" in alarm.text
    assert shown.urgency == "danger"
    assert "Keep it running" not in shown.instruction
    assert (shown.stage.seconds_left, shown.stage.time_left) == (None, "")
    rehearsal.read(6.0, 1400.0)
    assert rehearsal.board.snapshot().alarms == ()


def test_what_is_asked_for_stays_readable_where_the_start_channel_is_unseen(
    bench: Bench, computer: Computer
) -> None:
    rehearsal = rehearsal_of(NO_LIMIT, bench, computer)
    rehearsal.stand_still()
    rehearsal.run_until(Stage.SETTLING)
    for _ in range(6):
        rehearsal.read(None, 1400.0)
    shown = rehearsal.board.snapshot()
    assert shown.instruction == "Current shows no usable value. See the alarm."
    rehearsal.run_until(Stage.DONE)
    for _ in range(20):
        rehearsal.read(None, 1400.0)
    shown = rehearsal.board.snapshot()
    assert (shown.instruction, shown.urgency) == ("Done. Switch off.", "danger")


# ---- nobody is told to keep it running as if all were well


def test_a_lost_meter_with_a_limit_makes_the_instruction_one_of_danger(
    bench: Bench, computer: Computer
) -> None:
    rehearsal = rehearsal_of(IMPELLER, bench, computer)
    rehearsal.stand_still()
    rehearsal.run_until(Stage.RUNNING_UP)
    blow(rehearsal)
    shown = run_blind(rehearsal, 10)
    assert len(shown.alarms) == 1
    assert shown.instruction == "anemometer is not heard. See the alarm."
    assert shown.urgency == "danger"
    assert (shown.stage.seconds_left, shown.stage.time_left) == (None, "")
    blow(rehearsal)
    shown = rehearsal.board.snapshot()
    assert shown.instruction.startswith("Keep it running")
    assert (shown.urgency, shown.alarms) == ("wait", ())


def test_an_unseen_limit_makes_the_instruction_one_of_danger(
    bench: Bench, computer: Computer
) -> None:
    rehearsal = rehearsal_of(IMPELLER, bench, computer)
    rehearsal.stand_still()
    for _ in range(13):
        rehearsal.read(6.0, 1400.0)
        blow(rehearsal, None)
    shown = rehearsal.board.snapshot()
    assert shown.instruction == "Outlet velocity shows no usable value. See the alarm."
    assert shown.urgency == "danger"


def test_a_lost_meter_outranks_a_pause_while_the_machine_runs(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.stand_still()
    rehearsal.session.pause()
    rehearsal.read(6.0, 1400.0)
    assert rehearsal.board.snapshot().instruction.startswith("Paused.")
    computer.pass_s(5.0)
    shown = rehearsal.board.snapshot()
    assert shown.instruction == "meter is not heard. See the alarm."
    assert shown.urgency == "danger"


# ---- a computer that was busy or asleep


def sleep(rehearsal: Rehearsal, computer: Computer) -> Snapshot:
    """This computer sleeps for twelve seconds."""
    computer.pass_s(12.0)
    detail = "12 polls were due while this computer was busy or asleep"
    at_s = rehearsal.clock.bench_s()
    rehearsal.take(Gap("meter", at_s, GapReason.MISSED, detail, 12))
    return rehearsal.board.snapshot()


def test_nobody_is_sent_to_a_meter_that_a_sleeping_computer_did_not_ask(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.SETTLING)
    shown = sleep(rehearsal, computer)
    (alarm,) = shown.alarms
    assert alarm.text.startswith("meter was not read while the machine runs: ")
    assert "while this computer was busy or asleep" in alarm.text
    assert "See to the meter" not in alarm.text
    assert "Keep this computer awake" in alarm.text
    assert shown.instruction == (
        "Power was not read for 12 s: this computer or its line was busy."
    )


def test_a_sleeping_computer_says_so_across_the_room_where_nothing_is_waited_for(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.stand_still()
    rehearsal.session.pause()
    rehearsal.read(6.0, 1400.0)
    assert (
        sleep(rehearsal, computer).instruction == "meter was not read. See the alarm."
    )


# ---- what ends the alarm


@pytest.mark.parametrize("by_key", [False, True])
def test_where_nothing_sees_it_go_off_the_alarm_says_how_to_say_so(
    bench: Bench, computer: Computer, *, by_key: bool
) -> None:
    rehearsal = rehearsal_of(BY_KEY if by_key else PLAN, bench, computer)
    rehearsal.stand_still()
    if by_key:
        rehearsal.session.operator_switched(rehearsal.clock.bench_s())
    rehearsal.run_until(Stage.DONE)
    # A meter that is pulled with the plug.
    computer.pass_s(12.0)
    (alarm,) = rehearsal.board.snapshot().alarms
    assert alarm.text.endswith(f"switch off at the plug, {SAY_SO}")
    rehearsal.session.operator_switched(rehearsal.clock.bench_s())
    assert rehearsal.board.snapshot().alarms == ()


def test_where_the_start_channel_sees_it_go_off_nobody_has_to_say_so(
    rehearsal: Rehearsal,
) -> None:
    blow(rehearsal)
    rehearsal.stand_still()
    (alarm,) = run_blind(rehearsal, 5).alarms
    assert alarm.text.endswith("if it stays silent, switch off at the plug.")


# ---- the record


@pytest.fixture
async def service(
    tmp_path: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    (tmp_path / "plan.toml").write_text(IMPELLER, encoding="utf-8")
    async with attended(tmp_path, bench, computer) as attended_bench:
        yield attended_bench


async def test_an_unseen_limit_is_in_the_record_once_each_time(
    service: AttendedBench,
) -> None:
    await service.ask(Start("leads"))
    service.stand_still()
    for amperes, seconds in ((6.0, 20), (0.0, 5), (6.0, 20)):
        for _ in range(seconds):
            service.read(amperes, 1400.0)
            at_s = service.clock.bench_s()
            service.take(Reading("anemometer", at_s, (None,)))
            service.desk.tick(at_s)
    told = service.told("alarm")
    assert [text.partition(" while")[0] for text in told] == [
        "Outlet velocity shows no usable value"
    ] * 2
    await service.written()
    kept = service.rows("SELECT text FROM events WHERE kind = 'alarm'")
    assert kept == [(text,) for text in told]
