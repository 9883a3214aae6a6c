"""`daq new FOLDER`: a first bench and a first plan, by a few questions or by options."""

import argparse
import shlex
import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.cli.files import load_bench_and_plan
from daq.cli.lead_arguments import typed
from daq.cli.new_answers import Answers, Ask, answers_from, diameter_mm
from daq.cli.new_logs import channels_of, check_plan, import_command
from daq.cli.new_profiles import shipped_meters
from daq.cli.said import fitted
from daq.errors import ConfigurationError, DaqError, InputError
from daq.runtime.ports.adapters import find_adapters
from daq.runtime.ports.system import System
from daq.starting_files import (
    Kind,
    Meter,
    OfferedPort,
    bench_text,
    logged_plan_text,
    place_meters,
    plan_text,
)
from daq.starting_files.strings import name_from

_BENCH, _PLAN = "bench.toml", "plan.toml"


def run(
    arguments: Sequence[str],
    *,
    system: System | None = None,
    ask: Ask | None = None,
) -> int:
    """Write bench.toml and plan.toml into a folder; of meters that keep logs alone, plan.toml.

    Args:
        arguments: Of the command line.
        system: The computer, unless another is laid out in a folder.
        ask: Answers questions, unless the terminal does.
    """
    options = _parser().parse_args(arguments)
    folder = Path(options.folder)
    _refuse_what_is_there(folder, (_PLAN,) if options.logs else (_BENCH, _PLAN))
    profiles = shipped_meters()
    answers = answers_from(options, profiles, ask or _asker())
    if answers.columns:
        ending = _write_for_logs(folder, answers)
    else:
        ending = _write_for_meters(folder, answers, profiles, system or System())
    sys.stdout.write(ending)
    return 0


def _write_for_meters(
    folder: Path, answers: Answers, profiles: Mapping[str, Meter], system: System
) -> str:
    ports = _ports(system)
    meters = place_meters([profiles[m] for m in answers.meters], answers.kind, ports)
    name = _name(folder)
    texts = {
        _BENCH: bench_text(
            name,
            meters,
            by_eye=answers.by_eye,
            kind=answers.kind,
            diameter_mm=answers.diameter_mm,
        ),
        _PLAN: plan_text(
            name,
            answers.machine,
            answers.kind,
            answers.conditions,
            meters,
            by_eye=len(answers.by_eye),
        ),
    }
    bench, plan = folder / _BENCH, folder / _PLAN
    _write(folder, texts, lambda: load_bench_and_plan(bench, plan))
    return _ending(folder, answers, found=len(ports))


def _write_for_logs(folder: Path, answers: Answers) -> str:
    channels = channels_of(answers.columns)
    text = logged_plan_text(
        _name(folder), answers.machine, answers.kind, answers.conditions, channels
    )
    _write(folder, {_PLAN: text}, lambda: check_plan(folder / _PLAN, channels))
    return _ending_for_logs(folder, answers)


def _name(folder: Path) -> str:
    return name_from(folder.resolve().name, otherwise="bench")


def _asker() -> Ask | None:
    """How to ask at the terminal; None where there is none."""
    is_terminal = sys.stdin.isatty() and sys.stdout.isatty()
    return (
        (lambda question: input(fitted(question, sys.stdout))) if is_terminal else None
    )


def _ports(system: System) -> list[OfferedPort]:
    """Ports of adapters on USB that are there; what is built in is hardly what a meter hangs on."""
    return [
        OfferedPort(adapter.port, adapter.caution or "")
        for adapter in find_adapters(system).adapters
        if adapter.is_usb and adapter.is_there
    ]


# ---- files


def _refuse_what_is_there(folder: Path, files: Sequence[str]) -> None:
    if folder.exists() and not folder.is_dir():
        msg = f"{folder}: a file of that name is there, name another folder"
        raise InputError(msg)
    there = [name for name in files if (folder / name).exists()]
    if there:
        msg = f"{folder / there[0]}: it is there already and stays as it is, name another folder"
        raise InputError(msg)


def _write(folder: Path, texts: Mapping[str, str], load: Callable[[], object]) -> None:
    """All files or none; never over another.

    Args:
        folder: Where to.
        texts: By the names of the files.
        load: Reads them as the next command will.

    Raises:
        InputError: If they cannot be written.
    """
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            with (folder / name).open("x", encoding="utf-8") as file:
                written.append(folder / name)
                file.write(text)
        load()
    except OSError as exc:
        _take_back(written)
        msg = f"{folder}: cannot be written: {exc.strerror or exc}; name another folder"
        raise InputError(msg) from exc
    except ConfigurationError as exc:
        _take_back(written)
        msg = f"our own fault, the files would have had these, and nothing was kept:\n{exc}"
        raise DaqError(msg) from exc


def _take_back(written: Sequence[Path]) -> None:
    for path in written:
        path.unlink(missing_ok=True)


# ---- the ending


def _ending(folder: Path, answers: Answers, *, found: int) -> str:
    bench, plan = (shlex.quote(str(folder / name)) for name in (_BENCH, _PLAN))
    which = "ports --which" if found > 1 else "ports"
    why = (
        "tells which adapter is which: write its line into the bench"
        if found
        else "finds the adapters once they are plugged in: write their lines into the bench"
    )
    daq = _as_typed()
    commands = (
        (f"{daq} {which}", why),
        (f"{daq} check {bench} {plan}", "reads every meter and says what is wrong"),
        (f"{daq} run {bench} {plan}", "carries out the session"),
    )
    typed = "".join(f"  {command}\n      {what}\n" for command, what in commands)
    return (
        f"Written: {bench} and {plan}.\n{_listed(answers)}"
        "Open both in an editor and go through the lines with CHANGE. Then type:\n"
        f"{typed}"
    )


def _ending_for_logs(folder: Path, answers: Answers) -> str:
    command = import_command(_as_typed(), folder, answers.columns)
    name = answers.columns[0].name
    return (
        f"Written: {shlex.quote(str(folder / _PLAN))}.\n{_listed(answers)}"
        "Open it in an editor and go through the lines with CHANGE. Then type, with the names of your log files:\n"
        f"  {command} --dry-run\n"
        "      shows the runs that it finds and keeps nothing; leave --dry-run out once they are right\n"
        f'Add --accuracy "{name}=0.5%+2d", with the figures of the data sheet, for each channel: without it the uncertainty'
        " holds scatter and display only.\n"
    )


def _listed(answers: Answers) -> str:
    listed = "".join(f"  {condition!r}\n" for condition in answers.conditions)
    return f"Conditions, the baseline first:\n{listed}"


def _as_typed() -> str:
    """How this program can be called again: as it was, where the name alone is not found."""
    typed = Path(sys.argv[0])
    is_path = typed.name == "daq" and not shutil.which("daq")
    return shlex.quote(str(typed)) if is_path else "daq"


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq new",
        description="Write a first bench and a first plan, with comments, by a few questions or by options."
        " Nothing is overwritten.",
    )
    parser.add_argument(
        "folder", metavar="FOLDER", help="where to; made if it is not there"
    )
    parser.add_argument(
        "--kind",
        choices=[kind.value for kind in Kind],
        help="what changes from condition to condition",
    )
    parser.add_argument("--machine", metavar="TEXT", help="what is tested")
    parser.add_argument(
        "--meters",
        metavar="A,B",
        help="names of shipped profiles parted by commas, one a meter;"
        " of two electrical meters the one at the supply's end first",
    )
    parser.add_argument(
        "--typed",
        action="append",
        metavar="NAME:UNIT:STEP",
        help="a meter without a port, whose readings you type: name of its channel, its unit and the smallest step of its"
        " display, like inlet_pressure:Pa:1; a fourth part says where it measures; may be repeated",
    )
    parser.add_argument(
        "--logs",
        action="store_true",
        help="no meter is on a line, all write log files: a plan alone, for daq import --plan",
    )
    parser.add_argument(
        "--column",
        action="append",
        metavar="COLUMN=CHANNEL:UNIT:PLACE",
        help='with --logs: column of a log that becomes a channel, like "Power=power:W:machine end", as daq import takes it;'
        " may be repeated",
    )
    parser.add_argument(
        "--conditions",
        action="append",
        metavar="A,B",
        help="the baseline first, parted by commas with no blank behind (a comma with a blank belongs to the name);"
        " or the option repeated",
    )
    parser.add_argument(
        "--diameter-mm",
        type=typed(diameter_mm),
        metavar="D",
        help="inner diameter of the round duct or outlet where the air is measured",
    )
    parser.add_argument(
        "--yes", action="store_true", help="ask nothing, take what is usual"
    )
    return parser
