"""`daq lead`: what a supply lead costs in volts and watts, for one or several sizes and lengths."""

import argparse
import sys
from collections.abc import Callable, Sequence
from typing import TypeVar

from daq.cli.lead_words import (
    LeadUnderLoad,
    Length,
    Load,
    render_json,
    render_words,
)
from daq.entered import (
    parse_area_mm2,
    parse_current_a,
    parse_gauge,
    parse_length_m,
    parse_power_factor,
    parse_several,
    parse_temperature_c,
    parse_voltage_v,
)
from daq.errors import InputError
from daq.physics.ampacity import cord_ampacity, cord_set_ampacity
from daq.physics.conductors import (
    Jacket,
    copper_factor,
    jacket_of_area,
    jacket_of_gauge,
)
from daq.physics.leads import REACTANCE_OHM_PER_M, LoadedLead, loaded_lead, loop_ohm

_METRIC_SUPPLY_V, _GAUGE_SUPPLY_V = 230.0, 120.0
_FOOT_M = 0.3048
_T = TypeVar("_T")


def run(arguments: Sequence[str]) -> int:
    """Print resistance, drop and loss of each lead asked for."""
    parser = _parser()
    options = parser.parse_args(arguments)
    areas, gauges = _flat(options.area), _flat(options.awg)
    if not areas and not gauges:
        parser.error("no conductor, expected --area like 2.5mm2 or --awg like 12")
    usual_v = _METRIC_SUPPLY_V if areas else _GAUGE_SUPPLY_V
    load = Load(
        options.voltage or usual_v,
        options.voltage is None,
        options.current,
        options.pf or 1.0,
        options.pf is None,
        options.temperature,
    )
    sizes = [
        *((jacket_of_area(area), None) for area in areas),
        *((jacket_of_gauge(gauge), gauge) for gauge in gauges),
    ]
    leads = [
        _lead(jacket, gauge, length, load)
        for jacket, gauge in sizes
        for length in _flat(options.length)
    ]
    sys.stdout.write((render_json if options.json else render_words)(leads, load))
    return 0


def _flat(lists: Sequence[tuple[_T, ...]] | None) -> list[_T]:
    """What was typed in lists and with repeated options, each once."""
    return list(dict.fromkeys(each for several in lists or () for each in several))


# ---- reckoning


def _lead(
    jacket: Jacket, gauge: int | None, length: Length, load: Load
) -> LeadUnderLoad:
    known = None if gauge is None else cord_ampacity(gauge)
    as_set = None if gauge is None else cord_set_ampacity(gauge, length.metres)
    highest = jacket.maximum_ohm_per_m
    try:
        return LeadUnderLoad(
            jacket,
            gauge,
            length,
            _loaded(jacket.nominal_ohm_per_m, length, load),
            None if highest is None else _loaded(highest, length, load),
            tuple(rating for rating in (known, as_set) if rating is not None),
        )
    except ValueError as exc:
        msg = f"{jacket.designation}, {length.shown}: {exc}"
        raise InputError(msg) from exc


def _loaded(ohm_per_m_20c: float, length: Length, load: Load) -> LoadedLead:
    warm_ohm_per_m = ohm_per_m_20c * copper_factor(load.temperature_c)
    return loaded_lead(
        supply_v=load.supply_v,
        current_a=load.current_a,
        resistance_ohm=loop_ohm(length.metres, warm_ohm_per_m),
        reactance_ohm=loop_ohm(length.metres, REACTANCE_OHM_PER_M),
        power_factor=load.power_factor,
    )


# ---- options


def _typed(parse: Callable[[str], _T]) -> Callable[[str], _T]:
    """The same for argparse, which otherwise keeps a ValueError's text to itself."""

    def typed(text: str) -> _T:
        try:
            return parse(text)
        except ValueError as exc:
            raise argparse.ArgumentTypeError(str(exc)) from exc

    return typed


def _listed(parse: Callable[[str], _T]) -> Callable[[str], tuple[_T, ...]]:
    return _typed(lambda text: parse_several(text, parse))


def _length(text: str) -> Length:
    metres = parse_length_m(text)
    in_feet = "f" in text.casefold()
    shown = f"{metres / _FOOT_M:.5g} ft" if in_feet else f"{metres:.5g} m"
    return Length(metres, shown)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="daq lead",
        description=(
            "What a two-core copper lead costs: loop resistance, voltage drop, power lost, beside recommended drops"
            " and reference ampacities. Several sizes or lengths make a table."
        ),
    )
    several = "several parted by commas, or the option repeated"
    parser.add_argument(
        "--area",
        type=_listed(parse_area_mm2),
        action="append",
        metavar="AREA",
        help=f"conductor's area, like 2.5mm2; {several}",
    )
    parser.add_argument(
        "--awg",
        type=_listed(parse_gauge),
        action="append",
        metavar="GAUGE",
        help=f"conductor's gauge, like 12; {several}",
    )
    parser.add_argument(
        "--length",
        type=_listed(_length),
        action="append",
        required=True,
        metavar="LENGTH",
        help=f"of the lead, one way, like 40m or 100ft; {several}",
    )
    parser.add_argument(
        "--current",
        type=_typed(parse_current_a),
        required=True,
        metavar="AMPERES",
        help="what the machine draws, like 9.5A",
    )
    parser.add_argument(
        "--voltage",
        type=_typed(parse_voltage_v),
        metavar="VOLTS",
        help="at the lead's supply end; if absent 230V, or 120V where only gauges are asked for",
    )
    parser.add_argument(
        "--pf",
        type=_typed(parse_power_factor),
        metavar="FACTOR",
        help="power factor of the machine; if absent 1, about the worst case",
    )
    parser.add_argument(
        "--temperature",
        type=_typed(parse_temperature_c),
        default=20.0,
        metavar="DEGREES",
        help="of the copper, like 20C or 68F (%(default)gC); below zero as --temperature=-5C",
    )
    parser.add_argument("--json", action="store_true", help="JSON for programs")
    return parser
