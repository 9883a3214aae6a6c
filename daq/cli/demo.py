"""`daq demo`: a whole session on simulated meters, held against what the simulators know to be true.

The simulators run as a process of their own; a simulated person in it reads the live page, fits what is called for and
switches. The daemon is the one of `daq run` and never sees the truth.
"""

import argparse
import asyncio
import contextlib
import json
import math
import re
import shutil
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from daq.cli.arguments import CommandParser, number_between
from daq.cli.files import bundle, load_bench_and_plan
from daq.cli.reported import report_content
from daq.cli.run import exit_code
from daq.cli.saving import save_text
from daq.cli.screens import display_for
from daq.cli.serving import links
from daq.comparison_words import answer_sentences
from daq.config.bench import Bench
from daq.errors import DaqError, InputError
from daq.records import TrialAverage, TrialResult
from daq.report.page import render_page
from daq.runtime.clock import Clock
from daq.runtime.daemon import Surroundings, run_session
from daq.runtime.display import Outcome
from daq.runtime.web import is_free
from daq.wording import decimals_of_uncertainty, shown_average, trial_name, unit_symbol

_SPEED = 18.0
_ALLOWED = 1.7
"""Largest error in expanded uncertainties: beyond it, about one honest average in a thousand would lie."""
_START_S = 20.0
_STOP_S = 5.0


def run(arguments: Sequence[str]) -> int:
    """Carry out a demonstration."""
    options = _parser().parse_args(arguments)
    seed = options.seed if options.seed is not None else time.time_ns() % 1_000_000
    folder = _new_folder(Path(options.folder), options.scenario)
    sys.stdout.write(
        f"Demonstration {options.scenario!r}, seed {seed}: time runs {options.speed:g} times as fast as life.\n"
        f"Everything is kept in {folder}\n"
    )
    sys.stdout.flush()
    bench, plan = load_bench_and_plan(folder / "bench.toml", folder / "plan.toml")
    truth_path = folder / "truth.json"
    store_path = folder / bench.store
    with (
        _simulators(folder, bench, truth_path, speed=options.speed, seed=seed),
        display_for(
            folder / "bench.toml", plain=options.plain, to_stderr=False
        ) as display,
    ):
        around = Surroundings(
            bench=bench,
            store_path=store_path,
            base=folder,
            clock=Clock(speed=options.speed),
            display=display,
            on_page=lambda page: display.say(
                links(page, folder / "bench.toml", is_private=display.is_private)
            ),
        )
        outcome = asyncio.run(run_session(around, plan, new_session=False))
    display.finished(outcome)
    if outcome.stopped_by is not None:
        return exit_code(outcome)
    truth = json.loads(truth_path.read_text(encoding="utf-8"))["entries"]
    agreed = _show_against_truth(bench, outcome, truth)
    _show_answer(folder, store_path)
    has_leads = any(c.lead for c in plan.facts.conditions)
    sys.stdout.write(_pointers(folder, store_path, has_leads=has_leads))
    return exit_code(outcome) if agreed else 1


# ---- the folder


def _new_folder(parent: Path, scenario: str) -> Path:
    """A fresh folder with the scenario's files."""
    source = bundle() / "configs" / scenario
    number = 1
    while (folder := (parent / f"{scenario}-{number}").resolve()).exists():
        number += 1
    try:
        folder.mkdir(parents=True)
        for name in ("bench.toml", "plan.toml", "simulation.toml"):
            shutil.copyfile(source / name, folder / name)
        _move_page_if_taken(folder / "bench.toml")
    except OSError as exc:
        msg = f"{folder}: cannot be made: {exc}; name another place with --folder"
        raise InputError(msg) from exc
    return folder


def _move_page_if_taken(path: Path) -> None:
    """Another program, or a second demonstration, may have the page's usual port."""
    text = path.read_text(encoding="utf-8")
    match = re.search(r"^port = (\d+)$", text, flags=re.MULTILINE)
    if match and not is_free(int(match[1])):
        port = next(port for port in range(int(match[1]) + 1, 65536) if is_free(port))
        path.write_text(text.replace(match[0], f"port = {port}"), encoding="utf-8")


# ---- the simulators


@contextlib.contextmanager
def _simulators(
    folder: Path, bench: Bench, truth: Path, *, speed: float, seed: int
) -> Iterator[None]:
    """The simulators' process, from ready to orderly end."""
    command = [sys.executable, "-m", "simulators", str(folder / "simulation.toml")]
    command += ["--speed", str(speed), "--seed", str(seed), "--truth", str(truth)]
    command += ["--watch", f"http://127.0.0.1:{bench.page.port}"]
    log = folder / "simulators.log"
    with log.open("w", encoding="utf-8") as output:
        process = subprocess.Popen(  # noqa: S603  # our own module, no shell
            command,
            cwd=bundle(),
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
        )
    try:
        _wait_ready(process, log)
        yield
    finally:
        process.terminate()
        try:
            process.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait_ready(process: "subprocess.Popen[bytes]", log: Path) -> None:
    end = time.monotonic() + _START_S
    while "ready" not in log.read_text(encoding="utf-8").splitlines():
        if process.poll() is not None or time.monotonic() > end:
            msg = f"the simulators did not start: {log.read_text(encoding='utf-8').strip() or 'no word from them'}"
            raise DaqError(msg)
        time.sleep(0.05)  # noqa: TID251  # nothing else runs yet


# ---- the truth


@dataclass(frozen=True, slots=True)
class _Comparison:
    """One average against the truth."""

    trial: str
    title: str
    average: TrialAverage
    truth: float

    @property
    def share(self) -> float:
        """Error in expanded uncertainties [1]."""
        return abs(self.average.mean - self.truth) / self.average.expanded_uncertainty


def compare_with_truth(
    bench: Bench, results: Sequence[TrialResult], truth: Sequence[dict[str, object]]
) -> list[_Comparison]:
    """Every average of which the simulators know the truth."""
    known = {(e["condition"], e["place"], e["quantity"]): e["value"] for e in truth}
    channels = {c.name: c for c in bench.channels}
    found = []
    for result in results:
        for average in result.averages:
            channel = channels[average.channel]
            value = known.get(
                (result.planned.condition, channel.place, channel.quantity)
            )
            if isinstance(value, int | float):
                found.append(
                    _Comparison(
                        trial_name(result.planned), channel.title, average, float(value)
                    )
                )
    return found


def _show_against_truth(
    bench: Bench, outcome: Outcome, truth: Sequence[dict[str, object]]
) -> bool:
    compared = compare_with_truth(bench, outcome.results, truth)
    rows = [("condition", "channel", "settled average", "truth", "error / U")]
    for c in compared:
        if not c.average.required:
            continue
        a = c.average
        decimals = decimals_of_uncertainty(a.expanded_uncertainty)
        rows.append(
            (
                c.trial,
                c.title,
                shown_average(a.mean, a.expanded_uncertainty, a.unit),
                f"{c.truth:.{decimals}f} {unit_symbol(a.unit)}".rstrip(),
                f"{c.share:.2f}",
            )
        )
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = [
        "  ".join(
            cell.ljust(width) for cell, width in zip(row, widths, strict=True)
        ).rstrip()
        for row in rows
    ]
    sys.stdout.write(
        "\nSettled averages against the simulators' truth (U: expanded uncertainty, 95 %)\n"
    )
    sys.stdout.write("\n".join([lines[0], "-" * len(lines[0]), *lines[1:]]) + "\n")
    inside = sum(c.share <= 1.0 for c in compared)
    worst = max((c.share for c in compared), default=math.inf)
    sys.stdout.write(
        f"{inside} of {len(compared)} averages hold the truth within U; the largest error is {worst:.2f} U.\n"
    )
    if worst > _ALLOWED:
        sys.stdout.write(
            f"At least one error is above {_ALLOWED} U: this demonstration has failed.\n"
        )
    return worst <= _ALLOWED


def _show_answer(folder: Path, store: Path) -> None:
    """What the session says, in words and as a page."""
    content = report_content(store, None, analysis=0)
    sys.stdout.write("\nWhat was lost\n")
    for sentence in answer_sentences(content.comparison):
        lines = textwrap.wrap(sentence, 100, subsequent_indent="    ")
        sys.stdout.writelines(f"  {line}\n" for line in lines)
    try:
        save_text(folder / "report.html", [render_page(content)])
    except InputError as exc:
        sys.stdout.write(f"No report: {exc}\n")


def _as_typed() -> str:
    """How this program can be called again: as it was, where the name alone is not found."""
    typed = Path(sys.argv[0])
    return str(typed) if typed.name == "daq" and not shutil.which("daq") else "daq"


def _pointers(folder: Path, store: Path, *, has_leads: bool) -> str:
    report, daq = folder / "report.html", _as_typed()
    lines = [
        "",
        *([f"Report: {report}, open it in any browser"] if report.exists() else []),
        f"Results: {store}",
        "All of the comparison, with leads, prices and cautions:",
        f"  {daq} compare {store}",
        "Averages with their uncertainties, as CSV:",
        f"  {daq} export {store}",
    ]
    if has_leads:
        lines += [
            "What another lead would do:",
            f"  {daq} predict {store} --area 1.5mm2,4mm2 --length 10m,50m",
        ]
    lines.append(f"Bench, plan and the simulators' log are beside it in {folder}")
    return "\n".join(lines) + "\n"


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq demo",
        description="A whole session on simulated meters, usually in about two minutes, held against what the simulators know to be true.",
    )
    parser.add_argument("--scenario", choices=["leads", "filters"], default="leads")
    parser.add_argument(
        "--seed",
        type=int,
        help="of noise, errors and wander; drawn and printed if absent",
    )
    parser.add_argument(
        "--speed",
        type=number_between(1.0, 20.0),
        default=_SPEED,
        help="bench seconds a real second, 1 to 20; 1 is life (default %(default)g)",
    )
    parser.add_argument(
        "--folder",
        default="steadybench-demo",
        help="where results are kept (default %(default)s)",
    )
    parser.add_argument(
        "--plain", action="store_true", help="plain lines instead of the live table"
    )
    return parser
