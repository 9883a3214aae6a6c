"""A session goes on where it was interrupted, unless what it is about has changed."""

from dataclasses import replace
from pathlib import Path

import pytest

from daq.config.bench import Bench, parse_bench
from daq.config.plan import Plan, parse_plan
from daq.errors import InputError, OperationRefusedError, Refusal
from daq.operations import SameAsBefore
from daq.records import TrialState
from daq.runtime.store import read_sessions, read_trials
from daq.trials.stages import Stage
from tests.runtime.conftest import BENCH, MAINS, PLAN, VANE, Computer
from tests.runtime.recorded_session import recording, rows


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


async def test_a_session_goes_on_after_the_program_was_killed(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
        identity = session.start.facts
        result = session.rehearsal.running.results[0]
    async with recording(path, bench, plan, computer) as (session, _):
        start = session.start
        assert start.words == "Session 1 goes on: 1 of 2 trials are done."
        assert start.facts == identity
        (earlier,) = start.earlier
        assert earlier.trial_id == result.trial_id
        assert earlier.averages == result.averages
        called_for = session.session.called_for
        assert called_for is not None
        assert called_for.condition == "long lead"
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
        session.rehearsal.stand_still()
        assert session.session.stage is Stage.FINISHED
    assert [t.state for t in read_trials(path)] == ["finished"] * 2
    assert len(read_sessions(path)) == 1


async def test_a_trial_that_ran_when_the_program_was_killed_is_asked_for_again(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.SETTLING)
        last_s = session.clock.bench_s()
    async with recording(path, bench, plan, computer) as (session, _):
        assert session.start.words == "Session 1 goes on: 0 of 2 trials are done."
        (given_up,) = session.start.earlier
        assert given_up.state is TrialState.UNFINISHED
        assert given_up.note == "the program was stopped while it ran"
        # It lasted as long as there are readings of it.
        assert given_up.ended_s == last_s
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.RUNNING_UP)
        trial = session.session.trial()
        assert trial is not None
        assert trial.planned.condition == "short lead"
    assert [(t.state, t.attempt) for t in read_trials(path)] == [
        ("unfinished", 1),
        ("running", 2),
    ]


def changed(plan_bench: Bench, old: str, new: str) -> Plan:
    assert old in PLAN
    return parse_plan(PLAN.replace(old, new), file="plan.toml", bench=plan_bench)


CHANGES = [
    ("least_s = 30", "least_s = 40"),
    ('required = ["power"]', 'required = ["power"]\ntolerance = 0.01'),
    ('name = "long lead"', 'name = "longer lead"'),
    ("above = 13.0", "above = 12.0"),
    ("on_above = 1.0", "on_above = 1.5"),
]


async def do_one_trial(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
        session.rehearsal.stand_still()


@pytest.mark.parametrize("change", CHANGES)
async def test_a_changed_plan_is_refused_once_trials_are_done(
    path: Path, bench: Bench, plan: Plan, computer: Computer, change: tuple[str, str]
) -> None:
    await do_one_trial(path, bench, plan, computer)
    other = changed(bench, *change)
    with pytest.raises(InputError, match=r"session 1 .*\(1 of 2 trials .* --new"):
        async with recording(path, bench, other, computer):
            pass
    # Nothing was given up for it.
    assert [s.state for s in read_sessions(path)] == ["open"]
    async with recording(path, bench, plan, computer) as (session, _):
        assert session.start.words == "Session 1 goes on: 1 of 2 trials are done."


async def test_another_accuracy_of_a_channel_is_a_change_too(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    await do_one_trial(path, bench, plan, computer)
    better = {
        "mains": ("mains.toml", MAINS.replace("reading = 0.5", "reading = 0.2")),
        "vane": ("vane.toml", VANE),
    }
    other = parse_bench(BENCH, file="bench.toml", find_profile=better.get)
    its_plan = parse_plan(PLAN, file="plan.toml", bench=other)
    with pytest.raises(InputError, match=r"a channel of the bench, has changed.*--new"):
        async with recording(path, other, its_plan, computer):
            pass


async def test_a_changed_plan_begins_anew_where_no_trial_is_done(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.SETTLING)
        session.rehearsal.stand_still()
    other = changed(bench, *CHANGES[0])
    async with recording(path, bench, other, computer) as (session, _):
        assert session.start.words == (
            "Session 1 stays unfinished. Session 2 begins: 2 trials."
        )
        assert session.start.facts.number == 2
    assert [s.state for s in read_sessions(path)] == ["abandoned", "open"]


async def test_comments_and_where_the_meters_are_plugged_in_do_not_matter(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    await do_one_trial(path, bench, plan, computer)
    moved = {"mains": ("mains.toml", MAINS), "vane": ("vane.toml", VANE)}
    text = "# Moved to the other hub.\n" + BENCH.replace("ports/meter", "ports/left")
    bench = parse_bench(text, file="bench.toml", find_profile=moved.get)
    commented = "# Another thought.\n" + PLAN.replace("300.0", "300.0  # enough")
    plan = parse_plan(commented, file="plan.toml", bench=bench)
    async with recording(path, bench, plan, computer) as (session, _):
        assert session.start.words == "Session 1 goes on: 1 of 2 trials are done."


async def test_another_speed_is_refused_once_trials_are_done(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    await do_one_trial(path, bench, plan, computer)
    told = r"begun with --speed 1, not 12; .* --new"
    with pytest.raises(InputError, match=told):
        async with recording(path, bench, plan, computer, speed=12.0):
            pass
    assert [s.state for s in read_sessions(path)] == ["open"]


async def test_a_new_session_can_be_asked_for_whatever_is_done(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    await do_one_trial(path, bench, plan, computer)
    async with recording(path, bench, plan, computer, new=True) as (session, _):
        assert session.start.words == (
            "Session 1 stays unfinished. Session 2 begins: 2 trials."
        )
        assert session.start.earlier == ()
    assert [s.state for s in read_sessions(path)] == ["abandoned", "open"]


async def test_a_finished_session_is_not_gone_on_with(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, store):
        first = session.start.facts
        await store.end_session(
            first.number, state="finished", ended_utc=session.clock.utc_text()
        )
    async with recording(path, bench, plan, computer) as (session, _):
        assert session.start.words == "Session 2 begins: 2 trials."
        assert session.start.facts.session_id != first.session_id


async def test_another_plan_on_the_same_bench_has_its_own_session(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer):
        pass
    other = replace(plan, name="filters")
    async with recording(path, bench, other, computer) as (session, _):
        assert session.start.words == "Session 2 begins: 2 trials."
    async with recording(path, bench, plan, computer) as (session, _):
        assert session.start.words.startswith("Session 1 goes on")


# ---- another day

DAY_S = 8 * 3600.0
ALL_THE_SAME = SameAsBefore(machine=True, meters=True, room=True)


async def test_a_session_taken_up_the_same_day_goes_on_without_a_question(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    await do_one_trial(path, bench, plan, computer)
    computer.pass_s(DAY_S - 60.0)
    async with recording(path, bench, plan, computer) as (session, _):
        assert not session.start.is_another_day


async def test_a_session_taken_up_on_another_day_asks_what_is_the_same(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    await do_one_trial(path, bench, plan, computer)
    computer.pass_s(DAY_S)
    with pytest.raises(OperationRefusedError, match=r"session 1 .* day; are") as caught:
        async with recording(path, bench, plan, computer):
            pass
    assert caught.value.code is Refusal.ANOTHER_DAY
    assert [s.state for s in read_sessions(path)] == ["open"]
    async with recording(path, bench, plan, computer, same=ALL_THE_SAME) as (found, _):
        assert found.start.is_another_day
        assert found.start.words == "Session 1 goes on: 1 of 2 trials are done."


@pytest.mark.parametrize(
    "same",
    [
        SameAsBefore(machine=False, meters=True, room=True),
        SameAsBefore(machine=True, meters=False, room=False),
    ],
)
async def test_what_is_not_the_same_can_only_be_begun_anew(
    path: Path, bench: Bench, plan: Plan, computer: Computer, same: SameAsBefore
) -> None:
    await do_one_trial(path, bench, plan, computer)
    computer.pass_s(DAY_S)
    with pytest.raises(OperationRefusedError, match="begin anew") as caught:
        async with recording(path, bench, plan, computer, same=same):
            pass
    assert caught.value.code is Refusal.NOT_THE_SAME
    async with recording(path, bench, plan, computer, new=True) as (session, _):
        assert session.start.facts.number == 2


async def test_where_no_trial_was_made_another_day_is_like_any(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer):
        pass
    computer.pass_s(3 * DAY_S)
    async with recording(path, bench, plan, computer) as (session, _):
        assert session.start.words == "Session 1 goes on: 0 of 2 trials are done."
        assert not session.start.is_another_day


async def test_the_day_is_told_by_when_the_session_was_last_worked_on(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        computer.pass_s(DAY_S - 600.0)
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
        session.rehearsal.stand_still()
    assert rows(path, "SELECT worked_on_utc > started_utc FROM sessions") == [(1,)]
    computer.pass_s(DAY_S - 600.0)
    async with recording(path, bench, plan, computer) as (session, _):
        assert not session.start.is_another_day
