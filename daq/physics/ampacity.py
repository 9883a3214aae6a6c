"""Reference figures of what leads are rated for, and of what is recommended; never a permission.

Each figure carries its source, its edition and how far it was verified, for whoever prints it. The local code, the lead's own
marking and the lowest rating in the chain decide. No figure is held for sizes in mm²: those depend on the
cord's type, the way it lies and the country.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

NEVER_PERMISSION = "Reference figures, not permission: the local code and a licensed electrician decide."
CONTINUOUS_SHARE = 0.8
"""Share of a circuit's rating that one plug-in load should take at most [1].

NFPA 70, 210.23(A)(1), 2020 and before; 210.23(B)(1) later (from memory). A rule in that code's reach, common
practice elsewhere.
"""
_FOOT_M = 0.3048


@dataclass(frozen=True, slots=True)
class ReferenceAmpacity:
    """A published current for one size of cord.

    Attributes:
        current_a: The figure [A].
        holds_for: Under which circumstances.
        source: Where it stands.
        edition: Of which year.
        evidence: How far it was verified here.
    """

    current_a: float
    holds_for: str
    source: str
    edition: str
    evidence: str


@dataclass(frozen=True, slots=True)
class RecommendedDrop:
    """A recommended limit of the voltage drop, which includes the building's wiring.

    Attributes:
        percent: Of the nominal voltage.
        holds_for: What for.
        source: Where it stands.
    """

    percent: float
    holds_for: str
    source: str


RECOMMENDED_DROPS = (
    RecommendedDrop(
        3.0,
        "lighting or a branch circuit",
        "NFPA 70, informational note to 210.19; IEC 60364-5-52:2009, table G.52.1",
    ),
    RecommendedDrop(
        5.0,
        "other loads or feeder and branch together",
        "NFPA 70, informational note to 215.2; IEC 60364-5-52:2009, table G.52.1",
    ),
)
"""Recommendations, not limits of law; clause numbers of NFPA 70 from memory, table G.52.1 read in a reproduction."""

_TABLE = "NFPA 70, table 400.5(A)(1)"
_EDITIONS = (
    "2011 and later"  # so numbered since then (from memory); earlier table 400.5(A)
)
_REPRINTS = "as public reprints give it"
_TWO_LOADED_A: Mapping[int, float] = MappingProxyType(
    {18: 10.0, 17: 12.0, 16: 13.0, 14: 18.0, 12: 25.0, 10: 30.0}
)
_THREE_LOADED_A: Mapping[int, float] = MappingProxyType(
    {18: 7.0, 16: 10.0, 14: 15.0, 12: 20.0, 10: 25.0}
)
_SHORT_M, _LONG_M = 50.0 * _FOOT_M, 100.0 * _FOOT_M
_CORD_SET_A: Mapping[int, tuple[float, float]] = MappingProxyType(
    {
        18: (10.0, 7.0),
        16: (13.0, 10.0),
        14: (18.0, 13.0),
        12: (25.0, 18.0),
        10: (30.0, 25.0),
    }
)
"""Cord sets to 50 ft, and from there to 100 ft."""


def cord_ampacity(
    gauge: int, *, loaded_conductors: int = 2
) -> ReferenceAmpacity | None:
    """Published ampacity of a flexible cord.

    Args:
        gauge: Size [AWG].
        loaded_conductors: How many carry current [1]: 2 in single phase, the earth not counted, or 3.

    Returns:
        The figure [A] with its source; None for a size that is not held here.

    Raises:
        ValueError: If the number of loaded conductors is neither 2 nor 3.

    Validity:
        At most 30 °C, laid out singly, thermoset or thermoplastic cord for general use. Coiled, bundled, covered or in
        heat it is less.

    Source:
        NFPA 70, table 400.5(A)(1), column B (two loaded conductors) and column A (three).

    Example:
        >>> cord_ampacity(14).current_a
        18.0
    """
    tables = {2: _TWO_LOADED_A, 3: _THREE_LOADED_A}
    if loaded_conductors not in tables:
        msg = f"{loaded_conductors} loaded conductors, expected 2 or 3"
        raise ValueError(msg)
    current_a = tables[loaded_conductors].get(gauge)
    if current_a is None:
        return None
    words = {2: "two", 3: "three"}[loaded_conductors]
    return ReferenceAmpacity(
        current_a,
        f"laid out, {words} loaded cores, up to 30 °C",
        _TABLE,
        _EDITIONS,
        _REPRINTS,
    )


def cord_set_ampacity(gauge: int, length_m: float) -> ReferenceAmpacity | None:
    """Usual rating of a North American cord set, which falls with its length.

    Args:
        gauge: Size [AWG].
        length_m: Length [m], above 0.

    Returns:
        The figure [A] with its source; None beyond 100 ft and for a size that is not held here.

    Raises:
        ValueError: If the length is not above 0.

    Validity:
        And never more than the plug's own rating: 15 A for the commonest.

    Source:
        Makers' pages that quote the practice of North American listing; no published standard was read.

    Example:
        >>> cord_set_ampacity(14, 30.48).current_a
        13.0
    """
    if not length_m > 0.0:
        msg = f"length {length_m:g} m, expected above 0"
        raise ValueError(msg)
    # A hair beyond: 100 ft is 30.48 m, however it was typed.
    if gauge not in _CORD_SET_A or length_m > 1.001 * _LONG_M:
        return None
    is_short = length_m <= 1.001 * _SHORT_M
    short_a, long_a = _CORD_SET_A[gauge]
    return ReferenceAmpacity(
        short_a if is_short else long_a,
        f"as a cord set {'up to 50 ft' if is_short else 'of 51 to 100 ft'}, within its plug's rating",
        "practice of North American listing",
        "undated",
        "as makers quote it",
    )


def circuit_limit_a(circuit_a: float) -> float:
    r"""What one plug-in load should draw at most from a circuit.

    .. math:: I = 0.8 \, I_\mathrm{rated}

    Args:
        circuit_a: Rating of the circuit [A], above 0.

    Returns:
        I [A]: 12 of 15, 16 of 20.

    Raises:
        ValueError: If the rating is not above 0.

    Validity:
        Cord-and-plug load, not fixed in place.

    Source:
        NFPA 70, 210.23(A)(1) in editions to 2020, as public pages quote it.

    Example:
        >>> circuit_limit_a(15.0), circuit_limit_a(20.0)
        (12.0, 16.0)
    """
    if not circuit_a > 0.0:
        msg = f"circuit of {circuit_a:g} A, expected above 0"
        raise ValueError(msg)
    return CONTINUOUS_SHARE * circuit_a
