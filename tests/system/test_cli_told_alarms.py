"""Alarms where there is only a log: each is told once with its time, and once that it is over."""

import dataclasses
import io

import pytest

from daq.alarm_words import (
    LEFT_RUNNING_TEXT,
    SEEN_RUNNING_TEXT,
    lost_meter_text,
    overdue_text,
)
from daq.answer_words import stopped_answer
from daq.cli.screens import PlainDisplay
from daq.runtime.snapshot import AlarmLine, EventLine, Snapshot
from tests.system.test_cli_time_left import snapshot

RUNNING = snapshot("settling", None, "Keep it running.")
UTC = RUNNING.clock.utc
CURRENT = (
    "Current {:.1f} A is above 13.0 A (rating of the plug), for {} s."
    " Something may overheat. Switch off at the plug."
)


class Log:
    """What a plain display has written, but for the instruction."""

    def __init__(self) -> None:
        self._stream = io.StringIO()
        self._display = PlainDisplay(self._stream, bench="bench.toml")
        self.shows()

    def shows(self, *alarms: AlarmLine, shown: Snapshot = RUNNING) -> list[str]:
        """What is new in it once this is shown."""
        before = len(self._stream.getvalue())
        self._display.show(dataclasses.replace(shown, alarms=alarms))
        return self._stream.getvalue()[before:].splitlines()

    def happens(self, *events: EventLine) -> None:
        """These happened since what is shown now was."""
        for event in events:
            self._display.event(event)


@pytest.fixture
def log() -> Log:
    return Log()


def broken(amperes: float, seconds: int) -> AlarmLine:
    return AlarmLine(CURRENT.format(amperes, seconds), 100.0)


def test_a_log_tells_an_alarm_whole_once_it_begins_and_once_it_is_over(
    log: Log,
) -> None:
    assert log.shows(broken(13.4, 3)) == [
        f"{UTC}  Alarm: Current 13.4 A is above 13.0 A (rating of the plug), for 3 s."
        " Something may overheat. Switch off at the plug."
    ]
    for seconds, amperes in enumerate((13.5, 13.6, 14.0), start=4):
        assert log.shows(broken(amperes, seconds)) == []
    assert log.shows() == [
        f"{UTC}  Alarm over: Current 14.0 A is above 13.0 A (rating of the plug), for 6 s."
    ]
    assert log.shows() == []


def test_an_alarm_that_comes_again_is_told_again(log: Log) -> None:
    first = log.shows(broken(13.4, 3))
    log.shows()
    assert log.shows(broken(13.4, 3)) == first


def test_an_alarm_that_changes_by_more_than_its_figures_is_told_again_and_is_not_over(
    log: Log,
) -> None:
    def lost(why: str) -> AlarmLine:
        return AlarmLine(lost_meter_text("meter", why), 100.0)

    log.shows(lost("no reading for 4 s: no reply"))
    assert log.shows(lost("no reading for 5 s: no reply")) == []
    text = lost_meter_text("meter", "its port is gone")
    assert log.shows(lost("its port is gone")) == [f"{UTC}  Alarm: {text}"]


def test_an_alarm_is_told_before_the_instruction_that_it_changes(log: Log) -> None:
    limit = snapshot("limit", None, "A limit is broken. Switch off at the plug.")
    alarm, instruction = log.shows(broken(13.4, 3), shown=limit)
    assert alarm.startswith(f"{UTC}  Alarm: Current 13.4 A")
    assert instruction == f"{UTC}  {limit.instruction}"


def test_alarms_of_two_meters_that_differ_in_a_figure_only_are_two(log: Log) -> None:
    def lost(number: int, since_s: float) -> AlarmLine:
        return AlarmLine(lost_meter_text(f"meter {number}", "no reply"), since_s)

    log.shows(lost(1, 100.0))
    (begun,) = log.shows(lost(1, 100.0), lost(2, 110.0))
    assert begun.startswith(f"{UTC}  Alarm: meter 2 is not heard")
    (over,) = log.shows(lost(2, 110.0))
    assert over.startswith(f"{UTC}  Alarm over: meter 1 is not heard")


def test_one_alarm_does_not_hide_another(log: Log) -> None:
    log.shows(broken(13.4, 3))
    overdue = AlarmLine(overdue_text(900.0), 100.0)
    begun, *rest = log.shows(broken(13.5, 4), overdue)
    assert (begun, rest) == (f"{UTC}  Alarm: {overdue.text}", [])


def test_instructions_that_differ_in_a_time_of_the_plans_are_two(log: Log) -> None:
    cool = "Let it cool for {} s, then fit the thin lead, then switch on."
    for seconds in (300, 600):
        words = cool.format(seconds)
        assert log.shows(shown=snapshot("waiting", None, words)) == [f"{UTC}  {words}"]


def test_a_meter_lost_for_two_reasons_in_turn_is_told_once_with_each(log: Log) -> None:
    def lost(why: str) -> AlarmLine:
        return AlarmLine(lost_meter_text("meter", why), 100.0)

    silent, broken_reply = lost("no reply within 0.50 s"), lost("a reply was cut short")
    told = [line for _ in range(5) for each in (silent, broken_reply) for line in log.shows(each)]  # fmt: skip
    assert told == [f"{UTC}  Alarm: {each.text}" for each in (silent, broken_reply)]
    (over,) = log.shows()
    assert over.startswith(f"{UTC}  Alarm over: meter is not heard")
    assert log.shows(silent) == [f"{UTC}  Alarm: {silent.text}"]


def test_of_two_alarms_since_one_moment_each_is_told_when_it_comes_again(
    log: Log,
) -> None:
    current, velocity = broken(13.4, 3), AlarmLine("Current of the fan is lost.", 100.0)
    log.shows(current, velocity)
    log.shows(velocity)
    assert log.shows(current, velocity) == [f"{UTC}  Alarm: {current.text}"]


def test_an_event_that_an_alarm_tells_is_not_told_as_well(log: Log) -> None:
    seen = AlarmLine(SEEN_RUNNING_TEXT, 100.0)
    event = EventLine(UTC, 100.0, SEEN_RUNNING_TEXT)
    other = EventLine(UTC, 100.0, "meter: it answers again.")
    log.happens(event, other)
    assert log.shows(seen) == [
        f"{UTC}  meter: it answers again.",
        f"{UTC}  Alarm: {SEEN_RUNNING_TEXT}",
    ]


def test_a_stop_that_leaves_the_machine_running_tells_of_it_once(log: Log) -> None:
    stopped = stopped_answer(7)
    log.happens(EventLine(UTC, 100.0, f"{stopped} {LEFT_RUNNING_TEXT}"))
    assert log.shows(AlarmLine(LEFT_RUNNING_TEXT, 100.0)) == [
        f"{UTC}  {stopped}",
        f"{UTC}  Alarm: {LEFT_RUNNING_TEXT}",
    ]


def test_an_event_of_an_alarm_that_is_over_already_is_told(log: Log) -> None:
    log.happens(EventLine(UTC, 100.0, SEEN_RUNNING_TEXT))
    assert log.shows() == [f"{UTC}  {SEEN_RUNNING_TEXT}"]
