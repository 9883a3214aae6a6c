"""Why it is so and what follows from it, and what to beware of."""

from collections.abc import Iterator, Sequence

from daq.advice.cautions import DEFERENCE, GENERAL_CAUTIONS
from daq.report.content import Caution, Finding, ReportContent, Topic
from daq.report.markup import Markup, element, joined
from daq.report.tables import bullets, table
from daq.report.voltage_plots import voltage_plots

_VOLTAGE_KEY = (
    "Points: each condition's mean with its uncertainty (95 %), the baseline filled. Line and band: the fit and what it leaves"
    " open (95 %), without what the meters are off by alike under every condition."
)


def finding_sections(content: ReportContent) -> Iterator[Markup]:
    """A section a topic, in the order of Topic, except drift."""
    for topic in Topic:
        finding = content.findings.get(topic)
        if topic is Topic.DRIFT or (finding is None and topic is not Topic.PREDICTION):
            continue
        plots = voltage_plots(content) if topic is Topic.PREDICTION else []
        if finding is None and not plots:
            continue
        yield element(
            "section",
            element("h2", topic.value),
            *([finding_body(finding)] if finding else []),
            *(
                [
                    element("div", *plots, class_="plots"),
                    element("p", _VOLTAGE_KEY, class_="key"),
                ]
                if plots
                else []
            ),
        )


def finding_body(finding: Finding) -> Markup:
    """What one topic comes to; why there is nothing, where there is nothing."""
    parts: list[Markup] = []
    if finding.absent:
        parts.append(element("p", finding.absent, class_="absent"))
    parts.append(_said(finding.sentences))
    if finding.table:
        parts.append(table(finding.table[0], finding.table[1:]))
    parts.append(_said(finding.notes))
    if finding.sources:
        parts.append(element("p", " · ".join(finding.sources), class_="source"))
    return joined(parts)


def _said(sentences: Sequence[str]) -> Markup:
    """Sentences; one alone needs no bullet."""
    return element("p", *sentences) if len(sentences) == 1 else bullets(sentences)


def caution_section(content: ReportContent) -> Markup:
    """What to beware of: by what was measured here, graver things first, and for every bench."""
    in_order = sorted(content.cautions, key=lambda caution: not caution.is_warning)
    found = (
        element("ul", *map(_caution, in_order), class_="cautions")
        if in_order
        else element("p", "Nothing that could be checked is beyond a limit.")
    )
    unchecked = [f"Not checked: {each}." for each in content.unchecked]
    return element(
        "section",
        element("h2", "Cautions"),
        found,
        bullets(unchecked),
        element("p", DEFERENCE),
        element("h3", "On every bench"),
        element("div", bullets(GENERAL_CAUTIONS), class_="small"),
        id="cautions",
    )


def warning_line(content: ReportContent) -> Markup:
    """A line near the top where something exceeds its rating."""
    count = sum(caution.is_warning for caution in content.cautions)
    if not count:
        return Markup()
    words = (
        "One figure exceeds a rating"
        if count == 1
        else f"{count} figures exceed a rating"
    )
    link = element("a", "see the cautions", href="#cautions")
    return element("p", "▲ ", words, ": ", link, ".", class_="warning")


def _caution(caution: Caution) -> Markup:
    mark, word = ("▲", "Warning") if caution.is_warning else ("△", "Caution")
    basis = (
        element("span", f" Basis: {caution.basis}.", class_="source")
        if caution.basis
        else ""
    )
    head = element("b", f"{mark} {word}. ")
    return element(
        "li", head, caution.text, basis, class_="warning" if caution.is_warning else ""
    )
