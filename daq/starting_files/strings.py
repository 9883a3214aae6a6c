"""TOML strings of whatever a user types, and names made of it."""

import json
import re
import unicodedata

_LONGEST = 60


def toml_string(text: str) -> str:
    """A basic string; quotes, backslashes and control characters escaped.

    Raises:
        ValueError: If the text holds halves of characters, which no file can keep.
    """
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as exc:
        msg = f"{text!r} is no readable text, expected characters of UTF-8"
        raise ValueError(msg) from exc
    # JSON escapes what TOML wants escaped, but for one control character.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def name_from(text: str, *, otherwise: str) -> str:
    """A name of letters, digits, - and _, a letter first."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    name = re.sub(r"[^A-Za-z0-9_]+", "-", plain).strip("-_")
    if not name:
        return otherwise
    if not name[0].isalpha():
        name = f"{otherwise}-{name}"
    return name[:_LONGEST].rstrip("-_")
