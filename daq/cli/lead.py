"""`daq lead`: what a supply lead costs in volts and watts, for one or several sizes and lengths."""

import argparse
import sys
from collections.abc import Sequence

from daq.cli.arguments import CommandParser
from daq.cli.lead_arguments import add_lead_arguments, each_once, typed
from daq.cli.lead_words import (
    LeadUnderLoad,
    Length,
    Load,
    render_json,
    render_words,
)
from daq.entered import (
    parse_current_a,
    parse_power_factor,
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


def run(arguments: Sequence[str]) -> int:
    """Print resistance, drop and loss of each lead asked for."""
    parser = _parser()
    options = parser.parse_args(arguments)
    areas, gauges = each_once(options.area), each_once(options.awg)
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
        for length in each_once(options.length)
    ]
    sys.stdout.write((render_json if options.json else render_words)(leads, load))
    return 0


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


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq lead",
        description=(
            "What a two-core copper lead costs: loop resistance, voltage drop, power lost, beside recommended drops"
            " and reference ampacities. Several sizes or lengths make a table."
        ),
    )
    add_lead_arguments(parser)
    parser.add_argument(
        "--current",
        type=typed(parse_current_a),
        required=True,
        metavar="AMPERES",
        help="what the machine draws, like 9.5A",
    )
    parser.add_argument(
        "--voltage",
        type=typed(parse_voltage_v),
        metavar="VOLTS",
        help="at the lead's supply end; if absent 230V, or 120V where only gauges are asked for",
    )
    parser.add_argument(
        "--pf",
        type=typed(parse_power_factor),
        metavar="FACTOR",
        help="power factor of the machine; if absent 1, about the worst case",
    )
    parser.add_argument(
        "--temperature",
        type=typed(parse_temperature_c),
        default=20.0,
        metavar="DEGREES",
        help="of the copper, like 20C or 68F (%(default)gC); below zero as --temperature=-5C",
    )
    parser.add_argument("--json", action="store_true", help="JSON for programs")
    return parser
