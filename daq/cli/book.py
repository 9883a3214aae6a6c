"""Collects what a workbook of a stored session holds."""

from collections.abc import Iterator
from pathlib import Path

from daq.comparison.session import SessionComparison, compare_session
from daq.comparison_words import (
    answer_sentences,
    basis_sentence,
    share_sentence,
)
from daq.errors import ConfigurationError, InputError
from daq.runtime.store import read_readings, read_trial_averages, read_trials
from daq.runtime.store.compared import read_session_figures
from daq.runtime.store.events import read_events
from daq.runtime.store.spoilt import RecordSpoiltError
from daq.workbook import Book, InstrumentReadings


def stored_book(store: Path, session: int | None, *, analysis: int) -> Book:
    """A stored session as a workbook; what cannot be compared is said in its notes.

    Raises:
        InputError: If there is no such session or analysis.
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    trials = read_trials(store, session, analysis=analysis)
    if not trials:
        msg = f"{store}: no session with a trial, daq export --table sessions lists what there is"
        raise InputError(msg)
    number = trials[0].session
    averages = read_trial_averages(store, number, analysis=analysis)
    comparison, why_not = _compared(store, number, analysis)
    first = trials[0]
    notes = [
        ("machine", first.machine),
        ("bench", first.bench),
        ("plan", first.plan),
        ("session", str(number)),
        ("averages", f"analysis {analysis}" if analysis else "as averaged live"),
        ("measured by", first.software),
        ("time ran", f"{first.speed:g} times as fast as life"),
        ("U 95 %", "expanded uncertainty, coverage 95 %, with factor k; u: standard"),
        (
            "readings",
            "of the session's trials; at_s: bench clock, elapsed_s: from switch-on",
        ),
    ]
    if comparison is None:
        notes.append(("comparison", why_not))
    else:
        notes += _comparison_notes(comparison)
    readings = _readings(store, number)
    events = [(e.utc, e.at_s, e.kind, e.text) for e in read_events(store, number)]
    return Book(trials, averages, comparison, readings, notes, events)


def _compared(
    store: Path, session: int, analysis: int
) -> tuple[SessionComparison | None, str]:
    """The comparison; or None, and why there is none."""
    try:
        return compare_session(
            read_session_figures(store, session, analysis=analysis)
        ), ""
    except (ConfigurationError, InputError, RecordSpoiltError, ValueError) as exc:
        return None, str(exc)


def _comparison_notes(comparison: SessionComparison) -> Iterator[tuple[str, str]]:
    figures = comparison.figures
    for sentence in answer_sentences(comparison):
        yield "answer", sentence
    for compared in comparison.comparisons[:1]:
        yield "rests on", basis_sentence(compared)
    yield "assumed", share_sentence(figures.facts.rules.common_share)
    for quantity in figures.quantities:
        if quantity.formula:
            yield quantity.name, quantity.formula
    for each in figures.left_out:
        why = f": {each.note}" if each.note else ""
        yield "left out", f"trial {each.trial}, {each.condition}, {each.state}{why}"
    for remark in figures.remarks:
        yield "note", remark


def _readings(store: Path, session: int) -> Iterator[InstrumentReadings]:
    for found in read_readings(store, session=session):
        yield InstrumentReadings(found.instrument, found.header, found.rows)
