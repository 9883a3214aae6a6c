"""`daq new FOLDER`: a first bench and a first plan, by a few questions or by options."""

import argparse
import shlex
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path

from daq.cli.files import load_bench_and_plan
from daq.cli.lead_arguments import typed
from daq.cli.new_answers import Answers, Ask, answers_from, diameter_mm
from daq.cli.new_profiles import shipped_meters
from daq.errors import ConfigurationError, DaqError, InputError
from daq.runtime.ports.adapters import find_adapters
from daq.runtime.ports.system import System
from daq.starting_files import (
    Kind,
    OfferedPort,
    bench_text,
    place_meters,
    plan_text,
)
from daq.starting_files.strings import name_from

_FILES = ("bench.toml", "plan.toml")


def run(
    arguments: Sequence[str],
    *,
    system: System | None = None,
    ask: Ask | None = None,
) -> int:
    """Write bench.toml and plan.toml into a folder.

    Args:
        arguments: Of the command line.
        system: The computer, unless another is laid out in a folder.
        ask: Answers questions, unless the terminal does.
    """
    options = _parser().parse_args(arguments)
    folder = Path(options.folder)
    _refuse_what_is_there(folder)
    profiles = shipped_meters()
    answers = answers_from(options, profiles, ask or _asker())
    ports = _ports(system or System())
    meters = place_meters([profiles[m] for m in answers.meters], answers.kind, ports)
    name = name_from(folder.resolve().name, otherwise="bench")
    texts = (
        bench_text(
            name,
            meters,
            by_eye=answers.by_eye,
            kind=answers.kind,
            diameter_mm=answers.diameter_mm,
        ),
        plan_text(name, answers.machine, answers.kind, answers.conditions, meters),
    )
    _write(folder, texts)
    sys.stdout.write(_ending(folder, answers, found=len(ports)))
    return 0


def _asker() -> Ask | None:
    """How to ask at the terminal; None where there is none."""
    return input if sys.stdin.isatty() and sys.stdout.isatty() else None


def _ports(system: System) -> list[OfferedPort]:
    """Ports of adapters on USB that are there; what is built in is hardly what a meter hangs on."""
    return [
        OfferedPort(adapter.port, adapter.caution or "")
        for adapter in find_adapters(system).adapters
        if adapter.is_usb and adapter.is_there
    ]


# ---- files


def _refuse_what_is_there(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        msg = f"{folder}: a file of that name is there, name another folder"
        raise InputError(msg)
    there = [name for name in _FILES if (folder / name).exists()]
    if there:
        msg = f"{folder / there[0]}: it is there already and stays as it is, name another folder"
        raise InputError(msg)


def _write(folder: Path, texts: Sequence[str]) -> None:
    """Both files or none; never over another.

    Raises:
        InputError: If they cannot be written.
    """
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in zip(_FILES, texts, strict=True):
            with (folder / name).open("x", encoding="utf-8") as file:
                written.append(folder / name)
                file.write(text)
        load_bench_and_plan(*written)
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
    bench, plan = (shlex.quote(str(folder / name)) for name in _FILES)
    listed = "".join(f"  {condition!r}\n" for condition in answers.conditions)
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
        f"Written: {bench} and {plan}.\nConditions, the baseline first:\n{listed}"
        "Open both in an editor and go through the lines with CHANGE. Then type:\n"
        f"{typed}"
    )


def _as_typed() -> str:
    """How this program can be called again: as it was, where the name alone is not found."""
    typed = Path(sys.argv[0])
    is_path = typed.name == "daq" and not shutil.which("daq")
    return shlex.quote(str(typed)) if is_path else "daq"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
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
