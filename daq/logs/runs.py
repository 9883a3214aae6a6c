"""Stretches of a log in which the machine was on, and which line of the order each belongs to."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass

from daq.errors import InputError
from daq.logs.edges import Edge, find_edges
from daq.records import PlannedTrial
from daq.trials.switching import StartRule, Switch


@dataclass(frozen=True, slots=True)
class Run:
    """The machine was on.

    Attributes:
        number: Counted from 1 in the log.
        on: When it was switched on.
        off: When it was switched off; None where the log ends before.
        end_s: Of the run, or of the log [s].
    """

    number: int
    on: Edge
    off: Edge | None
    end_s: float


@dataclass(frozen=True, slots=True)
class Assigned:
    """Which run is which line of the order.

    Attributes:
        order: Every line; those of no run come last.
        pairs: Runs with their lines, in order of time.
    """

    order: tuple[PlannedTrial, ...]
    pairs: tuple[tuple[Run, PlannedTrial], ...]


def find_runs(
    times_s: Sequence[float], values: Sequence[float], rule: StartRule
) -> tuple[Run, ...]:
    """Runs by the start channel; one that was on already when the log begins is none, for nobody knows since when.

    Args:
        times_s: Of the readings, never falling [s].
        values: Of the start channel.
        rule: Of the plan.
    """
    runs: list[Run] = []
    began: Edge | None = None
    for edge in find_edges(times_s, values, rule):
        if edge.to is Switch.ON:
            began = edge
        elif began is not None:
            runs.append(Run(len(runs) + 1, began, edge, edge.latest_s))
            began = None
    if began is not None:
        runs.append(Run(len(runs) + 1, began, None, times_s[-1]))
    return tuple(runs)


def split_order(text: str, conditions: Collection[str]) -> list[str]:
    """Conditions parted by commas, which may stand in their names too.

    Raises:
        InputError: If it cannot be parted into names of conditions.
    """
    parts = text.split(",")
    names: list[str] = []
    begin = 0
    while begin < len(parts):
        ends = range(len(parts), begin, -1)
        named = ((",".join(parts[begin:end]).strip(), end) for end in ends)
        name, begin = next(
            ((name, end) for name, end in named if name in conditions), ("", -1)
        )
        if not name:
            left = parts[sum(each.count(",") + 1 for each in names)].strip()
            known = "; ".join(conditions)
            msg = f"--order: no condition {left!r} in the plan, expected names out of: {known}"
            raise InputError(msg)
        names.append(name)
    return names


def assign_runs(
    runs: Sequence[Run],
    planned: Sequence[PlannedTrial],
    *,
    order: Sequence[str] | None,
    skipped: Collection[int],
    shown: Callable[[float], str],
) -> Assigned:
    """Give every run its line of the order.

    Args:
        runs: Found in the log.
        planned: Every line of the plan's order.
        order: Conditions of the runs as somebody states them; None for the plan's order.
        skipped: Numbers of the runs that count for nothing.
        shown: A time of the log in words [s].

    Raises:
        InputError: If runs and lines do not go together; every run is told with its time.
    """
    numbers = [run.number for run in runs]
    for number in skipped:
        if number not in numbers:
            msg = f"--skip-run {number}: no such run\n{_listed(runs, skipped, shown)}"
            raise InputError(msg)
    counted = [run for run in runs if run.number not in skipped]
    lines = planned if order is None else _lines_of(order, planned)
    if len(counted) != len(lines):
        asked = "the plan's order has" if order is None else "--order names"
        many = "many" if len(counted) > len(lines) else "few"
        remedy = (
            "leave runs out with --skip-run N, or name what each was with --order"
            if many == "many"
            else "name what each was with --order; lines of the plan that were not run stay to be done"
        )
        msg = f"too {many} runs: {len(counted)} are counted, {asked} {len(lines)}; {remedy}\n{_listed(runs, skipped, shown)}"
        raise InputError(msg)
    done = {line.position for line in lines}
    rest = [line for line in planned if line.position not in done]
    pairs = tuple(zip(counted, lines, strict=True))
    return Assigned((*lines, *rest), pairs)


def _lines_of(
    names: Sequence[str], planned: Sequence[PlannedTrial]
) -> list[PlannedTrial]:
    """Lines of the plan in the order in which they were run; what was run more often gets lines of its own."""
    left = list(planned)
    last = max(line.position for line in planned)
    lines: list[PlannedTrial] = []
    for name in names:
        alike = [line for line in planned if line.condition == name]
        if not alike:
            known = ", ".join(dict.fromkeys(line.condition for line in planned))
            msg = f"--order: no condition {name!r} in the plan, expected one of {known}"
            raise InputError(msg)
        line = next((line for line in left if line.condition == name), None)
        if line is None:
            last += 1
            earlier = [
                each.repeat for each in (*alike, *lines) if each.condition == name
            ]
            line = PlannedTrial(last, name, max(earlier) + 1, alike[0].baseline)
        else:
            left.remove(line)
        lines.append(line)
    return lines


def _listed(
    runs: Sequence[Run], skipped: Collection[int], shown: Callable[[float], str]
) -> str:
    return "\n".join(_lines(runs, skipped, shown)) or "the log shows no run"


def _lines(
    runs: Sequence[Run], skipped: Collection[int], shown: Callable[[float], str]
) -> Iterator[str]:
    for run in runs:
        length_s = run.end_s - run.on.latest_s
        end = "" if run.off else ", still on when the log ends"
        left_out = ", left out" if run.number in skipped else ""
        yield f"run {run.number}: from {shown(run.on.latest_s)}, {length_s:.0f} s{end}{left_out}"
