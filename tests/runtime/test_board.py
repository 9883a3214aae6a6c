"""What the screens are shown: newest values and their age, the stage, the slip, health, alarms and events."""

import json
import math
from collections.abc import Callable
from typing import Any

import pytest

from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.records import Gap, GapReason, Reading, TrialResult, TrialState
from daq.runtime.snapshot import (
    AlarmLine,
    ChannelLine,
    InstrumentLine,
    PartLine,
    SessionLine,
    SlipLine,
)
from daq.trials.stages import Stage
from tests.runtime.conftest import Computer, Rehearsal, rehearsed

# The face of the page (GET /api/state): every key, whatever the moment.
KEYS = {
    "": "format bench plan machine clock session stage instruction urgency condition trial channels slip instruments "
    "store broker alarms events comparison ends_with_session asking typed_readings missed "
    "repeat_offer taken_back overdue",
    "clock": "now_s utc speed",
    "session": "number state done total skipped",
    "stage": "name since_s progress seconds_left time_left sentence",
    "condition": "name repeat position",
    "trial": "number started_s run_up_end_s window_s confirmed",
    "channels": "name title quantity unit place decimals required instrument interval_s value at_s condition "
    "holding_back mean expanded_uncertainty typed",
    "slip": "position condition repeat baseline state averages note trial",
    "instruments": "name port state text readings gaps",
    "store": "state text",
    "broker": "state text",
    "alarms": "text since_s",
    "events": "utc at_s text",
}
STAGES = {
    *("waiting", "running-up", "settling", "averaging", "done"),
    *("not-settled", "limit", "unfinished", "finished", "paused", "idle"),
}
URGENCIES = {"action", "wait", "danger", "normal"}


@pytest.fixture
def rehearsal(bench: Bench, plan: Plan, computer: Computer) -> Rehearsal:
    return Rehearsal(bench, plan, computer)


def channel(rehearsal: Rehearsal, name: str) -> ChannelLine:
    return next(c for c in rehearsal.board.snapshot().channels if c.name == name)


def instrument(rehearsal: Rehearsal, name: str) -> InstrumentLine:
    return next(i for i in rehearsal.board.snapshot().instruments if i.name == name)


def shown_session(rehearsal: Rehearsal) -> SessionLine:
    line = rehearsal.board.snapshot().session
    assert line is not None
    return line


def slip(rehearsal: Rehearsal) -> tuple[SlipLine, ...]:
    return rehearsal.board.snapshot().slip


# ---- the whole


def just_begun(rehearsal: Rehearsal) -> None:
    rehearsal.board.event("Session 1 begins.", rehearsal.clock.bench_s())


def averaging(rehearsal: Rehearsal) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.AVERAGING)


def over_a_limit(rehearsal: Rehearsal) -> None:
    averaging(rehearsal)
    rehearsal.run_until(Stage.LIMIT, amperes=14.0)


def all_done(rehearsal: Rehearsal) -> None:
    for _ in range(2):
        rehearsal.stand_still()
        rehearsal.run_until(Stage.DONE)
    rehearsal.stand_still()


@pytest.mark.parametrize("moment", [just_begun, averaging, over_a_limit, all_done])
def test_a_snapshot_has_the_documented_keys_at_any_moment(
    rehearsal: Rehearsal, moment: Callable[[Rehearsal], None]
) -> None:
    moment(rehearsal)
    text = rehearsal.board.snapshot().as_json()
    shown: dict[str, Any] = json.loads(text, parse_constant=pytest.fail)
    assert set(shown) == set(KEYS[""].split())
    for part, keys in KEYS.items():
        lines = shown[part] if part else []
        for line in lines if isinstance(lines, list) else [lines]:
            assert line is None or set(line) == set(keys.split()), part
    assert shown["format"] == 2
    assert shown["stage"]["name"] in STAGES
    assert shown["urgency"] in URGENCIES
    assert shown["machine"] == "Drying blower"
    assert len(shown["slip"]) == shown["session"]["total"] == 2


def test_before_the_first_reading_everything_is_empty_but_named(
    rehearsal: Rehearsal,
) -> None:
    snapshot = rehearsal.board.snapshot()
    assert snapshot.stage.name == "waiting"
    assert snapshot.urgency == "action"
    assert snapshot.instruction == "Fit short lead, then switch on."
    assert snapshot.trial is None
    assert [(c.name, c.value, c.condition) for c in snapshot.channels] == [
        ("current", None, "no reading yet"),
        ("power", None, "no reading yet"),
        ("velocity", None, "no reading yet"),
    ]
    assert [(i.state, i.readings, i.gaps) for i in snapshot.instruments] == [
        ("waiting", 0, 0)
    ] * 2
    assert [line.state for line in snapshot.slip] == ["to come"] * 2
    assert snapshot.clock.utc == "1985-04-12T23:20:50.520Z"


# ---- values and their age


def test_the_newest_reading_is_shown_under_its_channels(rehearsal: Rehearsal) -> None:
    rehearsal.read(0.01, 5.0)
    rehearsal.read(0.02, 7.5)
    current, power = channel(rehearsal, "current"), channel(rehearsal, "power")
    assert (current.value, power.value) == (0.02, 7.5)
    assert current.at_s == power.at_s == 1002.0
    assert current.condition == power.condition == "ok"
    assert (current.decimals, power.decimals) == (2, 1)
    assert (current.required, power.required) == (False, True)
    assert channel(rehearsal, "velocity").condition == "no reading yet"
    assert instrument(rehearsal, "meter").state == "ok"
    assert instrument(rehearsal, "meter").readings == 2


def test_a_value_that_is_no_number_is_overrange(rehearsal: Rehearsal) -> None:
    rehearsal.read(0.0, None)
    assert channel(rehearsal, "power").condition == "overrange"
    assert channel(rehearsal, "power").value is None
    assert channel(rehearsal, "current").condition == "ok"


@pytest.mark.parametrize(
    # Two and a half intervals, and two seconds at the least.
    ("name", "last_s"),
    [("meter", 2.5), ("anemometer", 2.0)],
)
def test_a_value_grows_old_and_its_instrument_silent(
    rehearsal: Rehearsal, computer: Computer, name: str, last_s: float
) -> None:
    values = (0.0, 0.0) if name == "meter" else (3.5,)
    rehearsal.take(Reading(name, rehearsal.clock.bench_s(), values))
    shown = "power" if name == "meter" else "velocity"
    computer.pass_s(last_s)
    assert channel(rehearsal, shown).condition == "ok"
    computer.pass_s(0.25)
    assert channel(rehearsal, shown).condition == "old"
    # The value stays, marked as what it is.
    assert channel(rehearsal, shown).value == values[-1]
    assert instrument(rehearsal, name).state == "silent"


def test_a_silent_instrument_tells_why_and_what_to_look_at(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    at_s = rehearsal.clock.bench_s()
    rehearsal.take(Gap("meter", at_s, GapReason.NO_REPLY, "no reply within 0.50 s"))
    line = instrument(rehearsal, "meter")
    assert (line.state, line.gaps) == ("silent", 1)
    assert line.text == "no reading yet: no reply"
    rehearsal.read(0.0, 0.0)
    assert instrument(rehearsal, "meter").state == "ok"
    computer.pass_s(30.0)
    rehearsal.take(Gap("meter", rehearsal.clock.bench_s(), GapReason.GARBLED))
    told = instrument(rehearsal, "meter").text
    assert told.startswith("no reading for 30 s: reply garbled; check its plug")


def test_a_demonstrations_fast_clock_does_not_make_values_old(
    bench: Bench, plan: Plan, computer: Computer
) -> None:
    rehearsal = Rehearsal(bench, plan, computer, clock=computer.clock(speed=12.0))
    rehearsal.take(Reading("meter", rehearsal.clock.bench_s(), (0.0, 0.0)))
    # Half a real second late is six bench seconds.
    computer.pass_s(0.5)
    assert channel(rehearsal, "power").condition == "ok"
    computer.pass_s(0.5)
    assert channel(rehearsal, "power").condition == "old"


def test_a_lost_line_is_news_once_and_so_is_its_return(rehearsal: Rehearsal) -> None:
    rehearsal.read(0.0, 0.0)
    lost = "port ports/meter: it went away"
    assert rehearsal.board.line_changed("meter", lost)
    assert not rehearsal.board.line_changed("meter", "port ports/meter: nothing there")
    assert instrument(rehearsal, "meter").state == "lost"
    assert instrument(rehearsal, "meter").text == "port ports/meter: nothing there"
    assert channel(rehearsal, "power").condition == "silent"
    assert instrument(rehearsal, "anemometer").state == "waiting"
    assert rehearsal.board.line_changed("meter", None)
    assert not rehearsal.board.line_changed("meter", None)
    rehearsal.read(0.0, 0.0)
    assert channel(rehearsal, "power").condition == "ok"


# ---- a trial


def test_a_trial_is_shown_from_switch_on_to_switch_off(rehearsal: Rehearsal) -> None:
    board = rehearsal.board
    rehearsal.stand_still()
    rehearsal.run_until(Stage.RUNNING_UP)
    trial = board.snapshot().trial
    assert trial is not None
    assert (trial.number, trial.started_s, trial.run_up_end_s) == (1, 1005.0, None)
    assert trial.window_s is None
    assert slip(rehearsal)[0].state == "running"
    rehearsal.run_until(Stage.AVERAGING)
    snapshot = board.snapshot()
    assert snapshot.stage.progress == 0.0
    assert snapshot.urgency == "wait"
    rehearsal.run_until(Stage.DONE)
    snapshot = board.snapshot()
    assert snapshot.instruction == "Done. Switch off."
    assert shown_session(rehearsal).done == 0
    assert snapshot.trial is not None
    assert snapshot.trial.confirmed
    window = snapshot.trial.window_s
    assert window is not None
    assert 1005.0 < window[0] < window[1] <= rehearsal.clock.bench_s()
    rehearsal.stand_still()
    snapshot = board.snapshot()
    assert snapshot.trial is None
    assert shown_session(rehearsal).done == 1
    assert snapshot.condition is not None
    assert snapshot.condition.name == "long lead"
    assert snapshot.instruction == "Fit the long lead, unrolled, then switch on."


def test_a_settled_trials_averages_stand_on_the_slip(rehearsal: Rehearsal) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.DONE)
    rehearsal.stand_still()
    done, to_come = slip(rehearsal)
    assert (done.state, to_come.state) == ("done", "to come")
    assert done.baseline
    assert not to_come.baseline
    assert done.note == "velocity: no average, readings are missing"
    power = done.averages["power"]
    # 1400 W with noise of 1 W over half a minute; 0.5 % of reading is the larger part: half width
    # 7 W of a rectangle, so u = 7/sqrt(3) and U = 1.96 u = 7.92 W (GUM 4.3.7, table G.2), to which
    # the scatter adds less than a tenth.
    assert power.mean == pytest.approx(1400.0, abs=1.0)
    assert 1.0 <= power.expanded_uncertainty / (1.96 * 7 / math.sqrt(3)) < 1.1
    assert (power.unit, power.decimals) == ("W", 1)
    assert "current" in done.averages
    # No reading of the anemometer, so no average.
    assert "velocity" not in done.averages


def test_a_trial_cut_short_is_asked_for_again(rehearsal: Rehearsal) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.SETTLING)
    rehearsal.stand_still()
    assert [line.state for line in slip(rehearsal)] == ["unfinished", "to come"]
    snapshot = rehearsal.board.snapshot()
    assert shown_session(rehearsal).done == 0
    assert snapshot.condition is not None
    assert snapshot.condition.name == "short lead"
    rehearsal.run_until(Stage.RUNNING_UP)
    assert slip(rehearsal)[0].state == "running"
    trial = rehearsal.board.snapshot().trial
    assert trial is not None
    assert trial.number == 2


def test_a_finished_session_says_so(rehearsal: Rehearsal) -> None:
    all_done(rehearsal)
    snapshot = rehearsal.board.snapshot()
    assert shown_session(rehearsal).state == "finished"
    assert shown_session(rehearsal).done == 2
    assert snapshot.condition is None
    assert snapshot.urgency == "normal"
    assert [line.state for line in snapshot.slip] == ["done", "done"]
    results = rehearsal.running.results
    assert [result.planned.position for result in results] == [1, 2]


def test_what_was_done_before_an_interruption_is_on_the_slip(
    bench: Bench, plan: Plan, computer: Computer
) -> None:
    order = plan.order(1)
    earlier = (
        TrialResult("a", order[0], 1, TrialState.UNFINISHED, 1.0, 2.0),
        TrialResult("b", order[0], 2, TrialState.NOT_SETTLED, 3.0, 9.0, note="too hot"),
    )
    start = rehearsed(plan, earlier=earlier)
    rehearsal = Rehearsal(bench, plan, computer, start=start)
    first = slip(rehearsal)[0]
    assert (first.state, first.note) == ("not settled", "too hot")
    rehearsal.stand_still()
    rehearsal.run_until(Stage.RUNNING_UP)
    snapshot = rehearsal.board.snapshot()
    assert snapshot.trial is not None
    assert snapshot.trial.number == 3
    assert snapshot.condition is not None
    assert snapshot.condition.position == 2


# ---- alarms and events


def test_a_broken_limit_alarms_until_the_machine_is_off(rehearsal: Rehearsal) -> None:
    over_a_limit(rehearsal)
    snapshot = rehearsal.board.snapshot()
    assert snapshot.urgency == "danger"
    assert snapshot.instruction == "A limit is broken. Switch off at the plug."
    (alarm,) = snapshot.alarms
    assert alarm.text.startswith(
        "Current 14.00 A is above 13.00 A (rating of the plug)"
    )
    assert alarm.text.endswith("Switch off at the plug.")
    # Broken three seconds ago, as the plan allows.
    assert rehearsal.clock.bench_s() - alarm.since_s == 3.0
    rehearsal.stand_still()
    assert rehearsal.board.snapshot().alarms == ()
    assert slip(rehearsal)[0].state == "limit broken"
    assert (slip(rehearsal)[0].note or "").startswith("current broke its limit: ")


def test_a_standing_alarm_shows_the_newest_value_and_for_how_long(
    rehearsal: Rehearsal,
) -> None:
    over_a_limit(rehearsal)
    for _ in range(10):
        rehearsal.read(15.0, 1400.0)
    (alarm,) = rehearsal.board.snapshot().alarms
    # The limit allows 3 s; ten more have passed.
    assert alarm.text.startswith("Current 15.00 A is above 13.00 A")
    assert "for 13 s." in alarm.text


def test_a_machine_that_nobody_switches_off_alarms(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.DONE)
    assert rehearsal.board.snapshot().alarms == ()
    computer.pass_s(300.0)
    rehearsal.tick()
    snapshot = rehearsal.board.snapshot()
    assert snapshot.urgency == "danger"
    # Nothing was read meanwhile either, and that is alarmed of too.
    alarm, _ = snapshot.alarms
    assert "longer than the plan's 300 s" in alarm.text
    # Switched on at 1005 s.
    assert alarm.since_s == 1305.0


def test_a_failing_store_alarms_since_it_fails(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.board.store = PartLine("failing", "bench.db: the disk is full.")
    began_s = rehearsal.clock.bench_s()
    for _ in range(2):
        snapshot = rehearsal.board.snapshot()
        (alarm,) = snapshot.alarms
        assert (alarm.text, alarm.since_s) == ("bench.db: the disk is full.", began_s)
        assert snapshot.store.state == "failing"
        computer.pass_s(5.0)
    rehearsal.board.store = PartLine("ok", "")
    assert rehearsal.board.snapshot().alarms == ()


def test_events_are_shown_newest_first_and_at_most_fifty(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    for number in range(60):
        rehearsal.board.event(f"event {number}", rehearsal.clock.bench_s())
        computer.pass_s(1.0)
    events = rehearsal.board.snapshot().events
    assert [event.text for event in events] == [f"event {n}" for n in range(59, 9, -1)]
    # 59 s after 23:20:50.52.
    assert (events[0].utc, events[0].at_s) == ("1985-04-12T23:21:49.520Z", 1059.0)


# ---- charts


def trace(rehearsal: Rehearsal) -> dict[str, dict[str, list[float | None]]]:
    shown = json.loads(
        "".join(rehearsal.board.trace_json()), parse_constant=pytest.fail
    )
    assert shown["format"] == 1
    channels: dict[str, dict[str, list[float | None]]] = shown["channels"]
    return channels


def test_the_charts_get_every_recent_reading_and_a_hole_for_what_is_none(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.read(0.0, 5.0)
    rehearsal.read(0.0, None)
    rehearsal.read(0.25, 6.0)
    assert trace(rehearsal) == {
        "current": {"t": [1001.0, 1002.0, 1003.0], "v": [0.0, 0.0, 0.25]},
        "power": {"t": [1001.0, 1002.0, 1003.0], "v": [5.0, None, 6.0]},
        "velocity": {"t": [], "v": []},
    }


def test_the_charts_forget_what_is_older_than_a_quarter_of_an_hour(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    rehearsal.read(0.0, 5.0)
    computer.pass_s(899.0)
    rehearsal.read(0.0, 6.0)
    assert trace(rehearsal)["power"]["v"] == [5.0, 6.0]
    rehearsal.read(0.0, 7.0)
    assert trace(rehearsal)["power"]["v"] == [6.0, 7.0]


# ---- an idle bench


def test_an_idle_bench_shows_its_meters_and_calls_for_nothing(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.read(0.0, 5.0)
    rehearsal.board.close()
    snapshot = rehearsal.board.snapshot()
    shown: dict[str, Any] = json.loads(snapshot.as_json(), parse_constant=pytest.fail)
    assert set(shown) == set(KEYS[""].split())
    assert snapshot.stage.name == "idle"
    assert (snapshot.session, snapshot.condition, snapshot.trial) == (None, None, None)
    assert (snapshot.plan, snapshot.machine, snapshot.slip) == ("", "", ())
    assert snapshot.urgency == "wait"
    power = channel(rehearsal, "power")
    assert (power.value, power.condition, power.required) == (5.0, "ok", False)
    assert json.loads("".join(rehearsal.board.funnel_json()))["channels"] == {}


def test_a_session_that_is_taken_in_hand_again_is_shown_as_it_was(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.DONE)
    rehearsal.stand_still()
    before = rehearsal.board.snapshot()
    rehearsal.board.close()
    rehearsal.board.open(rehearsal.running.lines)
    assert rehearsal.board.snapshot() == before


def test_alarms_of_a_session_go_with_it_and_those_of_the_store_stay(
    rehearsal: Rehearsal,
) -> None:
    over_a_limit(rehearsal)
    rehearsal.board.store = PartLine("failing", "bench.db: the disk is full.")
    rehearsal.board.lead_warning = AlarmLine("Another lead seems to be fitted.", 1.0)
    assert len(rehearsal.board.snapshot().alarms) == 3
    rehearsal.board.close()
    left_running, alarm = rehearsal.board.snapshot().alarms
    assert "nothing watches its limits" in left_running.text
    assert alarm.text == "bench.db: the disk is full."


def test_the_funnel_grows_with_the_trial_and_begins_anew_with_the_next(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.stand_still()
    rehearsal.run_until(Stage.SETTLING)
    news = []
    while rehearsal.session.stage is not Stage.DONE:
        rehearsal.read(6.0, 1400.0)
        news += rehearsal.running.lines.funnel_news()
    assert {point.channel for point in news} == {"power"}
    shown = json.loads("".join(rehearsal.board.funnel_json()))["channels"]["power"]
    assert shown["t"] == [round(point.at_s, 3) for point in news]
    assert len(shown["t"]) == len(set(shown["t"])) > 5
    rehearsal.stand_still()
    rehearsal.run_until(Stage.RUNNING_UP)
    assert json.loads("".join(rehearsal.board.funnel_json()))["channels"] == {}
