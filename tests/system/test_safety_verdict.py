"""The campaign of alarms passes only what came after its cause, in time, and all of it."""

import threading
from collections.abc import Iterator
from typing import Any

import pytest

from tests.campaigns import safety
from tests.campaigns.safety import lost_meter, overdue
from tests.campaigns.safety_bench import Ear, Screen
from tests.campaigns.safety_verdict import (
    _MEASURED,
    INTERVAL_S,
    POLLS,
    REDRAWN_WITHIN_S,
    Delay,
    told_within_s,
    unmeasured,
)

ROUND = [Delay(what, where, 0.4, 2.0) for what, places in _MEASURED for where in places]


@pytest.mark.parametrize(
    ("delay_s", "verdict"),
    [
        (0.0, "in time"),
        (2.0, "in time"),
        # The two ways on which cause and alarm are seen are two sockets.
        (-0.01, "in time"),
        (2.01, "LATE"),
        (float("inf"), "LATE"),
        (float("nan"), "LATE"),
        (-30.0, "BEFORE ITS CAUSE"),
        (-0.1, "BEFORE ITS CAUSE"),
    ],
)
def test_a_delay_is_in_time_where_it_is_neither_long_nor_before_its_cause(
    delay_s: float, verdict: str
) -> None:
    delay = Delay("time", "page", delay_s, 2.0)
    assert delay.cells[-1] == verdict
    assert (delay.is_late or delay.is_early) is (verdict != "in time")


def test_a_round_with_everything_is_all_that_was_asked_for() -> None:
    assert [*unmeasured(ROUND, rounds=1)] == []
    assert len([*unmeasured(ROUND, rounds=2)]) == len(ROUND)
    assert [*unmeasured(ROUND[1:], rounds=1)] == ["current above its limit, page: 0 of 1"]  # fmt: skip
    assert len([*unmeasured([], rounds=1)]) == len(ROUND)


# ---- the campaign itself


class Heard:
    """A bench on which all has come that ever will, and a machine that nobody pulls a plug of."""

    def __init__(self, alarm: str) -> None:
        self.speed = 1.0
        self.simulators = self.bench = self
        self.stream = self.subscriber = self.screen = self
        self._alarm = alarm
        self._ear = Ear()
        self._ear.take("state", {"alarms": [{"text": alarm}]})
        # It came half a minute ago.
        (at_s, name, told), *_ = self._ear._arrived
        self._ear._arrived = [(at_s - 30.0, name, told)]

    def say(self, _words: str) -> None:
        """Nothing comes of it."""

    def state(self) -> dict[str, Any]:
        """The time was up two seconds before the alarm came."""
        alarm = {"text": self._alarm, "since_s": 68.0}
        return {"clock": {"now_s": 100.0}, "alarms": [alarm]}

    def find(self, wanted: Any, *, since_s: float = 0.0) -> float:
        return self._ear.find(wanted, since_s=since_s)

    def find_drawn(self, _words: str) -> float:
        return self._ear.find(lambda name, _: name == "state")


def test_an_alarm_from_before_the_plug_was_pulled_is_none_about_it() -> None:
    bench: Any = Heard("anemometer is not heard while the machine runs")
    assert [each.is_early for each in lost_meter(bench)] == [True] * 3


def test_the_time_is_told_on_the_terminal_within_two_polls_and_a_drawing() -> None:
    bench: Any = Heard("nobody switched it off")
    told = {each.where: each for each in overdue(bench)}
    assert told["terminal"].at_most_s == POLLS * INTERVAL_S + REDRAWN_WITHIN_S
    assert told["page"].at_most_s == told_within_s(1.0) == POLLS * INTERVAL_S
    assert told_within_s(100.0) < POLLS * INTERVAL_S
    assert told["terminal"].delay_s == pytest.approx(2.0, abs=0.2)


class Drawing:
    """A terminal that is drawn on."""

    def __init__(self) -> None:
        self.drawn = b""


def test_what_was_drawn_is_found_with_the_moment_at_which_it_came() -> None:
    terminal: Any = Drawing()
    screen = Screen(terminal)
    try:
        terminal.drawn += b"\x1b[HPower has run lon"
        first_s = screen.find(lambda _name, _size: True)
        threading.Timer(0.05, _draw, [terminal, b"ger than"]).start()
        at_s = screen.find_drawn("has run longer")
        assert at_s - first_s >= 0.04
        # Found again, it is as old as before.
        assert screen.find_drawn("has run longer") == at_s
    finally:
        screen.close()


def _draw(terminal: Drawing, more: bytes) -> None:
    terminal.drawn += more


def run(monkeypatch: pytest.MonkeyPatch, delays: list[Delay], *words: str) -> int:
    def one_round(_speed: float) -> Iterator[Delay]:
        yield from delays

    monkeypatch.setattr(safety, "_round", one_round)
    monkeypatch.setattr("sys.argv", ["safety.py", *words])
    return safety.main()


def test_a_campaign_with_an_alarm_before_its_cause_or_without_one_is_not_passed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, ROUND) == 0
    early = Delay("time", "page", -30.0, 2.0)
    assert run(monkeypatch, [*ROUND, early]) == 1
    assert "BEFORE ITS CAUSE" in capsys.readouterr().out
    assert run(monkeypatch, ROUND[1:]) == 1
    told = capsys.readouterr().out
    assert "NOT MEASURED: current above its limit, page: 0 of 1" in told


@pytest.mark.parametrize("words", [("--rounds", "0"), ("--speed", "0")])
def test_nothing_at_all_is_a_wrong_argument(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, str],
) -> None:
    with pytest.raises(SystemExit) as ended:
        run(monkeypatch, [], *words)
    assert ended.value.code == 2
    assert f"argument {words[0]}: must be" in capsys.readouterr().err
