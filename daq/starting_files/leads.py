"""Size and length of a lead, where a condition's name says both beyond doubt."""

import re
from collections.abc import Iterable

_NUMBER = r"(?<![\d.,])(\d+(?:[.,]\d+)?)\s*"
_AREA = re.compile(rf"{_NUMBER}(?:mm2|mm²|mm\^2)(?!\w)", re.IGNORECASE)
_GAUGE = re.compile(
    r"(?<![\w.,])(?:(\d+)\s*AWG|AWG\s*(\d+))(?![\w.,]\d)", re.IGNORECASE
)
_METRES = re.compile(rf"{_NUMBER}(?:m|metres?|meters?)(?![\w²^])", re.IGNORECASE)
_FEET = re.compile(rf"{_NUMBER}(?:ft|foot|feet)(?!\w)", re.IGNORECASE)
_MOST_MM2, _MOST_M, _MOST_FT, _MOST_AWG = 50.0, 1000.0, 3300.0, 30


def lead_table(name: str) -> str | None:
    """An inline table like `{ area_mm2 = 1.5, length_m = 25 }`; None where the name leaves a doubt."""
    size = _one(
        [
            *(("area_mm2", text, _MOST_MM2) for text in _AREA.findall(name)),
            *(("awg", a or b, _MOST_AWG) for a, b in _GAUGE.findall(name)),
        ]
    )
    length = _one(
        [
            *(("length_m", text, _MOST_M) for text in _METRES.findall(name)),
            *(("length_ft", text, _MOST_FT) for text in _FEET.findall(name)),
        ]
    )
    return f"{{ {size}, {length} }}" if size and length else None


def _one(found: Iterable[tuple[str, str, float]]) -> str | None:
    """The only one, as a TOML key; None of none, of several, and of what cannot be."""
    stated = list(found)
    if len(stated) != 1:
        return None
    key, text, most = stated[0]
    if re.search(r",\d{3}$", text):
        # Thousands, or three decimals: nobody can tell.
        return None
    value = float(text.replace(",", "."))
    if not 0.0 < value <= most:
        return None
    return f"{key} = {value:g}"
