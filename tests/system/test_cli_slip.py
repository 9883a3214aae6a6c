"""The live slip by itself: what is drawn of hand-made snapshots, when the bell rings, what a lost terminal does."""

import asyncio
import dataclasses
import io
import os
import re
from collections.abc import Iterator

import pytest

from daq.alarm_words import lost_meter_text
from daq.cli.slip import SlipDisplay
from daq.runtime.display import Key, Outcome, Told
from daq.runtime.snapshot import (
    AlarmLine,
    ChannelLine,
    ClockLine,
    ConditionLine,
    EventLine,
    InstrumentLine,
    PartLine,
    SessionLine,
    SlipLine,
    Snapshot,
    StageLine,
    TrialLine,
)
from tests.runtime.waiting import until
from tests.system.keyed_terminal import Terminal

BELL = "\a"
POWER = ChannelLine(
    name="power",
    title="Power",
    quantity="power",
    unit="W",
    place="",
    decimals=1,
    required=True,
    instrument="meter",
    interval_s=1.0,
    value=1234.5,
    at_s=1.0,
    condition="ok",
    holding_back=None,
    mean=None,
    expanded_uncertainty=None,
)


def slip_line(position: int, present: int) -> SlipLine:
    state = "done" if position < present else "to come"
    state = "running" if position == present else state
    return SlipLine(position, f"lead {position}", 1, position == 1, state, {}, None)


def snapshot(stage: str, *, trials: int = 2, present: int = 1) -> Snapshot:
    """A session of some trials, one of them in hand; none is where the number is beyond them."""
    condition = ConditionLine(f"lead {present}", 1, present)
    return Snapshot(
        format=1,
        bench="bench",
        plan="plan",
        machine="Blower",
        clock=ClockLine(1.0, "2026-01-05T10:00:00.000Z", 1.0),
        session=SessionLine(1, "running", present - 1, trials),
        stage=StageLine(stage, 1.0, None, None, "", "The sentence of the stage."),
        instruction="Keep it running.",
        urgency="wait",
        condition=condition if present <= trials else None,
        trial=None,
        channels=(POWER,),
        slip=tuple(slip_line(n, present) for n in range(1, trials + 1)),
        instruments=(),
        store=PartLine("ok", ""),
        broker=PartLine("ok", ""),
        alarms=(),
        events=tuple(
            EventLine("2026-01-05T10:00:00.000Z", 1.0, f"event {n}")
            for n in range(1, 7)
        ),
    )


OUTCOME = Outcome(session=1, order=(), results=(), stopped_by=None)


class Screen(io.StringIO):
    """A terminal of which only what is written counts."""

    def isatty(self) -> bool:
        return True

    def newest(self) -> list[str]:
        """Lines of the newest drawing, without control sequences."""
        text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]|\r", "", self.getvalue())
        self.seek(0)
        self.truncate()
        return text.split("\n")


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Screen:
    for name, value in (("COLUMNS", "100"), ("LINES", "24"), ("TERM", "xterm")):
        monkeypatch.setenv(name, value)
    return Screen()


@pytest.fixture
def display(screen: Screen) -> Iterator[SlipDisplay]:
    with SlipDisplay(screen, bench="bench.toml") as display:
        yield display


# ---- meters that are lost


def lost(*names: str, alarmed: bool = True) -> Snapshot:
    """Meters of which nothing is heard; alarms tell so while the machine runs."""
    why = {name: f"port ports/{name}: nothing is there" for name in names}
    alarms = [AlarmLine(lost_meter_text(name, why[name]), 1.0) for name in names]
    return dataclasses.replace(
        snapshot("settling", trials=3),
        instruments=tuple(InstrumentLine(n, "", "lost", why[n], 1, 0) for n in names),
        alarms=tuple(alarms) if alarmed else (),
    )


def test_a_lost_meter_is_told_once(display: SlipDisplay, screen: Screen) -> None:
    lines = drawn(display, screen, lost("mains"))
    assert sum("nothing is there" in line for line in lines) == 1
    lines = drawn(display, screen, lost("mains", alarmed=False))
    assert any("! mains: port ports/mains: nothing is there" in line for line in lines)


def test_three_lost_meters_leave_the_line_in_hand_on_the_screen(
    display: SlipDisplay, screen: Screen
) -> None:
    lines = drawn(display, screen, lost("mains", "outlet", "air"))
    assert any(line.startswith("lead 1") and "running" in line for line in lines)


# ---- the keys


def test_of_a_session_that_is_not_there_the_keys_promise_nothing(
    display: SlipDisplay, screen: Screen
) -> None:
    assert "the session can go on later" in keys(display, screen, snapshot("waiting"))
    idle = dataclasses.replace(snapshot("idle"), session=None, slip=(), condition=None)
    said = keys(display, screen, idle)
    assert "Ctrl-C: stop the service" in said
    assert "session" not in said
    over = dataclasses.replace(snapshot("finished"), session=SessionLine(1, "finished", 2, 2))  # fmt: skip
    assert "later" not in keys(display, screen, over)


def keys(display: SlipDisplay, screen: Screen, shown: Snapshot) -> str:
    (line,) = [x for x in drawn(display, screen, shown) if "Ctrl-C" in x]
    return line


# ---- the bell


@pytest.mark.parametrize("stage", ["done", "not-settled", "limit", "finished"])
def test_the_bell_rings_once_when_the_operator_has_to_come(
    display: SlipDisplay, screen: Screen, stage: str
) -> None:
    display.show(snapshot("averaging"))
    assert BELL not in screen.getvalue()
    display.show(snapshot(stage))
    display.show(snapshot(stage))
    assert screen.getvalue().count(BELL) == 1


def test_a_stage_that_needs_nobody_rings_no_bell(
    display: SlipDisplay, screen: Screen
) -> None:
    for stage in ("waiting", "running-up", "settling", "averaging"):
        display.show(snapshot(stage))
    assert BELL not in screen.getvalue()


# ---- more trials than lines


def test_the_bell_rings_for_each_new_alarm_and_not_for_its_figures(
    display: SlipDisplay, screen: Screen
) -> None:
    quiet = snapshot("settling")
    hot = dataclasses.replace(quiet, alarms=(AlarmLine("It has 81.2 °C.", 1.0),))
    hotter = dataclasses.replace(quiet, alarms=(AlarmLine("It has 83.4 °C.", 1.0),))
    late = dataclasses.replace(quiet, alarms=(*hotter.alarms, AlarmLine("Late.", 2.0)))
    rung = []
    for shown in (quiet, hot, hotter, late, hotter, quiet, hot):
        before = screen.getvalue().count(BELL)
        display.show(shown)
        rung.append(screen.getvalue().count(BELL) - before)
    assert rung == [0, 1, 0, 1, 0, 0, 1]


def drawn(display: SlipDisplay, screen: Screen, shown: Snapshot) -> list[str]:
    screen.newest()
    display.show(shown)
    return screen.newest()


@pytest.mark.parametrize(
    ("window_s", "confirmed", "told"),
    [
        (None, False, "running"),
        ((10.0, 20.0), False, "averaging, provisional"),
        ((10.0, 20.0), True, "settled, still running"),
    ],
)
def test_the_line_in_hand_is_called_settled_as_soon_as_the_headline_says_switch_off(
    display: SlipDisplay,
    screen: Screen,
    window_s: tuple[float, float] | None,
    told: str,
    *,
    confirmed: bool,
) -> None:
    trial = TrialLine(1, 0.0, 5.0, window_s, confirmed)
    shown = dataclasses.replace(snapshot("done"), trial=trial)
    (line,) = (x for x in drawn(display, screen, shown) if x.startswith("lead 1 "))
    assert line.rstrip().endswith(f"  {told}")


@pytest.mark.parametrize("columns", [60, 90, 110, 120, 130, 200])
def test_the_state_of_the_present_line_is_never_cut(
    screen: Screen, monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    others = [
        dataclasses.replace(POWER, name=title, title=title, required=False)
        for title in ("Supply voltage", "Machine voltage", "Current", "Air temperature")
    ]
    trial = TrialLine(1, 0.0, 5.0, (10.0, 20.0), confirmed=False)
    shown = dataclasses.replace(
        snapshot("averaging"), channels=(POWER, *others), trial=trial
    )
    with SlipDisplay(screen, bench="bench.toml") as display:
        lines = drawn(display, screen, shown)
    (present,) = (line for line in lines if line.startswith("lead 1"))
    assert present.rstrip().endswith("  averaging, provisional")
    # All of it, or what a trial waits for.
    (head,) = (line for line in lines if line.startswith("condition"))
    assert ("Air temperature / W" in head) is (columns >= 130)


def leads(lines: list[str]) -> list[int]:
    return [int(m[1]) for line in lines if (m := re.match(r"lead (\d+) ", line))]


def test_a_slip_that_fits_is_shown_whole(display: SlipDisplay, screen: Screen) -> None:
    lines = drawn(display, screen, snapshot("averaging", trials=6))
    assert leads(lines) == [1, 2, 3, 4, 5, 6]
    assert not any("more above" in line for line in lines)


@pytest.mark.parametrize("present", [1, 2, 10, 19, 20, 21])
def test_of_a_long_slip_the_stretch_around_the_present_line_is_shown(
    display: SlipDisplay, screen: Screen, present: int
) -> None:
    lines = drawn(display, screen, snapshot("averaging", trials=20, present=present))
    assert len(lines) <= 24
    assert any("Keep it running." in line for line in lines)
    assert any("Ctrl-C: stop" in line for line in lines)
    assert any("event 1" in line for line in lines)
    seen = leads(lines)
    assert min(present, 20) in seen
    assert seen == list(range(seen[0], seen[-1] + 1))
    assert len(seen) >= 5
    (told,) = [line for line in lines if "more above" in line]
    assert told == f"{seen[0] - 1} more above, {20 - seen[-1]} more below"


def test_events_give_way_to_the_slip(display: SlipDisplay, screen: Screen) -> None:
    few, more = (
        drawn(display, screen, snapshot("averaging", trials=n)) for n in (2, 8)
    )
    assert sum("event" in line for line in few) == 4
    assert sum("event" in line for line in more) < 4
    assert leads(more) == list(range(1, 9))
    assert len(more) <= 24


def test_on_a_terminal_that_is_far_too_low_the_instruction_is_still_there(
    monkeypatch: pytest.MonkeyPatch, screen: Screen
) -> None:
    monkeypatch.setenv("LINES", "8")
    with SlipDisplay(screen, bench="bench.toml") as display:
        lines = drawn(display, screen, snapshot("averaging", trials=3, present=2))
    assert any("Keep it running." in line for line in lines)


def test_at_the_end_the_whole_slip_is_left_standing(screen: Screen) -> None:
    with SlipDisplay(screen, bench="bench.toml") as display:
        display.show(snapshot("finished", trials=30, present=31))
    screen.newest()
    display.finished(OUTCOME)
    assert leads(screen.newest()) == list(range(1, 31))


# ---- a terminal that goes away


@pytest.mark.pty
async def test_a_terminal_that_went_away_is_read_once_and_never_again(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    pressed: list[Told] = []
    ends: list[bytes] = []
    read = os.read

    def counted(descriptor: int, most: int) -> bytes:
        data = b""
        try:
            data = read(descriptor, most)
        finally:
            if descriptor == terminal.stdin.fileno() and not data:
                ends.append(data)
        return data

    monkeypatch.setattr(os, "read", counted)
    with SlipDisplay(terminal.stdout, bench="bench.toml") as display:
        display.attach(pressed.append)
        terminal.type(b"a\r?")
        await until(lambda: pressed == [Key.ACKNOWLEDGED, Key.SWITCHED])
        terminal.hang_up()
        await until(lambda: bool(ends))
        for _ in range(20):
            # A descriptor that is still watched would be read at each turn.
            await asyncio.sleep(0)
    assert len(ends) == 1


@pytest.mark.pty
async def test_a_session_goes_on_when_its_terminal_has_gone(terminal: Terminal) -> None:
    with SlipDisplay(terminal.stdout, bench="bench.toml") as display:
        display.attach(lambda _: None)
        display.show(snapshot("averaging"))
        terminal.hang_up()
        display.show(snapshot("done"))
        display.show(snapshot("waiting"))
    display.finished(OUTCOME)
    # What a program says at its end goes nowhere.
    terminal.stdout.write("Results are in bench.db\n")
    terminal.stdout.flush()
