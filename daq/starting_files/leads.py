"""Size, length and rating of a lead, where a condition's name says them beyond doubt."""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from daq.physics.ampacity import cord_ampacity, cord_set_ampacity

_NUMBER = r"(?<![\d.,])(\d+(?:[.,]\d+)?)\s*"
_AREA = re.compile(rf"{_NUMBER}(?:mm2|mm²|mm\^2)(?!\w)", re.IGNORECASE)
_GAUGE = re.compile(
    r"(?<![\w.,])(?:(\d+)\s*AWG|AWG\s*(\d+))(?![\w.,]\d)", re.IGNORECASE
)
_METRES = re.compile(rf"{_NUMBER}(?:m|metres?|meters?)(?![\w²^])", re.IGNORECASE)
_FEET = re.compile(rf"{_NUMBER}(?:ft|foot|feet)(?!\w)", re.IGNORECASE)
_AMPERES = re.compile(rf"{_NUMBER}(?:A|amps?|amperes?)(?!\w)", re.IGNORECASE)
_LENGTH_ALONE = re.compile(
    r"\s*\d+(?:[.,]\d+)?\s*(?:m|metres?|meters?|ft|foot|feet)\s*", re.IGNORECASE
)
_CORES = re.compile(r"(?<![\w.,])[2-5][GX]\d+(?:[.,]\d+)?(?!\w)", re.IGNORECASE)
"""Cores and cross-section as a jacket has them, like 3G1.5 [1, mm2]."""
_FOOT_M = 0.3048
_MOST_A = 125.0
_MOST_MM2, _MOST_M, _MOST_FT, _MOST_AWG = 50.0, 1000.0, 3300.0, 30


@dataclass(frozen=True, slots=True)
class LeadRating:
    """What a lead may carry.

    Attributes:
        current_a: The rating [A].
        source: Which lead, and who says so.
    """

    current_a: float
    source: str


def lowest_rating(names: Sequence[str]) -> LeadRating | None:
    """The lowest rating of the leads that are named; None where no name tells one."""
    known = [rating for name in names for rating in _ratings(name)]
    return min(known, key=lambda rating: rating.current_a, default=None)


def _ratings(name: str) -> Iterator[LeadRating]:
    """What the name states, and what is published for a gauge; sizes in mm2 have no published figure here."""
    stated = _value(_one([("a", text, _MOST_A) for text in _AMPERES.findall(name)]))
    if stated is not None:
        yield LeadRating(stated, "the lowest that a lead's name states")
    gauge = _value(_one([("awg", a or b, _MOST_AWG) for a, b in _GAUGE.findall(name)]))
    if gauge is None:
        return
    metres = _value(_one([("m", text, _MOST_M) for text in _METRES.findall(name)]))
    feet = _value(_one([("ft", text, _MOST_FT) for text in _FEET.findall(name)]))
    length_m = metres or (feet or 0.0) * _FOOT_M
    published = [cord_ampacity(int(gauge))]
    published += [cord_set_ampacity(int(gauge), length_m)] if length_m else []
    for each in published:
        if each is not None:
            yield LeadRating(each.current_a, f"{gauge:g} AWG {each.holds_for}")


def _value(stated: str | None) -> float | None:
    """The number of what was found."""
    return None if stated is None else float(stated.partition(" = ")[2])


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


def has_size(name: str) -> bool:
    """Whether a name tells a cross-section or a gauge that a lead may have."""
    areas = [("area_mm2", text, _MOST_MM2) for text in _AREA.findall(name)]
    gauges = [("awg", a or b, _MOST_AWG) for a, b in _GAUGE.findall(name)]
    is_sized = any(_one([each]) for each in (*areas, *gauges))
    return is_sized or _CORES.search(name) is not None


def is_length(name: str) -> bool:
    """Whether a name tells how long something is, and nothing else."""
    return _LENGTH_ALONE.fullmatch(name) is not None


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
