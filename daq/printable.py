"""Texts from elsewhere, without what a terminal would obey or a reader could not see.

Knows no screen: those who write a text say whether it may have several lines.
"""

import re

# Control characters but those of lines and columns, marks that turn the direction of writing, halves of characters,
# and what is no character.
NOT_PRINTABLE = re.compile(
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)


def printable(text: str) -> str:
    """A text, be it of many lines, with a blank for what cannot be printed."""
    return NOT_PRINTABLE.sub(" ", text)


def is_shown_as_it_is(text: str) -> bool:
    """Whether a text is one line that any screen, table or broker can show without leaving anything out."""
    return "\t" not in text and " ".join(printable(text).splitlines()) == text
