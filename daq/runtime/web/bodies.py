"""What requests may carry: strict models, turned into the operations that they ask for."""

from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from daq.operations import (
    LONGEST_TEXT,
    CannotRead,
    Note,
    Operation,
    Relabel,
    Repeat,
    SameAsBefore,
    Skip,
    Start,
    TakeBack,
    TypedReading,
)

_LONGEST_TOKEN = 200
_MOST_PROBLEMS = 10
# JSON numbers are exact up to here in every program (RFC 8259, 6).
LARGEST_NUMBER = 2**53 - 1

Text = Annotated[str, Field(max_length=LONGEST_TEXT)]
# Something must be left once blanks and what cannot be printed are gone.
NeededText = Annotated[
    Text, Field(pattern=r"[^\s\x00-\x1f\x7f-\x9f\u2028\u2029]", min_length=1)
]


def _whole(value: object) -> object:
    """To JSON, and so to the description, 2.0 is an integer as 2 is."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


# In this order, or the bounds are not in the description.
Number = Annotated[int, Field(ge=1, le=LARGEST_NUMBER), BeforeValidator(_whole)]

_WORDS = {
    "missing": "is missing",
    "extra_forbidden": "is unknown",
    "string_pattern_mismatch": "is empty, expected some text",
    "string_too_short": "is empty, expected some text",
}


class Body(BaseModel):
    """Nothing is guessed, nothing is overlooked."""

    model_config = ConfigDict(strict=True, extra="forbid")


_B = TypeVar("_B", bound=Body)


class TokenBody(Body):
    """Of a link."""

    token: Annotated[str, Field(max_length=_LONGEST_TOKEN)]


class RenewBody(Body):
    """Whose links and cookies shall be void."""

    role: Literal["reader", "operator"]


class EmptyBody(Body):
    """Nothing to say: `{}`."""


class SameBody(Body):
    """What is the same as on the day before."""

    machine: bool
    meters: bool
    room: bool


class StartBody(Body):
    """See `Start`."""

    plan: NeededText
    new: bool = False
    same: SameBody | None = None

    def operation(self) -> Operation:
        """What is asked for."""
        same = None
        if self.same is not None:
            same = SameAsBefore(**self.same.model_dump())
        return Start(self.plan, new=self.new, same=same)


class SkipBody(Body):
    """See `Skip`."""

    reason: Text = ""

    def operation(self) -> Operation:
        """What is asked for."""
        return Skip(self.reason)


class RepeatBody(Body):
    """See `Repeat`."""

    position: Number
    instead_because: Text = ""

    def operation(self) -> Operation:
        """What is asked for."""
        return Repeat(self.position, self.instead_because)


class RelabelBody(Body):
    """See `Relabel`."""

    trial: Number
    condition: NeededText
    reason: NeededText

    def operation(self) -> Operation:
        """What is asked for."""
        return Relabel(self.trial, self.condition, self.reason)


class NoteBody(Body):
    """See `Note`."""

    text: NeededText

    def operation(self) -> Operation:
        """What is asked for."""
        return Note(self.text)


class ReadingBody(Body):
    """See `TypedReading`."""

    channel: NeededText
    text: NeededText
    as_typed: bool = False

    def operation(self) -> Operation:
        """What is asked for."""
        return TypedReading(self.channel, self.text, as_typed=self.as_typed)


class CannotReadBody(Body):
    """See `CannotRead`."""

    channel: NeededText

    def operation(self) -> Operation:
        """What is asked for."""
        return CannotRead(self.channel)


class TakeBackBody(Body):
    """See `TakeBack`."""

    channel: NeededText
    at_s: Annotated[float, Field(allow_inf_nan=False)] | None = None

    def operation(self) -> Operation:
        """What is asked for."""
        return TakeBack(self.channel, self.at_s)


OperationBody = (
    StartBody
    | SkipBody
    | RepeatBody
    | RelabelBody
    | NoteBody
    | ReadingBody
    | CannotReadBody
    | TakeBackBody
)


def parse_body(model: type[_B], text: bytes) -> _B:
    """Read a body.

    Raises:
        ValueError: With every fault, each by its key.
    """
    try:
        return model.model_validate_json(text)
    except ValidationError as exc:
        faults = exc.errors(
            include_url=False, include_context=False, include_input=False
        )
        problems = [
            f"{'.'.join(map(str, fault['loc'])) or 'body'}: {_words(fault['type'], fault['msg'])}"
            for fault in faults
        ]
        raise ValueError("; ".join(problems[:_MOST_PROBLEMS])) from exc


def _words(kind: str, text: str) -> str:
    return _WORDS.get(kind, text[:1].lower() + text[1:])
