"""`daq session BENCH status` of a hand-made state: commands as they can be typed, the line in hand as on the page."""

import asyncio
import dataclasses
import shlex
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.cli import session
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
