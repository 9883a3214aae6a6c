"""How many trials a comparison is said to be made of: the same whether it was made or could not be."""

from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.operations import Repeat, Start
from daq.runtime.compared_lines import compared_so_far
from daq.trials.stages import Stage
from tests.runtime.attended_bench import AttendedBench, attended
from tests.runtime.conftest import PLAN, Computer


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


def counted(service: AttendedBench) -> tuple[int, int]:
    """By the session in hand, and by the comparison of what is stored."""
    line = compared_so_far(service.path, 1)
    assert line is not None
    return service.running.finished_count, line.after_trials


async def test_only_finished_trials_count_whatever_else_has_ended(
    folder: Path, bench: Bench, computer: Computer
) -> None:
    async with attended(folder, bench, computer) as service:
        await service.ask(Start("leads"))
        service.stand_still()
        service.run_until(Stage.SETTLING)
        service.stand_still()
        await service.written()
        assert len(service.running.ended) == 1
        assert counted(service) == (0, 0)
        await service.measure()
        assert len(service.running.ended) == 2
        assert counted(service) == (1, 1)
        await service.ask(Repeat(1, instead_because="the lead was rolled up"))
        assert counted(service) == (0, 0)
        await service.measure()
        assert counted(service) == (1, 1)
    async with attended(folder, bench, computer) as service:
        await service.ask(Start("leads"))
        assert counted(service) == (1, 1)
