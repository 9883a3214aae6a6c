"""An operation that is asked for over MQTT, and the answer.

Knows no bench: whether an operation is allowed or can be carried out is not said here. What is said is when a message is
an honest wish: it is fresh, was not kept by the broker, has an identity of its own, and has no key beyond what
its operation takes.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType

from daq.errors import InputError
from daq.messages.form import FORMAT, Fields, parse_object, render_json

LONGEST_ASK_BYTES = 4096
EXPIRES_S = 10.0
"""How far from our own time a wish may have been sent, to either side."""
_REMEMBERED = 1000

_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.IGNORECASE)
_UTC = re.compile(
    r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:\d\d)", re.ASCII
)
_KEYS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"start": ("plan", "new", "same"), "skip": ("reason",), "note": ("text",)}
)
"""The operations that can be asked for, and what each may carry."""
ASKABLE = tuple(_KEYS)


@dataclass(frozen=True, slots=True)
class Ask:
    """An operation that is asked for.

    Attributes:
        ask_id: UUID that the asker made up; the answer carries it.
        sent_utc_s: By the asker's clock [s since 1970-01-01T00:00:00Z].
        operation: One of ASKABLE.
        details: What the operation carries; nothing but the operation's own keys.
    """

    ask_id: str
    sent_utc_s: float
    operation: str
    details: Fields


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a wish: `taken`, and a sentence; the id is None where none could be read."""

    ask_id: str | None
    taken: bool
    text: str


def render_ask(
    ask_id: str, *, sent_utc: str, operation: str, details: Mapping[str, object]
) -> str:
    """Payload of the ask topic."""
    head = {"format": FORMAT, "id": ask_id, "sent_utc": sent_utc}
    return render_json({**head, "operation": operation, **details})


def parse_ask(payload: bytes) -> Ask:
    """A wish as it came.

    Raises:
        InputError: If it is too long, is of another form, or has a key that its operation does not take.
    """
    fields = _ask_fields(payload)
    ask_id, operation = _id(fields), fields.text("operation")
    if operation not in _KEYS:
        raise fields.refusal(key="operation", expected=f"one of {', '.join(_KEYS)}")
    head = ("format", "id", "sent_utc", "operation")
    own = _KEYS[operation]
    if unknown := sorted(set(fields.values) - {*head, *own}):
        # Elsewhere unknown keys are passed over; here they may be what the asker relies on.
        only = f"no such key, {operation} takes {', '.join(own)} only"
        raise fields.refusal(key=unknown[0], expected=only)
    details = {key: fields.values[key] for key in own if key in fields.values}
    return Ask(
        ask_id,
        _utc_s(fields, "sent_utc"),
        operation,
        Fields(fields.place, details),
    )


def ask_id_of(payload: bytes) -> str | None:
    """The id alone, for the answer to a wish that is no good otherwise; None where there is none."""
    try:
        return _id(_ask_fields(payload))
    except InputError:
        return None


def _ask_fields(payload: bytes) -> Fields:
    if len(payload) > LONGEST_ASK_BYTES:
        msg = f"ask: {len(payload)} bytes, expected at most {LONGEST_ASK_BYTES}"
        raise InputError(msg)
    return parse_object(payload, place="ask")


def _id(fields: Fields) -> str:
    ask_id = fields.text("id")
    if not _UUID.fullmatch(ask_id):
        raise fields.refusal(key="id", expected="a UUID, 8-4-4-4-12 digits")
    return ask_id.lower()


def _utc_s(fields: Fields, key: str) -> float:
    text = fields.text(key)
    if not _UTC.fullmatch(text):
        raise fields.refusal(
            key=key, expected="RFC 3339 with a time zone, 2026-01-05T10:12:13Z"
        )
    try:
        return utc_s_of(text)
    except ValueError as exc:
        raise fields.refusal(key=key, expected="a time that there is") from exc


def utc_s_of(text: str) -> float:
    """A time of RFC 3339 as [s since 1970-01-01T00:00:00Z].

    Raises:
        ValueError: If there is no such time.
    """
    return datetime.fromisoformat(text).timestamp()


@dataclass(slots=True)
class AsksTaken:
    """The wishes that were taken, so that none is carried out twice; in bounded memory."""

    _expires_s: dict[str, float] = field(default_factory=dict)

    def take(self, ask: Ask, *, now_utc_s: float) -> None:
        """Remember a wish that is to be carried out.

        Args:
            ask: The wish.
            now_utc_s: By our own clock [s since 1970-01-01T00:00:00Z].

        Raises:
            InputError: If it is too old or from the future, was taken before, or there are too many.
        """
        late_s = now_utc_s - ask.sent_utc_s
        if late_s > EXPIRES_S:
            msg = f"ask: sent {late_s:.0f} s ago, expected at most {EXPIRES_S:.0f} s; send it anew, and compare the clocks"
            raise InputError(msg)
        if -late_s > EXPIRES_S:
            msg = f"ask: sent {-late_s:.0f} s ahead of this computer's time, expected at most {EXPIRES_S:.0f} s; compare the clocks"
            raise InputError(msg)
        if ask.ask_id in self._expires_s:
            msg = "ask: this id was taken before, expected a new one for each operation"
            raise InputError(msg)
        self._make_room(now_utc_s)
        self._expires_s[ask.ask_id] = ask.sent_utc_s + EXPIRES_S

    def _make_room(self, now_utc_s: float) -> None:
        """Forget the oldest, but only what could not be taken again for its age."""
        if len(self._expires_s) < _REMEMBERED:
            return
        oldest = next(iter(self._expires_s))
        if self._expires_s[oldest] >= now_utc_s:
            msg = f"ask: more than {_REMEMBERED} within {2 * EXPIRES_S:.0f} s, expected fewer"
            raise InputError(msg)
        del self._expires_s[oldest]


def render_answer(answer: Answer) -> str:
    """Payload of the answer topic."""
    told = {"id": answer.ask_id, "taken": answer.taken, "text": answer.text}
    return render_json({"format": FORMAT, **told})


def parse_answer(payload: bytes | str) -> Answer:
    """What became of a wish."""
    fields = parse_object(payload, place="answer")
    return Answer(fields.text_or_none("id"), fields.flag("taken"), fields.text("text"))
