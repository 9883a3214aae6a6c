"""The line at the terminal in which the operator types a reading, or takes the last one back: letters in, an answer out.

Knows no terminal and no session: the display hands it letters and draws what it says.
"""

import math
from collections.abc import Sequence

from daq.answer_words import reading_number
from daq.operations import CannotRead, TakeBack, TypedReading
from daq.runtime.snapshot import AskingLine, TypedLine
from daq.wording import (
    sentence,
    shown_value,
    unit_symbol,
)

_OF_NUMBERS = frozenset("0123456789.,+-")
_LONGEST = 20
_BACKSPACES = frozenset("\b\x7f")
_ENTERS = frozenset("\r\n")
_CANNOT, _YES, _TAKE_BACK = "x", "y", "t"
_ONLY_A_NUMBER = "A reading is a number without its unit, like 412 or 12.3; other letters are passed over."


class TypingLine:
    """What has been typed of the reading that is asked for.

    What was not handed in in time stays, and is gone on with when the same channel is asked for again.
    """

    def __init__(self) -> None:
        """Nothing is asked for."""
        self._asking: AskingLine | None = None
        self._missed: AskingLine | None = None
        self._seconds_left = 0
        self._typed = ""
        self._sent = ""
        self._said = ""
        self._doubted = ""
        self._is_handed_in = False
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
        if self._missed is not None and (
            letter in _OF_NUMBERS | _BACKSPACES or (self._typed and letter in _ENTERS)
        ):
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

    @property
    def is_begun(self) -> bool:
        """Whether some of the reading that is asked for has been typed."""
        return self._asking is not None and self._typed != ""

    def follow(
        self,
        asking: AskingLine | None,
        typed: Sequence[TypedLine] = (),
        *,
        missed: AskingLine | None = None,
        now_s: float = 0.0,
    ) -> bool:
        """Take how it stands; tells whether something new is asked for.

        Args:
            asking: What is asked for at the moment.
            typed: What was typed in this trial.
            missed: What was not typed in time, until something is asked for again.
            now_s: By the bench's clock [s].
        """
        self._newest = typed[-1] if typed else None
        if self._wrong not in typed:
            self._wrong = None
        if asking is not None:
            self._seconds_left = max(math.ceil(asking.until_s - now_s), 0)
        before, was_missed = self._asking or self._missed, self._asking is None
        self._asking, self._missed = asking, missed if asking is None else None
        present, is_missed = self._asking or self._missed, asking is None
        if _is_same(present, before) and is_missed == was_missed:
            return False
        if _is_same_channel(present, before) and (is_missed or was_missed):
            # What was doubted can be mended, or handed in again.
            self._typed = self._typed or self._doubted
        else:
            self._is_stray = asking is None and self._typed != ""
            self._typed = ""
        self._said = self._doubted = ""
        self._is_handed_in = False
        return asking is not None

    def feed(self, letter: str) -> TypedReading | CannotRead | TakeBack | None:
        """Take a letter; returns the answer that it completes."""
        answer = self._fed(letter)
        self._is_handed_in = self._is_handed_in or answer is not None
        return answer

    def _fed(self, letter: str) -> TypedReading | CannotRead | TakeBack | None:
        if self._wrong is not None:
            wrong, self._wrong = self._wrong, None
            is_meant = letter == _YES
            return TakeBack(wrong.channel, wrong.at_s) if is_meant else None
        if letter == _TAKE_BACK:
            self._wrong = self._newest
        if self._asking is None:
            if self._missed is not None:
                self._edit(letter)
            return None
        channel = self._asking.channel
        if letter in _ENTERS and self._typed:
            self._sent, self._typed = self._typed, ""
            self._said = ""
            return TypedReading(channel, self._sent)
        if letter == _YES and self._doubted:
            return TypedReading(channel, self._doubted, as_typed=True)
        if letter == _CANNOT:
            return CannotRead(channel)
        self._edit(letter)
        return None

    def refused(self, text: str, *, is_doubted: bool) -> None:
        """The answer is not kept; where it is doubted, it can be confirmed.

        Where nothing was handed in, a letter was a key of another purpose that has none now: that leaves a doubt as it is.
        """
        if self._asking is not None and not (self._is_handed_in or is_doubted):
            self._said = self._said or f"{sentence(text)} {_ONLY_A_NUMBER}"
            return
        self._is_handed_in = False
        self._said = text
        self._doubted = self._sent if is_doubted else ""

    def lines(self) -> tuple[str, ...]:
        """What stands on the terminal; nothing while nothing is asked for."""
        if self._wrong is not None:
            keys = "y: take it back, it was wrong   any other key: leave it"
            return (f"Take back {_named(self._wrong)}?", keys)
        asking = self._asking
        if asking is None:
            newest = () if self._newest is None else (self._take_back_key(),)
            return (*self._lines_of_missed(), *newest)
        reading = reading_number(asking.number, asking.least)
        said = (self._said,) if self._said else ()
        return (*said, f"{_what(asking)}, {reading}: {self._typed}_", self._keys())

    def _lines_of_missed(self) -> tuple[str, ...]:
        missed = self._missed
        if missed is None:
            return ()
        told = f"{missed.title} was not typed in time; you will be asked again if there is time."
        if not self._typed:
            return (told,)
        return (
            told,
            f"{_what(missed)}, kept until then: {self._typed}_",
        )

    def _keys(self) -> str:
        left = f"{self._seconds_left} s left"
        if self._doubted:
            return f"y: the display shows {self._doubted}   or type it again   x: cannot read it now   {left}"
        keys = f"Enter: keep it   x: cannot read it now   {left}"
        return keys if self._newest is None else f"{keys}   {self._take_back_key()}"

    def _take_back_key(self) -> str:
        return "" if self._newest is None else f"t: take back {_named(self._newest)}"

    def _edit(self, letter: str) -> None:
        if letter in _BACKSPACES:
            self._typed = self._typed[:-1]
        elif letter in _OF_NUMBERS and len(self._typed) < _LONGEST:
            self._typed += letter
            self._said = self._doubted = ""
        elif letter.isprintable() and letter not in _OF_NUMBERS | {_TAKE_BACK}:
            self._said = self._said or _ONLY_A_NUMBER


def _is_same(one: AskingLine | None, other: AskingLine | None) -> bool:
    """Whether they are one call; its number and the time for it may change."""
    if one is None or other is None:
        return one is other
    return _is_same_channel(one, other) and one.since_s == other.since_s


def _is_same_channel(one: AskingLine | None, other: AskingLine | None) -> bool:
    return one is not None and other is not None and one.channel == other.channel


def _what(asking: AskingLine) -> str:
    unit = unit_symbol(asking.unit)
    return f"{asking.title} in {unit}" if unit else asking.title


def _named(line: TypedLine) -> str:
    return f"{line.title} {shown_value(line.value, line.unit, line.decimals)}"
