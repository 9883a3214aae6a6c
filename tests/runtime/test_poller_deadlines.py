"""A line in moved time: deadlines, missed slots, silences, and lines that are drained until they are quiet."""

import asyncio
from collections.abc import Callable
from itertools import pairwise

import pytest

from daq.config.bench import Instrument
from daq.records import AFTER_DRAIN, Gap, GapReason, Reading
from daq.runtime.poller import LineState
from tests.runtime.moved_time import Line, MovedTime, Say
from tests.runtime.polled_meters import (
    Heard,
    after,
    instruments,
    reply,
    run_in_moved_time,
    says_nothing,
)

SILENCE_S = 1.75e-3
"""Modbus over Serial Line V1.02, 2.5.1.1: above 19 200 bit/s."""
SLACK_S = 1e-3
"""The event loop's timers, and its turns, are no finer."""
WORST_S = 0.03
"""The profile's worst reply time."""


def one_meter(
    interval_s: float,
    *,
    timeout_s: float = 0.3,
    worst_s: float = WORST_S,
    lag_s: float = 0.0,
) -> tuple[Instrument, ...]:
    return instruments(
        ("meter", "line", 1),
        interval_s=interval_s,
        timeout_s=timeout_s,
        worst_s=worst_s,
        lag_s=lag_s,
    )


# ---- deadlines


def test_polls_begin_on_absolute_deadlines(monkeypatch: pytest.MonkeyPatch) -> None:
    run = run_in_moved_time(monkeypatch, one_meter(0.1), after(0.013), outcomes=500)
    assert run.heard.values() == list(range(1, 501))
    begun_s = run.line.asked_s
    # However long a reply takes, slot k begins k intervals after the first.
    errors_s = [at_s - begun_s[0] - 0.1 * k for k, at_s in enumerate(begun_s)]
    assert max(errors_s) < SILENCE_S + 1e-3
    assert min(errors_s) > -SILENCE_S - 1e-3
    assert run.heard.gaps() == []


def number_missed(gap: Gap) -> int:
    number, words = gap.detail.split(" ", 1)
    were = "poll was" if number == "1" else "polls were"
    assert words == f"{were} due while the line was busy"
    assert gap.polls == int(number)
    return gap.polls


def test_slots_that_pass_while_a_meter_answers_are_told_and_not_made_up_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = run_in_moved_time(monkeypatch, one_meter(0.1), after(0.25), outcomes=40)
    begun_s = run.line.asked_s
    # 2.5 slots a poll: every slot was either used or told, in one gap after the reading.
    kinds = [type(outcome) for outcome in run.heard.outcomes]
    assert kinds == [Reading, Gap] * 20
    assert run.heard.faults() == []
    missed = sum(number_missed(gap) for gap in run.heard.missed())
    slots = (begun_s[-1] - begun_s[0]) / 0.1
    assert len(begun_s) - 1 + missed == pytest.approx(slots, abs=2)
    assert missed == pytest.approx(1.5 * 20, abs=3)
    assert min(b - a for a, b in pairwise(begun_s)) >= 0.25


def third_takes(delay_s: float) -> Say:
    """Every reply takes 13 ms, only the third so long."""
    return lambda n, request: [(delay_s if n == 3 else 0.013, reply(request[0], n))]


def test_missed_slots_are_one_gap_with_their_number(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    meters = one_meter(0.1, timeout_s=1.0)
    run = run_in_moved_time(monkeypatch, meters, third_takes(0.57), outcomes=7)
    (gap,) = run.heard.gaps()
    assert gap.reason is GapReason.MISSED
    assert gap.reason.value == "line was busy"
    # Slot 2 took until 0.77 s: those at 0.3, 0.4, 0.5 and 0.6 s are gone, that of 0.7 s is late.
    assert gap.detail == "4 polls were due while the line was busy"
    assert run.heard.outcomes.index(gap) == 3
    first_s = run.line.asked_s[0]
    assert gap.at_s == pytest.approx(first_s + 0.2 + 0.57, abs=SILENCE_S + SLACK_S)
    begun_s = [at_s - first_s for at_s in run.line.asked_s]
    expected = [0.0, 0.1, 0.2, 0.77, 0.8, 0.9]
    assert begun_s == pytest.approx(expected, abs=2 * SILENCE_S + SLACK_S)
    assert run.heard.values() == [1, 2, 3, 4, 5, 6]


def test_less_than_a_whole_slot_is_late_and_not_missed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    meters = one_meter(0.1, timeout_s=1.0)
    run = run_in_moved_time(monkeypatch, meters, third_takes(0.19), outcomes=6)
    assert run.heard.gaps() == []
    begun_s = [at_s - run.line.asked_s[0] for at_s in run.line.asked_s]
    # Slot 3 begins when slot 2 has ended, and slot 4 when slot 3 has.
    expected = [0.0, 0.1, 0.2, 0.39, 0.39 + 0.013, 0.5]
    assert begun_s == pytest.approx(expected, abs=2 * SILENCE_S + SLACK_S)


def test_each_unit_that_had_to_wait_for_another_ones_reply_is_told_what_it_missed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rows = (("slow", "line", 1), ("other", "line", 2))
    meters = instruments(*rows, interval_s=0.1, timeout_s=1.0)
    # The third question is the slow one's second.
    run = run_in_moved_time(monkeypatch, meters, third_takes(0.47), outcomes=12)
    for name in ("slow", "other"):
        (gap,) = run.heard.gaps(name)
        assert gap.reason is GapReason.MISSED
        # From 0.1 s to 0.57 s: those at 0.2, 0.3 and 0.4 s are gone.
        assert number_missed(gap) == 3


# ---- a computer that does not go on

OURS = "while this computer was busy or asleep"
LINES = "while the line was busy"


def stands_still(*, at_s: float, for_s: float) -> Callable[[Line, Heard], None]:
    """From a moment after the start on nothing of this computer goes on, as when it sleeps or the program is stopped."""

    def prepare(_line: Line, _heard: Heard) -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, MovedTime)

        def pass_by() -> None:
            loop.now_s += for_s

        loop.call_later(at_s, pass_by)

    return prepare


@pytest.mark.parametrize(
    "at_s",
    [
        pytest.param(0.53 + 0.06, id="between two polls"),
        pytest.param(0.53 + 0.003, id="while a reply is awaited"),
    ],
)
def test_polls_missed_by_a_computer_that_stood_still_are_not_told_of_the_line(
    monkeypatch: pytest.MonkeyPatch, at_s: float
) -> None:
    # The first poll comes after draining for the worst reply time, at 0.03 s.
    run = run_in_moved_time(
        monkeypatch,
        one_meter(0.1),
        after(0.013),
        seconds=16.0,
        prepare=stands_still(at_s=at_s, for_s=12.0),
    )
    (gap,) = run.heard.missed()
    assert gap.reason is GapReason.MISSED
    assert gap.polls == pytest.approx(12.0 / 0.1, abs=3)
    assert gap.detail == f"{gap.polls} polls were due {OURS}"
    # And none else is missing: what came late came, or has its own gap.
    begun_s = run.line.asked_s
    slots = round((begun_s[-1] - begun_s[0]) / 0.1) + 1
    told = sum(gap.polls for gap in run.heard.gaps()) + len(run.heard.readings())
    assert told == pytest.approx(slots, abs=1)


def test_each_unit_of_a_line_is_told_that_the_computer_stood_still(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rows = (("first", "line", 1), ("second", "line", 2))
    run = run_in_moved_time(
        monkeypatch,
        instruments(*rows, interval_s=0.1, timeout_s=1.0),
        lambda n, request: [(0.013, reply(request[0], n))],
        seconds=3.0,
        prepare=stands_still(at_s=0.6, for_s=1.5),
    )
    for name in ("first", "second"):
        (gap,) = run.heard.missed(name)
        assert gap.detail.endswith(OURS)


@pytest.mark.parametrize(
    ("for_s", "words"), [(0.05, LINES), (0.15, LINES), (0.45, OURS), (1.0, OURS)]
)
def test_the_one_that_held_up_more_polls_is_named(
    monkeypatch: pytest.MonkeyPatch, for_s: float, words: str
) -> None:
    # The third poll begins at 0.23 s; its reply takes 0.32 s, and before that nothing goes on for a while.
    run = run_in_moved_time(
        monkeypatch,
        one_meter(0.1, timeout_s=2.0),
        third_takes(0.32),
        seconds=4.0,
        prepare=stands_still(at_s=0.2, for_s=for_s),
    )
    (gap,) = run.heard.missed()
    assert gap.detail.endswith(words)


def test_a_poll_that_begins_less_than_an_interval_late_blames_the_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = run_in_moved_time(
        monkeypatch,
        one_meter(0.1, timeout_s=2.0),
        third_takes(0.13),
        seconds=4.0,
        prepare=stands_still(at_s=0.2, for_s=0.12),
    )
    (gap,) = run.heard.missed()
    assert gap.detail == f"1 poll was due {LINES}"


# ---- silences and times


def test_a_line_is_silent_for_three_and_a_half_characters_before_each_request(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = run_in_moved_time(monkeypatch, one_meter(0.001), after(0.013), outcomes=100)
    begun_s = run.line.asked_s
    assert len(begun_s) == 50
    waits_s = [b - a - 0.013 for a, b in pairwise(begun_s)]
    assert min(waits_s) >= SILENCE_S


def test_a_readings_time_is_between_request_and_reply_in_bench_time_less_the_meters_lag(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    meters = one_meter(1.2, lag_s=0.6)
    run = run_in_moved_time(monkeypatch, meters, after(0.050), outcomes=20, speed=12.0)
    char_s = 10 / 115_200
    for reading, begun_s in zip(run.heard.readings(), run.line.asked_s, strict=True):
        request_end_s = begun_s + 8 * char_s
        reply_start_s = begun_s + 0.050 - 7 * char_s
        expected_s = 12.0 * (request_end_s + reply_start_s) / 2.0 - 0.6
        # A few turns of the loop, in bench time.
        assert reading.at_s == pytest.approx(expected_s, abs=12.0 * 1e-4)
    # 1.2 bench seconds are 0.1 real ones.
    begun_s_all = run.line.asked_s
    assert begun_s_all[10] - begun_s_all[0] == pytest.approx(1.0, abs=0.005)


def test_the_longest_reply_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    run = run_in_moved_time(monkeypatch, one_meter(0.1), after(0.040), outcomes=5)
    # From the request's end: eight characters after it was handed over.
    longest = run.poller.longest_replies_s()["meter"]
    assert longest == pytest.approx(0.040 - 8 * 10 / 115_200, abs=1e-4)


def test_units_on_one_line_take_turns(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    def say(number: int, request: bytes) -> list[tuple[float, bytes]]:
        asked.append(request[0])
        return [(0.013, reply(request[0], number))]

    rows = [("a", "line", 1), ("b", "line", 2), ("c", "line", 7)]
    meters = instruments(*rows, interval_s=0.1, timeout_s=0.3)
    run = run_in_moved_time(monkeypatch, meters, say, outcomes=60)
    assert asked == [1, 2, 7] * 20
    assert run.heard.values("b") == list(range(2, 60, 3))
    # Nobody speaks while another one is still answering.
    pairs = zip(run.line.said_s, run.line.asked_s[1:], strict=False)
    assert all(asked_s - said_s >= SILENCE_S for said_s, asked_s in pairs)


# ---- draining


def in_pieces(said: bytes, pieces: int, *, late_s: float) -> list[tuple[float, bytes]]:
    """Seven bytes of a reply, together or each 5 ms after the one before."""
    size = len(said) // pieces
    return [
        (late_s + 0.005 * i, said[size * i : size * (i + 1)]) for i in range(pieces)
    ]


@pytest.mark.parametrize("late_s", [0.0515, 0.053, 0.06, 0.08])
@pytest.mark.parametrize("pieces", [1, 7])
def test_within_the_worst_reply_time_no_late_reply_answers_another_question(
    monkeypatch: pytest.MonkeyPatch, late_s: float, pieces: int
) -> None:
    def say(number: int, request: bytes) -> list[tuple[float, bytes]]:
        if number % 2:
            return after(0.01)(number, request)
        return in_pieces(reply(1, number), pieces, late_s=late_s)

    # In such a hurry slots are missed at every poll, and told after it.
    run = run_in_moved_time(
        monkeypatch, one_meter(0.001, timeout_s=0.05), say, outcomes=24
    )
    assert run.heard.values() == [1, 3, 5, 7, 9, 11]
    assert {reading.flags for reading in run.heard.readings()[1:]} == {AFTER_DRAIN}
    assert [gap.reason for gap in run.heard.faults()] == [GapReason.NO_REPLY] * 6
    assert run.heard.outcomes[1::2] == run.heard.missed()
    # Nobody asks before the line has been quiet for that time.
    for asked_s in run.line.asked_s[2::2]:
        last_s = max(said_s for said_s in run.line.said_s if said_s < asked_s)
        assert asked_s - last_s >= WORST_S


@pytest.mark.parametrize("late_s", [0.0, 0.001, 0.015, 0.029])
@pytest.mark.parametrize("pieces", [1, 7])
def test_a_reply_to_a_question_asked_before_the_line_was_opened_never_answers_our_first(
    monkeypatch: pytest.MonkeyPatch, late_s: float, pieces: int
) -> None:
    def somebody_had_asked(line: Line, _heard: Heard) -> None:
        for at_s, piece in in_pieces(reply(1, 999), pieces, late_s=late_s):
            line.say_in(at_s, piece)

    run = run_in_moved_time(
        monkeypatch,
        one_meter(0.1, timeout_s=0.05),
        after(0.01),
        outcomes=5,
        prepare=somebody_had_asked,
    )
    assert run.heard.values() == [1, 2, 3, 4, 5]
    assert run.heard.gaps() == []
    # Quiet for the worst reply time after the last piece, and not asked before.
    assert run.line.asked_s[0] - run.line.said_s[pieces - 1] >= WORST_S


def test_a_line_that_was_opened_again_is_drained_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def say(number: int, request: bytes) -> list[tuple[float, bytes]]:
        return [] if number == 3 else after(0.01)(number, request)

    def lost_while_it_waits(line: Line, heard: Heard) -> None:
        def late_reply(_: LineState) -> None:
            if heard.states == [LineState.OPEN, LineState.LOST, LineState.OPEN]:
                line.say_in(0.02, reply(1, 3))

        heard.on_line = late_reply
        line.lose_in(0.3)

    run = run_in_moved_time(
        monkeypatch,
        one_meter(0.1, timeout_s=1.0),
        say,
        seconds=1.0,
        prepare=lost_while_it_waits,
    )
    assert run.heard.values()[:4] == [1, 2, 4, 5]
    assert {gap.reason for gap in run.heard.gaps()} == {GapReason.PORT_LOST}
    assert run.line.asked_s[3] - run.line.said_s[2] >= WORST_S


def test_deadlines_begin_once_the_line_has_been_drained(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Three slots pass while the line is drained, which nobody misses.
    meters = one_meter(0.1, worst_s=0.35)
    run = run_in_moved_time(monkeypatch, meters, after(0.013), outcomes=10)
    (opened_s,) = run.line.opened_s
    first_s = run.line.asked_s[0]
    assert first_s - opened_s == pytest.approx(0.35, abs=SILENCE_S + SLACK_S)
    assert first_s - opened_s >= 0.35
    assert run.heard.gaps() == []
    begun_s = [at_s - first_s for at_s in run.line.asked_s]
    expected = [0.1 * k for k in range(10)]
    assert begun_s == pytest.approx(expected, abs=SILENCE_S + SLACK_S)


@pytest.mark.parametrize("slower", ["first", "second"])
def test_a_line_is_drained_as_long_as_the_slowest_of_its_meters_may_take(
    monkeypatch: pytest.MonkeyPatch, slower: str
) -> None:
    worst_s = {"first": 0.02, "second": 0.02, slower: 0.2}
    meters = tuple(
        instruments((name, "line", unit), interval_s=0.5, worst_s=worst_s[name])[0]
        for unit, name in enumerate(("first", "second"), start=1)
    )
    run = run_in_moved_time(monkeypatch, meters, says_nothing, seconds=1.0)
    assert run.line.asked_s[0] - run.line.opened_s[0] >= 0.2


def chatter(every_s: float, *, until_s: float) -> Callable[[Line, Heard], None]:
    """Somebody speaks on the line without being asked."""

    def prepare(line: Line, _heard: Heard) -> None:
        for k in range(round(until_s / every_s)):
            line.say_in(k * every_s, b"V=8\r\n")

    return prepare


def test_a_line_that_never_falls_quiet_is_told_poll_by_poll_and_not_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = run_in_moved_time(
        monkeypatch,
        one_meter(0.1),
        after(0.01),
        seconds=2.0,
        prepare=chatter(0.02, until_s=1.0),
    )
    quiet_s = run.line.opened_s[0] + 0.98 + WORST_S
    assert run.line.asked_s[0] >= quiet_s
    assert run.heard.values()[0] == 1
    assert {(gap.reason, gap.detail) for gap in run.heard.gaps()} == {
        (
            GapReason.GARBLED,
            "1 poll was due: the line does not fall quiet before a request",
        )
    }
    # From three worst reply times on, one for each slot of the second.
    assert len(run.heard.gaps()) == pytest.approx(1.0 / 0.1, abs=1)
    assert all(gap.at_s < quiet_s for gap in run.heard.gaps())


def test_slots_of_a_long_drain_are_told_once_and_the_next_poll_is_on_its_deadline(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def say(number: int, request: bytes) -> list[tuple[float, bytes]]:
        # Instead of the third reply comes half a second of other bytes.
        if number == 3:
            return [(0.01 + 0.02 * k, b"V=8\r\n") for k in range(26)]
        return after(0.01)(number, request)

    run = run_in_moved_time(
        monkeypatch, one_meter(0.1, timeout_s=0.05), say, outcomes=14
    )
    first_s = run.line.asked_s[0]
    slots = [round((at_s - first_s) / 0.1, 1) for at_s in run.line.asked_s]
    # Drained until 0.2 + 0.51 + 0.03 s.
    assert slots[:5] == pytest.approx([0, 1, 2, 8, 9], abs=0.1)
    told = run.heard.gaps()
    # The poll itself, and those at 0.3, 0.4, 0.5, 0.6 and 0.7 s.
    assert len(told) == 6
    assert {gap.reason for gap in told} == {GapReason.GARBLED}
