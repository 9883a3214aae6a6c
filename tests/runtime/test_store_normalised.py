"""Normalised averages in the store: as written, in views, beside files of the format before."""

import math
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daq.records import NormalisedBy, TrialAverage
from daq.runtime.store import read_budgets, read_trial_averages
from daq.runtime.store.analyses import averages_of
from daq.runtime.store.opening import altering_store, reading_store
from tests.runtime.stored_bench import POWER, SUPPLY, ask, opened, result, run_trial

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
BY = NormalisedBy("supply", 230.0, 1.8 / 1.1, 0.1 + 0.2, 40.25, 227.3)
NORMALISED = replace(POWER, mean=1402.5, normalised=BY)


@pytest.mark.parametrize(
    "average",
    [
        NORMALISED,
        replace(NORMALISED, normalised=replace(BY, degrees_of_freedom=math.inf)),
        POWER,
    ],
)
async def test_an_average_comes_back_to_the_bit(
    tmp_path: Path, average: TrialAverage
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        trial = await run_trial(store, result("7a1", average, SUPPLY))
    with reading_store(path) as connection:
        assert averages_of(connection, trial) == (average, SUPPLY)


async def test_the_view_tells_both_means_and_how_the_one_was_normalised(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    async with opened(path) as store:
        await run_trial(store, result("7a1", NORMALISED, SUPPLY))
    power, supply = read_trial_averages(path)
    assert (power.mean, power.plain_mean) == (1402.5, 1383.3)
    assert (power.normalised_by, power.reference_v) == ("supply", 230.0)
    assert power.exponent == 1.8 / 1.1
    assert power.exponent_std_uncertainty == 0.1 + 0.2
    assert power.exponent_degrees_of_freedom == 40.25
    assert power.mean_voltage_v == 227.3
    assert supply.normalised_by is None
    assert supply.exponent_degrees_of_freedom is None
    assert ask(
        path, "SELECT channel, mean, plain_mean, normalised_by FROM trial_averages"
    ) == [("power", 1402.5, 1383.3, "supply"), ("supply", 229.0, 1383.3, None)]
    (budgets,) = read_budgets(path)
    assert budgets.averages[0].average.reference_v == 230.0


def test_files_of_the_format_before_say_that_nothing_was_normalised(
    tmp_path: Path,
) -> None:
    path = tmp_path / "old.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    before = read_trial_averages(path)
    assert before
    assert {row.normalised_by for row in before} == {None}
    with altering_store(path) as connection:
        (trial,) = connection.execute("SELECT min(trial_id) FROM averages").fetchone()
        assert {a.normalised for a in averages_of(connection, trial)} == {None}
    assert read_trial_averages(path) == before
