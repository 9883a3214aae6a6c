"""The line at the terminal in which the operator types a reading: letters in, an answer out.

Knows no terminal and no session: the display hands it letters and draws what it says.
"""

from daq.operations import CannotRead, TypedReading
from daq.runtime.snapshot import AskingLine
from daq.wording import unit_symbol

_OF_NUMBERS = frozenset("0123456789.,+-")
_LONGEST = 20
_BACKSPACES = frozenset("\b\x7f")
_ENTERS = frozenset("\r\n")
_CANNOT, _YES = "x", "y"


class TypingLine:
    """What has been typed of the reading that is asked for."""

    def __init__(self) -> None:
        """Nothing is asked for."""
        self._asking: AskingLine | None = None
        self._typed = ""
        self._sent = ""
        self._said = ""
        self._doubted = ""
        self._is_stray = False

    def takes(self, letter: str) -> bool:
        """Whether a letter belongs here.

        The Enter after figures does, also where what was asked for is over by then, or not begun: as a key of its own it
        would say that the machine was switched.
        """
        if self._asking is not None:
            return True
        if letter in _OF_NUMBERS:
            self._is_stray = True
        elif self._is_stray and letter in _ENTERS:
            self._is_stray = False
        else:
            return False
        return True

    def follow(self, asking: AskingLine | None) -> bool:
        """Take what is asked for at the moment; tells whether that is something new."""
        if asking == self._asking:
            return False
        self._asking = asking
        self._is_stray = asking is None and self._typed != ""
        self._typed = self._said = self._doubted = ""
        return asking is not None

    def feed(self, letter: str) -> TypedReading | CannotRead | None:
        """Take a letter; returns the answer that it completes."""
        if self._asking is None:
            return None
        channel = self._asking.channel
        if letter in _ENTERS and self._typed:
            self._sent, self._typed = self._typed, ""
            return TypedReading(channel, self._sent)
        if letter == _YES and self._doubted:
            return TypedReading(channel, self._doubted, as_typed=True)
        if letter == _CANNOT:
            return CannotRead(channel)
        self._edit(letter)
        return None

    def refused(self, text: str, *, is_doubted: bool) -> None:
        """The answer is not kept; where it is doubted, it can be confirmed."""
        self._said = text
        self._doubted = self._sent if is_doubted else ""

    def lines(self) -> tuple[str, ...]:
        """What stands on the terminal; nothing while nothing is asked for."""
        asking = self._asking
        if asking is None:
            return ()
        unit = unit_symbol(asking.unit)
        what = f"{asking.title} in {unit}" if unit else asking.title
        line = (
            f"{what}, reading {asking.number} of {max(asking.number, asking.least)}: "
        )
        said = (self._said,) if self._said else ()
        return (*said, f"{line}{self._typed}_", self._keys())

    def _keys(self) -> str:
        if self._doubted:
            return f"y: the display shows {self._doubted}   or type it again   x: cannot read it now"
        return "Enter: keep it   x: cannot read it now"

    def _edit(self, letter: str) -> None:
        if letter in _BACKSPACES:
            self._typed = self._typed[:-1]
        elif letter in _OF_NUMBERS and len(self._typed) < _LONGEST:
            self._typed += letter
            self._said = self._doubted = ""
