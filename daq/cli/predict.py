"""`daq predict STORE`: what the machine of a stored session would do behind another lead."""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.cli.compare import add_store_arguments
from daq.cli.lead_arguments import add_lead_arguments, each_once, typed
from daq.cli.predicted import Answer, render_json, render_missing, render_words
from daq.entered import parse_temperature_c, parse_voltage_v
from daq.physics.conductors import jacket_of_area, jacket_of_gauge
from daq.prediction.lead import COPPER_C, AskedLead, lead_of
from daq.prediction.leaving_out import leave_one_out
from daq.prediction.machine import machine_of
from daq.prediction.predicting import Prediction, predict_each
from daq.prediction.selection import TooLittleMeasuredError
from daq.runtime.store.compared import read_session_figures


def run(arguments: Sequence[str]) -> int:
    """Predict each lead asked for."""
    parser = _parser()
    options = parser.parse_args(arguments)
    leads = _leads(options)
    if not leads:
        parser.error("no conductor, expected --area like 1.5mm2 or --awg like 12")
    figures = read_session_figures(
        Path(options.store), options.session, analysis=options.analysis
    )
    try:
        machine = machine_of(figures, supply_v=options.voltage)
    except TooLittleMeasuredError as exc:
        missing = f"session {figures.number}: {exc}"
        if options.json:
            sys.stdout.write(render_missing(figures, missing))
        sys.stderr.write(f"daq: {options.store}: {missing}\n")
        return 1
    outcomes = predict_each(machine, leads)
    answer = Answer(figures, machine, outcomes, leave_one_out(machine))
    sys.stdout.write((render_json if options.json else render_words)(answer))
    return 0 if all(isinstance(each, Prediction) for each in outcomes) else 1


def _leads(options: argparse.Namespace) -> list[AskedLead]:
    jackets = [jacket_of_area(area) for area in each_once(options.area)]
    jackets += [jacket_of_gauge(gauge) for gauge in each_once(options.awg)]
    return [
        lead_of(
            jacket,
            length.metres,
            shown_length=length.shown,
            copper_c=options.temperature,
        )
        for jacket in jackets
        for length in each_once(options.length)
    ]


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq predict",
        description=(
            "What another lead would do to the machine of a stored session: voltage at it, current, power, airflow and"
            " what is lost against the baseline, each with its uncertainty. Needs at least four conditions with"
            " different voltages at the machine. Several sizes or lengths make a table."
        ),
        epilog="Exit code 1 where the session does not tell; what is missing is said.",
    )
    add_store_arguments(parser)
    add_lead_arguments(parser)
    parser.add_argument(
        "--voltage",
        type=typed(parse_voltage_v),
        metavar="VOLTS",
        help="at the outlet under load, taken as exact; as in the session if absent",
    )
    parser.add_argument(
        "--temperature",
        type=typed(parse_temperature_c),
        default=COPPER_C,
        metavar="DEGREES",
        help="of the copper, give or take 15 K, like 35C or 95F (%(default)gC)",
    )
    parser.add_argument("--json", action="store_true", help="JSON for programs")
    return parser
