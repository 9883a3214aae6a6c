"""The bench and the profile that a search ends in: written as new files, then tried on the meter.

The profile is named after its folder, for the next meter's is to stand beside it on one bench.
"""

import shlex
import sys
from itertools import count
from pathlib import Path

from daq.cli import check
from daq.cli.said import kept_whole, say
from daq.cli.saving import save_text
from daq.errors import InputError
from daq.recognising.files import render_bench
from daq.starting_files.strings import name_from

_BENCH = "bench.toml"
_TAKEN = ("bench", "plan")
"""What the other files of a bench's folder are called."""


def require_free(folder: str | None) -> None:
    """Say before a long search, rather than after it, that the files cannot be written.

    Raises:
        InputError: If one of them is there already.
    """
    if folder is None:
        return
    for name in (_BENCH, _profile_name(Path(folder))):
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
    is_whole: bool = True,
) -> int:
    """Write both files and read the meter with them as `daq check` does, or show the profile; the exit code.

    Args:
        folder: Where to; None to show what would be written.
        profile: Its text.
        port: Path or URL.
        unit: Modbus unit, or None.
        is_paced: Whether the profile says how often the meter makes a new value; without it it can't be read with.
        is_whole: Whether it has every value that was looked for.

    Raises:
        InputError: If they cannot be written.
    """
    if folder is None:
        # As it stands: a line that went on in the next would be another file.
        sys.stdout.write(f"\n{profile}\n")
        say("Nothing was written; --write FOLDER writes it with a bench.")
        code = 0 if is_paced else _without_pace("The profile", "--seconds 20")
        return code or int(not is_whole)
    base = Path(folder)
    code = _tried(base, profile, port=port, unit=unit, is_paced=is_paced)
    if is_paced and (code or not is_whole):
        again = kept_whole(_elsewhere(base))
        say(
            f"These files stay as they are; to search again name another folder, like {again}."
        )
    return code or int(not is_whole)


def _tried(
    base: Path, profile: str, *, port: str, unit: int | None, is_paced: bool
) -> int:
    """Write both files and read the meter with them; the exit code."""
    path = base / _profile_name(base)
    _save(
        path, profile, render_bench(profile=path.name, port=_lasting(port), unit=unit)
    )
    bench = shlex.quote(str(base / _BENCH))
    if not is_paced:
        say(f"\nWritten: {base / _BENCH} and {path}.")
        code = _without_pace(path, f"--seconds 20 {_elsewhere(base)}")
        say(f"Then type:\n  daq check {bench}")
        return code
    say(
        f"\nWritten: {base / _BENCH} and {path}."
        f" Reading the meter with them, as `{kept_whole(f'daq check {bench}')}` does:"
    )
    code = check.run([str(base / _BENCH)])
    if code == 0:
        say(*_next_step(path))
    return code


def _elsewhere(base: Path) -> str:
    """The option that writes to a folder that is not there yet."""
    names = (f"{base}-{number}" for number in count(2))
    free = next(name for name in names if not Path(name).exists())
    return f"--write {shlex.quote(free)}"


def _profile_name(base: Path) -> str:
    """The profile's file, named after its folder."""
    name = name_from(base.resolve().name, otherwise="meter")
    return f"{name}-meter.toml" if name.lower() in _TAKEN else f"{name}.toml"


def _save(path: Path, profile: str, bench: str) -> None:
    base = path.parent
    try:
        base.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        msg = f"{base}: cannot be made: {exc.strerror or exc}"
        raise InputError(msg) from exc
    save_text(path, [profile])
    save_text(base / _BENCH, [bench])


def _without_pace(path: str | Path, again: str) -> int:
    """Say what the profile lacks, and the options that find it; the exit code."""
    say(
        f"{path} does not say yet how often the meter makes a new value, for too little came, or all of it at once:"
        " write refresh_s at CHANGE, from its data sheet or by watching its display, or run this again with"
        f" {kept_whole(again)}."
    )
    return 1


def _next_step(path: Path) -> list[str]:
    """The bench and the plan to be tested with, which use this profile."""
    return [
        "\nNext, a bench and a plan, unless there is one for other meters already, with this profile beside them;"
        f' write its name at the meter, profile = "{path.name}":',
        "  daq new my-bench",
        # Folders of one name may stand in two places, so it asks before it writes over another.
        f"  cp -i {shlex.quote(str(path))} my-bench/",
    ]


def _lasting(port: str) -> str:
    """The port as it is found from any folder; a link is kept, for its name is what stays."""
    is_path = "://" not in port and not port.upper().startswith("COM")
    return str(Path(port).absolute()) if is_path else port
