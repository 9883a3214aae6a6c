"""Whole sessions of the daemon over spoiled wires, on pseudo-terminals, with the simulators' physics as truth.

    python tests/campaigns/wire_faults_sessions.py --table sessions.md     # about twenty minutes
    python tests/campaigns/wire_faults_sessions.py --fault "cut"

Three processes: the simulators with a meter of every kind, a program in the middle that spoils a share of the answers
(`wire_faults_between`), and `daq run`. The one in the middle also answers for a clamp whose binary frames are asked for. A row says
whether the fault can be known, how many answers were changed (spoiled), what the store holds (readings, gaps by reason, values left out), how many
readings taken during the average lie more than 5 % off their median, on protected and on unprotected wires, how the trial ended and
why, how many averages lie outside of their expanded uncertainty, and how far the worst are off. Exit code 1 where a rule of
`wire_faults_found` is broken.
"""

import argparse
import contextlib
import itertools
import json
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measuring import say, show_table
from tests.campaigns.wire_faults import write_markdown
from tests.campaigns.wire_faults_between import REQUEST
from tests.campaigns.wire_faults_found import (
    HEAD,
    PROTECTED,
    UNPROTECTED,
    Session,
    Trial,
    wrong_of_all,
)
from tests.campaigns.wire_faults_spoiling import Fault
from tests.system.bench_process import ROOT, BenchFolder, Run, Simulators, free_port

PLAN = """format = 1
name = "wires"
baseline = "coarse filter"
[machine]
title = "Duct fan"
[[condition]]
name = "coarse filter"
[start]
channel = "machine_meter_current"
on_above = 0.15
off_below = 0.05
[settling]
preset = "quick"
required = ["machine_meter_power", "supply_meter_voltage"]
[averaging]
least_s = 30
longest_s = 60
"""
OFF = 0.05
PATIENCE_S = 400.0
Truth = dict[tuple[str, str, str], float]
ASKED = """
[[instrument]]
name = "asked-clamp"
profile = "asked-clamp.toml"
port = "ports/asked"
place = "supply end"
"""


class Folder(BenchFolder):
    """The scenario of all meters, with the wires in between."""

    def __init__(self, folder: Path) -> None:
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        shutil.copytree(ROOT / "configs" / "all-meters", folder, dirs_exist_ok=True)
        self.path = folder
        self.page_port = free_port()
        self.edit("bench.toml", "port = 8765", f"port = {self.page_port}")
        self._add_asked_clamp()

    def _add_asked_clamp(self) -> None:
        """The clamp once more, as a kind that sends a frame only when it is asked; the program in the middle answers for it."""
        kind = (ROOT / "configs" / "profiles" / "ammeter-frames.toml").read_text()
        old = 'protocol = "fixed-frames"\n'
        assert old in kind
        asked = f'{old}request = "{REQUEST.hex(" ")}"\nreply_timeout_s = 0.15\nworst_reply_s = 0.2\n'
        profile = self.path / "asked-clamp.toml"
        profile.write_text(kind.replace(old, asked), encoding="utf-8")
        with (self.path / "bench.toml").open("a", encoding="utf-8") as file:
            file.write(ASKED)


@contextlib.contextmanager
def between(
    folder: Folder, fault: Fault, *, share: float, seed: int
) -> Iterator[dict[str, dict[str, int]]]:
    """The program in the middle, while the block lasts; its counts are there afterwards."""
    words = [
        sys.executable,
        "-m",
        "tests.campaigns.wire_faults_between",
        str(folder.path / "simulation.toml"),
    ]
    words += [
        str(folder.path / "far"),
        str(folder.path / "ports"),
        "--fault",
        fault.value,
    ]
    words += ["--share", str(share), "--seed", str(seed)]
    counts: dict[str, dict[str, int]] = {}
    with subprocess.Popen(
        words, cwd=ROOT, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        try:
            yield counts
        finally:
            process.terminate()
            counts.update(json.loads(process.stdout.readline()))


def run_session(fault: Fault, folder: Path, *, share: float, seed: int = 1) -> Session:
    """One session of one condition under one fault."""
    bench = Folder(folder)
    simulators = Simulators(bench, "--ports", str(folder / "far"), seed=seed)
    try:
        with between(bench, fault, share=share, seed=seed) as counts:
            run = Run(bench)
            try:
                code, outcome, words = run.finish(within_s=PATIENCE_S)
            finally:
                run.end()
        if code:
            say(words)
        held = _held(bench.store)
        errors = _errors(outcome, held.places, simulators.truth())
    finally:
        simulators.stop()
    trials = tuple(Trial(t["state"], t["note"]) for t in outcome.get("trials", []))
    return Session(
        fault,
        counts,
        held.readings,
        held.reasons,
        held.left_out,
        *held.off,
        trials,
        errors,
        code,
    )


@dataclass(frozen=True)
class _Held:
    """What the store holds of a session."""

    readings: int
    reasons: dict[str, int]
    left_out: int
    off: tuple[int, int]
    places: dict[str, tuple[str, str]]


def _held(path: Path) -> _Held:
    with contextlib.closing(sqlite3.connect(path)) as store:
        reasons = store.execute(
            "SELECT reason, count(*) FROM gaps GROUP BY reason"
        ).fetchall()
        places = store.execute("SELECT name, place, quantity FROM channels").fetchall()
        tables = store.execute("SELECT DISTINCT table_name FROM channels").fetchall()
        readings = sum(_count(store, table) for (table,) in tables)
        left_out = _left_out(store)
        off = (_off(store, PROTECTED), _off(store, UNPROTECTED))
    return _Held(
        readings,
        dict(reasons),
        left_out,
        off,
        {name: (place, quantity) for name, place, quantity in places},
    )


def _count(store: sqlite3.Connection, table: str, what: str = "count(*)") -> int:
    statement = f'SELECT {what} FROM "{table}"'  # noqa: S608  # names from the store itself
    return int(store.execute(statement).fetchone()[0])


def _left_out(store: sqlite3.Connection) -> int:
    """Values that are none [1]."""
    columns = store.execute("SELECT table_name, column_name FROM channels").fetchall()
    return sum(
        _count(store, table) - _count(store, table, f'count("{column}")')
        for table, column in columns
    )


def _errors(
    outcome: dict[str, Any], places: dict[str, tuple[str, str]], truth: Truth
) -> dict[str, float]:
    """How far each average is off whose truth is known [expanded uncertainties]."""
    averages = [
        average for trial in outcome.get("trials", []) for average in trial["averages"]
    ]
    errors = {}
    for average in averages:
        true = truth.get(("coarse filter", *places[average["channel"]]))
        if true is not None:
            errors[average["channel"]] = (
                abs(average["mean"] - true) / average["expanded_uncertainty"]
            )
    return errors


def _off(store: sqlite3.Connection, instruments: Sequence[str]) -> int:
    """Values within an average's window that lie more than 5 % beside the median of their channel there."""
    windows = store.execute(
        "SELECT window_start_s, window_end_s FROM trials WHERE state = 'finished' AND window_start_s IS NOT NULL"
    ).fetchall()
    marks = ", ".join("?" * len(instruments))
    columns = store.execute(
        f"SELECT table_name, column_name FROM channels WHERE instrument IN ({marks})",  # noqa: S608  # question marks
        tuple(instruments),
    ).fetchall()
    off = 0
    for (table, column), window in itertools.product(columns, windows):
        statement = f'SELECT "{column}" FROM "{table}" WHERE at_s BETWEEN ? AND ? AND "{column}" IS NOT NULL'  # noqa: S608
        values = [value for (value,) in store.execute(statement, window)]
        if values:
            middle = statistics.median(values)
            off += sum(abs(value - middle) > OFF * abs(middle) for value in values)
    return off


def main(arguments: Sequence[str] | None = None) -> int:
    """One session a fault; 1 if something false was not refused, or nothing was proven."""
    parser = argparse.ArgumentParser(description="Sessions over spoiled wires.")
    parser.add_argument(
        "--fault", type=Fault, action="append", help="only this one; may be repeated"
    )
    parser.add_argument(
        "--share",
        type=float,
        default=0.03,
        help="of the answers that are spoiled (0.03)",
    )
    parser.add_argument("--seed", type=int, default=1, help="for all chance (1)")
    parser.add_argument(
        "--table", type=Path, metavar="FILE", help="write the table there, as Markdown"
    )
    options = parser.parse_args(arguments)
    found = []
    faults: Iterable[Fault] = options.fault or Fault
    for fault in faults:
        with tempfile.TemporaryDirectory() as folder:
            found.append(
                run_session(fault, Path(folder), share=options.share, seed=options.seed)
            )
        say("  ".join(str(cell) for cell in found[-1].cells()))
    show_table("Sessions", HEAD, [session.cells() for session in found])
    if options.table:
        write_markdown(options.table, HEAD, [session.cells() for session in found])
    together = wrong_of_all(found)
    if together:
        say(f"\nall sessions: {together}")
    return 0 if all(session.is_met for session in found) and not together else 1


if __name__ == "__main__":
    sys.exit(main())
