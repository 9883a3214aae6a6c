"""The bench and the profile that a search ends in: written as new files, then tried on the meter."""

import shlex
import sys
from pathlib import Path

from daq.cli import check
from daq.cli.saving import save_text
from daq.errors import InputError
from daq.recognising.files import render_bench

_BENCH, _PROFILE = "bench.toml", "meter.toml"


def require_free(folder: str | None) -> None:
    """Say before a long search, rather than after it, that the files cannot be written.

    Raises:
        InputError: If one of them is there already.
    """
    if folder is None:
        return
    for name in (_BENCH, _PROFILE):
        path = Path(folder) / name
        if path.exists():
            msg = f"{path}: it is there already, name another folder"
            raise InputError(msg)


def write_or_show(
    folder: str | None,
    profile: str,
    *,
    port: str,
    unit: int | None,
    is_paced: bool = True,
) -> int:
    """Write both files and read the meter with them as `daq check` does, or show the profile; the exit code.

    Args:
        folder: Where to; None to show what would be written.
        profile: Its text.
        port: Path or URL.
        unit: Modbus unit, or None.
        is_paced: Whether the profile says how often the meter makes a new value; without it it can't be read with.

    Raises:
        InputError: If they cannot be written.
    """
    if folder is None:
        _say(
            f"\n{profile}\nNothing was written; --write FOLDER writes it with a bench."
        )
        return 0 if is_paced else _without_pace(_PROFILE)
    base = Path(folder)
    _save(base, profile, render_bench(profile=_PROFILE, port=_lasting(port), unit=unit))
    bench = shlex.quote(str(base / _BENCH))
    if not is_paced:
        _say(f"\nWritten: {base / _BENCH} and {base / _PROFILE}.")
        code = _without_pace(base / _PROFILE)
        _say(f"Then type:\n  daq check {bench}")
        return code
    _say(
        f"\nWritten: {base / _BENCH} and {base / _PROFILE}."
        f" Reading the meter with them, as `daq check {bench}` does:"
    )
    code = check.run([str(base / _BENCH)])
    if code == 0:
        _say(_next_step(base))
    return code


def _save(base: Path, profile: str, bench: str) -> None:
    try:
        base.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        msg = f"{base}: cannot be made: {exc.strerror or exc}"
        raise InputError(msg) from exc
    save_text(base / _PROFILE, [profile])
    save_text(base / _BENCH, [bench])


def _without_pace(path: str | Path) -> int:
    """Say what the profile lacks; the exit code."""
    _say(
        f"{path} does not say yet how often the meter makes a new value, for too little came, or all of it at once:"
        " write refresh_s at CHANGE, from its data sheet or by watching its display, or run this again with --seconds 20."
    )
    return 1


def _next_step(base: Path) -> str:
    """The bench and the plan to be tested with, which use this profile."""
    profile = shlex.quote(str(base / _PROFILE))
    return (
        "\nNext, a bench and a plan, with this profile beside them; write its name at the meter, profile ="
        f' "{_PROFILE}":\n  daq new my-bench\n  cp {profile} my-bench/'
    )


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _lasting(port: str) -> str:
    """The port as it is found from any folder; a link is kept, for its name is what stays."""
    is_path = "://" not in port and not port.upper().startswith("COM")
    return str(Path(port).absolute()) if is_path else port
