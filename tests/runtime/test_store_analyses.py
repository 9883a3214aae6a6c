"""Analyses beside the live averages, read back."""

from dataclasses import replace
from pathlib import Path

from daq.records import TrialResult, TrialState
from daq.runtime.store import (
    read_analyses,
    read_budgets,
    read_trial_averages,
    read_trials,
)
from daq.runtime.store.analyses import insert_analysed_trial, insert_analysis
from daq.runtime.store.opening import altering_store
from tests.runtime.stored_bench import (
    FACTS,
    POWER,
    SUPPLY,
    begin_session,
    begin_trial,
    channel,
    opened,
    result,
    run_trial,
)


def analyse(
    path: Path,
    judged: dict[int, TrialResult],
    *,
    session: int = 1,
    rule_json: str = "{}",
) -> int:
    with altering_store(path) as connection:
        number = insert_analysis(
            connection,
            session=session,
            software="steadybench 9",
            rule_json=rule_json,
            note="least_s=50",
        )
        for trial, each in judged.items():
            insert_analysed_trial(connection, number, trial, each)
    return number


async def test_averages_and_trials_are_those_of_the_analysis(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        trial = await run_trial(store, result("7a1", POWER, SUPPLY, note="live"))
    other = replace(POWER, mean=1380.0)
    judged = replace(
        result("7a1", other, SUPPLY, note="drifting"), state=TrialState.NOT_SETTLED
    )
    number = analyse(path, {trial: judged})
    live, again = read_trials(path)[0], read_trials(path, analysis=number)[0]
    assert (live.analysis, live.state, live.note) == (0, "finished", "live")
    assert again == replace(
        live, analysis=1, state="not settled", note="drifting", software="steadybench 9"
    )
    power, supply = read_trial_averages(path, analysis=number)
    live_power, live_supply = read_trial_averages(path)
    assert live_power.note == "live"
    for row, expected in (
        (power, replace(live_power, mean=1380.0)),
        (supply, live_supply),
    ):
        assert row == replace(
            expected,
            analysis=1,
            state="not settled",
            note="drifting",
            software="steadybench 9",
        )
    assert [each.analysis for each in read_analyses(path)] == [0, 1]


async def test_each_trial_has_the_rule_that_it_was_judged_by(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        first = await run_trial(store, result("7a1", POWER))
        second = await begin_trial(store, 1, 1, uuid="7a2")
        await store.end_trial(second, result("7a2", POWER), rule_json="{}", outbox=None)
    judged = {first: result("7a1", POWER), second: result("7a2", POWER)}
    analyse(path, judged, rule_json='{"1":{"a":0.1},"2":{"a":0.2}}')
    analyse(path, judged, rule_json='{"a":0.3}')
    for analysis, rules in (
        (1, ['{"a":0.1}', '{"a":0.2}']),
        (2, ['{"a":0.3}', '{"a":0.3}']),
    ):
        rows = read_trial_averages(path, analysis=analysis)
        assert [row.rule_json for row in rows] == rules


async def test_an_analysis_describes_channels_as_they_were_at_the_trial(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        trial = await run_trial(store, result("7a1", POWER))
    moved = {"meter": (channel("power", "W", 2, place="outlet"),)}
    async with opened(path, moved):
        pass
    analyse(path, {trial: result("7a1", POWER)})
    (row,) = read_trial_averages(path, analysis=1)
    assert row.place == "duct"


async def test_a_session_that_has_averages_only_by_an_analysis_hides_no_live_one(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER))
        second = await begin_session(store, replace(FACTS, session_id="2"))
        trial = await begin_trial(store, second, 1, uuid="7b1")
        await store.end_trial(trial, result("7b1"), rule_json="{}", outbox=None)
    analyse(path, {trial: result("7b1", POWER)}, session=second)
    assert [row.session for row in read_trial_averages(path)] == [1]
    assert [each.trial.session for each in read_budgets(path, analysis=1)] == [2]
