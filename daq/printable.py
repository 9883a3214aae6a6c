"""Texts from elsewhere, without what a terminal would obey or a reader could not see.

Knows no screen: those who write a text say whether it may have several lines.
"""

import re
import unicodedata

# Control characters but those of lines and columns, marks that turn the direction of writing, halves of characters,
# what is no character, and what has no width or only that of a blank: soft hyphens, fillers, marks of formats, tags.
NOT_PRINTABLE = re.compile(
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff"
    r"\u00ad\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b\u2060-\u2065\u206a-\u206f\u2800\u3164\ufeff\uffa0\ufff0-\ufffb"
    r"\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e007f]"
)
SHAPING = r"\u200c\u200d\ufe00-\ufe0f\U000e0100-\U000e01ef"
"""Characters that nobody sees either but by what they make of their neighbours; scripts and signs need them."""

_SHAPING = re.compile(f"[{SHAPING}]")


def printable(text: str) -> str:
    """A text, be it of many lines, with a blank for what cannot be printed."""
    return NOT_PRINTABLE.sub(" ", text)


def is_shown_as_it_is(text: str) -> bool:
    """Whether a text is one line that any screen, table or broker can show without leaving anything out."""
    return "\t" not in text and " ".join(printable(text).splitlines()) == text


def as_it_looks(name: str) -> str:
    """The same for all names that a reader takes for one: of blanks, ways to write an accent and what is not seen he sees nothing."""
    seen = _SHAPING.sub("", NOT_PRINTABLE.sub("", " ".join(name.split())))
    return " ".join(unicodedata.normalize("NFC", seen).split())
