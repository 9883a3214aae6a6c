"""How it was measured, what was left out, and how to make the same again."""

import math
from collections.abc import Iterator

from daq.comparison.observations import Observation, Quantity
from daq.comparison.rules import Air, Airflow
from daq.comparison_words import accuracy_caution, share_sentence
from daq.records import Accuracy, Channel, Contribution
from daq.report.content import Budget, Fact, Instrument, ReportContent
from daq.report.markup import Markup, element, joined
from daq.report.tables import bullets, facts, table
from daq.uncertainty import contributions_of_accuracy
from daq.wording import unit_symbol

_LEAST_SHARE = 0.0005
"""Smaller shares of an uncertainty are not listed [1]."""


def left_out_section(content: ReportContent) -> Markup:
    """What did not settle, was stopped, or could not be derived."""
    figures = content.comparison.figures
    rows = [
        (f"trial {each.trial}", each.condition, each.state, each.note)
        for each in figures.left_out
    ]
    parts: list[Markup] = []
    if rows:
        parts.append(table(("trial", "condition", "ended", "why"), rows))
    parts.append(bullets(_sentence(remark) for remark in figures.remarks))
    if not rows and not figures.remarks:
        parts.append(element("p", "Nothing: every trial that was begun is compared."))
    return element("section", element("h2", "What was left out"), *parts)


def _sentence(remark: str) -> str:
    return remark if remark.endswith(".") else f"{remark}."


def method_section(content: ReportContent) -> Markup:
    """Bench, instruments, plan, air, formulas."""
    figures = content.comparison.figures
    parts = [
        element("h2", "How it was measured"),
        element("h3", "Instruments"),
        _instruments(content),
        element("h3", "Channels and what their makers state"),
        _channels(content.channels),
    ]
    if content.plan:
        parts += [element("h3", "Plan"), facts(content.plan)]
    if content.checked:
        parts += [element("h3", "Checked before the session"), _checked(content)]
    parts += [element("h3", "Air"), _air(figures.surroundings.air)]
    parts += [_airflow(each) for each in figures.surroundings.airflows]
    parts += list(_formulas(figures.quantities))
    return element("section", *parts)


def _instruments(content: ReportContent) -> Markup:
    rows = [
        (
            each.name,
            each.log or each.profile,
            each.place,
            _pace(each),
            each.port,
        )
        for each in content.instruments
    ]
    heading = ("instrument", "profile or log", "place", "read every", "port")
    shown = 5 if any(each.port for each in content.instruments) else 4
    clocks = [f"{each.name}: {each.clock}." for each in content.instruments if each.log]
    return joined(
        [table(heading[:shown], [row[:shown] for row in rows]), bullets(clocks)]
    )


def _checked(content: ReportContent) -> Markup:
    rows = [(each.item, each.answer, each.utc, each.about) for each in content.checked]
    return table(("item", "answer", "when (UTC)", "about"), rows)


def _pace(instrument: Instrument) -> str:
    if instrument.log:
        return "from its own log"
    if instrument.is_typed:
        return "while averaging, by the operator"
    return f"{instrument.interval_s:g} s" if instrument.interval_s else "by itself"


def _channels(channels: tuple[Channel, ...]) -> Markup:
    rows = [
        (
            channel.name,
            channel.title,
            channel.place,
            unit_symbol(channel.unit) or "1",
            accuracy_words(channel.accuracy, channel.unit),
        )
        for channel in channels
    ]
    return table(("channel", "title", "place", "unit", "accuracy"), rows)


def accuracy_words(accuracy: Accuracy, unit: str) -> str:
    """What is stated of a channel's errors, as it was stated."""
    symbol = unit_symbol(unit)
    stated = (
        (accuracy.percent_of_reading, "% of reading"),
        (accuracy.percent_of_range, f"% of {accuracy.full_scale:g} {symbol}"),
        (accuracy.counts, "digits"),
        (accuracy.absolute, symbol),
        (accuracy.gain_percent, "% gain"),
        (accuracy.offset, f"{symbol} offset"),
        (
            accuracy.linearity_percent,
            f"% of {accuracy.full_scale:g} {symbol}, linearity",
        ),
        (
            accuracy.temperature_percent_per_k,
            f"%/K within {accuracy.temperature_span_k:g} K",
        ),
    )
    parts = [f"±{size:g} {of}".rstrip() for size, of in stated if size]
    if not contributions_of_accuracy(1.0, accuracy):
        parts = ["not stated"]
    if accuracy.certificate_u or accuracy.certificate_u_percent:
        size = (
            f"{accuracy.certificate_u:g} {symbol}".rstrip()
            if accuracy.certificate_u
            else f"{accuracy.certificate_u_percent:g} %"
        )
        parts.append(f"certificate U = {size} (k = {accuracy.certificate_k:g})")
    if accuracy.resolution:
        parts.append(f"steps of {accuracy.resolution:g} {symbol}".rstrip())
    return ", ".join(parts)


def _air(air: Air | None) -> Markup:
    if air is None:
        return element(
            "p",
            "The bench states no air: flows and velocities are as the meters showed them, taken to no standard density.",
            class_="absent",
        )
    channels = {
        "temperature": air.temperature_channel,
        "pressure": air.pressure_channel,
        "humidity": air.humidity_channel,
    }
    temperature = (
        f"{air.temperature_c:g} ± {2 * air.temperature_u_k:g} °C"
        if air.temperature_c is not None
        else ""
    )
    kind = f" ({air.pressure_kind.value} pressure)" if air.pressure_kind else ""
    pressure = (
        f"{air.pressure_hpa:g} ± {2 * air.pressure_u_hpa:g} hPa{kind}"
        if air.pressure_hpa is not None
        else ""
    )
    pairs: list[Fact] = [
        ("reference density", f"{air.reference_density_kg_per_m3:g} kg/m³"),
        ("temperature", _measured(channels["temperature"], temperature)),
        ("pressure", _measured(channels["pressure"], pressure)),
        (
            "humidity",
            _measured(
                channels["humidity"],
                f"{air.humidity_percent:g} ± {2 * air.humidity_u_percent:g} %",
            ),
        ),
        ("altitude", f"{air.altitude_m:g} m" if air.altitude_m is not None else ""),
    ]
    return facts(pairs)


def _measured(channel: str, stated: str) -> str:
    return f"measured by {channel}" if channel else stated


def _airflow(airflow: Airflow) -> Markup:
    pairs: list[Fact] = [
        ("made from", airflow.channel),
        ("kind of meter", airflow.meter.value),
        ("area", f"{airflow.area_m2:.5g} m²" if airflow.area_m2 else ""),
        (
            "profile factor",
            f"{airflow.profile_factor:g} (u = {airflow.profile_factor_u:g})",
        ),
        ("meter takes the air to have", f"{airflow.calibrated_at_kg_per_m3:g} kg/m³"),
    ]
    return joined([element("h3", airflow.title), facts(pairs)])


def _formulas(quantities: tuple[Quantity, ...]) -> Iterator[Markup]:
    derived: list[Fact] = [(q.title, q.formula) for q in quantities if q.formula]
    if derived:
        yield element("h3", "Formulas and their sources")
        yield facts(derived, class_="facts formulas")


# ---- uncertainty


def uncertainty_section(content: ReportContent) -> Markup:
    """What the stated uncertainties are made of."""
    figures = content.comparison.figures
    base = [
        (quantity, seen)
        for quantity in figures.quantities
        for seen in figures.observations.get(quantity.name, ())
        if seen.condition == figures.baseline
    ]
    first: dict[str, tuple[Quantity, Observation]] = {}
    for quantity, seen in base:
        first.setdefault(quantity.name, (quantity, seen))
    answer = first.get(content.comparison.answer or "")
    parts = [
        element("h2", "Uncertainty"),
        element(
            "p",
            "U is the expanded uncertainty, 95 %, after the GUM (JCGM 100:2008). Means carry what is stated of the meters'"
            " errors. In a difference what both conditions have in common counts once. ",
            f"{accuracy_caution(content.comparison)} ".lstrip(),
            share_sentence(figures.facts.rules.common_share),
        ),
    ]
    if answer:
        parts += [
            element("h3", f"{answer[0].title}, trial {answer[1].trial}"),
            _observation_budget(*answer),
        ]
    told = answer[0].name if answer else ""
    for budget in content.budgets:
        if budget.contributions and budget.channel != told:
            parts += [
                element(
                    "h3", f"{budget.title} ({budget.channel}), trial {budget.trial}"
                ),
                _budget(budget),
            ]
    return element("section", *parts)


def _observation_budget(quantity: Quantity, seen: Observation) -> Markup:
    total = math.hypot(seen.std_uncertainty_within, seen.std_uncertainty_systematic)
    lines = [("scatter and drift within the trial", seen.std_uncertainty_within, "own")]
    lines += [
        (
            part.source,
            abs(part.std_uncertainty),
            "in common" if part.is_common else "own",
        )
        for part in seen.errors
    ]
    lines.sort(key=lambda line: -line[1])
    rows = [
        (name, _figure(u), shown, _share(u, total))
        for name, u, shown in lines
        if _is_listed(u, total)
    ]
    heading = ("contribution", _u(quantity.unit), "with the other conditions", "share")
    return table(heading, rows, numbers=(1, 3))


def _budget(budget: Budget) -> Markup:
    rows = [
        (
            _contribution_name(part),
            part.kind.value,
            part.distribution.value,
            _figure(part.std_uncertainty),
            _degrees(part.degrees_of_freedom),
            _share(part.std_uncertainty, budget.std_uncertainty),
        )
        for part in budget.contributions
        if _is_listed(part.std_uncertainty, budget.std_uncertainty)
    ]
    heading = (
        "contribution",
        "type",
        "distribution",
        _u(budget.unit),
        "deg. of freedom",
        "share",
    )
    return table(heading, rows, numbers=(3, 4, 5))


def _contribution_name(part: Contribution) -> str:
    return f"{part.name}: {part.detail}" if part.detail else part.name


def _u(unit: str) -> str:
    return f"u / {unit_symbol(unit)}" if unit_symbol(unit) else "u"


def _figure(value: float) -> str:
    return f"{value:.2g}"


def _degrees(value: float) -> str:
    return f"{value:.3g}" if math.isfinite(value) and value < 1e4 else "∞"


def _share(part: float, total: float) -> str:
    percent = 100.0 * (part / total) ** 2
    return f"{percent:.0f} %" if percent >= 1.0 else "< 1 %"


def _is_listed(part: float, total: float) -> bool:
    return bool(total) and (part / total) ** 2 >= _LEAST_SHARE


# ---- once more


def reproduce_section(content: ReportContent) -> Markup:
    """Commands, versions and the rule's parameters."""
    figures = content.comparison.figures
    pairs: list[Fact] = [
        ("measured by", figures.software),
        ("this page by", content.software),
        ("session", f"{figures.number}, begun {figures.started_utc}"),
        ("averages", _analysis(figures.analysis)),
        ("results file", content.store),
        ("computer", content.host),
    ]
    commands = element("pre", "\n".join(content.commands)) if content.commands else ""
    parts = [element("h2", "The same again"), facts(pairs), commands]
    if content.rule:
        parts += [
            element("h3", "Parameters of the settling rule"),
            facts(content.rule, class_="facts parameters"),
        ]
    return element("section", *parts)


def _analysis(number: int) -> str:
    return f"analysis {number}" if number else "as averaged while the machine ran"
