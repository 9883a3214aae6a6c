"""Where files are: the user's, and the profiles and demonstrations that ship with the program."""

import dataclasses
import tomllib
from functools import partial
from pathlib import Path
from typing import NoReturn

import daq
from daq.config.bench import Bench, named_channels, parse_bench
from daq.config.plan import Plan, check_plan_alone, parse_plan
from daq.config.sound import refusal
from daq.errors import ConfigurationError, InputError

_BENCH, _PLAN = "bench", "plan"
_TABLES = {_BENCH: {"instrument"}, _PLAN: {"condition", "baseline"}}
"""Keys that one kind of file has and the other cannot have."""


def bundle() -> Path:
    """Folder that holds `configs` and `simulators`: beside the package in a checkout, inside it in a wheel."""
    package = Path(daq.__file__).resolve().parent
    inside = package / "_bundle"
    return inside if inside.is_dir() else package.parent


def read_text(path: Path, *, usual: str = "") -> str:
    """A text file of the user.

    Args:
        path: Of the file.
        usual: What such a file is mostly called, for whoever names its folder.

    Raises:
        InputError: With what is wrong and what to do.
    """
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as exc:
        msg = f"{path}: no such file, check the name"
        raise InputError(msg) from exc
    except IsADirectoryError as exc:
        msg = f"{path}: is a folder, name the file, {path / usual if usual else 'and not its folder'}"
        raise InputError(msg) from exc
    except (OSError, UnicodeDecodeError) as exc:
        msg = f"{path}: cannot be read: {exc}"
        raise InputError(msg) from exc


def load_bench(path: Path) -> Bench:
    """A bench file with its profiles; relative ports are taken from the bench's folder.

    Raises:
        InputError, ConfigurationError: With every fault.
    """
    base = path.resolve().parent
    text = read_text(path, usual="bench.toml")
    try:
        bench = parse_bench(
            text,
            file=str(path),
            find_profile=partial(_find_profile, base),
            shipped=sorted(path.stem for path in _profiles().glob("*.toml")),
        )
    except ConfigurationError as exc:
        if _kind_of(text) == _PLAN:
            msg = f"{path}: seems to be a plan, expected a bench file"
            raise InputError(msg) from exc
        raise
    instruments = tuple(
        dataclasses.replace(
            i, port=dataclasses.replace(i.port, url=_port_url(base, i.port.url))
        )
        for i in bench.instruments
    )
    return dataclasses.replace(bench, instruments=instruments)


def load_bench_and_plan(bench_path: Path, plan_path: Path) -> tuple[Bench, Plan]:
    """Both files; the faults of both are told together.

    Raises:
        InputError, ConfigurationError: With every fault.
    """
    plan_text = read_text(plan_path, usual="plan.toml")
    if _kind_of(plan_text) == _BENCH:
        _refuse_a_bench(bench_path, plan_path)
    try:
        bench = load_bench(bench_path)
    except ConfigurationError as bench_error:
        try:
            check_plan_alone(
                plan_text, file=str(plan_path), channels=_named_channels(bench_path)
            )
        except ConfigurationError as plan_error:
            both = [*bench_error.faults, *plan_error.faults]
        else:
            both = [*bench_error.faults]
        # What a plan asks of its channels is judged against a bench without faults only.
        raise refusal(both, is_all=False) from bench_error
    return bench, parse_plan(plan_text, file=str(plan_path), bench=bench)


def _refuse_a_bench(bench: Path, plan: Path) -> NoReturn:
    """Say which file is which where a bench file was named as the plan: its faults would be all of its keys."""
    if _kind_of(read_text(bench, usual="bench.toml")) == _PLAN:
        msg = f"these two seem to be swapped: {bench} is a plan and {plan} a bench file, name the bench file first"
    else:
        msg = f"{plan}: seems to be a bench file, expected a plan"
    raise InputError(msg)


def _kind_of(text: str) -> str:
    """Which kind of file it is by its tables; empty where they do not tell."""
    try:
        keys = tomllib.loads(text).keys()
    except (ValueError, RecursionError):
        return ""
    found = [kind for kind, tables in _TABLES.items() if keys & tables]
    return found[0] if len(found) == 1 else ""


def _named_channels(bench: Path) -> tuple[str, ...] | None:
    find_profile = partial(_find_profile, bench.resolve().parent)
    return named_channels(read_text(bench), file=str(bench), find_profile=find_profile)


def _profiles() -> Path:
    return bundle() / "configs" / "profiles"


def _find_profile(base: Path, name: str) -> tuple[str, str] | None:
    candidates = (
        [base / name] if name.endswith(".toml") else [_profiles() / f"{name}.toml"]
    )
    for path in candidates:
        if path.is_file():
            return str(path), read_text(path)
    return None


def _port_url(base: Path, url: str) -> str:
    if "://" in url or Path(url).is_absolute() or url.upper().startswith("COM"):
        return url
    return str(base / url)
