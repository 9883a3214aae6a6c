"""What has changed in plan and bench since a session was begun: key by key, from the texts that were stored with it."""

import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

_NAMED = 3
"""So many changes are named; of more the number is told [1]."""
_LONGEST = 60
"""A value is shown so far [characters]."""
_IDENTITIES = ("name", "channel", "field")
"""Keys by which one of several tables is told from the others, the first that it has."""
_WIRING = frozenset({"port", "unit", "baud", "data_bits", "parity", "stop_bits"})
"""Of an instrument: no trial depends on it."""
_OF_BENCH = ("name", "instrument", "typed")
"""Of a bench: what its channels are made from."""


@dataclass(frozen=True, slots=True)
class Texts:
    """Plan and bench as they were, or are."""

    plan: str
    bench: str


def changed_since(before: Texts, now: Texts) -> str:
    """What differs, where something does; the keys are named unless a text cannot be read."""
    named = _named(before, now)
    what = "the plan, or a channel of the bench, has changed since"
    return what if named is None else f"{what} ({named})"


def _named(before: Texts, now: Texts) -> str | None:
    try:
        plans = [_plan(texts.plan) for texts in (before, now)]
        benches = [_bench(texts.bench) for texts in (before, now)]
    except (tomllib.TOMLDecodeError, KeyError, TypeError, AttributeError):
        return None
    if not all(plans):
        return None
    told = [
        *(f"in the plan {each}" for each in _differences(*plans)),
        *(f"in the bench {each}" for each in _differences(*benches)),
    ]
    if not told:
        return "neither file says otherwise: a meter's profile, or what this program takes where nothing is stated"
    more = len(told) - _NAMED
    return "; ".join(told[:_NAMED]) + (f"; and {more} more" if more > 0 else "")


def _plan(text: str) -> dict[str, Any]:
    return _leaves(tomllib.loads(text))


def _bench(text: str) -> dict[str, Any]:
    written = tomllib.loads(text)
    kept = {key: written[key] for key in _OF_BENCH if key in written}
    kept["instrument"] = [
        {key: value for key, value in each.items() if key not in _WIRING}
        for each in written["instrument"]
    ]
    return _leaves(kept)


def _leaves(table: Mapping[str, Any]) -> dict[str, Any]:
    return dict(_walked("", table))


def _walked(path: str, value: object) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, each in value.items():
            yield from _walked(_joined(path, key), each)
    elif isinstance(value, list) and value and all(isinstance(x, dict) for x in value):
        names = _names(value)
        yield f"the order of {path}", names
        for name, each in zip(names, value, strict=True):
            yield from _walked(_joined(path, name), each)
    else:
        yield path, value


def _names(tables: Sequence[Mapping[str, Any]]) -> list[str]:
    """What tells tables of one kind apart: a name of their own, and a number where two have the same."""
    names: list[str] = []
    for table in tables:
        own = next((str(table[key]) for key in _IDENTITIES if key in table), "")
        alike = sum(name.partition("#")[0] == own for name in names)
        names.append(own if not alike and own else f"{own}#{alike + 1}")
    return names


def _joined(path: str, key: str) -> str:
    is_bare = key.replace("_", "").replace("-", "").replace("#", "").isalnum()
    shown = key if is_bare else json.dumps(key, ensure_ascii=False)
    return f"{path}.{shown}" if path else shown


def _differences(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    for path in dict.fromkeys([*before, *now]):
        if path.startswith("the order of "):
            yield from _reordered(path, before.get(path), now.get(path))
        elif path not in now:
            yield f"{path} is gone, was {_shown(before[path])}"
        elif path not in before:
            yield f"{path} = {_shown(now[path])}, was not there"
        elif before[path] != now[path]:
            yield f"{path} = {_shown(now[path])}, was {_shown(before[path])}"


def _reordered(
    path: str, before: Sequence[str] | None, now: Sequence[str] | None
) -> Iterator[str]:
    """One that came or went is told by its keys."""
    if before and now and before != now and sorted(before) == sorted(now):
        yield f"{path} is another"


def _shown(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}…"
