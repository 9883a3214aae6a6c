"""The bench and the profile that a search ends in: written as new files, then tried on the meter."""

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


def write_and_check(folder: str, profile: str, *, port: str, unit: int | None) -> int:
    """Write both files, and read the meter with them as `daq check` does; its exit code.

    Raises:
        InputError: If they cannot be written.
    """
    base = Path(folder)
    try:
        base.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        msg = f"{base}: cannot be made: {exc.strerror or exc}"
        raise InputError(msg) from exc
    save_text(base / _PROFILE, [profile])
    bench = render_bench(profile=_PROFILE, port=_lasting(port), unit=unit)
    save_text(base / _BENCH, [bench])
    sys.stdout.write(
        f"\nWritten: {base / _BENCH} and {base / _PROFILE}."
        f" Reading the meter with them, as `daq check {base / _BENCH}` does:\n"
    )
    sys.stdout.flush()
    return check.run([str(base / _BENCH)])


def _lasting(port: str) -> str:
    """The port as it is found from any folder; a link is kept, for its name is what stays."""
    is_path = "://" not in port and not port.upper().startswith("COM")
    return str(Path(port).absolute()) if is_path else port
