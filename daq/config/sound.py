"""What of a configuration file is sound beside its faults, so that all that can be judged is told in one go.

A faulty key is left out, or taken as it was probably meant, and the rest is judged again. What is told of a place that
is faulty anyway may come of that, so it is kept back until the place is mended.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ValidationError

from daq.config.faults import (
    Source,
    faults_of,
    meant_key,
    number_in,
    parsed,
    path_of,
)
from daq.config.toml_lines import Path
from daq.errors import ConfigurationError, Fault

_Model = TypeVar("_Model", bound=BaseModel)
_NAMING = ("channel", "typed")
"""Keys without which channels would have other names."""


@dataclass(frozen=True, slots=True)
class Judged(Generic[_Model]):
    """One file, with its faults.

    Attributes:
        model: What the file says without its faulty keys; None where too much is faulty.
        faults: Of single keys and tables.
        places: File and key of what is not as the file says.
        names_all: Whether nothing was left out that names something.
    """

    model: _Model | None
    faults: tuple[Fault, ...]
    places: tuple[tuple[str, str], ...]
    names_all: bool

    def elsewhere(self, faults: Iterable[Fault]) -> list[Fault]:
        """Those of other places than the faulty ones, and those of other files."""
        return _elsewhere(faults, self.places)


def judged(model: type[_Model], source: Source, text: str) -> Judged[_Model]:
    """Parse and check one file; its faults are returned and not raised.

    Raises:
        ConfigurationError: If it is no TOML.
    """
    try:
        content = parsed(source, text)
    except ConfigurationError as exc:
        raise refusal(exc.faults, is_all=False) from exc
    faults: list[Fault] = []
    places: list[tuple[str, str]] = []
    unquoted: set[tuple[str, str]] = set()
    names_all = True
    while True:
        try:
            sound = model.model_validate(content)
        except ValidationError as exc:
            met = faults_of(source, exc, model)
            # Without its quotation marks it would still be refused: only that tells what to write.
            again = [fault for fault in met if (fault.file, fault.key) in unquoted]
            mended_in_vain = {(fault.file, fault.key) for fault in again}
            faults = [f for f in faults if (f.file, f.key) not in mended_in_vain]
            faults += [*again, *_elsewhere(met, places)]
            told = {(fault.file, fault.key) for fault in faults}
            unquoted = told & _unquoted(source, exc)
            spoiled = [source.fault(_spoiled(dict(e)), "") for e in exc.errors()]
            places += [(place.file, place.key) for place in spoiled]
            mended = [_mended(content, dict(error), model) for error in exc.errors()]
            names_all = names_all and "unnamed" not in mended
            if not any(mended):
                return Judged(None, tuple(faults), tuple(places), names_all=False)
        else:
            return Judged(sound, tuple(faults), tuple(places), names_all)


def refusal(faults: Sequence[Fault], *, is_all: bool) -> ConfigurationError:
    """The error with these faults, file by file in the order of their lines.

    Args:
        faults: At least one.
        is_all: Whether everything was judged; else a note says that more may follow.
    """
    files = [fault.file for fault in faults]
    ordered = sorted(faults, key=lambda fault: (files.index(fault.file), fault.line))
    error = ConfigurationError(ordered)
    if not is_all:
        these = "this is" if len(ordered) == 1 else "these are"
        error.add_note(f"more may follow once {these} mended")
    return error


def _spoiled(error: dict[str, Any]) -> Path:
    """The place about which nothing more can be said: a key, or the table that lacks a whole table of its own."""
    path = path_of(error["loc"])
    is_table = isinstance(error["input"], dict)
    is_left_out = error["type"] not in {"extra_forbidden", "missing"}
    return path[:-1] if is_table and is_left_out and len(path) > 1 else path


def _unquoted(source: Source, error: ValidationError) -> set[tuple[str, str]]:
    """File and key of the numbers in quotation marks, which are judged again without them."""
    numbers = [each for each in error.errors() if number_in(dict(each)) is not None]
    faults = [source.fault(path_of(each["loc"]), "") for each in numbers]
    return {(fault.file, fault.key) for fault in faults}


def _elsewhere(
    faults: Iterable[Fault], places: Sequence[tuple[str, str]]
) -> list[Fault]:
    return [
        fault
        for fault in faults
        if not any(
            file == fault.file and (_holds(key, fault.key) or _holds(fault.key, key))
            for file, key in places
        )
    ]


def _holds(outer: str, inner: str) -> bool:
    return inner == outer or not outer or inner.startswith((f"{outer}.", f"{outer}["))


def _mended(
    content: dict[str, Any], error: dict[str, Any], model: type[BaseModel]
) -> str:
    """Take one key out of its table, or as it was meant.

    Returns:
        "" if nothing could be done, "unnamed" if what was taken out may have named something, else "mended".
    """
    path = path_of(error["loc"])
    table: Any = content
    try:
        for part in path[:-1]:
            table = table[part]
    except (LookupError, TypeError):
        return ""
    # What follows in a list would be counted otherwise.
    if not path or not isinstance(table, dict) or path[-1] not in table:
        return ""
    key = path[-1]
    value = table.pop(key)
    if error["type"] == "extra_forbidden":
        meant = meant_key(error, model)
        if meant is not None and meant not in table:
            table[meant] = value
            return "mended"
        return "unnamed" if isinstance(value, list | dict) else "mended"
    number = number_in(error)
    if number is not None:
        table[key] = number
    return "unnamed" if key in _NAMING else "mended"
