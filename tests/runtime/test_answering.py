"""What the page asks of the bench: plans on offer, stored sessions, and operations by the way they came."""

import asyncio
import json
import os
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from daq.config.bench import Bench
from daq.errors import OperationRefusedError
from daq.operations import Note, Pause, Start, Stop
from daq.runtime.answering import Answering
from daq.runtime.growing import StoredComparisons
from daq.runtime.web import AccessKeys, Page
from tests.runtime.attended_bench import AttendedBench, attended
from tests.runtime.conftest import PLAN, Computer
from tests.runtime.pages import serving
from tests.runtime.waiting import until


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


@pytest.fixture
async def service(
    folder: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    async with attended(folder, bench, computer) as attended_bench:
        yield attended_bench


@pytest.fixture
def answering(service: AttendedBench) -> Answering:
    return Answering(
        service.board,
        service.store,
        service.path,
        service.shelf,
        service.clock,
        service.operating,
    )


def read(text: str | None) -> dict[str, Any]:
    assert text is not None
    answer: dict[str, Any] = json.loads(text, parse_constant=pytest.fail)
    return answer


async def plans(answering: Answering) -> list[dict[str, Any]]:
    answer = read(await answering.plans())
    assert answer["format"] == 1
    offered: list[dict[str, Any]] = answer["plans"]
    return offered


async def test_a_plan_is_on_offer_with_what_it_is_about(answering: Answering) -> None:
    assert await plans(answering) == [
        {
            "name": "leads",
            "file": "plan.toml",
            "machine": "Drying blower",
            "conditions": ["short lead", "long lead"],
            "trials": 2,
            "fault": None,
            "unfinished": None,
        }
    ]


async def test_a_plan_with_faults_is_on_offer_with_its_faults(
    answering: Answering, folder: Path
) -> None:
    text = PLAN.replace('required = ["power"]', 'required = ["torque"]')
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    (offer,) = await plans(answering)
    assert (offer["name"], offer["trials"], offer["conditions"]) == ("plan", 0, [])
    assert "torque" in offer["fault"]


async def test_an_unfinished_session_is_told_with_its_day(
    answering: Answering, service: AttendedBench, computer: Computer
) -> None:
    await service.ask(Start("leads"))
    await service.measure()
    assert service.desk.running is not None
    (trial,) = service.desk.running.ended.values()
    await service.ask(Stop())
    (offer,) = await plans(answering)
    unfinished = offer["unfinished"]
    assert (unfinished["session"], unfinished["done"], unfinished["total"]) == (1, 1, 2)
    assert unfinished["last_utc"] == service.clock.utc_text(trial.ended_s)
    assert unfinished["another_day"] is False
    computer.pass_s(8 * 3600.0)
    (offer,) = await plans(answering)
    assert offer["unfinished"]["another_day"] is True


async def test_another_day_does_not_matter_where_no_trial_counts(
    answering: Answering, service: AttendedBench, computer: Computer
) -> None:
    await service.ask(Start("leads"))
    await service.ask(Stop())
    computer.pass_s(24 * 3600.0)
    (offer,) = await plans(answering)
    assert offer["unfinished"]["another_day"] is False
    # And starting it asks nothing.
    await service.ask(Start("leads"))


async def test_state_trace_and_funnel_are_the_boards(
    answering: Answering, service: AttendedBench
) -> None:
    service.read(0.0, 5.0)
    assert read(answering.state()) == read(service.board.snapshot().as_json())
    assert read(await answering.trace())["channels"]["power"]["v"] == [5.0]
    assert read(await answering.funnel()) == {"format": 1, "channels": {}}


@pytest.mark.slow
async def test_stored_sessions_and_their_trials_are_read_from_the_file(
    answering: Answering, service: AttendedBench
) -> None:
    await service.ask(Start("leads"))
    await service.measure()
    (line,) = read(await answering.sessions())["sessions"]
    assert (line["session"], line["plan"], line["trials"]) == (1, "leads", 1)
    stored = read(await answering.session(1))
    assert [t["condition"] for t in stored["trials"]] == ["short lead"]
    assert read(await answering.trial_trace(1, 1))["channels"].keys() >= {"power"}
    assert await answering.session(2) is None
    assert await answering.trial_trace(1, 2) is None
    assert await answering.trial_trace(2, 1) is None


async def test_whoever_asks_for_the_trace_gets_every_reading_that_came_before(
    answering: Answering, service: AttendedBench
) -> None:
    service.read(0.0, 1.0)
    async with asyncio.TaskGroup() as viewers:
        first = viewers.create_task(answering.trace())
        # It is under way: others ask meanwhile, and a reading comes.
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        service.read(0.0, 2.0)
        later = [viewers.create_task(answering.trace()) for _ in range(3)]
        cancelled = viewers.create_task(answering.trace())
        await asyncio.sleep(0)
        cancelled.cancel()
    assert 1.0 in read(first.result())["channels"]["power"]["v"]
    for viewer in later:
        assert read(viewer.result())["channels"]["power"]["v"][-1] == 2.0


@pytest.mark.slow
async def test_a_comparison_of_a_stored_session_ends_with_the_wait_for_it(
    service: AttendedBench, tmp_path: Path
) -> None:
    await service.ask(Start("leads"))
    await service.measure()
    pid = tmp_path / "pid"
    code = f"import os, time; open({str(pid)!r}, 'w').write(str(os.getpid())); time.sleep(600)"
    answering = Answering(
        service.board,
        service.store,
        service.path,
        service.shelf,
        service.clock,
        service.operating,
        StoredComparisons(program=(sys.executable, "-S", "-c", code)),
    )
    page = Page(face=answering, port=0, keys=AccessKeys(tmp_path / "keys"))
    async with serving(page) as client, asyncio.TaskGroup() as tasks:
        asking = tasks.create_task(client.get("/api/sessions/1"))
        await until(lambda: pid.exists() and bool(pid.read_text()))
        page.stop()
        assert (await asking).status_code == 503
        with pytest.raises(ProcessLookupError):
            os.kill(int(pid.read_text()), 0)


async def test_operations_are_passed_on_with_the_way_they_came(
    answering: Answering, service: AttendedBench
) -> None:
    assert await answering.operate(Note("x"), way="command line") == "Noted."
    with pytest.raises(OperationRefusedError):
        await answering.operate(Pause(), way="page")
    await service.written()
    assert service.rows("SELECT kind, way FROM operations") == [
        ("note", "command line")
    ]
