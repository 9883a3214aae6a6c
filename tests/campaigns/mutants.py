"""Changes the program in one small place after another, and counts how many of the changes the tests notice.

    python tests/campaigns/mutants.py --package settling --seed 773301 --sample 60 [--most-s 60] [--list] [--tests tests/core]

Draws a sample of all mutants of one package; the same text, seed and sample draw the same. Tried by the tests of
`tests/core` that name the package, or by those of `--tests`, without `slow`, those first that run the changed line, for as
much of `--most-s` as they took when they were traced. A hang counts as killed. Left out are those that
`mutants_equivalent.toml` calls equivalent. Nothing is written to the files. Exit code 1 if less than 90 % are killed.
"""

import argparse
import os
import re
import signal
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measuring import say, show_table
from tests.campaigns.arguments import a_count
from tests.campaigns.mutants_operators import (
    Mutant,
    changed_words,
    is_no_change,
    mutants_of,
)
from tests.campaigns.mutants_runs import (
    DiedError,
    Outcome,
    Status,
    Tests,
    check_anew,
    traced,
    try_anew,
    try_in_place,
)
from tests.startups.bounds import share

LEAST_KILLED = 0.9
PROJECT = Path(__file__).resolve().parents[2]
_EQUIVALENT = Path(__file__).with_name("mutants_equivalent.toml")
_SHOWN = 200


@dataclass(frozen=True, slots=True)
class Equivalent:
    """A change that no test can notice, and why."""

    file: str
    line: str
    change: str
    reason: str


def load_equivalents(path: Path = _EQUIVALENT) -> list[Equivalent]:
    """The changes that are known to change nothing that counts."""
    return [Equivalent(**each) for each in tomllib.loads(path.read_text())["mutant"]]


@dataclass(frozen=True)
class Package:
    """A package of the program, or a module of that name, below a folder."""

    root: Path
    name: str

    @cached_property
    def sources(self) -> dict[str, str]:
        """The text of each file."""
        module = self.root / "daq" / f"{self.name}.py"
        folder = sorted((self.root / "daq" / self.name).rglob("*.py"))
        files = [module] if module.exists() else folder
        return {str(f.relative_to(self.root)): f.read_text() for f in files}

    def drawn(self, seed: int, sample: int) -> list[Mutant]:
        """A sample of all its mutants."""
        every = [m for path, text in self.sources.items() for m in mutants_of(path, text)]  # fmt: skip
        return Random(seed).sample(every, min(sample, len(every)))  # noqa: S311 - a sample, no secret

    def words(self, mutant: Mutant) -> str:
        """Where it is and what it changes."""
        change = changed_words(self.sources[mutant.path], mutant)
        return f"{mutant.path}:{mutant.line} {' '.join(change.split())[:_SHOWN]}"

    def is_equivalent(self, mutant: Mutant, known: Sequence[Equivalent]) -> bool:
        """It changes nothing, or is named as one that no test can notice."""
        source = self.sources[mutant.path]
        line = source.splitlines()[mutant.line - 1].strip()
        named = mutant.path, line, changed_words(source, mutant)
        is_named = any((k.file, k.line, k.change) == named for k in known)
        return is_named or is_no_change(source, mutant)

    def test_files(self) -> list[str]:
        """The test files of the core that name it."""
        named = re.compile(rf"\bdaq\.{self.name}\b|^from daq import .*\b{self.name}\b", re.MULTILINE)  # fmt: skip
        return [
            str(path.relative_to(self.root))
            for path in sorted((self.root / "tests" / "core").rglob("test_*.py"))
            if named.search(path.read_text())
        ]


class Campaign:
    """Tries each mutant of a sample."""

    def __init__(
        self, package: Package, sample: Sequence[Mutant], tests: Tests
    ) -> None:
        self._package = package
        self._sample = sample
        self._tests = tests

    def outcomes(self) -> dict[Mutant, Outcome]:
        """What became of each: first those that can be put in place, then, imported anew, all that are not killed by that."""
        found = self._in_place()
        rest = [m for m in self._sample if m not in found or not found[m].is_killed]
        for number, mutant in enumerate(rest):
            names = self._tests.picked(mutant, all_using=True)
            if number == 0:
                check_anew(self._package.root, mutant.path, names, self._tests)
            found[mutant] = try_anew(self._package.root, mutant, names, self._tests)
            self._say(mutant, found[mutant])
        return found

    def _in_place(self) -> dict[Mutant, Outcome]:
        picks = []
        for mutant in self._sample:
            names = self._tests.picked(mutant, all_using=False)
            if mutant.is_inside and names:
                picks.append((mutant, names))
        tried = try_in_place(self._package.root, picks, self._tests, say=self._say_killed)  # fmt: skip
        return {m: outcome for (m, _), outcome in zip(picks, tried, strict=True)}

    def _say_killed(self, mutant: Mutant, outcome: Outcome) -> None:
        """Of the others nothing is known yet."""
        if outcome.is_killed:
            self._say(mutant, outcome)

    def _say(self, mutant: Mutant, outcome: Outcome) -> None:
        say(f"{outcome.status} {self._package.words(mutant)} {outcome.by}".rstrip())


def show(package: Package, outcomes: dict[Mutant, Outcome], equivalent: int) -> float:
    """The survivors and the counts; the share that is killed [1]."""
    rows = [[package.words(m)] for m, o in outcomes.items() if not o.is_killed]
    show_table("survivors", ["place and change"], rows)
    counts = Counter(outcome.status for outcome in outcomes.values())
    statuses = [s for s in Status if s is not Status.NOT_PLACED]
    killed = share([outcome.is_killed for outcome in outcomes.values()])
    of_all = f"{sum(o.is_killed for o in outcomes.values())} of {len(outcomes)}"
    show_table(
        "mutants",
        ["package", *statuses, "equivalent", "killed of the others", "% (95 % bounds)"],
        [
            [
                package.name,
                *(counts[status] for status in statuses),
                equivalent,
                of_all,
                killed.text(factor=100.0, digits=0),
            ]
        ],
    )
    return killed.value


@contextmanager
def own_folders() -> Iterator[None]:
    """Whatever the tests write goes into a folder that is removed at the end, also where they or this are ended."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    with tempfile.TemporaryDirectory() as scratch:
        tempfile.tempdir = os.environ["TMPDIR"] = scratch
        os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = str(Path(scratch, "hypothesis"))
        try:
            yield
        finally:
            tempfile.tempdir = None


def options_given() -> argparse.Namespace:
    """What the command line says."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--package", required=True, help="settling, framing, ...")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sample", type=a_count, default=60)
    parser.add_argument("--most-s", type=float, default=60.0, help="of tests a mutant")
    parser.add_argument("--list", action="store_true", help="only say what is drawn")
    parser.add_argument("--tests", nargs="+", help="test files and folders")
    parser.add_argument("--root", type=Path, default=PROJECT, help="holds daq and tests")  # fmt: skip
    return parser.parse_args()


def main() -> int:
    """Run the campaign."""
    options = options_given()
    package = Package(options.root.resolve(), options.package)
    drawn = package.drawn(options.seed, options.sample)
    known = load_equivalents()
    sample = [m for m in drawn if not package.is_equivalent(m, known)]
    if options.list:
        for mutant in drawn:
            say(package.words(mutant) + ("" if mutant in sample else " (equivalent)"))
        return 0
    chosen = options.tests or package.test_files()
    if not sample or not chosen:
        say(f"{len(sample)} mutants and {len(chosen)} test files: nothing is measured")
        return 1
    os.chdir(package.root)
    sys.path.insert(0, str(package.root))
    began_s = time.monotonic()
    try:
        with own_folders():
            tests = traced(
                package.root, [*package.sources], chosen, most_s=options.most_s
            )
            say(f"{len(tests.cost_s)} tests, {sum(tests.cost_s.values()):.0f} s traced")
            for name in tests.failing:
                say(f"left out, as it fails unchanged: {name}")
            outcomes = Campaign(package, sample, tests).outcomes()
    except DiedError as error:
        say(f"nothing is measured: {error}")
        return 1
    killed = show(package, outcomes, len(drawn) - len(sample))
    say(f"in {time.monotonic() - began_s:.0f} s")
    return 0 if killed >= LEAST_KILLED else 1


if __name__ == "__main__":
    sys.exit(main())
