"""What an operator may ask of the bench, whichever way it comes: page, command line, broker, terminal.

Plain records that cannot be made wrong: texts are of one line and of bounded length. Knows no session; whether an
operation can be carried out at the moment is the service's to say.
"""

import re
from dataclasses import dataclass

from daq.printable import NOT_PRINTABLE

LONGEST_TEXT = 500
"""Characters of a note or a reason."""

# A text is one line: lines and columns go too, and what joins its neighbours without being seen.
_NOT_IN_A_LINE = re.compile(rf"(?:{NOT_PRINTABLE.pattern}|[\t\n\r\u200c\u200d])+")


@dataclass(frozen=True, slots=True)
class SameAsBefore:
    """The operator's answers where a session is taken up on another day."""

    machine: bool
    meters: bool
    room: bool


@dataclass(frozen=True, slots=True)
class Start:
    """Begin the session of a plan, or take up its unfinished one.

    Attributes:
        plan: Name of the plan.
        new: Begin anew even where a session is unfinished.
        same: What is the same as before, where that was asked.
    """

    plan: str
    new: bool = False
    same: SameAsBefore | None = None

    def __post_init__(self) -> None:
        _keep(self, "plan", needed=True)


@dataclass(frozen=True, slots=True)
class Pause:
    """Begin no further trial until told to go on."""


@dataclass(frozen=True, slots=True)
class GoOn:
    """End the pause."""


@dataclass(frozen=True, slots=True)
class Skip:
    """Leave out the line that is called for."""

    reason: str = ""

    def __post_init__(self) -> None:
        _keep(self, "reason", needed=False)


@dataclass(frozen=True, slots=True)
class Repeat:
    """Call once more for the condition of a line.

    Attributes:
        position: Of the line.
        instead_because: Why its newest trial shall not count; empty where both shall.
    """

    position: int
    instead_because: str = ""

    def __post_init__(self) -> None:
        _keep(self, "instead_because", needed=False)


@dataclass(frozen=True, slots=True)
class Stop:
    """Leave the session as it stands; it can be taken up again."""


@dataclass(frozen=True, slots=True)
class Relabel:
    """A trial that has ended was made under another condition than was called for.

    Attributes:
        trial: Its number in the store.
        condition: What was fitted.
        reason: Kept with the trial.
    """

    trial: int
    condition: str
    reason: str

    def __post_init__(self) -> None:
        _keep(self, "condition", needed=True)
        _keep(self, "reason", needed=True)


@dataclass(frozen=True, slots=True)
class Note:
    """Something to be kept with the session."""

    text: str

    def __post_init__(self) -> None:
        _keep(self, "text", needed=True)


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """The machine may run on."""


@dataclass(frozen=True, slots=True)
class Switched:
    """The machine was just switched, by the operator's word."""


@dataclass(frozen=True, slots=True)
class TypedReading:
    """A reading that was asked for, as it was typed.

    Attributes:
        channel: Its name.
        text: The number as the display shows it.
        as_typed: It was doubted, and the display shows just that.
    """

    channel: str
    text: str
    as_typed: bool = False

    def __post_init__(self) -> None:
        _keep(self, "channel", needed=True)
        _keep(self, "text", needed=True)


@dataclass(frozen=True, slots=True)
class CannotRead:
    """The reading that was asked for cannot be had now."""

    channel: str

    def __post_init__(self) -> None:
        _keep(self, "channel", needed=True)


@dataclass(frozen=True, slots=True)
class TakeBack:
    """A typed reading of the trial in hand was wrong, and shall not count.

    Attributes:
        channel: Its name.
        at_s: When it was typed, by the bench's clock [s]; None for the channel's newest.
    """

    channel: str
    at_s: float | None = None

    def __post_init__(self) -> None:
        _keep(self, "channel", needed=True)


Operation = (
    Start
    | Pause
    | GoOn
    | Skip
    | Repeat
    | Stop
    | Relabel
    | Note
    | Acknowledge
    | Switched
    | TypedReading
    | CannotRead
    | TakeBack
)


def _keep(operation: object, name: str, *, needed: bool) -> None:
    """One line of printable text, without blanks at its ends.

    Raises:
        ValueError: If it is empty where it is needed, or too long.
    """
    text = _NOT_IN_A_LINE.sub(" ", getattr(operation, name)).strip()
    if needed and not text:
        msg = f"{name} is empty, expected some text"
        raise ValueError(msg)
    if len(text) > LONGEST_TEXT:
        msg = f"{name} has {len(text)} characters, expected at most {LONGEST_TEXT}"
        raise ValueError(msg)
    object.__setattr__(operation, name, text)
