"""A session whose computer has its clocks stepped or slewed, or sleeps, or is too busy: seen in the store it leaves.

`tests/campaigns/clocks.py` does the same at many moments, and more kinds of it.
"""

import shutil
import sqlite3
import time
from collections import Counter
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest

from tests.campaigns import clocks
from tests.campaigns.clocks import measured, store_of
from tests.campaigns.clocks_findings import STEP_US, Findings, Known, look_at
from tests.campaigns.clocks_troubles import (
    MOMENTS,
    Trouble,
    begin_of,
    happenings,
)
from tests.campaigns.clocks_verdict import INTERVAL_S, wrongs
from tests.campaigns.missed_polls import polls_of

runs_a_session = pytest.mark.timeout(120)

STEPPED = "stepped"


@pytest.fixture(scope="module")
def stepped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Known]:
    """A session during which UTC was set a day forward, and back again."""
    folder = tmp_path_factory.mktemp(STEPPED)
    return store_of(folder), measured(folder, Trouble.FORWARD, seed=3)


@pytest.mark.slow
@runs_a_session
def test_a_clock_set_forward_and_back_changes_no_reading_and_no_average(
    stepped: tuple[Path, Known],
) -> None:
    found = look_at(*stepped)
    assert [*wrongs(Trouble.FORWARD, found, sessions=1)] == []
    # UTC was looked at after each of the steps, and what came then is attached to the new one.
    assert (len(stepped[1].steps_s), found.steps_seen) == (2, 2)
    assert (found.offsets >= 3, found.missing) == (True, 0)


def found_after(folder: Path, trouble: Trouble) -> Findings:
    """A session with this trouble, which is in order."""
    found = look_at(store_of(folder), measured(folder, trouble, seed=1))
    assert [*wrongs(trouble, found, sessions=1)] == [], found
    return found


def attached(store: Path) -> list[tuple[float, int]]:
    """Bench time and UTC of every reading [s, us since 1970]."""
    with closing(sqlite3.connect(store)) as connection:
        return connection.execute(
            "SELECT r.at_s, CAST(c.utc_us + (r.at_s - c.monotonic_s) * 1e6 AS INTEGER)"
            " FROM readings_meter r JOIN clocks c ON c.id = r.clock_id ORDER BY r.at_s"
        ).fetchall()


@pytest.mark.slow
@runs_a_session
def test_the_second_before_midnight_that_passes_twice_is_in_no_average_twice(
    tmp_path: Path,
) -> None:
    found = found_after(tmp_path, Trouble.LEAP)
    assert (found.happened, found.steps_seen) == (1, 1)
    # 23:59:59 UTC has the readings of two seconds, and those have four times of their own.
    midnight_us = round(MOMENTS[Trouble.LEAP].timestamp() * 1e6)
    twice = [
        at_s
        for at_s, utc_us in attached(store_of(tmp_path))
        if -1_000_000 <= utc_us - midnight_us < 0
    ]
    assert len(set(twice)) == len(twice) == 2 / INTERVAL_S
    assert twice[-1] - twice[0] == pytest.approx(3 * INTERVAL_S, abs=0.2)


@pytest.mark.slow
@runs_a_session
def test_the_end_of_summer_time_moves_no_time_that_is_kept(tmp_path: Path) -> None:
    before = time.tzname
    found = found_after(tmp_path, Trouble.SUMMER_TIME)
    assert (found.happened, found.moved) == (1, 1)
    kept = attached(store_of(tmp_path))
    (first_s, first_us), *_ = kept
    assert all(
        abs(utc_us - first_us - (at_s - first_s) * 1e6) < 1000 for at_s, utc_us in kept
    )
    assert time.tzname == before


@pytest.mark.slow
@runs_a_session
def test_utc_that_is_slewed_is_followed_and_the_time_between_readings_is_not(
    tmp_path: Path,
) -> None:
    found = found_after(tmp_path, Trouble.SMEARED)
    assert found.moved == 1
    kept = attached(store_of(tmp_path))
    (first_s, first_us), (last_s, last_us) = kept[0], kept[-1]
    # Some 150 s at 500 ppm: UTC has gained more than is a step, and was followed without one.
    gained_us = last_us - first_us - (last_s - first_s) * 1e6
    assert STEP_US / 2 < gained_us < 3 * STEP_US
    assert found.missing == 0


@pytest.mark.slow
@runs_a_session
def test_a_minute_asleep_is_a_gap_and_settles_nothing(tmp_path: Path) -> None:
    found = found_after(tmp_path, Trouble.ASLEEP)
    assert found.missing >= 60.0 / INTERVAL_S - 3
    with closing(sqlite3.connect(store_of(tmp_path))) as store:
        events = [text for (text,) in store.execute("SELECT text FROM events")]
    assert any("silent, no reading for 60 s" in text for text in events)


@pytest.mark.slow
@runs_a_session
def test_polls_that_a_busy_computer_missed_are_counted_with_their_reason(
    tmp_path: Path,
) -> None:
    found = found_after(tmp_path, Trouble.BUSY)
    assert found.gaps == {"line was busy": 2}
    assert found.missing >= 2 * (3.0 / INTERVAL_S - 2)


# ---- what is wrong is found


def changed(stepped: tuple[Path, Known], folder: Path, statement: str) -> Findings:
    store, known = stepped
    copy = Path(shutil.copyfile(store, folder / "bench.db"))
    with closing(sqlite3.connect(copy)) as connection, connection:
        assert connection.execute(statement).rowcount > 0
    return look_at(copy, known)


@pytest.mark.slow
@runs_a_session
@pytest.mark.parametrize(
    ("statement", "kind"),
    [
        ("UPDATE clocks SET utc_us = utc_us + 100000 WHERE id = 1", "utc_wrong"),
        ("DELETE FROM readings_meter WHERE seq BETWEEN 100 AND 101", "unexplained"),
        ("UPDATE readings_meter SET at_s = at_s - 0.7 WHERE seq = 100", "disordered"),
        (
            "UPDATE averages SET mean = mean + expanded_uncertainty",
            "averages_wrong",
        ),
    ],
)
def test_what_is_wrong_in_a_store_is_found(
    stepped: tuple[Path, Known], tmp_path: Path, statement: str, kind: str
) -> None:
    assert getattr(changed(stepped, tmp_path, statement), kind) > 0


@pytest.mark.slow
@runs_a_session
def test_a_step_that_was_not_looked_at_is_found(
    stepped: tuple[Path, Known], tmp_path: Path
) -> None:
    at_s = stepped[1].steps_s[0]
    moved = f"UPDATE clocks SET monotonic_s = monotonic_s + 5 WHERE abs(monotonic_s - {at_s}) < 1"  # noqa: S608 - ours
    assert changed(stepped, tmp_path, moved).steps_seen == 1


@pytest.mark.parametrize(
    ("detail", "polls"),
    [
        ("118 polls were due while this computer was busy or asleep", 118),
        ("1 poll was due while the line was busy", 1),
        ("6 polls were due: the port went away", 6),
        ("12 bytes, 17 expected", 1),
        ("nothing came", 1),
        ("", 1),
    ],
)
def test_a_gap_stands_for_as_many_polls_as_its_words_say(
    detail: str, polls: int
) -> None:
    assert polls_of(detail) == polls


# ---- the campaign: when it proves something


def in_order(trouble: Trouble, sessions: int = 2) -> Findings:
    """What so many sessions come to where all is well."""
    moved = trouble not in {Trouble.NONE, Trouble.ASLEEP, Trouble.BUSY}
    steps = {Trouble.FORWARD: 2, Trouble.BACK: 2, Trouble.LEAP: 1}.get(trouble, 0)
    twice = {Trouble.FORWARD, Trouble.BACK, Trouble.BUSY}
    happened = 0 if trouble is Trouble.NONE else 2 if trouble in twice else 1
    return Findings(
        readings=sessions * 400,
        missing=sessions * {Trouble.ASLEEP: 118, Trouble.BUSY: 8}.get(trouble, 0),
        offsets=sessions * 4,
        steps_seen=sessions * steps,
        happened=sessions * happened,
        moved=sessions * moved,
        finished=sessions,
    )


def told(trouble: Trouble, found: Findings) -> list[str]:
    return [*wrongs(trouble, found, sessions=2)]


@pytest.mark.parametrize("trouble", Trouble)
def test_sessions_whose_troubles_all_came_are_in_order(trouble: Trouble) -> None:
    assert told(trouble, in_order(trouble)) == []


@pytest.mark.parametrize("trouble", [each for each in Trouble if each != Trouble.NONE])
def test_sessions_whose_troubles_never_came_prove_nothing(trouble: Trouble) -> None:
    first, *_ = told(trouble, in_order(Trouble.NONE))
    assert first.startswith("0 of ")
    assert first.endswith(" times in trouble while a trial was measured")


@pytest.mark.parametrize(
    ("trouble", "change", "words"),
    [
        (Trouble.NONE, {"finished": 1}, "1 trials with averages of 2 sessions"),
        (Trouble.NONE, {"readings": 300}, "300 readings of 2 sessions"),
        (Trouble.NONE, {"missing": 9}, "9 polls missed, though nothing held them up"),
        (Trouble.NONE, {"moved": 1}, "1 of 0 sessions whose clocks moved"),
        (Trouble.NONE, {"offsets": 1}, "UTC was attached 1 times, at least 2"),
        (Trouble.BACK, {"offsets": 5}, "UTC was attached 5 times, at least 6"),
        (Trouble.BACK, {"steps_seen": 3}, "3 of 4 steps after which UTC was"),
        (Trouble.BUSY, {"happened": 3}, "3 of 4 times in trouble while a trial"),
        (Trouble.ASLEEP, {"missing": 0}, "0 polls missed, at least 234"),
        (Trouble.BUSY, {"missing": 15}, "15 polls missed, at least 16"),
        (Trouble.SMEARED, {"moved": 1}, "1 of 2 sessions whose clocks moved"),
        (Trouble.SUMMER_TIME, {"moved": 0}, "0 of 2 sessions whose clocks moved"),
        (Trouble.LEAP, {"false": 1}, "1 false readings"),
        (Trouble.LEAP, {"bridged": 1}, "1 windows across a hole"),
    ],
)
def test_each_thing_that_is_wrong_or_was_not_tried_is_told_and_alone(
    trouble: Trouble, change: dict[str, Any], words: str
) -> None:
    (only,) = told(trouble, replace(in_order(trouble), **change))
    assert only.startswith(words)


def test_what_the_calendar_brings_falls_into_the_trial_whatever_the_seed() -> None:
    for trouble, moment in MOMENTS.items():
        for seed in range(50):
            random = Random(seed)  # noqa: S311 - moments, no secret
            assert happenings(trouble, random) == []
            into_s = (moment - begin_of(trouble, random)).total_seconds()
            assert 45.0 <= into_s <= 110.0
    assert MOMENTS[Trouble.LEAP].isoformat() == "2027-01-01T00:00:00+00:00"


def run(monkeypatch: pytest.MonkeyPatch, found: Findings, *words: str) -> int:
    monkeypatch.setattr(clocks, "measured", lambda *_args, **_seed: None)
    monkeypatch.setattr(clocks, "look_at", lambda *_args: found)
    monkeypatch.setattr("sys.argv", ["clocks.py", *words])
    return clocks.main()


def test_a_campaign_whose_computer_never_slept_is_not_passed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--sessions", "1", "--only", "asleep"]
    one = in_order(Trouble.ASLEEP, sessions=1)
    one.gaps = Counter({"line was busy": 1})
    assert run(monkeypatch, one, *words) == 0
    awake = in_order(Trouble.NONE, sessions=1)
    assert run(monkeypatch, awake, *words) == 1
    said = capsys.readouterr().out
    assert "WRONG: asleep for a minute: 0 of 1 times in trouble" in said
    assert "WRONG: asleep for a minute: 0 polls missed, at least 117" in said


def test_no_session_is_a_wrong_argument(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        run(monkeypatch, Findings(), "--sessions", "0")
    assert ended.value.code == 2
    assert "argument --sessions: must be 1 or more" in capsys.readouterr().err
