"""How many polls were missed, as the page and the store count them: by the deadlines, not by the times it was told."""

from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.records import Gap, GapReason
from daq.runtime.store.past import read_past_session
from tests.runtime.conftest import Computer, Rehearsal
from tests.runtime.moved_time import Line
from tests.runtime.polled_meters import (
    Heard,
    Run,
    after,
    instruments,
    reply,
    run_in_moved_time,
)
from tests.runtime.stored_bench import add_clock, begin_session, begin_trial, opened

INTERVAL_S = 0.1


def away_and_back(line: Line, _heard: Heard) -> None:
    line.lose_in(1.37)


@pytest.fixture(params=["port lost", "line was busy"])
def missed(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Run:
    """A meter of which several polls in a row could not be made."""
    is_lost = request.param == "port lost"
    meters = instruments(
        ("meter", "line", 1), interval_s=INTERVAL_S, timeout_s=1.0, worst_s=0.35
    )
    run = run_in_moved_time(
        monkeypatch,
        meters,
        after(0.013)
        if is_lost
        else lambda n, _: [(0.57 if n == 3 else 0.013, reply(1, n))],
        seconds=4.0,
        prepare=away_and_back if is_lost else lambda _line, _heard: None,
    )
    assert {gap.reason.value for gap in run.heard.gaps()} == {request.param}
    return run


def number_missed(run: Run) -> int:
    """Slots between the first and the last request, less those that brought a reading [1]."""
    asked_s = run.line.asked_s
    slots = round((asked_s[-1] - asked_s[0]) / INTERVAL_S) + 1
    return slots - len(run.heard.readings())


def test_the_page_counts_polls(
    bench: Bench, plan: Plan, computer: Computer, missed: Run
) -> None:
    rehearsal = Rehearsal(bench, plan, computer)
    for gap in missed.heard.gaps():
        rehearsal.board.take(gap)
    (line,) = (i for i in rehearsal.board.snapshot().instruments if i.name == "meter")
    assert line.gaps == number_missed(missed) > len(missed.heard.gaps())


async def store_gaps(path: Path, gaps: list[Gap]) -> int:
    """Stores them in a trial; returns what a stored session's page counts."""
    async with opened(path) as store:
        clock, session = await add_clock(store), await begin_session(store)
        trial = await begin_trial(store, session, clock)
        for gap in gaps:
            store.add_gap(gap, clock_id=clock, trial_id=trial)
    found = read_past_session(path, session)
    assert found is not None
    (meter,) = found.counts
    return meter.gaps


async def test_the_store_counts_polls(tmp_path: Path, missed: Run) -> None:
    counted = await store_gaps(tmp_path / "bench.db", missed.heard.gaps())
    assert counted == number_missed(missed)


async def test_a_gap_that_tells_of_no_number_is_one_poll(tmp_path: Path) -> None:
    # As meters and older versions tell them, whatever figures their words begin with.
    details = [
        "",
        "3 of 5 bytes",
        "port line: it went away",
        "7 registers, polled late",
    ]
    gaps = [Gap("meter", 104.0, GapReason.CUT, detail) for detail in details]
    assert await store_gaps(tmp_path / "bench.db", gaps) == len(details)
