"""How much longer a trial takes, on the terminal: drawn in place, and told once where there is only a log."""

import dataclasses
import io
import re
from collections.abc import Iterator

import pytest

from daq.cli.screens import PlainDisplay
from daq.cli.slip import SlipDisplay
from daq.runtime.snapshot import (
    ClockLine,
    PartLine,
    SessionLine,
    SlipLine,
    Snapshot,
    StageLine,
)
from daq.wording import time_left

LINE = SlipLine(1, "fine filter", 1, baseline=True, state="running", averages={}, note=None)  # fmt: skip


def snapshot(stage: str, seconds_left: float | None, instruction: str) -> Snapshot:
    words = "" if seconds_left is None else time_left(seconds_left)
    return Snapshot(
        format=1,
        bench="bench",
        plan="plan",
        machine="Blower",
        clock=ClockLine(1.0, "2026-01-05T10:00:00.000Z", 1.0),
        session=SessionLine(1, "running", 0, 1),
        stage=StageLine(stage, 1.0, None, seconds_left, words, "What happens."),
        instruction=instruction,
        urgency="wait",
        condition=None,
        trial=None,
        channels=(),
        slip=(LINE,),
        instruments=(),
        store=PartLine("ok", ""),
        broker=PartLine("ok", ""),
        alarms=(),
        events=(),
    )


def counting(stage: str, *seconds: float) -> Iterator[Snapshot]:
    """What is shown while the time that was told passes."""
    for left_s in seconds:
        ready = "" if left_s else "ready "
        words = f"Keep it running, {ready}{time_left(left_s)}."
        shown = snapshot(stage, left_s, words)
        clock = dataclasses.replace(shown.clock, now_s=seconds[0] - left_s)
        yield dataclasses.replace(shown, clock=clock)


class Screen(io.StringIO):
    """A terminal of which only what is written counts."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Screen:
    for name, value in (("COLUMNS", "80"), ("LINES", "24"), ("TERM", "xterm")):
        monkeypatch.setenv(name, value)
    return Screen()


def test_the_live_slip_shows_each_figure_in_its_place(screen: Screen) -> None:
    with SlipDisplay(screen, bench="bench.toml") as display:
        for shown in counting("averaging", 210.0, 90.0, 40.0):
            display.show(shown)
    drawn = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]|\r", "", screen.getvalue())
    told = re.findall(r"Keep it running, about (\S+ \w+) more\.", drawn)
    # The last picture is drawn once more when the display ends.
    assert list(dict.fromkeys(told)) == ["3½ min", "1½ min", "40 s"]


def test_the_pages_address_is_not_cut_off_by_what_else_there_is_to_say(
    screen: Screen,
) -> None:
    address = "http://127.0.0.1:8765/"
    with SlipDisplay(screen, bench="bench.toml") as display:
        display.started(page_url=address, broker="", words="Session 1 begins. " * 9)
        display.show(snapshot("waiting", None, "Fit the fine filter, then switch on."))
    assert address in screen.getvalue()


def test_a_log_gets_a_line_when_the_stage_changes_and_none_for_the_count() -> None:
    stream = io.StringIO()
    display = PlainDisplay(stream, bench="bench.toml")
    display.show(snapshot("running-up", None, "Keep it running."))
    display.show(snapshot("settling", None, "Keep it running."))
    for shown in counting("settling", 210.0, 180.0, 75.0):
        display.show(shown)
    for shown in counting("averaging", 60.0, 55.0, 5.0, 0.0):
        display.show(shown)
    display.show(snapshot("done", None, "Done. Switch off."))
    lines = [line.split("  ", 1)[1] for line in stream.getvalue().splitlines()]
    assert lines == [
        "Keep it running.",
        "Keep it running, about 1 min more.",
        "Done. Switch off.",
    ]


def test_a_log_is_told_anew_how_long_it_takes_where_that_was_far_off() -> None:
    stream = io.StringIO()
    display = PlainDisplay(stream, bench="bench.toml")
    # Told 60 s at 0 s; at 30 s still 60 s, which is 30 s off and no more than half; at 40 s three minutes.
    for now_s, left_s in ((0.0, 60.0), (30.0, 60.0), (40.0, 180.0), (50.0, 170.0)):
        (shown,) = counting("settling", left_s)
        clock = dataclasses.replace(shown.clock, now_s=now_s)
        display.show(dataclasses.replace(shown, clock=clock))
    lines = [line.split("  ", 1)[1] for line in stream.getvalue().splitlines()]
    assert lines == [
        "Keep it running, about 1 min more.",
        "Keep it running, about 3 min more.",
    ]


def test_an_instruction_that_comes_back_is_told_again() -> None:
    stream = io.StringIO()
    display = PlainDisplay(stream, bench="bench.toml")
    silent = "Power: its meter has been silent for 9 s. Check its plug."
    running = snapshot("settling", 40.0, "Keep it running, about 40 s more.")
    for shown in (running, dataclasses.replace(running, instruction=silent), running):
        display.show(shown)
    assert len(stream.getvalue().splitlines()) == 3
