"""What uncertainties are made of, and analyses beside the live averages; files of the format before."""

import math
import os
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from daq.config.bench import parse_bench
from daq.config.plan import parse_plan
from daq.errors import InputError, StoreBusyError, StoreError
from daq.records import (
    Contribution,
    Distribution,
    Evaluation,
    Reading,
    TrialAverage,
    TrialState,
    Window,
)
from daq.runtime.store import (
    read_budgets,
    read_readings,
    read_sessions,
    read_trial_averages,
    read_trials,
)
from daq.runtime.store.analyses import (
    averages_of,
    insert_analysed_trial,
    insert_analysis,
)
from daq.runtime.store.opening import altering_store, lock_for_writing, reading_store
from daq.trials.averaging import zero_from_readings
from daq.trials.stages import Stage
from tests.runtime.conftest import BENCH, MAINS, PLAN, VANE, Computer
from tests.runtime.recorded_session import recording
from tests.runtime.stored_bench import (
    FACTS,
    POWER,
    SUPPLY,
    ask,
    begin_session,
    begin_trial,
    opened,
    result,
    run_trial,
)

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
PARTS = (
    Contribution(
        0.5,
        30.0,
        "scatter and drift",
        Evaluation.TYPE_A,
        Distribution.NORMAL,
        "60 readings worth 31",
    ),
    Contribution(4.0, math.inf, "accuracy", distribution=Distribution.RECTANGULAR),
    Contribution(0.1, 20.0, "certificate", detail="U = 0.2, k = 2"),
)
WITH_BUDGET = replace(POWER, contributions=PARTS, zero_offset=0.25)


def format_1_file(folder: Path) -> Path:
    path = folder / "old.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    return path


# ---- contributions


async def test_a_budget_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        await run_trial(store, result("7a1", WITH_BUDGET, SUPPLY))
        session = await store.open_session("leads")
    assert session is not None
    assert session.ended == (result("7a1", WITH_BUDGET, SUPPLY),)
    (trial,) = read_budgets(path)
    power, supply = trial.averages
    assert (power.average.channel, power.contributions) == ("power", PARTS)
    assert power.zero_offset == 0.25
    assert (supply.contributions, supply.zero_offset) == ((), 0.0)


async def test_infinite_degrees_of_freedom_of_a_contribution_are_null(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        await run_trial(store, result("7a1", WITH_BUDGET))
    rows = ask(
        path,
        "SELECT line, name, kind, degrees_of_freedom, round(variance_share, 4)"
        " FROM trial_contributions ORDER BY line",
    )
    # 4.031 W combined, as stored: 0.25/16.249, 16/16.249, 0.01/16.249.
    assert rows == [
        (1, "scatter and drift", "A", 30.0, 0.0154),
        (2, "accuracy", "B", None, 0.9847),
        (3, "certificate", "B", 20.0, 0.0006),
    ]


async def test_a_trial_that_is_written_again_has_one_budget(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        trial = await run_trial(store, result("7a1", WITH_BUDGET))
        fewer = replace(WITH_BUDGET, contributions=PARTS[:2])
        again = replace(result("7a1", fewer), idle=Window(38.0, 98.0))
        await store.end_trial(trial, again, rule_json="{}", outbox=None)
        session = await store.open_session("leads")
    assert session is not None
    assert session.ended == (again,)
    assert ask(path, "SELECT count(*) FROM contributions") == [(2,)]
    assert ask(path, "SELECT idle_start_s, idle_end_s FROM trials") == [(38.0, 98.0)]


async def test_budgets_are_those_of_one_session_or_one_trial(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        await run_trial(store, result("7a1", WITH_BUDGET))
        second = await begin_session(store, replace(FACTS, session_id="2"))
        trial = await begin_trial(store, second, 1, uuid="7b1")
        await store.end_trial(trial, result("7b1", SUPPLY), rule_json="{}", outbox=None)
    assert [each.trial.trial for each in read_budgets(path)] == [2]
    assert [each.trial.trial for each in read_budgets(path, session=1)] == [1]
    assert [each.trial.session for each in read_budgets(path, trial=1)] == [1]
    with pytest.raises(InputError, match="session 2 has no trial 1, it holds 2"):
        read_budgets(path, session=2, trial=1)
    with pytest.raises(InputError, match="no trial 7, it holds 1 to 2"):
        read_budgets(path, trial=7)


# ---- a recorded session


async def test_a_recorded_zero_can_be_taken_again_from_the_stored_readings(
    tmp_path: Path, computer: Computer
) -> None:
    bench_file = BENCH + "subtract_idle = true\n"
    profiles = {"mains": ("mains.toml", MAINS), "vane": ("vane.toml", VANE)}
    bench = parse_bench(bench_file, file="bench.toml", find_profile=profiles.get)
    plan = parse_plan(PLAN, file="plan.toml", bench=bench)
    noise = Random(3)  # noqa: S311 - noise of a meter, no secret
    path = tmp_path / "bench.db"
    async with recording(path, bench, plan, computer) as (session, _):
        rehearsal = session.rehearsal
        for second in range(400):
            on = second >= 50
            rehearsal.read(6.0 if on else 0.0, 1400.0 + noise.gauss() if on else 0.0)
            blown = (12.0 if on else 0.07) + noise.gauss(0.0, 0.02)
            at_s = rehearsal.clock.bench_s() + 0.25
            rehearsal.take(Reading("anemometer", at_s, (blown,)))
            if session.session.stage is Stage.DONE:
                break
        rehearsal.stand_still()
        await session.recorder.wait_written()
    (trial,) = read_budgets(path)
    velocity = next(a for a in trial.averages if a.average.channel == "velocity")
    idle = ask(
        path,
        "SELECT r.velocity_m_per_s FROM readings_anemometer r, trials t"
        " WHERE t.id = 1 AND r.at_s BETWEEN t.idle_start_s AND t.idle_end_s"
        " ORDER BY r.at_s",
    )
    values = [float(str(value)) for (value,) in idle]
    zero = zero_from_readings(values, resolution=0.01)
    assert zero is not None
    assert len(values) > 20
    # To the bit: the same readings, in the same order.
    assert velocity.zero_offset == zero.mean
    assert velocity.zero_offset == pytest.approx(0.07, abs=0.02)
    part = next(each for each in velocity.contributions if each.name == "zero")
    assert part.std_uncertainty == zero.std_uncertainty
    assert ask(path, "SELECT name FROM channels WHERE subtract_idle = 1") == [
        ("velocity",)
    ]


# ---- analyses


async def test_an_analysis_stands_beside_the_live_averages(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        trial = await run_trial(store, result("7a1", WITH_BUDGET, SUPPLY))
    other = replace(WITH_BUDGET, mean=1380.0, contributions=PARTS[:1])
    judged = replace(
        result("7a1", other), state=TrialState.NOT_SETTLED, note="drifting"
    )
    with altering_store(path) as connection:
        number = insert_analysis(
            connection, session=1, software="steadybench", rule_json='{"a": 1}'
        )
        insert_analysed_trial(connection, number, trial, judged)
    assert number == 1
    with reading_store(path) as connection:
        assert averages_of(connection, trial) == (WITH_BUDGET, SUPPLY)
        assert averages_of(connection, trial, analysis=number) == (other,)
    assert ask(
        path, "SELECT id, session_id, rule_json, note FROM analyses ORDER BY id"
    ) == [(0, None, None, "averaged live"), (1, 1, '{"a": 1}', "")]
    assert ask(
        path,
        "SELECT trial_id, state, window_start_s, window_end_s, note FROM analysed_trials",
    ) == [(trial, "not settled", 130.0, 190.0, "drifting")]
    assert [row.mean for row in read_trial_averages(path)] == [1383.2, 229.0]
    (budgets,) = read_budgets(path)
    assert budgets.averages[0].contributions == PARTS
    assert ask(path, "SELECT count(*) FROM trial_contributions") == [(3,)]


async def test_what_fails_half_way_leaves_the_store_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        await run_trial(store, result("7a1", POWER))
    with (  # noqa: PT012 - the block is what fails
        pytest.raises(ValueError, match="average of power"),
        altering_store(path) as connection,
    ):
        number = insert_analysis(
            connection, session=1, software="steadybench", rule_json="{}"
        )
        broken = replace(POWER, mean=math.nan)
        insert_analysed_trial(connection, number, 1, result("7a1", broken))
    assert ask(path, "SELECT count(*) FROM analyses") == [(1,)]


async def test_a_store_that_is_being_written_is_not_altered(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    async with opened(path):
        with (
            pytest.raises(StoreBusyError, match="another program is writing it"),
            altering_store(path),
        ):
            pass


def test_there_is_nothing_to_alter_where_there_is_no_store(tmp_path: Path) -> None:
    with (
        pytest.raises(StoreError, match="no results file there"),
        altering_store(tmp_path / "bench.db"),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


# ---- the format before


def live_averages(path: Path) -> tuple[TrialAverage, ...]:
    with reading_store(path) as connection:
        return averages_of(connection, 1)


def test_a_file_of_the_format_before_is_read_as_it_lies(tmp_path: Path) -> None:
    path = format_1_file(tmp_path)
    before = path.read_bytes()
    assert [s.finished for s in read_sessions(path)] == [1]
    assert [t.state for t in read_trials(path)] == ["finished", "unfinished"]
    assert [row.mean for row in read_trial_averages(path)] == [1383.2, 229.0]
    powers = [row[5] for readings in read_readings(path) for row in readings.rows]
    assert powers == [1383.0, 1384.0, 1385.0]
    first, second = read_budgets(path)
    assert [each.contributions for each in first.averages] == [(), ()]
    assert second.averages == ()
    assert path.read_bytes() == before


async def test_a_file_of_the_format_before_is_migrated_when_it_is_opened_for_writing(
    tmp_path: Path,
) -> None:
    path = format_1_file(tmp_path)
    averages, trials = read_trial_averages(path), read_trials(path)
    async with opened(path) as store:
        session = await store.open_session("leads")
        assert session is not None
        trial = await begin_trial(store, 1, 1, uuid="7a3", at_s=400.0)
        ended = replace(result("7a3", WITH_BUDGET), started_s=400.0)
        await store.end_trial(trial, ended, rule_json="{}", outbox=None)
    # What was stored before is what it was; the trial that was added has its budget.
    assert session.ended[0] == result("7a1", POWER, SUPPLY)
    assert ask(path, "PRAGMA user_version") == [(3,)]
    assert ask(path, "PRAGMA foreign_key_check") == []
    assert read_trial_averages(path)[:2] == averages
    assert read_trials(path)[:2] == trials
    assert live_averages(path) == (POWER, SUPPLY)
    old, _, new = read_budgets(path)
    assert [each.contributions for each in old.averages] == [(), ()]
    assert [each.contributions for each in new.averages] == [PARTS]


async def test_a_migrated_file_has_the_schema_of_a_new_one(tmp_path: Path) -> None:
    old, new = format_1_file(tmp_path), tmp_path / "new.db"
    for path in (old, new):
        async with opened(path):
            pass
    question = (
        "SELECT m.name, c.name, c.type FROM sqlite_master m, pragma_table_info(m.name) c"
        " WHERE m.type IN ('table', 'view') ORDER BY 1, c.cid"
    )
    assert ask(old, question) == ask(new, question)


async def test_a_view_of_the_users_own_outlasts_the_migration(tmp_path: Path) -> None:
    path = format_1_file(tmp_path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE VIEW mine AS SELECT mean FROM trial_averages")
    async with opened(path):
        pass
    assert ask(path, "SELECT mean FROM mine ORDER BY mean") == [(229.0,), (1383.2,)]


async def test_a_file_of_the_format_before_that_is_being_written_is_not_migrated(
    tmp_path: Path,
) -> None:
    path = format_1_file(tmp_path)
    lock = lock_for_writing(path)
    try:
        with pytest.raises(StoreBusyError, match="another program is writing it"):
            async with opened(path):
                pass
    finally:
        os.close(lock)
    assert ask(path, "PRAGMA user_version") == [(1,)]
