"""What `daq lead` says of leads under load: a short answer or a table for people, JSON for programs."""

import json
import math
import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

from daq.physics.ampacity import (
    NEVER_PERMISSION,
    RECOMMENDED_DROPS,
    ReferenceAmpacity,
    circuit_limit_a,
)
from daq.physics.conductors import Jacket
from daq.physics.leads import REACTANCE_OHM_PER_M, LoadedLead

FORMAT = 1
_WIDTH, _INDENT = 80, 9
_CAUTIONS = (
    "Unroll coiled leads and reels fully, or they overheat.",
    "Plug, socket, lead, reel, breaker: the lowest rating rules.",
    "Loaded leads run 10 to 30 K above the room; 10 K add 3.9 %.",
    "A motor's current changes with its voltage; here it is taken as given.",
)
_TO = "\N{EN DASH}"
_UNBROKEN = "\N{NO-BREAK SPACE}"
_UNIT_AFTER_FIGURE = re.compile(r"(\d) (?=\S)")
_MOST_RECOMMENDED = max(each.percent for each in RECOMMENDED_DROPS)


@dataclass(frozen=True, slots=True)
class Length:
    """A length and how it was typed."""

    metres: float
    shown: str


@dataclass(frozen=True, slots=True)
class Load:
    """What the lead has to carry."""

    supply_v: float
    supply_is_assumed: bool
    current_a: float
    power_factor: float
    power_factor_is_assumed: bool
    temperature_c: float


@dataclass(frozen=True, slots=True)
class LeadUnderLoad:
    """One lead under that load, with pure copper and with the most resistance that its size may have."""

    jacket: Jacket
    gauge: int | None
    length: Length
    nominal: LoadedLead
    highest: LoadedLead | None
    ratings: tuple[ReferenceAmpacity, ...]

    @property
    def worst(self) -> LoadedLead:
        """The one with the larger drop."""
        return self.highest or self.nominal

    @property
    def name(self) -> str:
        """Size and length."""
        return f"{self.jacket.designation}, {self.length.shown}"


def _recommendation_kept(lead: LeadUnderLoad) -> float | None:
    """The smallest recommended drop that the lead alone stays within [%]."""
    kept = [
        each.percent
        for each in RECOMMENDED_DROPS
        if lead.worst.drop_percent <= each.percent
    ]
    return min(kept, default=None)


# ---- for people


def render_words(leads: Sequence[LeadUnderLoad], load: Load) -> str:
    """One lead as a short list, several as a table, then what to hold them against."""
    supply, factor = (
        " (assumed)" if assumed else ""
        for assumed in (load.supply_is_assumed, load.power_factor_is_assumed)
    )
    under = (
        f"{load.current_a:g} A from {load.supply_v:g} V{supply},"
        f" power factor {load.power_factor:g}{factor}, copper at {load.temperature_c:.3g} °C"
    )
    body = _one(leads[0]) if len(leads) == 1 else _table(leads)
    return "\n".join([under, "", *body, "", *_remarks(leads, load), ""])


def _one(lead: LeadUnderLoad) -> Iterator[str]:
    columns = [("pure copper", lead.nominal)]
    if lead.highest is not None:
        columns.append(("at most", lead.highest))
    yield f"{lead.name:<24}" + "".join(f"{head:>18}" for head, _ in columns)
    for lines in zip(*(_figures(each) for _, each in columns), strict=True):
        name = lines[0][0]
        cells = "".join(f"{figure:>16} {unit}" for _, figure, unit in lines)
        yield f"  {name:<22}{cells}"


def _figures(lead: LoadedLead) -> tuple[tuple[str, str, str], ...]:
    return (
        ("loop resistance", _three_digits(lead.resistance_ohm), "Ω"),
        ("voltage drop", f"{lead.drop_v:.2f}", "V"),
        ("", f"{lead.drop_percent:.1f}", "%"),
        ("left at the machine", f"{lead.machine_v:.1f}", "V"),
        ("lost as heat", _three_digits(lead.lost_w), "W"),
    )


def _three_digits(figure: float) -> str:
    return f"{figure:.{_decimals(figure, digits=3)}f}"


def _decimals(figure: float, *, digits: int) -> int:
    """Decimals at which a figure shows that many digits."""
    magnitude = math.floor(math.log10(figure)) if figure > 0.0 else 0
    return max(0, digits - 1 - magnitude)


def _table(leads: Sequence[LeadUnderLoad]) -> Iterator[str]:
    head = (
        "lead",
        "loop / Ω",
        "drop / V",
        "drop / %",
        "left / V",
        "lost / W",
        "within",
    )
    rows = [head, *map(_cells, leads)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    for row in rows:
        first, *rest = (
            f"{cell:<{width}}" if i == 0 else f"{cell:>{width}}"
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        yield "  ".join([first, *rest])


def _cells(lead: LeadUnderLoad) -> tuple[str, ...]:
    low, high = lead.nominal, lead.worst
    kept = _recommendation_kept(lead)
    return (
        lead.name,
        _span(
            low.resistance_ohm,
            high.resistance_ohm,
            min(3, _decimals(low.resistance_ohm, digits=3)),
        ),
        _span(low.drop_v, high.drop_v, max(1, _decimals(low.drop_v, digits=2))),
        _span(low.drop_percent, high.drop_percent, 1),
        _span(high.machine_v, low.machine_v, 0),
        _span(low.lost_w, high.lost_w, min(1, _decimals(low.lost_w, digits=2))),
        f"> {_MOST_RECOMMENDED:g} %" if kept is None else f"{kept:g} %",
    )


def _span(low: float, high: float, decimals: int) -> str:
    """From one figure to the other; one where they read the same."""
    texts = [f"{low:.{decimals}f}", f"{high:.{decimals}f}"]
    return _TO.join(dict.fromkeys(texts))


def _remarks(leads: Sequence[LeadUnderLoad], load: Load) -> Iterator[str]:
    limits = ", ".join(
        f"{each.percent:g} % ({each.percent * load.supply_v / 100.0:.3g} V) for {each.holds_for}"
        for each in RECOMMENDED_DROPS
    )
    limit_at_plug = ", ".join(
        f"{circuit_limit_a(each):g} A of {each:g} A" for each in (15.0, 20.0)
    )
    said = {
        "At most" if len(leads) == 1 else "Range": [_range_in_words(leads)],
        "Drop": [
            f"{_drop_in_words(leads)}Recommended at most {limits}; the building's wiring"
            " counts too (IEC 60364-5-52, table G.52.1; notes in NFPA 70)."
        ],
        "Rating": [*_ratings(leads, load), NEVER_PERMISSION],
        "Circuit": [
            f"One plug-in load takes at most 80 % of its circuit by usual practice: {limit_at_plug}."
        ],
        "Caution": _CAUTIONS,
    }
    for head, texts in said.items():
        for number, text in enumerate(texts):
            yield from _remark("" if number else head, text)


def _drop_in_words(leads: Sequence[LeadUnderLoad]) -> str:
    if len(leads) > 1:
        return ""
    kept = _recommendation_kept(leads[0])
    if kept is None:
        return f"Over {_MOST_RECOMMENDED:g} %. "
    return f"Within {kept:g} % by itself. "


def _range_in_words(leads: Sequence[LeadUnderLoad]) -> str:
    """Where the upper end of each range is from."""
    said = []
    if any(lead.gauge is None and lead.highest is not None for lead in leads):
        said.append("IEC 60228:2004 for flexible conductors (class 5), plain strands")
    if any(lead.gauge is not None for lead in leads):
        said.append(
            "4 % above solid copper of an AWG size, for lay and tolerance (after ASTM B174,"
            " from memory)"
        )
    unlisted = [lead.jacket.designation for lead in leads if lead.highest is None]
    if unlisted:
        said.append(f"no standard's figure for {', '.join(dict.fromkeys(unlisted))}")
    text = "; ".join(said)
    if len(leads) > 1:
        return f"From pure copper of the size to the most that it may have: {text}."
    return f"{text[:1].upper()}{text[1:]}."


def _ratings(leads: Sequence[LeadUnderLoad], load: Load) -> Iterator[str]:
    """Reference ampacities, those of one source together."""
    sources: dict[tuple[str, ...], dict[str, None]] = {}
    for lead in leads:
        for each in lead.ratings:
            over = " (exceeded)" if load.current_a > each.current_a else ""
            about = (each.holds_for, each.source, each.edition, each.evidence)
            text = f"{lead.jacket.designation} {each.current_a:g} A{over}"
            sources.setdefault(about, {})[text] = None
    for (holds_for, source, edition, evidence), texts in sources.items():
        yield f"{', '.join(texts)} {holds_for} ({source}, {edition}; {evidence})."
    if any(lead.gauge is None for lead in leads):
        yield "No figure is held for mm² sizes: read the lead's marking."
    if any(lead.gauge is not None and not lead.ratings for lead in leads):
        yield "Not every gauge has a figure here."


def _remark(head: str, text: str) -> list[str]:
    lines = textwrap.wrap(
        _UNIT_AFTER_FIGURE.sub(rf"\1{_UNBROKEN}", text),
        _WIDTH,
        initial_indent=head.ljust(_INDENT),
        subsequent_indent=" " * _INDENT,
        break_on_hyphens=False,
    )
    return [line.replace(_UNBROKEN, " ") for line in lines]


# ---- for programs


def render_json(leads: Sequence[LeadUnderLoad], load: Load) -> str:
    """The same facts and all of their sources, as one JSON object."""
    facts = {
        "format": FORMAT,
        "load": asdict(load) | {"reactance_ohm_per_m": REACTANCE_OHM_PER_M},
        "leads": [_facts(lead) for lead in leads],
        "recommended_drops": [asdict(each) for each in RECOMMENDED_DROPS],
        "cautions": [NEVER_PERMISSION, *_CAUTIONS],
    }
    return json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _facts(lead: LeadUnderLoad) -> dict[str, object]:
    return {
        "conductor": lead.jacket.designation,
        "area_mm2": lead.jacket.area_mm2,
        "awg": lead.gauge,
        "length_m": lead.length.metres,
        "nominal": asdict(lead.nominal),
        "highest": None if lead.highest is None else asdict(lead.highest),
        "highest_source": lead.jacket.source,
        "within_percent": _recommendation_kept(lead),
        "reference_ampacities": [asdict(each) for each in lead.ratings],
    }
