"""Reads what a session's comparison is made of; read-only, as reading.py. Takes stores of format 1 too."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from daq.assembling import (
    BudgetedAverage,
    Meter,
    StoredSessionParts,
    session_figures,
)
from daq.comparison.lead_findings import find_leads, observed_resistances
from daq.comparison.lead_report import LeadReport
from daq.comparison.session import SessionFigures
from daq.config.plan import parse_stored_plan
from daq.config.surroundings import parse_stored_surroundings
from daq.errors import ConfigurationError, InputError
from daq.records import Channel
from daq.runtime.store.budgets import read_budgets
from daq.runtime.store.described import DESCRIPTION, channel_of, described
from daq.runtime.store.edges import read_session_edges
from daq.runtime.store.imported import imported_names, typed_names
from daq.runtime.store.opening import reading_store
from daq.runtime.store.referring import marked_trials
from daq.runtime.store.schema import LIVE
from daq.runtime.store.spoilt import (
    RecordSpoiltError,
    expect_session_texts,
    record_spoilt,
)
from daq.runtime.store.window_readings import read_stood_still


def read_session_figures(
    path: Path, session: int | None = None, *, analysis: int = LIVE
) -> SessionFigures:
    """Read what is compared of a session.

    Args:
        path: Of the store.
        session: Its number; None for that of the analysis, or the newest that has averages.
        analysis: Whose averages.

    Raises:
        InputError: If there is no such session or analysis, or no trial was averaged.
        ConfigurationError: If the session's plan or bench cannot be read by this version.
        StoreError: If the file is not there, not ours, too new or cannot be read; or the session's record cannot.
    """
    parts = read_session_parts(path, session, analysis=analysis)
    uses_earlier = parts.facts.rules.earlier_sessions
    earlier = read_earlier_parts(path, parts) if uses_earlier else []
    figures = session_figures(parts, earlier=earlier)
    figures = replace(figures, stood_still=read_stood_still(path, figures))
    return _with_loops(figures, read_leads(path, figures))


def read_leads(path: Path, figures: SessionFigures) -> LeadReport:
    """Read what a session's switchings say of its leads.

    Args:
        path: Of the store.
        figures: Of the session.

    Raises:
        StoreError: As of read_session_figures().
    """
    return find_leads(
        read_session_edges(path, figures.number),
        figures.facts.conditions,
        baseline=figures.baseline,
        air=figures.surroundings.air,
    )


def _with_loops(figures: SessionFigures, leads: LeadReport) -> SessionFigures:
    """Loop resistances are compared like everything else, where there are any."""
    like = [o for found in figures.observations.values() for o in found]
    quantity, loops = observed_resistances(leads.measurements, like)
    if not loops or quantity.name in figures.observations:
        return figures
    return replace(
        figures,
        quantities=(*figures.quantities, quantity),
        observations={**figures.observations, quantity.name: loops},
    )


def read_session_parts(
    path: Path, session: int | None = None, *, analysis: int = LIVE
) -> StoredSessionParts:
    """Read what a store holds of one session; arguments and exceptions as of read_session_figures()."""
    budgets = read_budgets(path, session=session, analysis=analysis)
    if not budgets:
        which = (
            "no session with a trial"
            if session is None
            else f"session {session} has no trial"
        )
        msg = f"{path}: {which}, daq export --table sessions lists what there is"
        raise InputError(msg)
    first = budgets[0].trial
    with reading_store(path) as connection:
        plan_text, bench_text, started_utc = connection.execute(
            "SELECT plan_text, bench_text, started_utc FROM sessions WHERE id = ?",
            (first.session,),
        ).fetchone()
        expect_session_texts(first.session, plan_text=plan_text, bench_text=bench_text)
        imported = imported_names(connection, first.session)
        lost_something = marked_trials(connection, first.session)
        meters = _meters(
            connection.execute(
                f"SELECT DISTINCT a.trial_id, a.channel, h.id, {described('h')} FROM averages a"  # noqa: S608 - names of ours
                " JOIN channels h ON h.id = a.channel_id JOIN trials t ON t.id = a.trial_id"
                " WHERE t.session_id = ?",
                (first.session,),
            ).fetchall()
        )
        channels = _channels(
            connection.execute(
                f"SELECT id, {DESCRIPTION} FROM channels ORDER BY id"  # noqa: S608 - names of ours
            ).fetchall()
        )
    try:
        plan = parse_stored_plan(plan_text, session=first.session, channels=channels)
    except ConfigurationError as exc:
        described_ones = {channel.name for channel in channels}
        averaged = [
            each.average.channel for trial in budgets for each in trial.averages
        ]
        for name in averaged:
            if name not in described_ones:
                # The plan was in order when it was new: what it asks for was there.
                raise record_spoilt(f"channel {name}", "it is lost").of_file(
                    path
                ) from exc
        raise
    return StoredSessionParts(
        number=first.session,
        bench=first.bench,
        plan=first.plan,
        machine=first.machine,
        started_utc=started_utc,
        software=first.software,
        speed=first.speed,
        analysis=analysis,
        baseline=plan.baseline,
        facts=plan.facts,
        surroundings=parse_stored_surroundings(bench_text, session=first.session),
        limits=plan.rules.limits,
        trials=tuple(each.trial for each in budgets),
        averages=tuple(
            BudgetedAverage(
                each.average,
                each.contributions,
                meters.get((each.average.trial, each.average.channel)),
            )
            for trial in budgets
            for each in trial.averages
        ),
        second_choice=frozenset(imported | typed_names(bench_text)),
        lost_something=lost_something,
    )


def read_earlier_parts(
    path: Path, parts: StoredSessionParts
) -> list[StoredSessionParts]:
    """Read the sessions before it, of the same machine; one that this version cannot read tells nothing.

    Raises:
        StoreError: As of read_session_figures().
    """
    with reading_store(path) as connection:
        numbers = connection.execute(
            "SELECT DISTINCT s.id FROM sessions s JOIN trials t ON t.session_id = s.id"
            " WHERE s.machine = ? AND s.id < ? ORDER BY s.id",
            (parts.machine, parts.number),
        ).fetchall()
    found = []
    for (number,) in numbers:
        try:
            found.append(read_session_parts(path, number))
        except (ConfigurationError, RecordSpoiltError):
            continue
    return found


def _meters(rows: Sequence[Sequence[object]]) -> dict[tuple[int, str], Meter]:
    return {
        (int(str(trial)), str(channel)): Meter(int(str(number)), channel_of(cells))
        for trial, channel, number, *cells in rows
    }


def _channels(rows: Sequence[Sequence[object]]) -> tuple[Channel, ...]:
    newest = {str(row[1]): channel_of(row[1:]) for row in rows}
    return tuple(newest.values())
