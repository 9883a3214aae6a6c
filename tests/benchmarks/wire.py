"""The wire: what the program's own poll costs beside a raw loop, and how much of a real line's time it uses.

    python tests/benchmarks/wire.py

Unpaced: the meter answers at once and no silence is kept. A loop of blocking os.write and os.read, the least that an event loop can do,
and the program's LinePoller take turns on one pseudo-terminal; each checks and unpacks its reply, and times are from reading to reading.
Paced: the meter imitates 9600 and 115200 baud, 8N1, and counts requests that come before the silence t3.5 is over. The blocking loop,
which waits for each silence to the microsecond, takes turns with LinePoller and shows what this machine allows at present.
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measuring import (
    median,
    percentile,
    say,
    show_goal,
    show_least_goal,
    show_table,
)
from tests.benchmarks.meter_process import (
    Manners,
    RunningMeter,
    Wire,
    processors_apart,
    running_meter,
)
from tests.benchmarks.wire_loops import (
    REGISTERS,
    Measured,
    bare_event_loop,
    poller_loop,
    raw_loop,
)

_ROUNDS = 7
_POLLS = 1500
_PACED_ROUNDS = 3
_PACED_POLLS = {9600: 40, 115200: 250}
_MOST_PERCENT = 100.5
"""Above it something else than polls was counted; half a per cent is for two clocks that are read at different moments."""

LOOPS = {
    "raw os.read/os.write": raw_loop,
    "bare event loop": bare_event_loop,
    "LinePoller": poller_loop,
}


def compare_unpaced(meter: RunningMeter, where: str) -> tuple[float, float]:
    """All loops in turns on one line; returns p50 and CPU time of LinePoller over raw."""
    rounds: dict[str, list[Measured]] = {name: [] for name in LOOPS}
    for _ in range(_ROUNDS):
        for name, loop in LOOPS.items():
            rounds[name].append(loop(meter.path, _POLLS))
    p50 = {
        name: _median_us([median(m.cycles_s) for m in r]) for name, r in rounds.items()
    }
    cpu = {name: _median_us([m.cpu_a_poll_s for m in r]) for name, r in rounds.items()}
    raw = next(iter(LOOPS))
    rows = [
        (
            name,
            f"{p50[name]:.0f}",
            f"{_median_us([percentile(m.cycles_s, 99.0) for m in measured]):.0f}",
            f"{p50[name] / p50[raw]:.2f}",
            f"{cpu[name]:.0f}",
            f"{cpu[name] / cpu[raw]:.2f}",
        )
        for name, measured in rounds.items()
    ]
    show_table(
        f"Poll of {REGISTERS} registers, unpaced, {where}, median of {_ROUNDS} rounds of {_POLLS}",
        ("loop", "p50 us", "p99 us", "x raw", "CPU us/poll", "x raw"),
        rows,
    )
    return p50["LinePoller"] / p50[raw], cpu["LinePoller"] / cpu[raw]


def _median_us(seconds: Sequence[float]) -> float:
    return median(seconds) * 1e6


def show_unpaced() -> None:
    """With meter and host apart, which is held against the goal, and as the system places them."""
    with running_meter(None) as meter:
        with processors_apart(meter) as are_apart:
            where = "processors apart" if are_apart else "one processor"
            slower, dearer = compare_unpaced(meter, where)
            show_goal("p50, LinePoller over raw", slower, at_most=1.6)
            show_goal("CPU a poll, LinePoller over raw", dearer, at_most=3.0)
        if are_apart:
            compare_unpaced(meter, "processors as it comes")


@dataclass
class PacedRounds:
    """All rounds of one loop at one speed."""

    wire: Wire
    cycles_s: list[float] = field(default_factory=list)
    cpus_s: list[float] = field(default_factory=list)
    manners: list[Manners] = field(default_factory=list)

    def add(self, measured: Measured, manners: Manners) -> None:
        """One more round."""
        self.cycles_s += measured.cycles_s
        self.cpus_s.append(measured.cpu_a_poll_s)
        self.manners.append(manners)

    @property
    def limit_s(self) -> float:
        """Least time of a poll."""
        return self.wire.poll_s(REGISTERS)

    @property
    def share_percent(self) -> float:
        """Of what the wire allows, over everything."""
        return 100.0 * len(self.cycles_s) * self.limit_s / sum(self.cycles_s)

    @property
    def median_share_percent(self) -> float:
        """Of what the wire allows, by the median poll: what other load on the machine does not reach."""
        return 100.0 * self.limit_s / median(self.cycles_s)

    def check(self) -> None:
        """Refuse what no wire allows.

        Raises:
            RuntimeError: If there were more polls than the wire has room for: something else was counted.
        """
        share = max(self.share_percent, self.median_share_percent)
        if share > _MOST_PERCENT:
            msg = f"{share:.1f} % of what {self.wire.baud} baud allow, expected at most {_MOST_PERCENT} %"
            raise RuntimeError(msg)

    @property
    def too_early(self) -> int:
        """Requests inside t3.5."""
        return sum(m.violations for m in self.manners)

    def row(self, name: str) -> tuple[object, ...]:
        """For the table."""
        p50_s = median(self.cycles_s)
        least_s = min(m.least_silence_s for m in self.manners)
        return (
            self.wire.baud,
            name,
            f"{self.limit_s * 1e3:.2f}",
            f"{p50_s * 1e3:.2f}",
            f"{percentile(self.cycles_s, 99.0) * 1e3:.2f}",
            f"{self.median_share_percent:.1f} %",
            f"{self.share_percent:.1f} %",
            f"{self.too_early}/{sum(m.requests for m in self.manners)}",
            f"{least_s * 1e3:.2f} of {self.wire.silence_s * 1e3:.2f}",
            f"{median(self.cpus_s) * 1e6:.0f}",
        )


def _paced(baud: int) -> tuple[PacedRounds, PacedRounds]:
    """Raw loop and LinePoller in turns."""
    wire, polls = Wire(baud), _PACED_POLLS[baud]
    raw, ours = PacedRounds(wire), PacedRounds(wire)
    with running_meter(baud) as meter, processors_apart(meter):
        for _ in range(_PACED_ROUNDS):
            meter.forget()
            measured = raw_loop(meter.path, polls, silence_s=wire.silence_s)
            raw.add(measured, meter.manners())
            meter.forget()
            measured = poller_loop(meter.path, polls, baud=baud)
            ours.add(measured, meter.manners())
    raw.check()
    ours.check()
    return raw, ours


def show_paced() -> None:
    """How much of the wire's time is used, and whether t3.5 is kept."""
    rounds = {baud: _paced(baud) for baud in _PACED_POLLS}
    rows = []
    for raw, ours in rounds.values():
        rows += [raw.row("raw, exact wait"), ours.row("LinePoller")]
    times = ("baud", "loop", "limit ms", "p50 ms", "p99 ms", "by p50", "whole run")
    counts = ("too early", "least silence ms", "CPU us/poll")
    show_table(
        f"Polls of {REGISTERS} registers on a paced line, 8N1", times + counts, rows
    )
    for baud, least in ((9600, 97.0), (115200, 95.0)):
        raw, ours = rounds[baud]
        words = f"LinePoller at {baud}, % of the wire by the median poll"
        show_least_goal(words, ours.median_share_percent, at_least=least)
        whole = ours.share_percent / raw.share_percent
        say(
            f"LinePoller at {baud}, polls over the whole run as a share of raw's: {whole:.3f}"
        )
    too_early = sum(ours.too_early for _, ours in rounds.values())
    show_goal("LinePoller's requests inside t3.5", too_early, at_most=0)


def main() -> None:
    """Measure and print."""
    show_unpaced()
    show_paced()
    say("")


if __name__ == "__main__":
    main()
