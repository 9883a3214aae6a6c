"""A recorded session gone through again: readings as they came, what was judged, channels as they were."""

import dataclasses
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daq.config.bench import Bench, parse_bench
from daq.config.plan import Plan
from daq.errors import InputError, StoreBusyError
from daq.records import Reading, TrialResult, TrialState
from daq.runtime.store.replay import RecordedTrial, Replay, replaying
from daq.trials.judging import (
    SessionRules,
    reading_order,
    recorded_channels,
    with_recorded_rule,
)
from daq.trials.reanalysis import ReadingBlock, judge_again
from daq.trials.stages import Stage
from tests.runtime.conftest import BENCH, MAINS, VANE, Computer
from tests.runtime.recorded_session import Recording, recording, rows


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


@contextmanager
def recorded(path: Path) -> Iterator[tuple[Replay, tuple[RecordedTrial, ...]]]:
    with replaying(path, keeping=False) as replay:
        yield replay, replay.session().trials


def seconds(block: ReadingBlock) -> list[tuple[str, float, float]]:
    """A block in the words of its channels."""
    return [
        (block.channels[which], at_s, value)
        for which, at_s, value in zip(
            block.which, block.times_s, block.values, strict=True
        )
    ]


def again(replay: Replay, plan: Plan, trial: RecordedTrial) -> TrialResult:
    rules = rules_of(plan, trial)
    return judge_again(
        trial.result,
        rules,
        lambda: replay.blocks(trial, reading_order(rules)),
        idle=replay.idle(trial, rules.channels),
        even_so=False,
    )


def rules_of(plan: Plan, trial: RecordedTrial) -> SessionRules:
    assert trial.rule_json is not None
    return with_recorded_rule(plan.rules, trial.rule_json)


# ---- readings


async def test_readings_come_back_in_the_order_in_which_they_arrived(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    order = reading_order(plan.rules)
    async with recording(path, bench, plan, computer) as (session, _):
        session.rehearsal.stand_still()
        session.rehearsal.read(6.0, 1400.0)
        on_s = session.clock.bench_s()
        # The anemometer's line is slow: what was true before comes after.
        session.rehearsal.read(6.1, 1401.0)
        session.rehearsal.take(Reading("anemometer", on_s + 0.5, (12.5,)))
        session.rehearsal.read(6.2, None)
    with recorded(path) as (replay, (trial,)):
        (block,) = replay.blocks(trial, order)
    assert seconds(block) == [
        ("current", on_s, 6.0),
        ("power", on_s, 1400.0),
        ("current", on_s + 1.0, 6.1),
        ("power", on_s + 1.0, 1401.0),
        ("velocity", on_s + 0.5, 12.5),
        # What the meter could not show is no reading.
        ("current", on_s + 2.0, 6.2),
    ]


async def test_readings_of_a_later_program_are_numbered_after_those_of_the_earlier(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    for _ in range(2):
        async with recording(path, bench, plan, computer) as (session, _):
            session.rehearsal.stand_still()
            session.rehearsal.take(Reading("anemometer", 0.0, (1.0,)))
    numbers = rows(
        path,
        "SELECT seq FROM readings_meter UNION ALL SELECT seq FROM readings_anemometer",
    )
    assert sorted(number for (number,) in numbers) == list(range(1, 11))


async def test_long_trials_come_in_blocks_and_in_the_same_order(
    path: Path,
    bench: Bench,
    plan: Plan,
    computer: Computer,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    order = reading_order(plan.rules)
    async with recording(path, bench, plan, computer) as (session, _):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.DONE)
    with recorded(path) as (replay, (trial,)):
        (whole,) = replay.blocks(trial, order)
        monkeypatch.setattr("daq.runtime.store.replay.BLOCK", 7)
        parts = list(replay.blocks(trial, order))
    assert len(parts) > 10
    assert [r for part in parts for r in seconds(part)] == seconds(whole)


# ---- what was judged


async def test_a_settled_trial_comes_out_the_same_to_the_bit(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        settle(session)
        live = session.rehearsal.running.results[0]
    with recorded(path) as (replay, (trial,)):
        assert trial.result == live
        assert again(replay, plan, trial) == live


def settle(session: Recording) -> None:
    session.rehearsal.stand_still()
    session.rehearsal.run_until(Stage.DONE)
    session.rehearsal.stand_still()


async def test_what_came_after_the_time_was_up_was_not_judged(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    impatient = dataclasses.replace(
        plan, rules=dataclasses.replace(plan.rules, longest_s=50.0)
    )
    order = reading_order(plan.rules)
    async with recording(path, bench, impatient, computer) as (session, _):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.NOT_SETTLED)
        given_up_s = session.clock.bench_s()
        for _ in range(120):
            session.rehearsal.read(6.0, 1400.0)
        session.rehearsal.stand_still()
    with recorded(path) as (replay, (trial,)):
        (block,) = replay.blocks(trial, order)
        assert max(block.times_s) == given_up_s - 1.0
        assert again(replay, impatient, trial).state is TrialState.NOT_SETTLED


async def test_what_came_after_a_limit_was_broken_was_not_judged(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    order = reading_order(plan.rules)
    async with recording(path, bench, plan, computer) as (session, _):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.LIMIT, amperes=14.0)
        broken_s = session.clock.bench_s()
        for _ in range(120):
            session.rehearsal.read(6.0, 1400.0)
    with recorded(path) as (replay, (trial,)):
        (block,) = replay.blocks(trial, order)
        assert max(block.times_s) == broken_s - 1.0
        result = again(replay, plan, trial)
    assert (result.state, result.averages) == (TrialState.LIMIT_BROKEN, ())


async def test_a_trial_that_was_killed_can_be_judged(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        session.rehearsal.stand_still()
        session.rehearsal.run_until(Stage.SETTLING)
    with recorded(path) as (replay, (trial,)):
        assert trial.result.state is TrialState.RUNNING
        assert again(replay, plan, trial).state is TrialState.UNFINISHED


# ---- channels


async def test_channels_are_those_of_the_time_and_not_of_today(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    coarser = MAINS.replace("resolution = 0.1", "resolution = 1.0")
    profiles = {"mains": ("mains.toml", coarser), "vane": ("vane.toml", VANE)}
    later = parse_bench(BENCH, file="bench.toml", find_profile=profiles.get)
    async with recording(path, bench, plan, computer) as (session, _):
        settle(session)
    async with recording(path, later, plan, computer, new=True) as (session, _):
        settle(session)
    with replaying(path, keeping=False) as replay:
        for number, expected in ((1, bench), (2, later)):
            (trial,) = replay.session(number).trials
            known = {channel.name: channel for channel in replay.channels(trial)}
            assert trial.rule_json is not None
            names = recorded_channels(trial.rule_json)
            assert tuple(known[name] for name in names) == expected.channels


# ---- zeros


async def test_idle_readings_are_those_that_the_zero_was_taken_from(
    path: Path, plan: Plan, computer: Computer
) -> None:
    text = BENCH.replace(
        'name = "velocity"\ntitle', 'name = "velocity"\nsubtract_idle = true\ntitle'
    )
    profiles = {"mains": ("mains.toml", MAINS), "vane": ("vane.toml", VANE)}
    bench = parse_bench(text, file="bench.toml", find_profile=profiles.get)
    rules = dataclasses.replace(plan.rules, channels=bench.channels)
    plan = dataclasses.replace(plan, rules=rules)
    async with recording(path, bench, plan, computer) as (session, _):
        rehearsal = session.rehearsal
        for second in range(40):
            rehearsal.read(0.0, 0.0)
            at_s = session.clock.bench_s() + 0.5
            rehearsal.take(Reading("anemometer", at_s, (0.02 + 0.01 * (second % 2),)))
        while session.session.stage is not Stage.DONE:
            rehearsal.read(6.0, 1400.0)
            at_s = session.clock.bench_s() + 0.5
            rehearsal.take(Reading("anemometer", at_s, (12.0,)))
        rehearsal.stand_still()
        live = rehearsal.running.results[0]
    zeros = {a.channel: a.zero_offset for a in live.averages}
    # Readings of 0.02 and 0.03 m/s in turn.
    assert zeros["velocity"] == pytest.approx(0.025, abs=0.001)
    with recorded(path) as (replay, (trial,)):
        assert again(replay, plan, trial).averages == live.averages


# ---- keeping


async def test_an_analysis_is_kept_beside_what_was_averaged_live(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        settle(session)
    live = rows(path, "SELECT * FROM trial_averages")
    with replaying(path, keeping=True) as replay:
        (trial,) = replay.session().trials
        changed = dataclasses.replace(
            trial.result, state=TrialState.NOT_SETTLED, averages=(), note="power: drift"
        )
        number = replay.keep(
            {trial.number: changed},
            session=1,
            software="steadybench 0",
            rule_json="{}",
            note="n",
        )
    assert number == 1
    assert rows(path, "SELECT * FROM trial_averages") == live
    kept = "SELECT analysis_id, trial_id, state, note FROM analysed_trials"
    assert rows(path, kept) == [(1, 1, "not settled", "power: drift")]


async def test_nothing_is_kept_while_another_program_writes(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer) as (session, _):
        settle(session)
        with pytest.raises(StoreBusyError), replaying(path, keeping=True):
            pass


async def test_a_session_that_is_not_there_is_refused(
    path: Path, bench: Bench, plan: Plan, computer: Computer
) -> None:
    async with recording(path, bench, plan, computer):
        pass
    with replaying(path, keeping=False) as replay:
        with pytest.raises(InputError, match="no session with a trial"):
            replay.session()
        with pytest.raises(InputError, match="no session 7"):
            replay.session(7)
