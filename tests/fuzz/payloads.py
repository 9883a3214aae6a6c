"""Targets: what anyone may publish at a broker, and what anyone may send to the page's port.

A payload is the example of a message with one value replaced, or bytes as they are. A request is bytes as they are, but
for a few marks that stand for what only a browser of this page would know: its host, its origin, its keys.
"""

import json
import math
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from daq.errors import InputError
from daq.messages import (
    parse_answer,
    parse_description,
    parse_health,
    parse_live,
    parse_result,
    parse_slip,
    parse_state,
    parse_status,
)
from daq.operations import LONGEST_TEXT, Note, Operation, Skip, Start
from daq.runtime.broker.asking import Asking
from daq.runtime.broker.connection import Incoming
from tests.core.message_examples import EXAMPLES, UTC_S

_MANY = re.compile(rb"~(.)([1-5])", re.DOTALL)
_HERE = "here, and nowhere else"
_RAW = 0xFF
_MOST_SAID = 500
_UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_OBEYED = {"Cc", "Cs", "Zl", "Zp"}
_TURNED = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


def is_harmless(text: str) -> bool:
    """Whether a terminal would only print it: no control characters, no line ends, nothing that turns its direction."""
    if text.isascii():
        return text.isprintable()
    return not any(
        unicodedata.category(each) in _OBEYED
        or unicodedata.bidirectional(each) in _TURNED
        for each in text
    )


def payload_of(script: bytes, example: str) -> bytes:
    """An example with one of its values replaced by the rest of the script, or the rest as it is."""
    rest = _MANY.sub(lambda match: match[1] * 10 ** int(match[2]), script[1:])
    if script[0] == _RAW:
        return rest
    message = json.loads(example)
    places = list(_places(message))
    holder, key = places[script[0] % len(places)]
    holder[key] = _HERE
    spelt = json.dumps(message, ensure_ascii=False).encode()
    return spelt.replace(json.dumps(_HERE).encode(), rest)


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every key of every object and every item of every list."""
    if not isinstance(value, dict | list):
        return
    inner = value.items() if isinstance(value, dict) else enumerate(value)
    for key, each in [*inner]:
        yield value, key
        yield from _places(each)


# ---- what a follower is told

_FOLLOWED: Mapping[str, Callable[[bytes], object]] = {
    "status": parse_status,
    "bench": parse_description,
    "state": parse_state,
    "slip": parse_slip,
    "live": parse_live,
    "result": parse_result,
    "health": parse_health,
    "answer": parse_answer,
}


def followed(script: bytes) -> None:
    """What a bench tells: refused in one line, or finite numbers and harmless texts throughout."""
    if len(script) < 2:
        return
    name = [*_FOLLOWED][script[0] % len(_FOLLOWED)]
    try:
        told = _FOLLOWED[name](payload_of(script[1:], EXAMPLES[name]))
    except InputError as refused:
        _check_said(str(refused))
        return
    _check_value(told)


def _check_said(text: str) -> None:
    assert text
    assert is_harmless(text), f"obeyed by a terminal: {text!r}"
    assert len(text) <= _MOST_SAID, f"{len(text)} characters said"


def _check_value(value: object) -> None:
    if isinstance(value, float):
        assert math.isfinite(value)
    elif isinstance(value, str):
        assert is_harmless(value), f"obeyed by a terminal: {value!r}"
    elif isinstance(value, tuple):
        for each in value:
            _check_value(each)
    elif isinstance(value, Mapping):
        _check_value((*value.keys(), *value.values()))
    elif is_dataclass(value):
        _check_value(tuple(getattr(value, each.name) for each in fields(value)))


# ---- what is asked of the bench

_ALLOWED = ("start", "skip", "note")
_KINDS = {"start": Start, "skip": Skip, "note": Note}


class _Service:
    """Takes operations and answers, and keeps both."""

    def __init__(self) -> None:
        self.operations: list[Operation] = []
        self.answers: list[str] = []
        self.asking = Asking(
            allowed=_ALLOWED,
            on_ask=self._carry_out,
            answer=self.answers.append,
            utc_s=lambda: UTC_S,
        )

    async def _carry_out(self, operation: Operation) -> str:
        self.operations.append(operation)
        return "Done as asked."

    def take(self, payload: bytes, *, is_kept: bool) -> None:
        """One message, from its arrival to its answer; nothing in between waits, so no event loop is needed."""
        coroutine = self.asking._take(Incoming("asks", payload, is_kept))
        try:
            coroutine.send(None)
        except StopIteration:
            return
        msg = "an answer was waited for"
        raise AssertionError(msg)


def broker_ask(script: bytes) -> None:
    """A wish: carried out once and only if it is one of those allowed, fresh and not kept; answered in any case."""
    if len(script) < 2:
        return
    service, is_kept = _Service(), script[0] == ord("k")
    payload = payload_of(script[1:], EXAMPLES["ask"])
    service.take(payload, is_kept=is_kept)
    done = len(service.operations)
    assert done == 0 if is_kept else done <= 1
    _check_answer(service.answers[0], taken=done == 1)
    if done:
        _check_operation(service.operations[0], json.loads(payload))
    service.take(payload, is_kept=False)
    assert len(service.operations) <= 1, "carried out twice"
    assert len(service.answers) == 2


def _check_answer(text: str, *, taken: bool) -> None:
    answer = json.loads(text, parse_constant=_refuse)
    assert answer["format"] == 1
    assert answer["taken"] is taken
    assert answer["id"] is None or _UUID.fullmatch(answer["id"])
    _check_said(answer["text"])


def _refuse(name: str) -> None:
    raise AssertionError(name)


def _check_operation(operation: Operation, asked: dict[str, Any]) -> None:
    assert type(operation) is _KINDS[asked["operation"]]
    assert _UUID.fullmatch(asked["id"].lower())
    texts = (getattr(operation, each.name) for each in fields(operation))
    for text in (each for each in texts if isinstance(each, str)):
        assert is_harmless(text)
        assert len(text) <= LONGEST_TEXT
