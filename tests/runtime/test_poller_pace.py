"""Which lines of a meter that talks by itself are told to be missing."""

from collections.abc import Callable, Iterable, Sequence
from random import Random

import pytest

from daq.records import Gap, GapReason, Reading
from daq.runtime.poller_pace import StreamPace
from tests.campaigns.wire_faults_driven import run_cell
from tests.campaigns.wire_faults_meters import METERS
from tests.campaigns.wire_faults_spoiling import Fault
from tests.runtime.moved_time import Line
from tests.runtime.polled_meters import (
    TALKING,
    Heard,
    instruments,
    run_in_moved_time,
    says_nothing,
)

REFRESH_S = 0.1
SILENCE_S = 0.5


def missing(times_s: Iterable[float]) -> list[Gap]:
    """What is told to be missing of lines that arrive at these times."""
    pace = StreamPace("meter", refresh_s=REFRESH_S, silence_s=SILENCE_S)
    gaps = []
    for at_s in times_s:
        gaps += pace.take(Reading("meter", at_s, (1.0,)), silent_from_s=None)
    return gaps


def regular(interval_s: float, count: int, lost: Sequence[int] = ()) -> list[float]:
    return [interval_s * n for n in range(count) if n not in lost]


@pytest.mark.parametrize("interval_s", [0.05, 0.1, 0.13, 0.2, 0.45])
def test_a_regular_stream_misses_nothing_whatever_its_profile_says(
    interval_s: float,
) -> None:
    assert missing(regular(interval_s, 200)) == []


@pytest.mark.parametrize("interval_s", [0.1, 0.2])
def test_a_lost_line_is_one_gap_when_it_was_due(interval_s: float) -> None:
    (gap,) = missing(regular(interval_s, 60, lost=[30]))
    assert gap.reason is GapReason.NO_REPLY
    assert gap.at_s == pytest.approx(30 * interval_s)
    assert gap.detail.startswith("a line is missing: ")


def test_each_of_several_lost_lines_is_a_gap() -> None:
    lost = [20, 30, 31, 40, 42, 50, 51, 52]
    gaps = missing(regular(0.1, 80, lost=lost))
    assert [gap.at_s for gap in gaps] == pytest.approx([0.1 * n for n in lost])


def test_lines_lost_at_random_are_each_counted_once() -> None:
    random = Random(3)  # noqa: S311 - chance of a test, no secret
    lost = [n for n in range(20, 1500) if random.random() < 0.1]
    late_s = [random.uniform(0.0, 0.02) for _ in range(1500)]
    times_s = [0.1 * n + late_s[n] for n in range(1500) if n not in lost]
    due_s = [gap.at_s for gap in missing(times_s)]
    # Four in a row are a silence, which others tell; of the rest each is told, and nothing else.
    assert 0.98 * len(lost) <= len(due_s) <= len(lost)
    assert {round(at_s / 0.1 - 0.1) for at_s in due_s} <= set(lost)


Held = Callable[[int], float]
"""Takes the number of a line; gives when it is handed over, in intervals."""


def in_bursts(period: float) -> Held:
    """Whatever has come is handed over each so many intervals."""
    return lambda n: (n // period + 1.0) * period


@pytest.mark.parametrize("interval_s", [0.1, 0.23])
@pytest.mark.parametrize(
    "handed_over",
    [
        in_bursts(2),
        in_bursts(3),
        in_bursts(5),
        in_bursts(2.7),
        lambda n: n + 0.9 * (n % 7 == 0),
        lambda n: n + 3.5 * (n % 40 == 0),
        lambda n: n + 0.25 * (n % 2),
    ],
)
def test_what_was_only_held_back_is_not_missing(
    interval_s: float, handed_over: Held
) -> None:
    times_s, reached_s = [], 0.0
    for n in range(400):
        # A line takes its time on the wire, and none overtakes another.
        reached_s = max(interval_s * handed_over(n), reached_s + 0.001)
        times_s.append(reached_s)
    assert missing(times_s) == []


def test_a_meter_that_has_become_slower_is_believed() -> None:
    quick = regular(0.1, 50)
    slow = [quick[-1] + 0.2 * n for n in range(1, 200)]
    gaps = missing([*quick, *slow])
    assert len(gaps) == 8
    assert max(gap.at_s for gap in gaps) < quick[-1] + 2.0


def test_nothing_is_missing_before_the_interval_is_known() -> None:
    assert missing([0.0, 0.1, 0.4, 0.5, 0.9]) == []


def test_a_computer_that_slept_is_one_gap_that_tells_how_many() -> None:
    times_s = [*regular(0.1, 30), *(60.0 + 0.1 * n for n in range(10))]
    (gap,) = missing(times_s)
    assert gap.at_s == pytest.approx(3.0)
    # 60.0 s less 2.9 s are 571 intervals.
    assert "lines missing: 570" in gap.detail


# ---- in the poller


def heard_of(monkeypatch: pytest.MonkeyPatch, times_s: Sequence[float]) -> Heard:
    """What is told of lines at these times."""
    profile = TALKING.replace("refresh_s = 0.01", f"refresh_s = {REFRESH_S}")

    def talk(line: Line, _heard: Heard) -> None:
        line.say_in(0.01, b"\r\n")
        for number, at_s in enumerate(times_s, 1):
            line.say_in(0.05 + at_s, f"V={number}\r\n".encode())

    meters = instruments(("meter", "line", None), profile=profile)
    run = run_in_moved_time(
        monkeypatch, meters, says_nothing, seconds=times_s[-1] + 0.1, prepare=talk
    )
    return run.heard


def test_a_missing_line_is_a_gap_and_a_regular_stream_has_none(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    whole = heard_of(monkeypatch, regular(0.1, 40))
    assert (len(whole.readings()), whole.gaps()) == (40, [])
    heard = heard_of(monkeypatch, regular(0.1, 40, lost=[20]))
    assert len(heard.readings()) == 39
    (gap,) = heard.gaps()
    before, after = (heard.readings()[n].at_s for n in (19, 20))
    assert before < gap.at_s < after


def test_a_silence_that_was_told_is_not_told_again_as_missing_lines(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # The silence is four intervals, at least half a second.
    heard = heard_of(monkeypatch, regular(0.1, 60, lost=range(20, 29)))
    assert [gap.detail for gap in heard.gaps()] == ["silent for 0.5 s"]


def test_a_line_lost_just_before_a_silence_is_told_beside_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    heard = heard_of(monkeypatch, regular(0.1, 60, lost=[18, *range(20, 29)]))
    assert [gap.detail.split(":")[0] for gap in heard.gaps()] == [
        "a line is missing",
        "silent for 0.5 s",
    ]


@pytest.mark.parametrize("name", ["streamed-lines, xor8", "frames streamed, crc8"])
def test_of_a_stream_that_loses_half_its_lines_most_are_told_singly(name: str) -> None:
    tally = run_cell(METERS[name], Fault.SILENT, spoiled=200)
    assert set(tally.reasons) == {GapReason.NO_REPLY}
    # Five in a row or more are one silence: of runs of lost lines one in sixteen, with a third of the lines or less.
    assert 0.55 * tally.spoiled < tally.lost < tally.spoiled
    assert tally.false == 0


def test_a_bad_line_is_one_gap(monkeypatch: pytest.MonkeyPatch) -> None:
    profile = TALKING.replace("refresh_s = 0.01", f"refresh_s = {REFRESH_S}")

    def talk(line: Line, _heard: Heard) -> None:
        line.say_in(0.01, b"\r\n")
        for number in range(1, 40):
            said = b"V=?\r\n" if number == 20 else b"V=%d\r\n" % number
            line.say_in(0.05 + 0.1 * number, said)

    meters = instruments(("meter", "line", None), profile=profile)
    run = run_in_moved_time(
        monkeypatch, meters, says_nothing, seconds=4.0, prepare=talk
    )
    assert [gap.reason for gap in run.heard.gaps()] == [GapReason.GARBLED]
