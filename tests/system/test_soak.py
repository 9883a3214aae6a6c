"""Minutes of simulated time of the service with twelve channels, ten polls a second, and every fault of the soak test once or more.

The whole day is tests/campaigns/soak.py.
"""

import sqlite3
import sys
from collections import Counter
from collections.abc import Mapping
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from tests.campaigns import soak as campaign
from tests.campaigns.soak import Run, main, soak, soak_plan
from tests.campaigns.soak_faults import Fault, Meter
from tests.campaigns.soak_findings import Averages, Findings, look_at, untold_slots
from tests.campaigns.soak_machine import A_SECOND, CHANNELS, CYCLE, Machine, tenth_of
from tests.campaigns.soak_verdict import (
    SETTLED_H,
    Look,
    broken_off,
    unmade,
    wrongs,
)

FAULTY_MIN, FAULTLESS_MIN = 2.0, 2.1


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_faults_one_after_the_other_cost_their_readings_and_falsify_nothing(
    tmp_path: Path,
) -> None:
    run = soak(tmp_path, hours=FAULTY_MIN / 60.0, seed=1, fault_every_s=9.0)
    found = run.findings
    assert set(run.faults) == set(Fault)
    assert found.false == 0
    assert found.unaccounted == 0
    assert found.gaps.total() > len(Fault)
    assert found.readings > 0.7 * FAULTY_MIN * 60 * A_SECOND
    assert found.sessions >= 1
    assert [*unmade(run.faults, found, run.sentences, due=13)] == []
    assert (found.averages.differ, found.averages.beyond) == (0, 0)
    assert (found.averages.groundless, found.averages.refused_whole) == (0, 0)


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_without_faults_every_poll_is_a_reading_and_every_average_is_what_it_must_be(
    tmp_path: Path,
) -> None:
    run = soak(tmp_path, hours=FAULTLESS_MIN / 60.0, seed=1, is_faulty=False)
    found = run.findings
    assert found.gaps.total() == 0
    assert found.readings == found.tenths
    assert found.false == 0
    assert (found.averages.same, found.averages.differ) == (CHANNELS, 0)
    assert [*wrongs(found, run.looks, settled_h=SETTLED_H)] == []

    def looked_at_after(statement: str) -> Averages:
        with closing(sqlite3.connect(run.store)) as store, store:
            store.execute(statement)
        return look_at(run.store, soak_plan(), Machine(1), begun_s=run.begun_s).averages

    odd = looked_at_after(
        "UPDATE averages SET channel = 'other' WHERE channel = 'meter_r3'"
    )
    assert (odd.same, odd.groundless, odd.missing) == (CHANNELS - 1, 1, 1)
    none = looked_at_after("DELETE FROM averages")
    assert (none.same, none.refused, none.refused_whole) == (0, 1, 1)
    lost = looked_at_after("DELETE FROM readings_meter WHERE seq = 1000")
    assert (lost.refused, lost.refused_whole) == (1, 0)


# ---- whether a run was a sound one


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_a_campaign_whose_meter_says_nothing_is_not_passed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(Meter, "_answer", lambda _meter, _request: None)
    monkeypatch.setattr(sys, "argv", ["soak.py", "--hours", "0.05"])
    assert main() == 1
    told = capsys.readouterr().out
    assert "WRONG: 0 readings of 1800 polls that were due" in told
    assert "WRONG: no average was held against" in told


SOUND = Findings(
    readings=34_000, averages=Averages(same=24, within=12, refused=1), bytes_a_value=9.0, with_reasons=1.1
)  # fmt: skip
"""Of an hour with some faults."""


def looks(
    *, memory_mb: float = 93.0, descriptors: int = 21, minutes: int = 60
) -> list[Look]:
    """One a minute; memory at the end, descriptors in the last tenth, with a broker away at times."""
    return [
        Look(
            minute / 60.0,
            memory_mb if minute == minutes else 90.0,
            18 if minute % 7 == 0 else descriptors if minute > 0.9 * minutes else 21,
            1.0,
        )
        for minute in range(1, minutes + 1)
    ]


def told(found: Findings, seen: list[Look], *, settled_h: float = 0.3) -> list[str]:
    return [*wrongs(found, seen, settled_h=settled_h)]


def test_an_hour_at_the_speed_of_life_is_judged_by_memory_descriptors_and_bytes() -> (
    None
):
    assert told(SOUND, looks()) == []
    assert told(SOUND, looks(memory_mb=95.0)) == ["memory grew 1.06 times"]
    assert told(SOUND, looks(descriptors=22)) == ["1 descriptors more than before"]
    large = replace(SOUND, bytes_a_value=12.5, with_reasons=1.3)
    assert told(large, looks()) == [
        "gaps make the store 1.30 times as large",
        "a value takes 12.5 bytes",
    ]
    # A shorter one has not come to rest.
    short = replace(large, readings=10_000)
    assert told(short, looks(memory_mb=95.0, minutes=18)) == []
    assert told(large, looks(memory_mb=95.0), settled_h=SETTLED_H) == []


@pytest.mark.parametrize(
    ("found", "says"),
    [
        (replace(SOUND, readings=25_000), "25000 readings of 36000 polls"),
        (replace(SOUND, false=1), "1 false readings"),
        (replace(SOUND, unaccounted=2), "2 polls without reading or gap"),
        (replace(SOUND, averages=Averages()), "no average was held"),
        (replace(SOUND, averages=Averages(same=1, differ=1)), "1 averages that are not the same"),
        (replace(SOUND, averages=Averages(within=1, beyond=1)), "1 averages beyond"),
        (replace(SOUND, averages=Averages(same=1, groundless=12)), "12 averages that a run without faults has not"),
        (replace(SOUND, averages=Averages(same=1, missing=2)), "2 averages that a run without faults has,"),
        (replace(SOUND, averages=Averages(same=1, refused=3, refused_whole=1)), "1 trials without averages,"),
    ],
)  # fmt: skip
def test_each_thing_that_is_wrong_is_told_and_alone(found: Findings, says: str) -> None:
    (only,) = told(found, looks())
    assert only.startswith(says)


FAULTS = Counter(dict.fromkeys(Fault, 4))
SENTENCES = {"broker away": 8, "store in trouble": 4}
"""Of such an hour."""


def not_made(
    made: Counter[Fault] = FAULTS, gaps: int = 90, said: Mapping[str, int] = SENTENCES
) -> list[str]:
    found = replace(SOUND, gaps=Counter({"no reply": gaps}))
    return [*unmade(made, found, said, due=60)]


def test_an_hour_whose_faults_were_not_made_or_not_noticed_is_told() -> None:
    assert not_made() == []
    assert not_made(gaps=10) == ["10 gaps of 36 faults of the meter and its line"]
    assert not_made(said={}) == [
        "nothing was said of: broker away for seconds",
        "nothing was said of: store locked by another program",
    ]
    without = FAULTS.copy()
    del without[Fault.ECHO]
    assert not_made(without) == ["never made: echo of the request"]
    first, *_ = not_made(Counter(), gaps=0)
    assert first == "0 faults of 60 that were due"


def test_a_run_that_is_ended_before_memory_can_be_judged_is_broken_off() -> None:
    def of(minutes: int, *, asked_h: float) -> str:
        return broken_off(looks(minutes=minutes), asked_h=asked_h, settled_h=0.3)

    assert of(12, asked_h=24.0).startswith("broken off after 0.20 of 24 h")
    # A short one that was asked for is no broken one; nor is one in which all could be judged.
    assert of(12, asked_h=0.2) == ""
    assert of(60, asked_h=24.0) == ""
    assert broken_off([], asked_h=1.0, settled_h=0.3).startswith("broken off after 0.0")


@pytest.mark.parametrize(
    ("hours", "code", "words"),
    [
        ("0.3", 0, "NOT JUDGED: memory and bytes"),
        ("24", 1, "NOT MEASURED: broken off after 0.30 of 24 h"),
    ],
)
def test_a_campaign_that_is_ended_early_does_not_pass_and_a_short_one_says_what_is_open(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    hours: str,
    code: int,
    words: str,
) -> None:
    def short(folder: Path, **_options: object) -> Run:
        found = replace(SOUND, readings=10_000, gaps=Counter({"no reply": 90}))
        made = Counter(dict.fromkeys(Fault, 1))
        seen = looks(minutes=18)
        return Run(folder, faults=made, looks=seen, findings=found)

    monkeypatch.setattr(campaign, "soak", short)
    monkeypatch.setattr(sys, "argv", ["soak.py", "--hours", hours, "--life-speed"])
    assert main() == code
    assert words in capsys.readouterr().out


@pytest.mark.parametrize("words", [("--hours", "0"), ("--at-most-min", "0")])
def test_nothing_at_all_is_a_wrong_argument(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, str],
) -> None:
    monkeypatch.setattr(sys, "argv", ["soak.py", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert f"argument {words[0]}: must be more than 0" in capsys.readouterr().err


def test_a_run_without_a_look_or_a_poll_has_measured_nothing() -> None:
    first, *_ = told(Findings(), [])
    assert first == "0 readings of 0 polls that were due"


def test_the_machines_figures_depend_on_the_seed_and_the_moment_alone() -> None:
    one, other = Machine(1), Machine(1)
    later = [one.values(tenth) for tenth in (5 * CYCLE + 900, 7, CYCLE + 900)]
    assert [other.values(CYCLE + 900), other.values(7)] == [later[2], later[1]]
    assert Machine(2).values(CYCLE + 900) != later[2]


@pytest.mark.parametrize("tenth", [0, 65_535, 65_536, 864_000])
def test_a_reading_tells_which_tenth_of_a_second_it_is_of(tenth: int) -> None:
    count = Machine(1).values(tenth)[-1]
    for late_s in (-1.0, 0.0, 1.0):
        assert tenth_of(count, tenth / A_SECOND + late_s) == tenth


def test_a_poll_served_late_is_not_lost_and_a_lost_one_is() -> None:
    in_time = [number / A_SECOND for number in range(20)]
    late = [at_s + (0.09 if at_s in (0.5, 0.6, 1.9) else 0.0) for at_s in in_time]
    assert untold_slots(late) == 0
    del late[8]
    assert untold_slots(late) == 1
    del late[3:5]
    assert untold_slots(late) == 3
    assert untold_slots([]) == untold_slots([7.0]) == 0
