"""Numerical functions say in which unit they take each argument and where their formula is from."""

import doctest
import importlib
import importlib.util
import inspect
import pkgutil
import re
from collections.abc import Callable
from types import FunctionType, ModuleType

import pytest

NUMERICAL = [
    "daq.stats",
    "daq.uncertainty",
    "daq.repeats",
    "daq.framing",
    "daq.settling.distributions",
    "daq.settling.normalising",
    "daq.physics",
]
"""Module names; one that does not exist (yet) is left out."""

_SECTION = re.compile(r"^(\w+):$", re.MULTILINE)
_ARGUMENT = re.compile(r"^    (\w+(?:, \w+)*): ", re.MULTILINE)


def _numerical_modules() -> list[ModuleType]:
    modules = []
    for name in NUMERICAL:
        if importlib.util.find_spec(name) is None:
            continue
        module = importlib.import_module(name)
        modules.append(module)
        for path in getattr(module, "__path__", ()):
            parts = [part.name for part in pkgutil.iter_modules([path])]
            modules += [importlib.import_module(f"{name}.{part}") for part in parts]
    return modules


MODULES = _numerical_modules()
FUNCTIONS: list[FunctionType] = [
    value
    for module in MODULES
    for name, value in vars(module).items()
    if inspect.isfunction(inspect.unwrap(value))
    and value.__module__ == module.__name__
    and not name.startswith("_")
]


def _sections(function: Callable[..., object]) -> dict[str, str]:
    """Body of each section of a docstring, under its heading."""
    text = inspect.getdoc(function) or ""
    headings = list(_SECTION.finditer(text))
    starts = [*(heading.start() for heading in headings), len(text)]
    return {
        heading[1]: text[heading.end() : end]
        for heading, end in zip(headings, starts[1:], strict=True)
    }


def _arguments(body: str) -> dict[str, str]:
    """Text of each argument in an Args section, under its name or names."""
    found = list(_ARGUMENT.finditer(body))
    starts = [*(match.start() for match in found), len(body)]
    return {
        name: body[match.end() : end]
        for match, end in zip(found, starts[1:], strict=True)
        for name in match[1].split(", ")
    }


WITH_ARGUMENTS = [f for f in FUNCTIONS if "Args" in _sections(f)]


def test_there_are_numerical_functions_to_look_at() -> None:
    assert {"student_t_quantile", "combine", "crc16_modbus"} <= {
        function.__name__ for function in WITH_ARGUMENTS
    }


@pytest.mark.parametrize("function", FUNCTIONS, ids=lambda f: f.__name__)
def test_every_public_function_has_a_docstring(function: FunctionType) -> None:
    assert inspect.getdoc(function)


@pytest.mark.parametrize("function", WITH_ARGUMENTS, ids=lambda f: f.__name__)
def test_every_argument_states_its_unit(function: FunctionType) -> None:
    stated = _arguments(_sections(function)["Args"])
    assert set(stated) == set(inspect.signature(function).parameters)
    without = [name for name, text in stated.items() if "[" not in text]
    assert without == []


@pytest.mark.parametrize("function", WITH_ARGUMENTS, ids=lambda f: f.__name__)
def test_every_numerical_function_names_its_source(function: FunctionType) -> None:
    sections = _sections(function)
    assert sections.get("Source", "").strip()
    assert "[" in sections.get("Returns", "")


def test_the_rule_finds_an_argument_without_a_unit() -> None:
    def spoiled(x: float, nu: float) -> float:
        """Nothing.

        Args:
            x: Value [1].
            nu: Number
                of something.
        """
        return x * nu

    stated = _arguments(_sections(spoiled)["Args"])
    assert [name for name, text in stated.items() if "[" not in text] == ["nu"]


@pytest.mark.parametrize("module", MODULES, ids=lambda m: m.__name__)
def test_the_examples_in_the_docstrings_hold(module: ModuleType) -> None:
    names = vars(module) | {"np": importlib.import_module("numpy")}
    result = doctest.testmod(module, extraglobs=names)
    assert result.failed == 0
