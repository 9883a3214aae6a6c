"""The page from top to bottom: the answer, what it rests on, why it is so, how it went, how it was measured.

One file, no script, nothing fetched: a policy in its head forbids it to ask for anything.
"""

from daq.comparison.session import SessionComparison
from daq.comparison.verdicts import Verdict
from daq.comparison_words import (
    accuracy_caution,
    basis_sentence,
    below_table,
    correction_sentence,
    doubts_ahead,
    taken_words,
)
from daq.report.answer import further_sentences, headline
from daq.report.comparison_plots import (
    comparison_plot,
    drift_plots,
    plotted_comparisons,
)
from daq.report.content import ReportContent, Topic
from daq.report.findings import (
    caution_section,
    finding_body,
    finding_sections,
    warning_line,
)
from daq.report.markup import Markup, element, joined
from daq.report.method import (
    left_out_section,
    method_section,
    reproduce_section,
    uncertainty_section,
)
from daq.report.style import CSS
from daq.report.tables import MARKS, bullets, comparison_table
from daq.report.trial_plots import trial_plots

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
_KEY = (
    "Line with caps: the difference with its uncertainty (95 %). Grey bar: what a difference has to exceed before it is called"
    f" real. {MARKS[Verdict.REAL]} real, {MARKS[Verdict.NOT_SHOWN]} not shown, {MARKS[Verdict.UNDECIDED]} undecided."
)
_TRIAL_KEY = (
    "Dark: readings. Grey: run-up. Green: the settled window that was averaged, and the level that it settles at (its mean with"
    " what is still dying away taken off, so it may lie at the edge of the readings). The height is chosen by what came after"
    " the run-up; an inrush may leave the picture."
)


def render_page(content: ReportContent) -> str:
    """Render the whole page.

    Args:
        content: What there is to say.

    Raises:
        InputError: If the drawing library is not installed.
    """
    comparison = content.comparison
    body = [
        _head(content),
        element(
            "main",
            *_answer(content),
            *_others(comparison),
            *finding_sections(content),
            caution_section(content),
            *_trials(content),
            *_drift(content),
            left_out_section(content),
            method_section(content),
            uncertainty_section(content),
            reproduce_section(content),
        ),
        _foot(content),
    ]
    head = [
        element("meta", charset="utf-8"),
        element(
            "meta", name_="viewport", content="width=device-width, initial-scale=1"
        ),
        element("meta", http_equiv="Content-Security-Policy", content=_POLICY),
        element("link", rel="icon", href="data:,"),
        element("title", f"{comparison.figures.machine}: {comparison.figures.plan}"),
        Markup(f"<style>{CSS}</style>"),
    ]
    page = element("html", element("head", *head), element("body", *body), lang="en")
    return f"<!DOCTYPE html>\n{page}\n"


def _head(content: ReportContent) -> Markup:
    figures = content.comparison.figures
    date = figures.started_utc[:10]
    where = (
        f"plan {figures.plan}, bench {figures.bench}, {date}, session {figures.number}"
    )
    return element("header", element("b", figures.machine), element("span", where))


def _answer(content: ReportContent) -> list[Markup]:
    comparison = content.comparison
    parts = []
    if content.speed != 1.0:
        words = f"Demonstration on simulated meters: time ran {content.speed:g} times as fast as life."
        parts.append(element("p", words, class_="demonstration"))
    answer = headline(comparison)
    parts += [
        element("h1", answer.sentence),
        element("p", answer.addition, class_="lede"),
        element("div", bullets(further_sentences(comparison)), class_="further"),
        *(element("p", caution) for caution in doubts_ahead(comparison)),
        element("p", accuracy_caution(comparison), class_="basis"),
        warning_line(content),
    ]
    quantity = next(
        (q for q in comparison.figures.quantities if q.name == comparison.answer), None
    )
    if quantity is None:
        return parts
    compared = comparison.of(quantity.name)
    table = [
        element("h3", quantity.title),
        comparison_table(comparison, quantity),
    ]
    if compared and compared.differences:
        table += [
            element("p", basis_sentence(compared), class_="basis"),
            element("p", correction_sentence(compared), class_="basis"),
            element("p", taken_words(quantity), class_="basis"),
            comparison_plot(compared),
            element("p", _KEY, class_="key"),
        ]
    return [*parts, element("section", *table, class_="first")]


def _others(comparison: SessionComparison) -> list[Markup]:
    others = [q for q in comparison.figures.quantities if q.name != comparison.answer]
    if not others:
        return []
    plots = [
        comparison_plot(compared)
        for compared in plotted_comparisons(comparison)
        if compared.quantity.name != comparison.answer
    ]
    tables = []
    for quantity in others:
        where = f", {quantity.place}" if quantity.place else ""
        tables += [
            element("h3", f"{quantity.title}{where}"),
            comparison_table(comparison, quantity),
        ]
        tables += [
            element("p", _capital(line), class_="key")
            for line in below_table(comparison, quantity)
        ]
    shown = [element("div", *plots, class_="plots")] if plots else []
    return [element("section", element("h2", "What else changed"), *shown, *tables)]


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _trials(content: ReportContent) -> list[Markup]:
    plots = trial_plots(content.traces)
    if not plots:
        return []
    return [
        element(
            "section",
            element("h2", "Trial by trial"),
            element("p", _TRIAL_KEY, class_="key"),
            element("div", *plots, class_="trials"),
        )
    ]


def _drift(content: ReportContent) -> list[Markup]:
    plots = drift_plots(content.comparison)
    finding = content.findings.get(Topic.DRIFT)
    if not plots and finding is None:
        return []
    words = [finding_body(finding)] if finding else []
    return [
        element(
            "section",
            element("h2", Topic.DRIFT.value),
            *words,
            element("div", *plots, class_="plots"),
        )
    ]


def _foot(content: ReportContent) -> Markup:
    left_out = (
        " Paths, names of computers, serial numbers and notes were left out unless they were kept on purpose."
        if content.is_published
        else ""
    )
    return element(
        "footer",
        joined(
            [
                f"{content.software}. Every figure can be traced to its readings in the results file.{left_out}"
            ]
        ),
    )
