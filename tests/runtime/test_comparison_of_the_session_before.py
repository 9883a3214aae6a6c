"""The comparison on the screens is of the session in hand: one that comes too late is not shown under the next."""

import asyncio
import json
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.operations import Start
from daq.runtime.desk import Desk
from daq.runtime.growing import Growing
from daq.runtime.operating import Operating
from daq.runtime.snapshot import ComparisonLine
from daq.runtime.typed_entries import TypedEntries
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended
from tests.runtime.conftest import PLAN, Computer
from tests.runtime.waiting import until

PROGRAM = """
import json, pathlib, sys, time
folder, session = pathlib.Path(sys.argv[1]).parent, sys.argv[2]
(folder / f"begun {session}").touch()
while not (folder / f"may end {session}").exists():
    time.sleep(0.005)
print(json.dumps({"after_trials": 2, "differences": [], "answer": [f"of session {session}"]}))
"""
START = Start("leads")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


@pytest.fixture
def release(folder: Path) -> Iterator[Callable[[int], None]]:
    """Lets the comparison of a session come to its end."""

    def let(session: int) -> None:
        (folder / f"may end {session}").touch()

    yield let
    let(1)
    let(2)


class ComparingBench(AttendedBench):
    """A service whose comparisons take as long as the test wants."""

    growing: Growing

    async def finish(self) -> None:
        """Both lines are measured, and the session begins to be compared."""
        await self.ask(START)
        for _ in range(2):
            await self.measure()
        assert self.session.stage is Stage.FINISHED
        self.compare()

    def compare(self) -> None:
        self.growing.ended(self.running.facts.number, self.running.finished_count)

    def compared(self, line: ComparisonLine | None) -> None:
        self.board.comparison = line

    def taken(self) -> None:
        self.growing.left()
        self.compare()


@pytest.fixture
async def service(
    folder: Path, bench: Bench, computer: Computer
) -> AsyncIterator[ComparingBench]:
    async with attended(folder, bench, computer) as plain, asyncio.TaskGroup() as tasks:
        service = ComparingBench(
            folder, bench, computer, plain.store, clock=plain.clock, clock_id=1
        )
        service.recorder = plain.recorder
        service.growing = Growing(
            service.path,
            service.compared,
            program=(sys.executable, "-S", "-c", PROGRAM),
        )
        service.desk = Desk(
            bench,
            store=plain.store,
            clock=plain.clock,
            board=service.board,
            recorder=service.recorder,
            shelf=service.shelf,
            event=service.desk.event,
            on_taken=service.taken,
            on_over=lambda: None,
        )
        service.operating = Operating(
            service.desk,
            clock=plain.clock,
            typed=TypedEntries(bench, on_reading=plain.take),
        )
        making = tasks.create_task(service.growing.run())
        yield service
        making.cancel()


def shown(service: ComparingBench) -> tuple[str, ...] | None:
    comparison = json.loads(service.board.snapshot().as_json())["comparison"]
    return None if comparison is None else tuple(comparison["answer"])


async def test_a_comparison_still_under_way_is_not_shown_under_the_next_session(
    service: ComparingBench, folder: Path, release: Callable[[int], None]
) -> None:
    await service.finish()
    await until((folder / "begun 1").exists)
    await service.ask(START)
    assert service.running.facts.number == 2
    release(1)
    # The next begins once the one before is out of the way, whether that was shown or not.
    begun = folder / "begun 2"
    await until(lambda: begun.exists() or shown(service) is not None)
    assert shown(service) is None
    release(2)
    await until(lambda: shown(service) == ("of session 2",))


async def test_a_comparison_that_is_shown_goes_with_its_session(
    service: ComparingBench, release: Callable[[int], None]
) -> None:
    await service.finish()
    release(1)
    await until(lambda: shown(service) == ("of session 1",))
    await service.ask(START)
    assert shown(service) is None
    release(2)
    await until(lambda: shown(service) == ("of session 2",))
