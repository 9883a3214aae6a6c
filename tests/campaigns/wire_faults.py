"""The fault campaign on the wires: each fault on each protocol, with the truth known, and a table of counts.

    python tests/campaigns/wire_faults.py --table wire_faults.md            # about an hour
    python tests/campaigns/wire_faults.py --unprotected                     # those without a checksum, ten minutes
    python tests/campaigns/wire_faults.py --spoiled 500 --meter modbus-rtu  # a minute

The program's poller and protocols read a spoiled wire in moved time (`wire_faults_driven`); every answer carries the number of
its question, so that any wrong value is known. Half of the answers are spoiled. A row says: what can be promised (class), spoiled
answers (trials), those that gave a true reading all the same (survived), gaps (lost), false readings, how many of these were
true of an earlier question (old), how many power at most volts times amperes leaves (left by P <= U I), and the most that
the class allows (bound: none where the fault is detectable, else the binomial 99.9 % bound). Of the shipped meters whose lines nothing
protects the class is what was measured (`wire_faults_classes.MEASURED`). Answers are spoiled by noise a great many times more,
without the poller (`--frames`). Exit code 1 if a bound is exceeded, or if a row proves nothing
(`wire_faults_accounts`): a poll without reading or gap, sound answers that were not read, lines of a stream that went untold.
"""

import argparse
import csv
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measuring import say, show_table
from tests.campaigns.wire_faults_classes import Class, class_of
from tests.campaigns.wire_faults_driven import Tally, run_cell, run_frames
from tests.campaigns.wire_faults_meters import METERS, Meter
from tests.campaigns.wire_faults_spoiling import Fault, faults_of

LEAST_SEEN = 0.9
"""Of frames that nobody asked for: noise may make two of them look like one; at most 3 in 100 were measured."""
_FRAMES_FOR_ONE = {16: 1, 8: 10, 0: 100}
"""By bits of the checksum: the fewer there are, the more gets through, and a tenth or a hundredth tells as much."""
HEAD = (
    "protocol", "fault", "class", "trials", "survived", "lost", "false", "old", "left by P <= U I", "bound", "verdict",
)  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One fault on one wire."""

    meter: Meter
    fault: Fault
    tally: Tally
    is_alone: bool = False

    @property
    def promised(self) -> Class:
        """The class of the fault there."""
        return class_of(self.meter, self.fault)

    @property
    def is_exceeded(self) -> bool:
        """Whether there are more false readings than promised."""
        bound = self.promised.bound(self.tally.spoiled)
        return bound is not None and self.tally.false > bound

    @property
    def missing(self) -> str:
        """What the row does not prove."""
        tally, is_streamed = self.tally, self.meter.is_streamed
        if not tally.spoiled:
            return "nothing spoiled"
        if self.is_alone:
            return _missing_alone(tally, is_streamed=is_streamed)
        read, sound = tally.true - tally.survived, tally.polled.sound
        if is_streamed:
            return tally.streamed.missing(self.fault, read, sound=sound)
        return tally.polled.missing(self.fault, read)

    @property
    def is_met(self) -> bool:
        """Whether there are no more false readings than promised, and whether that was seen."""
        return not self.is_exceeded and not self.missing

    def cells(self) -> tuple[object, ...]:
        """As the table has it."""
        tally, bound = self.tally, self.promised.bound(self.tally.spoiled)
        sound = "published" if bound is None else "met"
        unproven = f"UNPROVEN: {self.missing}" if self.missing else sound
        verdict = "EXCEEDED" if self.is_exceeded else unproven
        words = ", protocol alone" if self.is_alone else ""
        counts = (
            tally.spoiled,
            tally.survived,
            tally.lost,
            tally.false,
            tally.old,
            tally.possible if self.meter.has_power else "-",
        )
        named = (self.meter.name, self.fault.value + words, self.promised.name)
        return (*named, *counts, "-" if bound is None else bound, verdict)


def rows(
    meters: Sequence[Meter], *, spoiled: int, frames: int, seed: int
) -> Iterator[Row]:
    """Every fault on every wire, then noise by the protocol alone."""
    for meter in meters:
        for fault in faults_of(meter):
            yield Row(meter, fault, run_cell(meter, fault, spoiled=spoiled, seed=seed))
        count = frames // _FRAMES_FOR_ONE[meter.checksum_bits]
        if count and meter.blocks == 1:
            tally = run_frames(meter, Fault.NOISE, spoiled=count, seed=seed)
            yield Row(meter, Fault.NOISE, tally, is_alone=True)


def _missing_alone(tally: Tally, *, is_streamed: bool) -> str:
    """Every answer is spoiled; whoever is asked has one outcome each, of a stream the most part is seen to be bad."""
    outcomes = tally.polled.answered
    least = LEAST_SEEN * tally.spoiled if is_streamed else tally.spoiled
    return f"{outcomes} outcomes of {tally.spoiled}" if outcomes < least else ""


def write_markdown(
    path: Path, head: Sequence[object], body: Sequence[Sequence[object]]
) -> None:
    """A table that people read."""
    first, *others = ("| " + " | ".join(map(str, row)) + " |" for row in (head, *body))
    lines = [first, "|" + "---|" * len(head), *others]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_table(path: Path, found: Sequence[Row]) -> None:
    """As CSV, or as Markdown where the name ends so."""
    body = [row.cells() for row in found]
    if path.suffix == ".md":
        write_markdown(path, HEAD, body)
        return
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows((HEAD, *body))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the campaign; 1 if more was false than a class allows, or a row proves nothing."""
    parser = argparse.ArgumentParser(
        description="Faults on the wires, with the truth known."
    )
    parser.add_argument(
        "--spoiled", type=int, default=10_000, help="spoiled answers a row (10000)"
    )
    parser.add_argument(
        "--frames",
        type=int,
        default=1_000_000,
        help="answers with noise by the protocol alone, a tenth for sums of 8 bits, a hundredth without (1000000)",
    )
    parser.add_argument(
        "--meter",
        action="append",
        metavar="TEXT",
        help="only wires whose name begins so; may be repeated",
    )
    parser.add_argument(
        "--unprotected",
        action="store_true",
        help="only wires whose answers carry no checksum",
    )
    parser.add_argument(
        "--table", type=Path, metavar="FILE", help="write the table there: .md or .csv"
    )
    parser.add_argument("--seed", type=int, default=1, help="for all chance (1)")
    options = parser.parse_args(arguments)
    starts = tuple(options.meter or ("",))
    known = [m for m in METERS.values() if not (options.unprotected and m.checksum)]
    meters = [meter for meter in known if meter.name.startswith(starts)]
    if not meters:
        names = ", ".join(meter.name for meter in known)
        parser.error(
            f"no wire begins with {', '.join(starts)}, expected one of {names}"
        )
    begun_s, found = time.monotonic(), list[Row]()
    for row in rows(
        meters, spoiled=options.spoiled, frames=options.frames, seed=options.seed
    ):
        found.append(row)
        say("  ".join(str(cell) for cell in row.cells()))
        if options.table:
            # Again and again, so that a run that is ended early leaves what it has counted.
            write_table(options.table, found)
    show_table(
        f"{len(found)} rows in {time.monotonic() - begun_s:.0f} s",
        HEAD,
        [row.cells() for row in found],
    )
    spoiled = sum(row.tally.spoiled for row in found)
    exceeded = sum(row.is_exceeded for row in found)
    unproven = sum(bool(row.missing) for row in found)
    say(
        f"\n{spoiled} spoiled answers, {exceeded} rows beyond their bound, {unproven} that prove nothing"
    )
    return 0 if all(row.is_met for row in found) else 1


if __name__ == "__main__":
    sys.exit(main())
