"""A meter in HOLD during one trial: what `daq compare`, the report and the page say of it."""

import asyncio
import json
from collections.abc import Collection
from pathlib import Path
from random import Random

import pytest

from daq.config.plan import parse_plan
from daq.runtime.compared_lines import compared_so_far
from daq.trials.stages import Stage
from tests.runtime.conftest import PLAN, Computer
from tests.runtime.recorded_session import recording
from tests.system.command_line import Daq
from tests.system.recorded_bench import small_bench

TWICE = PLAN.replace("[start]", "[order]\nrepeats = 2\nkind = 'as written'\n[start]")
BEGINS = "Power stood still in trial 3 ("
MEANS = "A meter with HOLD pressed, or one that hangs, looks like this"


def recorded(path: Path, *, in_hold: Collection[int] = (3,)) -> Path:
    """Four trials at 1400 W, give or take a watt; the wattmeter shows one and the same in those that are named."""
    plan = parse_plan(TWICE, file="plan.toml", bench=small_bench())

    async def rehearse() -> None:
        async with recording(path, small_bench(), plan, Computer(), new=True) as (
            session,
            _,
        ):
            rehearsal, random = session.rehearsal, Random(3)  # noqa: S311 - noise of a meter, no secret
            for trial in range(1, 5):
                rehearsal.stand_still()
                scatter = 0.0 if trial in in_hold else 1.0
                while rehearsal.session.stage is not Stage.DONE:
                    watts = 1400.0 + random.gauss(0.0, scatter)
                    rehearsal.read(6.0, round(watts, 1))
            rehearsal.stand_still()

    asyncio.run(rehearse())
    return path


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return recorded(tmp_path_factory.mktemp("held") / "bench.db")


def test_the_comparison_says_so_ahead_of_its_figures(run: Daq, store: Path) -> None:
    said = " ".join(run("compare", store).out.split())
    assert BEGINS in said
    assert MEANS in said
    assert said.index(MEANS) < said.index("standard deviation")
    # The current stands at 6 A in every trial: that is how it is.
    assert "current stood still" not in said


def test_programs_are_told_which_trial_and_how_long(run: Daq, store: Path) -> None:
    (found,) = json.loads(run("compare", store, "--json").out)["stood_still"]
    assert (found["trial"], found["channel"]) == (3, "power")
    assert found["equal"] == found["count"] >= 30
    assert found["usual"] <= 4


def test_the_report_and_the_page_say_so_too(
    run: Daq, store: Path, tmp_path: Path
) -> None:
    page = tmp_path / "report.html"
    assert run("report", store, "-o", page).code == 0
    told = page.read_text(encoding="utf-8")
    assert told.index(MEANS) < told.index("<table")
    live = compared_so_far(store, 1)
    assert live is not None
    assert live.answer[0].startswith(BEGINS)


def test_nothing_is_said_of_a_meter_that_measures(run: Daq, tmp_path: Path) -> None:
    store = recorded(tmp_path / "bench.db", in_hold=())
    said = run("compare", store)
    assert "stood still" not in said.out
    assert json.loads(run("compare", store, "--json").out)["stood_still"] == []
