"""What people and the computer tell: ticks, clock, disk, and the sum of all items."""

import pytest

from daq.checklist.computer import (
    ClockFacts,
    bytes_a_day,
    judge_clock,
    judge_disk,
)
from daq.checklist.items import Item, ItemVerdict, count_line
from daq.checklist.kept import Entry, Kept
from daq.checklist.ticks import isolation_tick, judge_tick, key_ticks

NOW = "2026-11-30T20:00:00.000Z"
NEXT_YEAR = "2027-11-30T20:00:00.000Z"
SEEN = Entry("clock", "", "yes", NOW)


def test_isolation_is_acknowledged_once() -> None:
    tick = isolation_tick("meter", "meter on /dev/a")
    nothing = Kept((), NOW)
    assert judge_tick(tick, nothing).verdict is ItemVerdict.TO_DO
    entries = nothing.with_entry(tick.name, tick.about, "yes", NOW).entries
    assert judge_tick(tick, Kept(entries, NEXT_YEAR)).verdict is ItemVerdict.DONE
    elsewhere = isolation_tick("meter", "meter on /dev/b")
    assert judge_tick(elsewhere, Kept(entries, NOW)).verdict is ItemVerdict.TO_DO


def test_an_interface_that_is_not_isolated_is_refused_with_what_to_do() -> None:
    tick = isolation_tick("meter", "meter on /dev/a")
    kept = Kept((), NOW).with_entry(tick.name, tick.about, "no", NOW)
    item = judge_tick(tick, kept)
    assert item.verdict is ItemVerdict.REFUSED
    assert "do not connect it to this computer" in item.finding
    assert "mains potential on the computer's ground" in item.reason


def test_keys_of_the_meters_are_ticked_again_on_another_day() -> None:
    ticks = key_ticks("meter on /dev/a")
    assert [t.name for t in ticks] == ["auto-power-off", "hold", "autorange", "units"]
    kept = Kept((), NOW)
    for tick in ticks:
        kept = kept.with_entry(tick.name, tick.about, "yes", NOW)
        assert judge_tick(tick, kept).verdict is ItemVerdict.DONE
        tomorrow = Kept(kept.entries, "2026-12-01T08:00:00.001Z")
        assert judge_tick(tick, tomorrow).verdict is ItemVerdict.TO_DO


# ---- clock


@pytest.mark.parametrize(
    ("is_synchronised", "entry", "verdict"),
    [
        (True, None, ItemVerdict.DONE),
        (False, None, ItemVerdict.TO_DO),
        (None, None, ItemVerdict.TO_DO),
        (False, SEEN, ItemVerdict.DONE),
        (None, SEEN, ItemVerdict.DONE),
    ],
)
def test_a_clock_follows_a_time_server_or_was_compared(
    is_synchronised: bool | None,  # noqa: FBT001 - of the table above
    entry: Entry | None,
    verdict: ItemVerdict,
) -> None:
    assert judge_clock(ClockFacts(NOW, is_synchronised), entry).verdict is verdict


@pytest.mark.parametrize(
    ("utc", "last_utc"),
    [("1970-01-01T00:03:00.000Z", None), (NOW, NEXT_YEAR)],
)
def test_a_clock_that_shows_what_cannot_be_is_refused(
    utc: str, last_utc: str | None
) -> None:
    item = judge_clock(ClockFacts(utc, is_synchronised=True, last_utc=last_utc), SEEN)
    assert item.verdict is ItemVerdict.REFUSED
    assert "cannot be: set it" in item.finding


def test_a_clock_is_told_as_another_shows_it() -> None:
    item = judge_clock(ClockFacts(NOW, is_synchronised=False), None)
    assert item.finding.startswith("it shows 2026-11-30 20:00:00 UTC, and")


@pytest.mark.parametrize(
    ("step_s", "passed_s", "is_told"),
    [
        (0.9, 10.0, False),
        (-1.2, 10.0, True),
        (9.0, 86400.0, False),
        (3600.0, 86400.0, True),
    ],
)
def test_a_step_since_the_last_session_is_told(
    step_s: float, passed_s: float, *, is_told: bool
) -> None:
    facts = ClockFacts(
        NOW, is_synchronised=True, last_utc=NOW, step_s=step_s, passed_s=passed_s
    )
    item = judge_clock(facts, None)
    assert (f"it was set by {step_s:+.3g} s" in item.finding) is is_told
    assert item.figures["step_s"] == step_s


# ---- disk


def test_the_bytes_of_a_day_are_at_least_those_that_were_measured() -> None:
    # Measured with the store: 60.4, 76.8 and 146.4 bytes a reading of 1, 3 and 12 values.
    for values, measured in ((1, 60.4), (3, 76.8), (12, 146.4)):
        assert bytes_a_day([(1.0, values)]) >= 86400 * measured
        assert bytes_a_day([(1.0, values)]) <= 86400 * measured * 1.15
    assert bytes_a_day([(0.5, 1), (1.0, 3)]) == pytest.approx(86400 * (2 * 65 + 83))


@pytest.mark.parametrize(
    ("days", "verdict", "words"),
    [
        (0.5, ItemVerdict.REFUSED, "12 hours; make room"),
        (5.0, ItemVerdict.TO_DO, "5 days; make room"),
        (40.0, ItemVerdict.DONE, "40 days"),
        (9000.0, ItemVerdict.DONE, "more than ten years"),
    ],
)
def test_the_days_that_are_left_decide(
    days: float, verdict: ItemVerdict, words: str
) -> None:
    item = judge_disk(days * 2e7, 2e7, "/data")
    assert item.verdict is verdict
    assert item.finding.endswith(words) or words in item.finding
    assert "at most 20 MB a day" in item.finding


# ---- the sum


def test_items_are_counted_by_verdict() -> None:
    verdicts = (ItemVerdict.DONE, ItemVerdict.REFUSED, ItemVerdict.DONE)
    found = [Item("hold", verdict, "", "") for verdict in verdicts]
    assert count_line(found) == "2 done, 1 refused."
    assert [item.is_open for item in found] == [False, True, False]
