"""What a prediction says, in words and tables that a person can act on; figures to the digits that their uncertainty allows."""

from collections.abc import Iterable, Iterator, Sequence

from daq.comparison_words import MINUS
from daq.prediction.circuit import DROP, VOLTAGE
from daq.prediction.curves import CURVATURE_U, Curve
from daq.prediction.lead import CONTACTS_OHM, COPPER_C, COPPER_HALF_WIDTH_K
from daq.prediction.leaving_out import LeftOutCheck
from daq.prediction.machine import CURRENT, POWER, Machine
from daq.prediction.predicting import (
    Extrapolation,
    NotPredicted,
    Predicted,
    Prediction,
)
from daq.prediction.supply import SUPPLY_OHM, SUPPLY_U_OHM
from daq.wording import decimals_of_uncertainty, shown_average

Outcome = Prediction | NotPredicted


def shown_change(figure: Predicted) -> str:
    """What a figure gains or loses against the baseline, in percent; empty where there is none."""
    if figure.ratio is None or figure.ratio_expanded_uncertainty is None:
        return ""
    expanded = 100.0 * figure.ratio_expanded_uncertainty
    decimals = decimals_of_uncertainty(expanded)
    percent = f"{100.0 * (figure.ratio - 1.0):+.{decimals}f}".replace("-", MINUS)
    return f"{percent} ± {expanded:.{decimals}f} %"


def shown_extrapolation(extrapolation: Extrapolation | None) -> str:
    """Whether and how far a prediction goes beyond what was measured."""
    if extrapolation is None:
        return "within the measured voltages"
    return (
        f"extrapolated, {extrapolation.beyond_v:.1f} V {extrapolation.side} the measured voltages"
        f" ({extrapolation.beyond_percent:.0f} % of their range)"
    )


def _short_extrapolation(extrapolation: Extrapolation | None) -> str:
    if extrapolation is None:
        return "within"
    return (
        f"extrapolated {extrapolation.beyond_v:.1f} V {extrapolation.side}"
        f" ({extrapolation.beyond_percent:.0f} % of the range)"
    )


def figure_rows(prediction: Prediction) -> list[tuple[str, str, str]]:
    """Title, figure and change of everything that is predicted of one lead, the loop's resistance first."""
    lead = prediction.lead
    loop = shown_average(lead.resistance_ohm, 2.0 * lead.std_uncertainty_ohm, "Ω")
    rows = [("Loop resistance, warm, with contacts", loop, "")]
    rows += [
        (
            figure.title,
            shown_average(figure.value, figure.expanded_uncertainty, figure.unit),
            shown_change(figure),
        )
        for figure in prediction.figures
    ]
    return rows


def table_rows(
    outcomes: Sequence[Outcome], machine: Machine, *, wanted: str | None
) -> list[tuple[str, ...]]:
    """A row a lead, the heading first.

    Args:
        outcomes: Of each lead.
        machine: That they are of.
        wanted: Name of the quantity that the answer is about; the first airflow if None or not predicted.
    """
    answer = answer_curve(machine, wanted)
    columns = [DROP, VOLTAGE, CURRENT, *([POWER] if POWER in machine.curves else [])]
    columns += [answer] if answer and answer not in columns else []
    shown = answer or CURRENT
    heads = {
        DROP: "drop",
        VOLTAGE: "at the machine",
        CURRENT: "current",
        POWER: "power",
    }
    titles = [
        heads.get(name) or machine.curves[name].quantity.title for name in columns
    ]
    change = "against the baseline"
    if shown != columns[-1]:
        change = f"{heads[shown]} {change}"
    heading = ("lead", *titles, change, "")
    return [heading, *(_row(each, columns, shown) for each in outcomes)]


def answer_curve(machine: Machine, wanted: str | None) -> str | None:
    """The curve that the answer is about: the plan's, or standard airflow, airflow, velocity; None where there is none."""
    flows = [name for name in machine.curves if name not in {CURRENT, POWER}]
    if wanted in machine.curves:
        return wanted
    standard = [name for name in flows if name.endswith("_standard")]
    return next(iter([*standard, *flows]), None)


def _row(outcome: Outcome, columns: Sequence[str], shown: str) -> tuple[str, ...]:
    if isinstance(outcome, NotPredicted):
        empty = [""] * (len(columns) + 1)
        return (outcome.lead.designation, *empty, outcome.reason)
    figures = {figure.name: figure for figure in outcome.figures}
    cells = [
        shown_average(f.value, f.expanded_uncertainty, f.unit)
        for f in map(figures.__getitem__, columns)
    ]
    note = _short_extrapolation(outcome.extrapolation)
    return (outcome.lead.designation, *cells, shown_change(figures[shown]), note)


# ---- what it rests on


def curve_words(curve: Curve) -> str:
    """The law of one curve, and how well it is known."""
    _, power, bend = curve.fit.parameters
    k = curve.fit.coverage_factor
    power_u, bend_u = (k * float(curve.fit.covariance[i, i]) ** 0.5 for i in (1, 2))
    departs = (
        f"; conditions depart from it by {100.0 * curve.fit.excess:.2g} %"
        if curve.fit.excess
        else ""
    )
    return (
        f"{curve.quantity.title}: goes with the voltage to the power {_signless(power, power_u)}, bend"
        f" {_signless(bend, bend_u)}{departs}."
    )


def _signless(value: float, expanded: float) -> str:
    """A value with its uncertainty; nothing has no sign."""
    shown = shown_average(value, expanded, "")
    nothing = not shown.partition(" ")[0].strip("-0.")
    return shown.lstrip("-") if nothing else shown.replace("-", MINUS)


def basis_sentences(machine: Machine, checks: Iterable[LeftOutCheck]) -> Iterator[str]:
    """What the predictions rest on, whole sentences."""
    low, high = machine.range_v
    yield (
        f"Fitted to {len(machine.voltages)} conditions from {low:.1f} to {high:.1f} V at the machine."
    )
    yield from map(curve_words, machine.curves.values())
    yield _left_out_sentence(list(checks))
    level = machine.supply.voltage(machine.supply.centre_a)
    under = f" under {machine.supply.centre_a:.3g} A" if machine.supply.centre_a else ""
    yield f"The leads are fed from {level:.1f} V{under}, {machine.supply.origin}."
    for remark in machine.remarks:
        yield f"{remark[:1].upper()}{remark[1:]}."
    yield (
        "U: expanded uncertainty, 95 %, of the mean of many trials, with the fit, the supply, the lead and the meters in"
        " it; supply, air and machine as in the session."
    )


def assumption_sentences() -> list[str]:
    """What was assumed, with where it is from."""
    return [
        "A lead's copper has anything from pure copper of its nominal area to the most that IEC 60228:2004 (class 5, plain) or,"
        f" for AWG sizes, lay and tolerance allow; it is {COPPER_C - COPPER_HALF_WIDTH_K:g} to {COPPER_C + COPPER_HALF_WIDTH_K:g} °C warm unless stated (common practice, no"
        f" published source); plug and socket add up to {1000 * CONTACTS_OHM:g} mΩ (our assumption).",
        f"The power of the voltage may change by {0.2 * CURVATURE_U:g} over 10 % of voltage (standard uncertainty, our"
        f" assumption), and the outlet is behind {SUPPLY_OHM:g} ± {SUPPLY_U_OHM:g} Ω (IEC TR 60725's reference impedance,"
        " from memory); the points correct both as far as they can.",
    ]


def _left_out_sentence(checks: Sequence[LeftOutCheck]) -> str:
    agreeing = sum(check.agrees for check in checks)
    widest = max(checks, key=lambda check: abs(check.ratio - 1.0), default=None)
    if widest is None:
        return "No inner condition could be left out and predicted."
    return (
        f"Inner conditions left out and predicted from the others: {agreeing} of {len(checks)} figures within their"
        f" intervals, the farthest off by {100.0 * abs(widest.ratio - 1.0):.2f} % ({widest.name}, {widest.condition})."
    )
