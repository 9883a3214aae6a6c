"""What changes of values tell of a meter's refresh, and what they do not."""

from collections.abc import Sequence
from random import Random

import pytest

from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import Entry
from daq.checklist.refreshing import judge_refresh, measured_refresh
from daq.records import Reading

STATED_S = 0.8
LOOK_S = STATED_S / 8
SEEDS = range(60)


def seen(
    refresh_s: float, *, changing: float = 1.0, seed: int = 1, seconds: float = 20.0
) -> list[Reading]:
    """A meter polled every eighth of what its profile says; so great a share of its refreshes changes the value."""
    random = Random(seed)  # noqa: S311 - noise, no secret
    phase_s = random.uniform(0.0, refresh_s)
    readings, value, newest = [], 0.0, 0
    for look in range(int(seconds / LOOK_S)):
        at_s = look * LOOK_S + random.uniform(0.0, 0.2 * LOOK_S)
        number = int((at_s + phase_s) / refresh_s)
        for _ in range(newest, number):
            value += 0.1 if random.random() < changing else 0.0
        newest = number
        readings.append(Reading("meter", at_s, (5.0, value)))
    return readings


def judged(
    readings: Sequence[Reading],
    *,
    is_streamed: bool = False,
    entry: Entry | None = None,
) -> Item:
    return judge_refresh(
        "refresh:meter",
        readings,
        stated_s=STATED_S,
        is_streamed=is_streamed,
        entry=entry,
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_a_meter_that_is_as_its_profile_says_is_done(seed: int) -> None:
    item = judged(seen(STATED_S, seed=seed))
    assert item.verdict is ItemVerdict.DONE, item.finding
    assert item.figures["spacing_s"] == pytest.approx(STATED_S, abs=0.01)


@pytest.mark.parametrize("refresh_s", [0.25, 0.4, 1.2, 1.6, 3.0])
def test_a_meter_that_is_faster_or_slower_is_told_with_its_refresh(
    refresh_s: float,
) -> None:
    for seed in SEEDS:
        item = judged(seen(refresh_s, seed=seed, seconds=30.0))
        assert item.verdict is ItemVerdict.TO_DO, item.finding
        assert f"write refresh_s = {refresh_s:.2g} into its profile" in item.finding
        assert "a copy of it beside the bench" in item.finding


@pytest.mark.slow
def test_values_that_do_not_change_at_every_refresh_never_blame_the_profile() -> None:
    for seed in range(300):
        item = judged(seen(STATED_S, changing=0.5, seed=seed, seconds=8.0))
        assert "write refresh_s" not in item.finding


def test_no_refresh_is_longer_than_its_bound() -> None:
    for seed in SEEDS:
        refresh = measured_refresh(seen(1.3, changing=0.4, seed=seed))
        assert refresh is not None
        assert refresh.at_most_s >= 1.3


def test_a_new_value_at_every_look_is_a_bound_only() -> None:
    item = judged([Reading("meter", LOOK_S * n, (0.1 * n,)) for n in range(40)])
    assert item.verdict is ItemVerdict.TO_DO
    assert "a new value at every look, so every 0.1 s or faster" in item.finding


def test_steady_values_tell_nothing_until_it_is_acknowledged() -> None:
    steady = seen(STATED_S, changing=0.0)
    item = judged(steady)
    assert item.verdict is ItemVerdict.TO_DO
    assert "changed 0 times in 19.9 s, which cannot tell" in item.finding
    entry = Entry("refresh:meter", "", "yes", "2026-11-30T08:00:00.000Z")
    taken = judged(steady, entry=entry)
    assert taken.verdict is ItemVerdict.DONE
    assert "taken as stated on 2026-11-30" in taken.finding


def test_an_acknowledgement_does_not_hide_what_was_measured() -> None:
    entry = Entry("refresh:meter", "", "yes", "2026-11-30T08:00:00.000Z")
    assert judged(seen(1.6), entry=entry).verdict is ItemVerdict.TO_DO


@pytest.mark.parametrize(
    ("interval_s", "verdict"),
    [(0.8, ItemVerdict.DONE), (0.4, ItemVerdict.TO_DO), (1.6, ItemVerdict.TO_DO)],
)
def test_a_meter_that_talks_by_itself_is_known_by_its_lines(
    interval_s: float, verdict: ItemVerdict
) -> None:
    equal = [Reading("meter", interval_s * n, (1.0,)) for n in range(10)]
    assert judged(equal, is_streamed=True).verdict is verdict


@pytest.mark.parametrize("count", [0, 1])
def test_a_silent_meter_tells_nothing(count: int) -> None:
    item = judged([Reading("meter", 0.0, (1.0,))] * count)
    assert item.verdict is ItemVerdict.TO_DO
    assert "no two readings came" in item.finding


def test_values_over_range_are_no_trouble() -> None:
    readings = [
        Reading("meter", LOOK_S * n, (None if n // 8 % 2 else 1.0,)) for n in range(90)
    ]
    assert judged(readings).verdict is ItemVerdict.DONE
