"""The line at the terminal in which the operator types a reading, or takes the last one back: letters in, an answer out.

Knows no terminal and no session: the display hands it letters and draws what it says.
"""

from collections.abc import Sequence

from daq.operations import CannotRead, TakeBack, TypedReading
from daq.runtime.snapshot import AskingLine, TypedLine
from daq.wording import shown_value, unit_symbol

_OF_NUMBERS = frozenset("0123456789.,+-")
_LONGEST = 20
_BACKSPACES = frozenset("\b\x7f")
_ENTERS = frozenset("\r\n")
_CANNOT, _YES, _TAKE_BACK = "x", "y", "t"


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
        self._newest: TypedLine | None = None
        self._wrong: TypedLine | None = None

    def takes(self, letter: str) -> bool:
        """Whether a letter belongs here.

        The Enter after figures does, also where what was asked for is over by then, or not begun: as a key of its own it
        would say that the machine was switched.
        """
        if self._asking is not None or self._wrong is not None:
            return True
        if letter == _TAKE_BACK and self._newest is not None:
            return True
        if letter in _OF_NUMBERS:
            self._is_stray = True
        elif self._is_stray and letter in _ENTERS:
            self._is_stray = False
        else:
            return False
        return True

    def follow(
        self, asking: AskingLine | None, typed: Sequence[TypedLine] = ()
    ) -> bool:
        """Take what is asked for at the moment, and what was typed in this trial; tells whether something new is asked for."""
        self._newest = typed[-1] if typed else None
        if self._wrong not in typed:
            self._wrong = None
        if asking == self._asking:
            return False
        self._asking = asking
        self._is_stray = asking is None and self._typed != ""
        self._typed = self._said = self._doubted = ""
        return asking is not None

    def feed(self, letter: str) -> TypedReading | CannotRead | TakeBack | None:
        """Take a letter; returns the answer that it completes."""
        if self._wrong is not None:
            wrong, self._wrong = self._wrong, None
            is_meant = letter == _YES
            return TakeBack(wrong.channel, wrong.at_s) if is_meant else None
        if letter == _TAKE_BACK:
            self._wrong = self._newest
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
        if self._wrong is not None:
            keys = "y: take it back, it was wrong   any other key: leave it"
            return (f"Take back {_named(self._wrong)}?", keys)
        asking = self._asking
        if asking is None:
            return () if self._newest is None else (self._take_back_key(),)
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
        keys = "Enter: keep it   x: cannot read it now"
        return keys if self._newest is None else f"{keys}   {self._take_back_key()}"

    def _take_back_key(self) -> str:
        return "" if self._newest is None else f"t: take back {_named(self._newest)}"

    def _edit(self, letter: str) -> None:
        if letter in _BACKSPACES:
            self._typed = self._typed[:-1]
        elif letter in _OF_NUMBERS and len(self._typed) < _LONGEST:
            self._typed += letter
            self._said = self._doubted = ""


def _named(line: TypedLine) -> str:
    return f"{line.title} {shown_value(line.value, line.unit, line.decimals)}"
