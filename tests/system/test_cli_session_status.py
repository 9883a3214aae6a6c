"""`daq session BENCH status` of a hand-made state: commands as they can be typed, the line in hand as on the page."""

import asyncio
import dataclasses
import shlex
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.cli import session
from daq.operations import Note, Repeat, Skip
from daq.runtime.places import socket_path
from daq.runtime.snapshot import AskingLine, TrialLine
from tests.runtime.faces import SNAPSHOT, FakeFace
from tests.runtime.pages import Bench, running
from tests.system.bench_process import BenchFolder

ASKING = AskingLine("velocity", "Outlet velocity", "m/s", "outlet", 1, 6, 5, 100.0, 130.0)  # fmt: skip
STAGE = dataclasses.replace(SNAPSHOT.stage, sentence="Repeat: the page, or daq session BENCH repeat 1; both trials count.")  # fmt: skip
SETTLED = dataclasses.replace(
    SNAPSHOT, stage=STAGE, asking=ASKING, trial=TrialLine(2, 0.0, 5.0, (10.0, 20.0), confirmed=True)
)  # fmt: skip


@pytest.fixture
def bench() -> Iterator[BenchFolder]:
    # A socket beside the store needs a folder that is not too deep.
    with tempfile.TemporaryDirectory(prefix="sb ") as folder:
        yield BenchFolder(Path(folder), "leads")


async def test_the_status_names_the_bench_file_counts_beyond_the_least_and_says_settled(
    bench: BenchFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    file = str(bench.path / "bench.toml")
    served = Bench(bench.path, FakeFace(SETTLED))
    page = served.page(socket_path=socket_path(bench.store))
    async with running(page):
        assert await asyncio.to_thread(session.run, [file, "status"]) == 0
    told = capsys.readouterr().out
    assert f"or daq session {shlex.quote(file)} repeat 1;" in told
    assert "Asked for: channel velocity, reading 6 (5 are enough)." in told
    assert "  line 2: 2.5 mm², 25 m, settled, still running (door open)" in told
    assert "repeat 1," not in told
    assert "numbers" not in told


async def test_lines_of_one_condition_are_told_by_their_repeats_and_that_numbers_moved(
    bench: BenchFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = SNAPSHOT.slip
    to_come = dataclasses.replace(first, state="to come", averages={}, trial=None)
    added = dataclasses.replace(to_come, position=4, repeat=3)
    twice = dataclasses.replace(to_come, position=3, repeat=2)
    slip = (added, to_come, dataclasses.replace(second, state="to come"), twice)
    served = Bench(bench.path, FakeFace(dataclasses.replace(SNAPSHOT, slip=slip)))
    file = str(bench.path / "bench.toml")
    async with running(served.page(socket_path=socket_path(bench.store))):
        assert await asyncio.to_thread(session.run, [file, "status"]) == 0
    told = capsys.readouterr().out.splitlines()
    lines = [line for line in told if line.startswith("  line ")]
    assert lines == [
        "  line 1: at the outlet, repeat 3, to come",
        "  line 2: at the outlet, repeat 1, to come",
        "  line 3: 2.5 mm², 25 m, repeat 1, to come (door open)",
        "  line 4: at the outlet, repeat 2, to come",
    ]
    moved = told[told.index(lines[-1]) + 1]
    assert "the numbers above hold, ones noted earlier may not" in moved


async def test_free_text_comes_to_the_service_whole(
    bench: BenchFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    face = FakeFace(SNAPSHOT)
    served = Bench(bench.path, face)
    file = str(bench.path / "bench.toml")
    typed = (
        ["note", "cleaned", "the", "inlet"],
        ["skip", "--reason", "it", "is away"],
        ["repeat", "1", "--instead-because", "window", "open"],
    )
    async with running(served.page(socket_path=socket_path(bench.store))):
        for words in typed:
            assert await asyncio.to_thread(session.run, [file, *words]) == 0
    capsys.readouterr()
    assert [operation for operation, _ in face.operations] == [
        Note("cleaned the inlet"),
        Skip("it is away"),
        Repeat(1, "window open"),
    ]
