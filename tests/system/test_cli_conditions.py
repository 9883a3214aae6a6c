"""The command line and repeats: a stored session's conditions, through the whole program."""

import asyncio
import csv
import io
import json
import math
from pathlib import Path

import pytest

from daq.records import (
    Accuracy,
    Channel,
    PlannedTrial,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
)
from daq.runtime.store import Store
from tests.system.command_line import Daq, Ended

AIRFLOW = Channel(
    *("airflow", "Airflow", "airflow", "m3/h", "duct", "meter", 0),
    accuracy=Accuracy(),
    interval_s=1.0,
)
ORDER = [
    # What was fitted, for the how-manieth time, how it ended, and the mean.
    ("clean filter", 1, TrialState.FINISHED, 200.0),
    ("used filter", 1, TrialState.FINISHED, 180.0),
    ("clean filter", 2, TrialState.FINISHED, 204.0),
    ("used filter", 2, TrialState.LIMIT_BROKEN, 150.0),
]


def average(mean: float, started_s: float) -> TrialAverage:
    return TrialAverage(
        channel="airflow",
        unit="m3/h",
        required=True,
        mean=mean,
        plain_mean=mean,
        std_uncertainty_type_a=0.3,
        degrees_of_freedom_a=20.0,
        std_uncertainty_type_b=2.0,
        std_uncertainty=math.hypot(0.3, 2.0),
        degrees_of_freedom=math.inf,
        coverage_factor=1.96,
        expanded_uncertainty=1.96 * math.hypot(0.3, 2.0),
        count=60,
        effective_count=21.0,
        window=Window(started_s + 30.0, started_s + 90.0),
    )


async def filled_store(path: Path) -> None:
    loop = asyncio.get_running_loop()
    store = Store.open(
        path, instruments={"meter": (AIRFLOW,)}, on_trouble=lambda _: None, loop=loop
    )
    clock_id = await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    facts = SessionFacts("s", 0, "bench", "plan", "Blower", "1970-01-01", 1.0, "test")
    lines = [
        PlannedTrial(position, name, repeat, baseline=name == "clean filter")
        for position, (name, repeat, _, _) in enumerate(ORDER, start=1)
    ]
    session = await store.begin_session(
        facts, plan_digest="", plan_text="", bench_text="", seed=1, order=lines
    )
    for line, (_, _, state, mean) in zip(lines, ORDER, strict=True):
        started_s = 200.0 * line.position
        uuid = f"t{line.position}"
        trial = store.begin_trial(
            session,
            line,
            attempt=1,
            uuid=uuid,
            clock_id=clock_id,
            started_s=started_s,
        )
        averages = (average(mean, started_s),)
        result = TrialResult(
            uuid, line, 1, state, started_s, started_s + 100.0, averages
        )
        await store.end_trial(trial, result, rule_json="{}", outbox=None)
    await store.close()


@pytest.fixture
def store(folder: Path) -> Path:
    path = folder / "bench.db"
    asyncio.run(filled_store(path))
    return path


def rows_of(told: Ended) -> list[dict[str, str]]:
    assert (told.code, told.err) == (0, "")
    return list(csv.DictReader(io.StringIO(told.out, newline="")))


def test_conditions_are_exported_with_their_repeats(run: Daq, store: Path) -> None:
    clean, used = rows_of(run("export", store, "--table", "conditions"))
    assert (clean["condition"], clean["channel"], clean["unit"]) == (
        "clean filter",
        "airflow",
        "m3/h",
    )
    assert (clean["trials"], clean["mean"], clean["trial_numbers"]) == (
        "2",
        "202.0",
        "1 3",
    )
    # Half the difference of the two; what is common to both stays whole.
    assert float(clean["std_uncertainty_type_a"]) == pytest.approx(2.0)
    assert float(clean["std_uncertainty_type_b"]) == pytest.approx(2.0)
    assert clean["basis"] == "spread of its own trials"
    # A limit was broken in the other's second trial: it does not count, the spread of the first's trials is borrowed.
    assert (used["trials"], used["mean"]) == ("1", "180.0")
    assert used["basis"] == "spread pooled over conditions"
    assert float(used["std_uncertainty_type_a"]) == pytest.approx(math.sqrt(8.0))


def test_conditions_are_exported_as_json(run: Daq, store: Path) -> None:
    words = ("--table", "conditions", "--format", "json", "--session", "1")
    told = run("export", store, *words)
    assert (told.code, told.err) == (0, "")
    document = json.loads(told.out)
    assert document["format"] == 1
    clean, used = document["conditions"]
    assert clean["std_dev_between"] == pytest.approx(math.sqrt(8.0 - 0.09))
    assert used["std_dev_between"] is None


def test_a_store_without_averages_exports_the_columns_of_conditions(
    run: Daq, folder: Path
) -> None:
    async def empty_store() -> None:
        loop = asyncio.get_running_loop()
        store = Store.open(
            folder / "bench.db", instruments={}, on_trouble=lambda _: None, loop=loop
        )
        await store.close()

    asyncio.run(empty_store())
    told = run("export", folder / "bench.db", "--table", "conditions")
    assert (told.code, told.err) == (0, "")
    (header,) = csv.reader(io.StringIO(told.out, newline=""))
    assert {"condition", "channel", "mean", "std_dev_between"} <= set(header)
