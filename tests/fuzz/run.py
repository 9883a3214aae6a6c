"""Coverage-guided fuzzing of everything that comes from outside, target by target; prints what was tried and reached.

    python tests/fuzz/run.py [--target NAME ...] [--inputs N | --minutes M] [--kept FOLDER]
    python tests/fuzz/run.py --keep [--target NAME ...] [--kept FOLDER]

Needs a Python that has atheris (PyPI, for 3.11 to 3.13) beside this project's own dependencies; the tests need none of
it, they replay the inputs kept in corpus/ and found/. Without a bound each target takes its own: ten million inputs for
what reads a meter's wire, twenty minutes for the rest. A run takes up where the last one with the same folder ended.

With --keep nothing is tried: the fewest inputs that reach all that was reached are written to corpus/.

"from before" tells what the folder held already: it is replayed first and not counted. "last new edge" is the input that
reached the last edge; the aim is none in the last third, "quiet". Exit code 1 where an input broke something, or where a
target that is bounded by inputs is not quiet ("STILL NEW") or ended before its bound ("TOO FEW"). A run with a smaller
bound than the target's own is "short": no word on the aim. After a crash the input lies in the folder: add it to
found/NAME.txt in hexadecimal digits, then mend the parser.
"""

import argparse
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from hashlib import sha1
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.fuzz.seeds import kept_inputs  # noqa: E402 - found by the path above
from tests.fuzz.targets import TARGETS, Target  # noqa: E402

_SLOWEST_INPUT_S = 30
"""A hang by the wall clock; a campaign that yields to everything else may be kept waiting for seconds."""
_MOST_MEMORY_MB = 1024
_MOST_KEPT = 80
"""Inputs of a target in corpus/."""
_UNBOUNDED = 2**31 - 1
_STATUS = re.compile(r"#(\d+)\s+(\w+)\s+cov: (\d+)", re.ASCII)
_DONE = re.compile(r"Done (\d+) (?:runs|in)", re.ASCII)
_BROKE_OFF = "broke off, see log.txt"
_CRASH = re.compile(r"Test unit written to (\S+)")


@dataclass(frozen=True)
class Campaign:
    """What the log of one run says.

    Attributes:
        inputs: Tried after those that were there before [1].
        edges: Reached, from byte code to byte code [1].
        last_new: Number of the input that reached the last new edge; 0 where the first ones did.
        crashes: Files of inputs that broke something, or that the run broke off without one.
    """

    inputs: int
    edges: int
    last_new: int
    crashes: tuple[str, ...]

    @property
    def is_quiet(self) -> bool:
        """Whether the last third brought nothing new."""
        return self.last_new <= 2 * self.inputs / 3


def read_log(text: str) -> Campaign:
    """The numbers in what the fuzzing library prints; it counts the inputs from before too, which are not counted here."""
    inputs = edges = last_new = replayed = 0
    is_begun = False
    for match in _STATUS.finditer(text):
        inputs, reached = max(inputs, int(match[1])), int(match[3])
        if match[2] == "INITED":
            is_begun, replayed = True, int(match[1])
        if reached > edges:
            # What the inputs kept from before reach is nothing new.
            edges, last_new = reached, inputs - replayed if is_begun else 0
    crashes = tuple(dict.fromkeys(_CRASH.findall(text)))
    if done := _DONE.search(text):
        inputs = max(inputs, int(done[1]))
    elif not crashes:
        crashes = (_BROKE_OFF,)
    return Campaign(inputs - replayed, edges, last_new, crashes)


class Verdict(StrEnum):
    """What a campaign says of its target's aim."""

    QUIET = "quiet"
    STILL_NEW = "STILL NEW"
    NEW_IN_TIME = "still new"
    TOO_FEW = "TOO FEW"
    SHORT = "short"


FAILED = frozenset({Verdict.STILL_NEW, Verdict.TOO_FEW})


def verdict(
    found: Campaign,
    target: Target,
    *,
    inputs: int | None = None,
    minutes: float | None = None,
) -> Verdict:
    """Whether the aim was reached: none new in the last third of at least the target's own bound.

    Args:
        found: What came of it.
        target: Whose campaign it was.
        inputs: Bound that the user set [1]; None for none.
        minutes: The same in time.
    """
    is_own_bound = inputs is None and minutes is None
    if target.inputs is None:
        # Twenty minutes are all that is asked of it.
        is_whole = is_own_bound or (
            inputs is None and (minutes or 0.0) >= (target.minutes or 0.0)
        )
        late = Verdict.NEW_IN_TIME
    else:
        is_whole, late = found.inputs >= target.inputs, Verdict.STILL_NEW
        if not is_whole and is_own_bound:
            return Verdict.TOO_FEW
    if not is_whole:
        return Verdict.SHORT
    return Verdict.QUIET if found.is_quiet else late


def main() -> int:
    """Run the targets one after the other."""
    arguments = _arguments()
    if arguments.worker:
        options = [arguments.again, *arguments.rest]
        return _work(TARGETS[arguments.worker], options, arguments.broken)
    if arguments.keep:
        for name in arguments.target or TARGETS:
            _keep(TARGETS[name], arguments.kept)
        return 0
    _say(f"{'target':18} {'from before':>11} {'inputs':>11} {'edges':>6} {'last new edge':>13}  {'crashes':24} aim")  # fmt: skip
    is_good = True
    for name in arguments.target or TARGETS:
        target = TARGETS[name]
        before = len(_inputs_of(arguments.kept, target))
        found = _run(target, arguments, replayed=before)
        aim = verdict(found, target, inputs=arguments.inputs, minutes=arguments.minutes)
        crashes = ", ".join(found.crashes) or "none"
        _say(f"{name:18} {before:11} {found.inputs:11} {found.edges:6} {found.last_new:13}  {crashes:24} {aim}")  # fmt: skip
        is_good = is_good and not found.crashes and aim not in FAILED
    return 0 if is_good else 1


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--target", action="append", choices=[*TARGETS])
    parser.add_argument("--inputs", type=int, help="stop after so many")
    parser.add_argument("--minutes", type=float, help="stop after so long")
    parser.add_argument("--keep", action="store_true", help="renew the small corpora")
    parser.add_argument("--kept", type=Path, default=Path("build/fuzzed"), help="logs, inputs that reach something, crashes")  # fmt: skip
    parser.add_argument("--worker", choices=[*TARGETS], help=argparse.SUPPRESS)
    parser.add_argument("--broken", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--again", default=sys.argv[0], help=argparse.SUPPRESS)
    parser.add_argument("rest", nargs="*", help=argparse.SUPPRESS)
    return parser.parse_args()


def _inputs_of(kept: Path, target: Target) -> list[Path]:
    """Files of the inputs that earlier runs kept, as they reached something."""
    folder = kept / target.name / "inputs"
    return [*folder.iterdir()] if folder.is_dir() else []


def _run(target: Target, arguments: argparse.Namespace, *, replayed: int) -> Campaign:
    """One target in a process of its own, which the fuzzing library ends as it likes."""
    folder = (arguments.kept / target.name).resolve()
    (folder / "inputs").mkdir(parents=True, exist_ok=True)
    # The library counts these, and an empty input of its own.
    replayed += _write_seeds(target, folder / "seeds") + 1
    is_own_bound = arguments.inputs is None and arguments.minutes is None
    inputs = target.inputs if is_own_bound else arguments.inputs
    minutes = target.minutes if is_own_bound else arguments.minutes
    command = [
        sys.executable, __file__, "--worker", target.name, "--broken", str(folder), "--",
        f"-runs={inputs + replayed if inputs else _UNBOUNDED}", f"-max_total_time={int(60 * (minutes or 0))}",
        f"-max_len={target.longest}", f"-timeout={_SLOWEST_INPUT_S}", f"-rss_limit_mb={_MOST_MEMORY_MB}",
        # Inputs that take long are changed less often: half of the time went to a tenth of them.
        "-entropic_scale_per_exec_time=1",
        f"-artifact_prefix={folder}/", "-print_final_stats=1", str(folder / "inputs"), str(folder / "seeds"),
    ]  # fmt: skip
    log = folder / "log.txt"
    with log.open("wb") as file:
        subprocess.run(command, stdout=file, stderr=file, cwd=ROOT, check=False)
    return read_log(log.read_text(encoding="utf-8", errors="replace"))


def _keep(target: Target, kept: Path) -> None:
    """Write the small corpus of a target; where that is still many, the shortest of it."""
    folder = (kept / target.name).resolve()
    fewest = folder / "fewest"
    shutil.rmtree(fewest, ignore_errors=True)
    for each in (fewest, folder / "inputs"):
        each.mkdir(parents=True, exist_ok=True)
    _write_seeds(target, folder / "seeds")
    # The library starts itself over and over for this, by the name that it was started by.
    script = folder / "again.sh"
    again = shlex.join([sys.executable, __file__, "--worker", target.name, "--again", str(script)])  # fmt: skip
    script.write_text(f'#!/bin/sh\nexec {again} -- "$@"\n')
    script.chmod(0o700)
    command = [
        str(script), "-set_cover_merge=1", f"-max_len={target.longest}",
        str(fewest), str(folder / "inputs"), str(folder / "seeds"),
    ]  # fmt: skip
    with (folder / "fewest.txt").open("wb") as file:
        subprocess.run(command, stdout=file, stderr=file, cwd=ROOT, check=True)
    inputs = sorted((path.read_bytes() for path in fewest.iterdir()), key=len)
    text = "".join(f"{each.hex()}\n" for each in inputs[:_MOST_KEPT] if each)
    (ROOT / "tests" / "fuzz" / "corpus" / f"{target.name}.txt").write_text(text)


def _write_seeds(target: Target, folder: Path) -> int:
    """Files of what a fuzzer begins with, and how many they are."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    seeds = [*target.seeds(), *kept_inputs(target.name)]
    for number, seed in enumerate(seeds):
        (folder / f"{number:04}").write_bytes(seed)
    return len(seeds)


def _work(target: Target, options: Sequence[str], broken: Path | None) -> int:
    """The process that the fuzzing library takes over."""
    import atheris  # type: ignore[import-untyped,import-not-found,unused-ignore]

    with atheris.instrument_imports(include=list(target.parsers)):
        function: Callable[[bytes], object] = target.function()
        # What is made once, such as a page with its routes, is not the first input's time.
        function(b"")

    def one_input(data: bytes) -> None:
        try:
            function(data)
        except BaseException:
            if broken is not None:
                _write_broken(broken, data)
            raise

    atheris.Setup([*options], one_input)
    atheris.Fuzz()
    return 0


def _write_broken(folder: Path, data: bytes) -> None:
    """The library does so too, under the same name, but not where it breaks off itself."""
    path = folder / f"crash-{sha1(data, usedforsecurity=False).hexdigest()}"
    path.write_bytes(data)
    _say(f"Test unit written to {path}")


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
