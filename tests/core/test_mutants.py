"""The campaign that changes the program in one small place after another: what it changes, draws, and tells apart."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from tests.campaigns.mutants import PROJECT, Package, load_equivalents
from tests.campaigns.mutants_operators import (
    changed_words,
    is_no_change,
    mutants_of,
    mutated,
)

_SCRIPT = PROJECT / "tests" / "campaigns" / "mutants.py"
_LIMIT_S = 120.0


def _words(source: str) -> list[str]:
    return [changed_words(source, mutant) for mutant in mutants_of("a.py", source)]


def _texts(source: str) -> list[str]:
    return [ast.unparse(mutated(source, m)) for m in mutants_of("a.py", source)]


@pytest.mark.parametrize(
    ("source", "changed"),
    [
        ("x = a + b", ["x = a - b"]),
        ("x += a", ["x -= a", "pass"]),
        ("x = not a", ["x = a"]),
        ("x = -a", ["x = a"]),
        ("x = a < b", ["x = a <= b", "x = a >= b"]),
        ("x = a is b", ["x = a is not b"]),
        ("x = a and b", ["x = a or b"]),
        ("x = True", ["x = False"]),
        ("x = 7", ["x = 8"]),
        ("x = 2.0", ["x = 3.0", "x = 2.2"]),
        ("x = 'a'", ["x = 'XXaXX'"]),
        ("x = f'{a} b'", ["x = f'{a}XX bXX'"]),
        ("x = a if b else c", ["x = a if not b else c"]),
        ("x = [a for a in b if a]", ["x = [a for a in b if not a]", "x = [a for a in b]"]),
        ("def f():\n    return a", ["def f():\n    return None"]),
        ("x = min(a)", ["x = max(a)"]),
        ("x = abs(a)", ["x = a"]),
        ("x = f(a, b=c)", ["x = f(b=c)", "x = f(a)"]),
        ("f(a)", ["pass"]),
        ("while x < a:\n    break", ["while x <= a:\n    break", "while x >= a:\n    break", "while x < a:\n    continue"]),
    ],
)  # fmt: skip
def test_each_operator_makes_the_changes_it_says(
    source: str, changed: list[str]
) -> None:
    assert sorted(_texts(source)) == sorted(changed)


@pytest.mark.parametrize(
    "source",
    [
        '"""What it does."""',
        "import a as b",
        "x: Literal['a'] = y",
        "@f(1, 2)\ndef g(a: 'b') -> 'c':\n    pass",
        "__all__ = ['a', 'b']",
        "Number = int | float",
    ],
)
def test_what_says_nothing_when_it_runs_is_left_alone(source: str) -> None:
    assert _texts(source) == []


def test_a_change_is_told_in_words() -> None:
    assert _words("x = zip(a, b, strict=True)") == [
        "argument dropped: a ->",
        "argument dropped: b ->",
        "argument dropped: strict=True ->",
        "bool: True -> False",
    ]


def test_mutants_of_a_module_compile_and_say_something_else() -> None:
    source = (PROJECT / "daq" / "framing.py").read_text()
    mutants = mutants_of("framing.py", source)[::3]
    assert len(mutants) > 30
    texts = [ast.unparse(mutated(source, m)) for m in mutants]
    for text in texts:
        compile(text, "framing.py", "exec")
    unchanged = ast.unparse(ast.parse(source))
    assert unchanged not in texts


def test_one_more_than_what_is_too_large_for_it_is_no_change() -> None:
    source = "x = 9.9e37"
    more, by_a_tenth = mutants_of("a.py", source)
    assert is_no_change(source, more)
    assert not is_no_change(source, by_a_tenth)


def test_a_seed_draws_the_same_sample_again_and_another_seed_another() -> None:
    package = Package(PROJECT, "framing")
    assert package.drawn(3, 20) == Package(PROJECT, "framing").drawn(3, 20)
    assert package.drawn(3, 20) != package.drawn(4, 20)


def test_no_more_are_drawn_than_there_are() -> None:
    package = Package(PROJECT, "framing")
    every = package.drawn(1, 10**6)
    assert len(set(every)) == len(every)


@pytest.mark.parametrize("known", load_equivalents(), ids=lambda k: f"{k.file} {k.change}")  # fmt: skip
def test_what_is_called_equivalent_can_still_be_drawn(known) -> None:
    source = (PROJECT / known.file).read_text()
    lines = source.splitlines()
    assert known.reason
    assert known.change in [
        changed_words(source, mutant)
        for mutant in mutants_of(known.file, source)
        if lines[mutant.line - 1].strip() == known.line
    ]


_TINY = '''"""A tiny module."""

LIMIT = 3
UNTESTED = 5


def is_high(value):
    return value > LIMIT


def switched_off(is_on):
    while is_on:
        is_on = False
    return is_on
'''
_TESTS = """from daq.tiny import is_high, switched_off


def test_high():
    assert is_high(9) is True
    assert is_high(3.5) is True
    assert is_high(2) is False


def test_switched_off():
    assert switched_off(True) is False
"""


@pytest.mark.slow
def test_a_killed_mutant_and_one_that_survives_are_told_apart(tmp_path: Path) -> None:
    module = tmp_path / "daq" / "tiny.py"
    tests = tmp_path / "tests" / "core" / "test_tiny.py"
    package = module.with_name("__init__.py")
    for path, text in ((package, ""), (module, _TINY), (tests, _TESTS)):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    (tmp_path / "pyproject.toml").write_text(
        "[tool.pytest.ini_options]\naddopts = ['--import-mode=importlib']\npythonpath = ['.']\n"
        "markers = ['slow', 'pty', 'alone']\n"
    )
    ran = subprocess.run(
        [
            sys.executable,
            _SCRIPT,
            "--package=tiny",
            "--sample=99",
            "--most-s=2",
            "--root",
            tmp_path,
        ],
        capture_output=True,
        text=True,
        timeout=_LIMIT_S,
        check=False,
    )
    said, _, survivors = ran.stdout.partition("survivors\n")
    assert "killed daq/tiny.py:8 comparison negated: value > LIMIT" in said, ran.stderr
    assert "killed daq/tiny.py:3 number: 3 -> 4" in said
    assert "out of time daq/tiny.py:13 bool: False -> True" in said
    assert "daq/tiny.py:8 comparison's edge: value > LIMIT -> value >= LIMIT" in survivors  # fmt: skip
    assert "daq/tiny.py:4 number: 5 -> 6" in survivors
    assert "daq/tiny.py:3" not in survivors
    assert ran.returncode == 1
    assert module.read_text() == _TINY
