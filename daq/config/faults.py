"""A validation error in words: file, line, key, what is wrong, what was expected."""

import difflib
import math
import re
import tomllib
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from daq.config.toml_lines import Path, key_lines, line_of
from daq.config.wires import PROTOCOLS
from daq.errors import ConfigurationError, Fault
from daq.printable import is_shown_as_it_is
from daq.records import MOST_VALUES

_Model = TypeVar("_Model", bound=BaseModel)
_MOST_SHOWN = 200
_MOST_OF_AN_END = 500
"""Of a value or a key, however long it is [characters]."""
_COMMA = re.compile(r"=\s*([-+]?\d+),(\d+)")
"""A number as it is written in half of Europe; in a list the bracket stands between."""


_OPEN_TEXT = re.compile(
    r"(Illegal|Found invalid) character '\\n'|Unterminated string|Expected \"'\""
)
"""How the library begins when a text is still open at the end of its line, or of the file."""
_CLOSED_TEXTS = re.compile(r"""^(?:"(?:\\.|[^"\\])*"|'[^']*'|[^"'#])*""")
"""Up to a quote that no other follows, or a comment."""
_LONG_TEXT = re.compile("\"{3}|'{3}")


class Source:
    """One configuration text with its file name; makes faults that say where."""

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self._lines = key_lines(text)

    def fault(self, path: Path, problem: str) -> Fault:
        """A fault at a key path."""
        line = line_of(self._lines, path)
        return Fault(self.file, line, _shown(path), _bounded(problem))


def validated(model: type[_Model], source: Source, text: str) -> _Model:
    """Parse and check one file.

    Raises:
        ConfigurationError: With every fault of the file.
    """
    try:
        return model.model_validate(parsed(source, text))
    except ValidationError as exc:
        raise ConfigurationError(faults_of(source, exc, model)) from exc


def parsed(source: Source, text: str) -> dict[str, Any]:
    """The tables of a text.

    Raises:
        ConfigurationError: If it is no TOML, or a number in it is too long.
    """
    try:
        content = tomllib.loads(text)
        wide = [*_too_wide(content)]
    except tomllib.TOMLDecodeError as exc:
        match = re.search(r"\(at line (\d+), column (\d+)\)", str(exc))
        line = int(match[1]) if match else len(text.rstrip("\n").split("\n"))
        problem = re.sub(r"\s*\(at .*\)", "", str(exc))
        if quote := _missing_quote(str(exc), text.split("\n"), line):
            line, problem = quote
        problem = f"no valid TOML: {problem[:1].lower()}{problem[1:]}"
        if comma := _COMMA.search(text.split("\n")[line - 1]):
            problem += f"; numbers have a point, not a comma: {comma[1]}.{comma[2]}"
        raise ConfigurationError([Fault(source.file, line, "", problem)]) from exc
    except (RecursionError, ValueError) as exc:
        # The library takes neither for a fault of the text, and does not tell where it is.
        is_deep = isinstance(exc, RecursionError)
        what = "tables too deep in each other" if is_deep else "a number of thousands of digits"  # fmt: skip
        problem = f"got {what}, expected none"
        raise ConfigurationError([Fault(source.file, 1, "", problem)]) from exc
    if wide:
        problem = "got a whole number of more than 64 bits, expected a smaller one"
        raise ConfigurationError([source.fault(path, problem) for path in wide])
    return content


def _missing_quote(
    error: str, lines: Sequence[str], line: int
) -> tuple[int, str] | None:
    """Line and words where a text is still open at the end of its line; None where something else is wrong.

    Args:
        error: Of the library.
        lines: Of the file.
        line: That the library names, or the last one where it names the end.
    """
    if not _OPEN_TEXT.match(error) or any(_LONG_TEXT.search(each) for each in lines):
        return None
    is_at_end = "at end of document" in error
    numbers = range(1, len(lines) + 1) if is_at_end else [line]
    for number in numbers:
        left = _CLOSED_TEXTS.sub("", lines[number - 1], count=1)
        quote, inside = left[:1], left[1:]
        if quote in {'"', "'"}:
            # What closes a list or a table, or begins a comment, hardly belongs to the text.
            where = "in" if re.search(r"[]},#=]", inside) else "at the end of"
            return number, f"a quote ({quote}) is missing {where} line {number}"
    return None


def _too_wide(value: object, path: Path = ()) -> Iterator[Path]:
    """Where numbers stand that TOML (1.0, "Integer") does not have; some cannot even be written out for a message."""
    if isinstance(value, dict | list):
        for key, each in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _too_wide(each, (*path, key))
    elif isinstance(value, int) and not -(2**63) <= value < 2**63:
        yield path


def unprintable_faults(
    source: Source, text: str, *, unless_in: tuple[str, ...] = ()
) -> list[Fault]:
    """Texts that no screen can show as they are: names and titles go to terminals, tables and brokers.

    Args:
        source: For the place.
        text: Of a file whose model is in order.
        unless_in: Tables whose texts are for wires.
    """
    content = {k: v for k, v in tomllib.loads(text).items() if k not in unless_in}
    problem = "got {}, expected one line without control characters, marks that turn the direction of writing or characters that nobody sees"
    return [
        source.fault(path, problem.format(_met(value)))
        for path, value in _texts(content)
        if not is_shown_as_it_is(value)
    ]


def too_many_faults(source: Source, fields: int) -> list[Fault]:
    """Fields that a reading has no flags for.

    Args:
        source: Of a profile, for the place.
        fields: How many it has.
    """
    if fields <= MOST_VALUES:
        return []
    problem = f"got {fields} fields, expected at most {MOST_VALUES}: leave out those that no channel of a bench needs"
    return [source.fault(("field", MOST_VALUES), problem)]


def _texts(value: object, path: Path = ()) -> Iterator[tuple[Path, str]]:
    if isinstance(value, dict | list):
        for key, each in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _texts(each, (*path, key))
    elif isinstance(value, str):
        yield path, value


def alike_faults(
    source: Source,
    names: Sequence[tuple[Path, str]],
    *,
    alike: Callable[[str], str],
    instead: str,
) -> list[Fault]:
    """Names in one list that nobody can see, or tell from an earlier one.

    Args:
        source: For the place.
        names: With their places.
        alike: Gives the same for names that are taken for one.
        instead: What else may have been meant.
    """
    faults, first = [], dict[str, tuple[Path, str]]()
    for path, name in names:
        looks = alike(name)
        there, other = first.setdefault(looks, (path, name))
        if not looks:
            problem = f"got {name!r}, expected a name that can be seen"
            faults.append(source.fault(path, problem))
        elif there != path:
            problem = f"{_alike(name, other, _shown(there[:-1]))}, {instead}"
            faults.append(source.fault(path, problem))
    return faults


def _alike(name: str, first: str, there: str) -> str:
    if name == first:
        return f"{there} is named {name!r} too, expected another name"
    composed = {unicodedata.normalize("NFC", repr(each)) for each in (name, first)}
    # Two ways to write an accent show in their numbers only.
    show = ascii if len(composed) == 1 else repr
    return f"got {show(name)}, which looks like {show(first)} of {there}, expected a name that differs in what can be seen"


def faults_of(
    source: Source, error: ValidationError, model: type[BaseModel]
) -> list[Fault]:
    """What a model refuses, in words."""
    return [
        source.fault(path_of(each["loc"]), _problem(dict(each), _keys(each, model)))
        for each in error.errors()
    ]


def path_of(loc: Path) -> Path:
    """Where an error is in its file; the model's name of a protocol is no part of that."""
    return tuple(part for part in loc if part not in PROTOCOLS)


def meant_key(error: Mapping[str, Any], model: type[BaseModel]) -> str | None:
    """The key that was probably meant by an unknown one."""
    close = difflib.get_close_matches(str(error["loc"][-1]), _keys(error, model), n=1)
    return close[0] if close else None


def number_in(error: Mapping[str, Any]) -> float | None:
    """The number that stands in quotation marks where a number was expected; None if that is not what is wrong."""
    if error["type"] not in _NUMBERS or not isinstance(error["input"], str):
        return None
    text = error["input"].replace(",", ".").strip()
    try:
        number = int(text) if re.fullmatch(r"[-+]?\d{1,18}", text) else float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _keys(error: Mapping[str, Any], model: type[BaseModel]) -> tuple[str, ...]:
    return tuple(_keys_at(model, error["loc"]))


def _problem(error: dict[str, Any], keys: tuple[str, ...]) -> str:
    special = _SPECIAL.get(error["type"])
    if special is not None:
        return special(error, keys)
    expected = re.sub(r"^\w+ should (be|have) ", "", str(error["msg"]))
    return f"got {_met(error['input'])}, expected {expected}"


def _bounded(problem: str) -> str:
    """Its beginning and its end, where what stands in the file makes it longer than anybody reads."""
    if len(problem) <= 2 * _MOST_OF_AN_END:
        return problem
    return f"{problem[:_MOST_OF_AN_END]} … {problem[-_MOST_OF_AN_END:]}"


def _met(value: object) -> str:
    """What stands there, cut where it is long."""
    shown = repr(value)
    return shown if len(shown) <= _MOST_SHOWN else f"{shown[:_MOST_SHOWN]}…"


def _unknown_key(error: dict[str, Any], keys: tuple[str, ...]) -> str:
    close = difflib.get_close_matches(str(error["loc"][-1]), keys, n=1)
    guess = f"did you mean {close[0]!r}? " if close else ""
    return f"unknown key, {guess}expected one of {', '.join(keys)}"


def _not_a_choice(error: dict[str, Any], _keys: tuple[str, ...]) -> str:
    choices = re.findall(r"'([^']*)'", str(error["msg"]))
    expected = re.sub(r"^Input should be ", "", str(error["msg"]))
    close = difflib.get_close_matches(_met(error["input"]).strip("'"), choices, n=1)
    hint = f", did you mean {close[0]!r}?" if close else ""
    return f"got {_met(error['input'])}, expected {expected}{hint}"


def _not_a_name(error: dict[str, Any], _keys: tuple[str, ...]) -> str:
    allowed = (
        "letters, digits, - and _"
        if "A-Z" in error["ctx"]["pattern"]
        else "small letters, digits and _"
    )
    return f"got {_met(error['input'])}, expected {allowed}, a letter first"


def _no_number(error: dict[str, Any], _keys: tuple[str, ...]) -> str:
    met = _met(error["input"])
    number = number_in(error)
    if number is not None:
        return f"got {met}, expected a number without quotes: {number}"
    return f"got {met}, expected {_NUMBERS[error['type']]}"


def _no_text(error: dict[str, Any], _keys: tuple[str, ...]) -> str:
    return f"got {_met(error['input'])}, expected a text in quotes"


def _no_table(error: dict[str, Any], _keys: tuple[str, ...]) -> str:
    return f"got {_met(error['input'])}, expected a table"


def _no_list(error: dict[str, Any], _keys: tuple[str, ...]) -> str:
    if isinstance(error["input"], dict):
        return "one table, expected a list of them: each stands under its name in double brackets"
    return f"got {_met(error['input'])}, expected a list"


_NUMBERS = {"int_type": "a whole number", "float_type": "a number"}
"""Kinds of error where a number was expected, and what to write."""

_SPECIAL: Mapping[str, Callable[[dict[str, Any], tuple[str, ...]], str]] = {
    "extra_forbidden": _unknown_key,
    "literal_error": _not_a_choice,
    "missing": lambda _error, _keys: "missing, expected a value",
    "union_tag_not_found": lambda _error, _keys: (
        f"protocol missing, expected {_tags()}"
    ),
    "union_tag_invalid": lambda error, _keys: (
        f"unknown protocol {_met(error['input'].get('protocol'))}, expected {_tags()}"
    ),
    "value_error": lambda error, _keys: str(error["msg"]).removeprefix("Value error, "),
    "string_pattern_mismatch": _not_a_name,
    "too_short": lambda error, _keys: (
        f"got {_met(error['input'])}, expected at least {error['ctx']['min_length']} item"
    ),
    "list_type": _no_list,
    "string_type": _no_text,
    **dict.fromkeys(_NUMBERS, _no_number),
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
        if isinstance(part, int):
            shown += f"[{part + 1}]"
        else:
            # A key in quotation marks may hold what a terminal would obey.
            name = part if part.isprintable() else ascii(part)
            shown += f".{name}" if shown else name
    return shown if len(shown) <= _MOST_SHOWN else f"{shown[:_MOST_SHOWN]}…"
