"""`check_bench`: what is heard of each meter in some seconds, and what is wrong with it, in words; `read_instruments`."""

import contextlib
from collections.abc import Mapping
from typing import Any

import pytest

from daq.config.bench import Bench, PortSettings
from daq.errors import PortAbsentError, PortBusyError
from daq.records import Reading
from daq.runtime.checking import InstrumentCheck, check_bench, read_instruments
from daq.runtime.clock import Clock
from daq.runtime.ports import Port
from tests.runtime.moved_time import Line, MovedTime, Say

SECONDS = 8.0
REPLY_S = 0.05
CHAR_S = 10 / 9600
"""Default line of a profile: 9600 bit/s, start bit, eight bits, stop bit."""
LOOK_S = 0.125
"""An eighth of the second in which the mains meter is said to refresh."""
WORST_S = 1.0
"""Worst reply time of a meter that is asked for lines, unless its profile says otherwise: at first the line is drained."""


def says(text: str) -> Say:
    """A meter that answers with that, 50 ms after the request came."""
    return lambda _number, _request: [(REPLY_S, text.encode())]


SOUND = says("6.00,1400.0\n")
SILENT = says("")


def every(count: int, spoiled: Say) -> Say:
    """Every so-manieth reply is spoiled."""
    return lambda n, request: (spoiled if n % count == 0 else SOUND)(n, request)


class Talker(Line):
    """A meter that says the same line twice a second."""

    def __init__(self, loop: MovedTime, said: bytes) -> None:
        super().__init__(loop, SILENT)
        self._talk_loop = loop
        self._said = said

    async def open(self, settings: PortSettings, **calls: Any) -> Port:
        port = await super().open(settings, **calls)
        self._talk()
        return port

    def _talk(self) -> None:
        self._arrives(self._said)
        self._talk_loop.call_later(0.5, self._talk)


def check(
    bench: Bench,
    monkeypatch: pytest.MonkeyPatch,
    *,
    meter: Say | bytes | None = SOUND,
    air: bytes | None = b"3.50\n",
    seconds: float = SECONDS,
    busy_s: float = 0.0,
) -> Mapping[str, InstrumentCheck]:
    """Check the bench in moved time; bytes are said unasked, and without a meter or air that port is absent.

    For the first `busy_s` another program holds every port.
    """
    with contextlib.closing(MovedTime()) as loop:
        lines: dict[str, Line] = {}
        busy_until_s = loop.time() + busy_s
        if isinstance(meter, bytes):
            lines["ports/meter"] = Talker(loop, meter)
        elif meter is not None:
            lines["ports/meter"] = Line(loop, meter)
        if air is not None:
            lines["ports/air"] = Talker(loop, air)

        async def open_line(settings: PortSettings, **calls: Any) -> Port:
            if loop.time() < busy_until_s:
                msg = f"port {settings.url}: daq (process 12) holds it"
                raise PortBusyError(msg)
            if settings.url not in lines:
                msg = f"port {settings.url}: nothing is there"
                raise PortAbsentError(msg)
            return await lines[settings.url].open(settings, **calls)

        monkeypatch.setattr("daq.runtime.poller.open_port", open_line)
        clock = Clock(since_boot_s=loop.time, boot_id="boot")
        checks = loop.run_until_complete(
            check_bench(bench, clock=clock, seconds=seconds)
        )
    assert [c.instrument for c in checks] == ["meter", "anemometer"]
    return {c.instrument: c for c in checks}


def test_meters_that_answer_are_in_order(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    checks = check(bench, monkeypatch)
    meter, air = checks["meter"], checks["anemometer"]
    assert meter.trouble is None
    assert air.trouble is None
    assert meter.values == (6.0, 1400.0)
    assert air.values == (3.5,)
    assert meter.gaps == air.gaps == 0
    # Asked eight times in the second in which it refreshes.
    assert meter.readings == pytest.approx((SECONDS - WORST_S) / LOOK_S, abs=1)
    # One line in half a second, less the first, which may be half a line.
    assert air.readings == pytest.approx(SECONDS / 0.5 - 1, abs=1)
    assert meter.stated_refresh_s == 1.0
    # From the end of the request, which is one character.
    assert meter.reply_s == pytest.approx(REPLY_S - CHAR_S, abs=1e-3)
    assert air.reply_s is None


def test_how_often_a_meter_refreshes_is_measured(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refreshing(number: int, _request: bytes) -> list[tuple[float, bytes]]:
        # A new value at every sixth look.
        return [(REPLY_S, f"6.00,{number // 6}\n".encode())]

    checks = check(bench, monkeypatch, meter=refreshing)
    assert checks["meter"].refresh_s == pytest.approx(6 * LOOK_S, abs=0.01)


def test_equal_values_tell_nothing_of_the_refresh(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert check(bench, monkeypatch)["meter"].refresh_s is None


@pytest.mark.parametrize(
    ("spoiled", "reason", "remedy"),
    [
        (says(""), "no reply (no reply within 0.50 s)", "is it switched on"),
        (says("6.00,14"), "reply cut short (", "check baud rate, stop bits"),
        (says("\xfe\x80~x\xf8\n"), "reply garbled (", "check baud rate and parity"),
        (says("6.00,1400.0,7\n"), "reply garbled (3 parts, expected 2", "profile"),
        (says("1,2\n3,4\n"), "reply of another unit", "two meters set to one"),
    ],
)
def test_what_is_wrong_is_said_with_an_example_and_what_to_look_at(
    bench: Bench,
    monkeypatch: pytest.MonkeyPatch,
    spoiled: Say,
    reason: str,
    remedy: str,
) -> None:
    checks = check(bench, monkeypatch, meter=spoiled)
    trouble = checks["meter"].trouble
    assert trouble is not None
    assert trouble.startswith(reason)
    assert remedy in trouble
    assert checks["meter"].values == ()
    assert checks["meter"].gaps > 0
    assert checks["anemometer"].trouble is None


def test_a_gap_now_and_then_is_no_trouble(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    meter = check(bench, monkeypatch, meter=every(10, says("6.00\n")))["meter"]
    assert meter.gaps > 0
    assert meter.trouble is None


def test_many_gaps_are_trouble_although_there_are_readings(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    meter = check(bench, monkeypatch, meter=every(3, says("6.00\n")))["meter"]
    assert meter.readings > meter.gaps > 0
    assert meter.trouble is not None
    assert meter.trouble.startswith("reply garbled (1 parts, expected 2")


def test_a_meter_that_cannot_be_asked_in_such_a_hurry_is_in_order(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def slow(_number: int, _request: bytes) -> list[tuple[float, bytes]]:
        # Two or three looks pass meanwhile.
        return [(0.3, b"6.00,1400.0\n")]

    meter = check(bench, monkeypatch, meter=slow)["meter"]
    assert meter.gaps == 0
    assert meter.trouble is None
    assert meter.readings == pytest.approx((SECONDS - WORST_S) / 0.3, abs=1)


def test_a_meter_that_should_be_asked_and_talks_by_itself_is_in_trouble(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    trouble = check(bench, monkeypatch, meter=b"6.00,1400.0\n")["meter"].trouble
    assert trouble is not None
    assert trouble.startswith("reply garbled (")
    assert "polls were due: the line does not fall quiet" in trouble
    assert "not what the profile expects" in trouble


def test_a_port_that_another_program_held_for_most_of_the_time_is_told_with_who_held_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    checks = check(bench, monkeypatch, busy_s=0.7 * SECONDS)
    trouble = checks["meter"].trouble
    assert trouble is not None
    assert trouble.startswith("port ports/meter: daq (process 12) holds it; ")
    assert "check the adapter" not in trouble


def test_an_absent_port_is_said_and_the_others_are_checked(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    checks = check(bench, monkeypatch, meter=None)
    assert checks["meter"].trouble == "port ports/meter: nothing is there"
    assert checks["meter"].readings == 0
    assert checks["anemometer"].trouble is None


def test_a_meter_that_should_talk_by_itself_and_does_not_is_in_trouble(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Four of its intervals of half a second are a gap.
    trouble = check(bench, monkeypatch, air=b"")["anemometer"].trouble
    assert trouble is not None
    assert trouble.startswith("no reply (silent for 2.0 s)")
    shorter = check(bench, monkeypatch, air=b"", seconds=1.0)["anemometer"].trouble
    assert shorter is not None
    assert shorter.startswith("nothing was heard: is it switched on")


def test_a_talking_meter_at_another_baud_rate_is_in_trouble(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    trouble = check(bench, monkeypatch, air=b"\xfe\x80\n\xf8")["anemometer"].trouble
    assert trouble is not None
    assert trouble.startswith("reply garbled (")
    assert "check baud rate" in trouble


# ---- read so many times


def test_every_instrument_is_read_until_all_have_given_enough(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard, passed_s = read(bench, monkeypatch, count=5, seconds=60.0)
    # The meter is asked once in its second; the anemometer talks twice in it.
    assert len(heard["meter"]) == 5
    assert len(heard["anemometer"]) == pytest.approx(2 * 5, abs=2)
    assert passed_s == pytest.approx(WORST_S + 4 * 1.0, abs=0.2)


def test_what_does_not_come_is_not_waited_for_for_ever(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard, passed_s = read(bench, monkeypatch, meter=SILENT, count=5, seconds=20.0)
    assert heard["meter"] == ()
    assert len(heard["anemometer"]) > 5
    assert passed_s == pytest.approx(20.0, abs=0.1)


def read(
    bench: Bench,
    monkeypatch: pytest.MonkeyPatch,
    *,
    meter: Say = SOUND,
    count: int,
    seconds: float,
) -> tuple[Mapping[str, tuple[Reading, ...]], float]:
    """What was read in moved time, and how long that took [s]."""
    with contextlib.closing(MovedTime()) as loop:
        lines = {
            "ports/meter": Line(loop, meter),
            "ports/air": Talker(loop, b"3.50\n"),
        }

        async def open_line(settings: PortSettings, **calls: Any) -> Port:
            return await lines[settings.url].open(settings, **calls)

        monkeypatch.setattr("daq.runtime.poller.open_port", open_line)
        clock = Clock(since_boot_s=loop.time, boot_id="boot")
        begun_s = loop.time()
        heard = loop.run_until_complete(
            read_instruments(
                bench.instruments, clock=clock, count=count, seconds=seconds
            )
        )
        return heard, loop.time() - begun_s
