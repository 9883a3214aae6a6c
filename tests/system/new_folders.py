"""`daq new` on a laid-out computer, and what it has written."""

import functools
from collections.abc import Callable
from pathlib import Path

import pytest

from daq.cli import new
from daq.cli.files import load_bench_and_plan
from daq.cli.guarded import guarded
from daq.config.bench import Bench
from daq.config.plan import Plan
from tests.runtime.laid_out_system import Computer
from tests.system.command_line import Daq, Ended


def new_on(computer: Computer, capsys: pytest.CaptureFixture[str]) -> Daq:
    """`daq new` on that computer; `ask` answers its questions, without one there is no terminal."""

    def ended(*words: object, ask: Callable[[str], str] | None = None) -> Ended:
        command = functools.partial(new.run, system=computer.system, ask=ask)
        code = guarded(command, [str(word) for word in words], debug=False)
        captured = capsys.readouterr()
        return Ended(code, captured.out, captured.err)

    return ended


def loaded(folder: Path) -> tuple[Bench, Plan]:
    return load_bench_and_plan(folder / "bench.toml", folder / "plan.toml")


def written(write: Daq, folder: Path, *options: str) -> tuple[Bench, Plan]:
    told = write(folder, "--yes", *options)
    assert (told.code, told.err) == (0, "")
    return loaded(folder)
