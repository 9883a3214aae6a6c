"""The rule's parameters by name: from a plan, from a command line, into the record of a trial and back.

Knows no parameter in particular: names, kinds and limits follow from the fields of `Parameters`.
"""

import contextlib
import dataclasses
import difflib
import json
import math
from collections.abc import Iterable, Mapping
from typing import Any, get_args, get_origin, get_type_hints

from daq.settling.parameters import MAY_BE_ZERO, Parameters


class OptionError(ValueError):
    """A parameter that does not exist, or a value that it cannot have.

    Attributes:
        name: Of the parameter, as it was given; empty where it is not about one.
        problem: What is wrong and what was expected.
    """

    def __init__(self, problem: str, *, name: str = "") -> None:
        super().__init__(f"{name}: {problem}" if name else problem)
        self.name = name
        self.problem = problem


def parameter_kinds() -> dict[str, str]:
    """Every parameter with the kind of value that it takes, in words."""
    return {name: _kind(hint) for name, hint in _hints().items()}


def with_options(parameters: Parameters, options: Mapping[str, object]) -> Parameters:
    """The parameters with some of them set otherwise.

    Args:
        parameters: To start from.
        options: Values by name; lists stand for tuples.

    Raises:
        OptionError: For the first that is unknown, of another kind or impossible.
    """
    changed = {name: checked_option(name, value) for name, value in options.items()}
    try:
        return dataclasses.replace(parameters, **changed)
    except ValueError as exc:
        # What only the parameters together can tell.
        raise OptionError(str(exc), name=", ".join(changed)) from exc


def options_from_words(words: Iterable[str]) -> dict[str, object]:
    """Options typed as `name=value`; a value is a number, or a list like 30,45 or [30, 45].

    Raises:
        OptionError: If one has no `=`, or is given twice.
    """
    options: dict[str, object] = {}
    for word in words:
        name, equals, text = word.partition("=")
        name = name.strip()
        if not equals:
            problem = "no value, expected name=value"
            raise OptionError(problem, name=name)
        if name in options:
            problem = "given twice, expected it once"
            raise OptionError(problem, name=name)
        options[name] = _read(text)
    return options


def _read(text: str) -> object:
    """A number or a list; what is neither stays a text, and is told of once its parameter is known."""
    listed = "," in text and "[" not in text
    with contextlib.suppress(json.JSONDecodeError):
        return json.loads(f"[{text}]" if listed else text)
    return text


def parameters_to_json(parameters: Parameters) -> dict[str, Any]:
    """Every parameter by name; a JSON text of it gives the same parameters back, to the bit."""
    return dataclasses.asdict(parameters)


def parameters_from_json(recorded: Mapping[str, object]) -> Parameters:
    """The parameters that `parameters_to_json` made this of.

    Raises:
        OptionError: If a parameter is missing or unknown: another version of the rule wrote it.
    """
    known = set(_hints())
    missing, unknown = known - set(recorded), set(recorded) - known
    if missing or unknown:
        lacks = f"lacks {', '.join(sorted(missing))}" if missing else ""
        has = f"has unknown {', '.join(sorted(unknown))}" if unknown else ""
        problem = f"parameters of another version of the rule: {' and '.join(filter(None, (lacks, has)))}"
        raise OptionError(problem)
    return Parameters(
        **{name: checked_option(name, recorded[name]) for name in _hints()}
    )


def _hints() -> dict[str, Any]:
    hints = get_type_hints(Parameters)
    return {field.name: hints[field.name] for field in dataclasses.fields(Parameters)}


def checked_option(name: str, value: object) -> Any:  # noqa: ANN401 - of the kind that the parameter has
    """The value as the parameter has it, looked at by itself.

    Raises:
        OptionError: If there is no such parameter, or the value is of another kind or impossible.
    """
    hints = _hints()
    if name not in hints:
        raise OptionError(_unknown(name, hints), name=name)
    converted = _converted(value, hints[name])
    expected = _kind(hints[name])
    if converted is not _NONE_OF_THEM:
        or_zero = name in MAY_BE_ZERO
        numbers = _numbers(converted)
        if all(_is_possible(number, or_zero=or_zero) for number in numbers):
            return converted
        expected = f"finite numbers {'at least 0' if or_zero else 'above 0'}"
    problem = f"got {_shown(value)}, expected {expected}"
    raise OptionError(problem, name=name)


def _unknown(name: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(name, known, n=1)
    guess = f"did you mean {close[0]!r}? The rule has" if close else "expected one of"
    return f"unknown parameter, {guess} {', '.join(known)}"


def _is_possible(number: float, *, or_zero: bool) -> bool:
    return math.isfinite(number) and (number > 0 or (or_zero and number == 0))


_NONE_OF_THEM = object()
"""A value that is not of the kind wanted."""


def _converted(value: object, hint: Any) -> Any:  # noqa: ANN401 - any kind of annotation
    """The value as the annotation has it."""
    if get_origin(hint) is tuple:
        return _converted_tuple(value, get_args(hint))
    return _converted_number(value, hint)


def _converted_number(value: object, hint: type[float]) -> object:
    # A truth value is an int for Python, and a whole number may be written 3.0.
    if isinstance(value, bool) or not isinstance(value, int | float):
        return _NONE_OF_THEM
    is_whole = isinstance(value, int) or value.is_integer()
    return hint(value) if hint is float or is_whole else _NONE_OF_THEM


def _converted_tuple(value: object, hints: tuple[Any, ...]) -> Any:  # noqa: ANN401 - a tuple of any kind
    if not isinstance(value, list | tuple) or not value:
        return _NONE_OF_THEM
    repeated = len(hints) == 2 and hints[1] is Ellipsis
    each = hints[:1] * len(value) if repeated else hints
    if len(each) != len(value):
        return _NONE_OF_THEM
    items = tuple(_converted(v, h) for v, h in zip(value, each, strict=True))
    return _NONE_OF_THEM if _NONE_OF_THEM in items else items


def _numbers(value: object) -> list[float]:
    """Every number in a value, however deep."""
    if isinstance(value, tuple):
        return [number for item in value for number in _numbers(item)]
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return [value] if is_number else []  # type: ignore[list-item]  # narrowed through a name


def _kind(hint: Any) -> str:  # noqa: ANN401 - any kind of annotation
    """What a parameter's annotation means, in words."""
    if get_origin(hint) is tuple:
        parts = get_args(hint)
        if len(parts) == 2 and parts[1] is Ellipsis:
            return f"a list, each item {_kind(parts[0])}"
        return f"a list of {len(parts)}: {', '.join(_kind(part) for part in parts)}"
    return "a number" if hint is float else "a whole number"


def _shown(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else repr(value)
