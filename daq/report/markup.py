"""HTML that cannot be got wrong by a name: whatever is not markup already is escaped.

A condition may be called `<b>&"` and a note may hold a control character; both come out as they were typed, or as a
space where a page may not hold them.
"""

import html
from collections.abc import Iterable

from daq.printable import printable

_VOID = {"meta", "link", "br", "hr"}


class Markup(str):
    """Text that is HTML; any other text is escaped before it becomes part of it."""

    __slots__ = ()


def escaped(text: str) -> Markup:
    """Text as HTML that shows it; markup as it is."""
    if isinstance(text, Markup):
        return text
    return Markup(html.escape(printable(text)))


def joined(parts: Iterable[str], between: str = "") -> Markup:
    """Parts one after the other, each escaped unless it is markup."""
    return Markup(escaped(between).join(escaped(part) for part in parts))


def element(name: str, *children: str, **attributes: str) -> Markup:
    """An element.

    Args:
        name: Of the element.
        children: Texts are escaped, markup is not.
        attributes: `class_` is `class`, `data_label` is `data-label`; an empty one is left out.
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escaped(value)}"'
        for key, value in attributes.items()
        if value
    )
    if name in _VOID:
        return Markup(f"<{name}{written}>")
    return Markup(f"<{name}{written}>{joined(children)}</{name}>")
