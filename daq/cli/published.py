"""What a published pack holds, and what was taken out of it."""

import dataclasses
import platform
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from daq.comparison_tables import render_comparison_csv
from daq.export import render_averages_tidy_csv, render_readings_csv
from daq.report.content import ReportContent
from daq.report.packing import CHECKSUMS, Member
from daq.report.page import render_page
from daq.report.redacting import Private, Redaction, redacted
from daq.runtime.store import read_readings, read_trial_averages
from daq.runtime.store.traces import read_session_files

_README = """{machine}: session {session} of {date}

report.html      the answer and everything it rests on; open it in any browser
comparison.csv   each quantity under each condition against the baseline
averages.csv     each channel's average in each trial, with its uncertainty
readings-*.csv   every reading of the session's trials, a file an instrument

Text is UTF-8; the decimal sign is a point; times are UTC and seconds. Whether anything was changed since is told by
  sha256sum -c {checksums}
Left out: {left_out}.
"""


def redaction_of(store: Path, session: int, kept: frozenset[Private]) -> Redaction:
    """What is private on a bench: its ports, its broker, and the computer's name.

    Raises:
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    _, bench_text = read_session_files(store, session)
    bench: dict[str, Any] = tomllib.loads(bench_text)
    broker: Mapping[str, Any] = bench.get("broker") or {}
    ports = [str(each.get("port", "")) for each in bench.get("instrument", [])]
    place: Mapping[str, Any] = broker.get("password") or {}
    files = [str(broker.get(key, "")) for key in ("password_file", "ca_file")]
    files.append(str(place.get("file", "")))
    hosts = [str(broker.get(key, "")) for key in ("host", "user")]
    hosts += [platform.node(), str(place.get("env", ""))]
    return Redaction(
        kept, {Private.PATHS: (*ports, *files), Private.HOST: tuple(hosts)}
    )


def pack_members(
    store: Path, content: ReportContent, redaction: Redaction
) -> Iterator[Member]:
    """Page and tables without what is private, one after the other.

    Raises:
        InputError: If the drawing library is not installed.
        StoreError: If the file cannot be read any more.
    """
    public = redacted(content, redaction)
    figures = public.comparison.figures
    session, analysis = figures.number, figures.analysis
    readme = _README.format(
        machine=figures.machine,
        session=session,
        date=figures.started_utc[:10],
        checksums=CHECKSUMS,
        left_out=left_out_words(redaction),
    )
    yield "README.txt", [readme]
    yield "report.html", [render_page(public)]
    yield "comparison.csv", [render_comparison_csv(public.comparison)]
    averages = [
        redaction.value(dataclasses.replace(row, note=redaction.note(row.note)))
        for row in read_trial_averages(store, session, analysis=analysis)
    ]
    yield "averages.csv", [render_averages_tidy_csv(averages)]
    for found in read_readings(store, session=session):
        name = re.sub(r"[^\w-]+", "-", redaction.text(found.instrument)).strip("-")
        yield f"readings-{name}.csv", render_readings_csv(found.header, found.rows)


def left_out_words(redaction: Redaction) -> str:
    """Which kinds of private things were left out."""
    kinds = [kind.value for kind in Private if kind not in redaction.kept]
    return ", ".join(kinds) or "nothing"
