"""Bytes into text: UTF-8, UTF-16 and UTF-32 by their byte-order mark, any other encoding by the user's word alone.

Guesses only in what it says: bytes that are no UTF-8 are refused with the encoding that is likely.
"""

import codecs

from daq.delimited.place import Place

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
"""The longer ones first: that of UTF-16 is the beginning of one of UTF-32."""
_USUAL = "utf-8"
_LIKELY = ("cp1252", "cp850")
"""Of Western Europe: what Windows writes, and what DOS and many a meter wrote; the likelier first."""
_SIGNS = frozenset("°²³µ·±€Ω\N{EN DASH}")
"""Met in names of columns and units beside letters."""


def decode(
    content: bytes,
    place: Place,
    *,
    encoding: str | None = None,
    option: str | None = None,
) -> str:
    """The text of a file.

    Args:
        content: Of the file.
        place: What to call it in an error.
        encoding: Where no mark at its beginning tells; UTF-8 if None.
        option: By which the user can name it, to be told in an error; None where there is none.

    Raises:
        InputError: It is no such text, with the line and the encoding that is likely.
    """
    marked = next((name for mark, name in _MARKS if content.startswith(mark)), None)
    name = marked or encoding or _USUAL
    called = name.upper().removesuffix("-SIG")
    expected = f"expected {called} text"
    remedy = (
        f"its byte-order mark says {called}, but not all of it is: save it anew"
        if marked
        else _remedy(content, option)
    )
    try:
        text = content.decode(name)
    except UnicodeDecodeError as exc:
        # What was decoded is without the mark.
        got = exc.object[exc.start : exc.start + 1]
        line = exc.object.count(b"\n", 0, exc.start) + 1
        problem = f"got the byte {got!r}, {expected}; {remedy}"
        raise place.error(line, problem) from exc
    except UnicodeError as exc:
        problem = f"no such text, {expected}; {remedy}"
        raise place.error(None, problem) from exc
    zero = text.find("\0")
    if zero >= 0:
        line = text.count("\n", 0, zero) + 1
        problem = f"got a zero byte, {expected}; {remedy}"
        raise place.error(line, problem)
    return text


def _remedy(content: bytes, option: str | None) -> str:
    likely = _likely(content)
    if option is None:
        return "save it in UTF-8" + (f" (it is likely {likely})" if likely else "")
    if likely is None:
        return f"save it in UTF-8, or name its encoding: {option} NAME"
    return f"it is likely {likely}: {option} {likely}, or save it in UTF-8"


def _likely(content: bytes) -> str | None:
    """The encoding in which whatever is not ASCII makes letters and usual signs."""
    if b"\0" in content:
        is_little = content[1::2].count(0) >= content[::2].count(0)
        return "utf-16-le" if is_little else "utf-16-be"
    strange = bytes({byte for byte in content if byte > 0x7F})
    for name in _LIKELY:
        text = strange.decode(name, errors="replace")
        if all(sign.isalpha() or sign in _SIGNS for sign in text):
            return name
    return None
