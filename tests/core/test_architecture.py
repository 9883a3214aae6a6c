"""The shape of the program: who may import whom, and what a module may be."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODULES = sorted(
    path for package in ("daq", "simulators") for path in (ROOT / package).rglob("*.py")
)
TEST_MODULES = sorted((ROOT / "tests").rglob("*.py"))
ALL_MODULES = pytest.mark.parametrize(
    "path", MODULES, ids=lambda p: str(p.relative_to(ROOT))
)
FORBIDDEN_NAMES = {
    "utils",
    "util",
    "helpers",
    "helper",
    "common",
    "manager",
    "managers",
}
MOST_LINES = 500


@pytest.mark.slow
def test_every_import_keeps_to_the_layers() -> None:
    # In a process of its own: the linter keeps settings in module globals.
    code = "import sys; from importlinter.cli import lint_imports_command; sys.exit(lint_imports_command())"
    finished = subprocess.run(
        [sys.executable, "-c", code, "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert finished.returncode == 0, finished.stdout + finished.stderr


def test_no_module_is_a_place_for_everything() -> None:
    paths = [path.relative_to(ROOT) for path in (*MODULES, *TEST_MODULES)]
    names = {part for path in paths for part in path.parts}
    assert {name.removesuffix(".py") for name in names}.isdisjoint(FORBIDDEN_NAMES)


@ALL_MODULES
def test_every_module_says_what_it_does(path: Path) -> None:
    module = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(module)


@pytest.mark.parametrize(
    "path", [*MODULES, *TEST_MODULES], ids=lambda p: str(p.relative_to(ROOT))
)
def test_no_module_is_too_long(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES


@ALL_MODULES
def test_no_module_imports_relatively(path: Path) -> None:
    module = ast.parse(path.read_text(encoding="utf-8"))
    relative = [
        node.lineno
        for node in ast.walk(module)
        if isinstance(node, ast.ImportFrom) and node.level
    ]
    assert relative == []
