"""A validation error in words: file, line, key, what is wrong, what was expected."""

import difflib
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from daq.config.toml_lines import Path, key_lines, line_of
from daq.config.wires import PROTOCOLS
from daq.errors import ConfigurationError, Fault

_Model = TypeVar("_Model", bound=BaseModel)


class Source:
    """One configuration text with its file name; makes faults that say where."""

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self._lines = key_lines(text)

    def fault(self, path: Path, problem: str) -> Fault:
        """A fault at a key path."""
        return Fault(self.file, line_of(self._lines, path), _shown(path), problem)


def validated(model: type[_Model], source: Source, text: str) -> _Model:
    """Parse and check one file.

    Raises:
        ConfigurationError: With every fault of the file.
    """
    try:
        return model.model_validate(_parsed(source, text))
    except ValidationError as exc:
        faults = [_fault(source, dict(error), model) for error in exc.errors()]
        raise ConfigurationError(faults) from exc


def _parsed(source: Source, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        match = re.search(r"\(at line (\d+), column (\d+)\)", str(exc))
        line = int(match[1]) if match else len(text.splitlines())
        problem = re.sub(r"\s*\(at .*\)", "", str(exc))
        raise ConfigurationError(
            [
                Fault(
                    source.file,
                    line,
                    "",
                    f"no valid TOML: {problem[:1].lower()}{problem[1:]}",
                )
            ]
        ) from exc


def _fault(source: Source, error: dict[str, Any], model: type[BaseModel]) -> Fault:
    path = tuple(part for part in error["loc"] if part not in PROTOCOLS)
    return source.fault(path, _problem(error, tuple(_keys_at(model, error["loc"]))))


def _problem(error: dict[str, Any], keys: tuple[str, ...]) -> str:
    special = _SPECIAL.get(error["type"])
    if special is not None:
        return special(error, keys)
    expected = re.sub(r"^\w+ should (be|have) ", "", str(error["msg"]))
    return f"got {error['input']!r}, expected {expected}"


def _unknown_key(error: dict[str, Any], keys: tuple[str, ...]) -> str:
    close = difflib.get_close_matches(str(error["loc"][-1]), keys, n=1)
    guess = f"did you mean {close[0]!r}? " if close else ""
    return f"unknown key, {guess}expected one of {', '.join(keys)}"


def _not_a_choice(error: dict[str, Any], _keys: tuple[str, ...]) -> str:
    choices = re.findall(r"'([^']*)'", str(error["msg"]))
    expected = re.sub(r"^Input should be ", "", str(error["msg"]))
    close = difflib.get_close_matches(str(error["input"]), choices, n=1)
    hint = f", did you mean {close[0]!r}?" if close else ""
    return f"got {error['input']!r}, expected {expected}{hint}"


def _not_a_name(error: dict[str, Any], _keys: tuple[str, ...]) -> str:
    allowed = (
        "letters, digits, - and _"
        if "A-Z" in error["ctx"]["pattern"]
        else "small letters, digits and _"
    )
    return f"got {error['input']!r}, expected {allowed}, a letter first"


def _no_table(error: dict[str, Any], _keys: tuple[str, ...]) -> str:
    return f"got {error['input']!r}, expected a table"


_SPECIAL: Mapping[str, Callable[[dict[str, Any], tuple[str, ...]], str]] = {
    "extra_forbidden": _unknown_key,
    "literal_error": _not_a_choice,
    "missing": lambda _error, _keys: "missing, expected a value",
    "union_tag_not_found": lambda _error, _keys: (
        f"protocol missing, expected {_tags()}"
    ),
    "union_tag_invalid": lambda error, _keys: (
        f"unknown protocol {error['input'].get('protocol')!r}, expected {_tags()}"
    ),
    "value_error": lambda error, _keys: str(error["msg"]).removeprefix("Value error, "),
    "string_pattern_mismatch": _not_a_name,
    "too_short": lambda error, _keys: (
        f"got {error['input']!r}, expected at least {error['ctx']['min_length']} item"
    ),
    **dict.fromkeys(("model_type", "model_attributes_type", "dict_type"), _no_table),
}


def _tags() -> str:
    return ", ".join(PROTOCOLS)


def _keys_at(model: type[BaseModel], path: Path) -> Iterator[str]:
    """The keys of the table in which the last part of a path stands."""
    tables = [model]
    for part in path[:-1]:
        if part in PROTOCOLS:
            tables = [table for table in tables if _protocol_of(table) == part]
        # A number in a list, or a name that the user gave a table: neither leads further.
        inner = [
            found
            for table in tables
            if part in table.model_fields
            for found in _tables_in(table.model_fields[str(part)].annotation)
        ]
        tables = inner or tables
    for table in tables:
        yield from table.model_fields


def _protocol_of(table: type[BaseModel]) -> str:
    """The protocol whose table [wire] this is."""
    (protocol,) = get_args(table.model_fields["protocol"].annotation)
    return str(protocol)


def _tables_in(annotation: object) -> Iterator[type[BaseModel]]:
    """The models that an annotation names, in lists, unions and mappings too."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _tables_in(part)


def _shown(path: Path) -> str:
    shown = ""
    for part in path:
        shown += (
            f"[{part + 1}]" if isinstance(part, int) else f".{part}" if shown else part
        )
    return shown
