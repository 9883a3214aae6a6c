"""What is said once `daq run` and `daq serve` have ended: where the results are, and how to go on."""

import contextlib
import re
import shlex
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from daq.cli.counted import counted
from daq.cli.guarded import known_error
from daq.cli.said import kept_whole
from daq.cli.screens import FinishingDisplay
from daq.cli.session_command import with_bench
from daq.errors import StoreFailingError
from daq.records import PlannedTrial, TrialState
from daq.runtime.board import IDLE
from daq.runtime.display import Outcome
from daq.runtime.snapshot import Snapshot
from daq.trials.stages import Stage
from daq.wording import Urgency

UNWATCHED = (
    "Nothing watches the machine any more: if it still runs, switch off at the plug."
)
_CALLED_OFF = re.compile(r"\bswitch (it )?off\b", re.IGNORECASE)
_AT_REST = frozenset({Stage.WAITING, Stage.FINISHED, IDLE})
_DONE_WITH = frozenset(TrialState) - {TrialState.RUNNING, TrialState.UNFINISHED}


def closing_of_run(
    outcome: Outcome,
    *,
    bench: str,
    plan: str,
    store: Path,
    stated_store: str | None,
    speed: float,
) -> str:
    """Lines for the operator, to be `fitted`; `stated_store` is the results file as it was given, where it was."""
    again = _command("run", bench, plan, stated_store=stated_store, speed=speed)
    words = [*_how_to_go_on(outcome, again, bench), _results(store)]
    return "\n".join(words) + "\n"


def closing_of_serve(*, bench: str, stated_store: str | None, speed: float) -> str:
    """A line for the operator."""
    again = _command("serve", bench, stated_store=stated_store, speed=speed)
    return (
        "The service has ended: the meters are not read any more, and nothing watches a machine that still runs: switch it"
        " off at the plug."
        f" Go on with: {again}; it takes up by itself the session that was in hand.\n"
    )


def _how_to_go_on(outcome: Outcome, again: str, bench: str) -> Iterator[str]:
    if outcome.in_hand is not None or outcome.is_machine_on:
        yield UNWATCHED
    by_position = {result.planned.position: result.state for result in outcome.results}
    left = [
        line
        for line in outcome.order
        if line.position not in outcome.skipped
        and by_position.get(line.position) not in _DONE_WITH
    ]
    yield from _without_average(outcome, left, bench)
    if left:
        yield f"Session {outcome.session} can go on, {counted(len(left), 'trial')} to come: {kept_whole(again)}"


def _without_average(
    outcome: Outcome, left: Sequence[PlannedTrial], bench: str
) -> Iterator[str]:
    """Conditions whose trials a limit broke, and which have no other; nobody would miss them."""
    to_come = {line.condition for line in left}
    averaged = {
        r.planned.condition for r in outcome.results if r.state is TrialState.FINISHED
    }
    broken = {
        r.planned.condition: r.planned
        for r in outcome.results
        if r.state is TrialState.LIMIT_BROKEN
    }
    for condition, line in broken.items():
        if condition not in to_come | averaged:
            baseline = ", the baseline," if line.baseline else ""
            again = _how_to_repeat(line, outcome, bench) if left else ""
            yield (
                f"{condition}{baseline} has no average, for a limit broke its trial. It is not asked for again by itself{again}."
            )


def _how_to_repeat(line: PlannedTrial, outcome: Outcome, bench: str) -> str:
    positions = [each.position for each in outcome.order]
    number = positions.index(line.position) + 1
    asked = with_bench(f"daq session BENCH repeat {number}", bench)
    return f": once the session goes on, {kept_whole(asked)} asks for it"


def _results(store: Path) -> str:
    file = shlex.quote(str(store))
    compare, report = (
        kept_whole(f"daq {what} {file}") for what in ("compare", "report")
    )
    return f"Results are in {file}; {compare} says what was lost, {report} makes a page of it."


class LastSight:
    """What a display showed last of the machine."""

    def __init__(self) -> None:
        self._display: FinishingDisplay | None = None

    def of(self, display: FinishingDisplay) -> None:
        """It is this one that the service shows the machine on."""
        self._display = display

    def may_run_unwatched(self, error: Exception) -> bool:
        """Whether the machine may run on after this error has ended the service.

        Where the cause is known, what was shown last holds. A fault of our own may come of the very reading that would
        have told that the machine was switched on.
        """
        known = known_error(error)
        if isinstance(known, StoreFailingError):
            return True
        last = None if self._display is None else self._display.last
        return last is not None and (known is None or _may_run(last))


@contextlib.contextmanager
def telling_of_the_machine() -> Iterator[LastSight]:
    """A service that ends by an error says what its proper end would have said of the machine: nobody else does."""
    sight = LastSight()
    try:
        yield sight
    except Exception as exc:
        if sight.may_run_unwatched(exc):
            # A terminal that has gone must not hide the error itself.
            with contextlib.suppress(OSError):
                sys.stderr.write(f"{UNWATCHED}\n")
        raise


def _may_run(last: Snapshot) -> bool:
    """Whether the machine was not known to be at rest."""
    is_called_off = _CALLED_OFF.search(last.instruction) is not None
    is_danger = last.overdue or last.urgency == Urgency.DANGER
    return is_called_off or is_danger or last.stage.name not in _AT_REST


def _command(name: str, *files: str, stated_store: str | None, speed: float) -> str:
    words = ["daq", name, *files]
    if stated_store is not None:
        words += ["--store", stated_store]
    if speed != 1.0:
        # A session goes on at the speed it was begun with, or not at all.
        words += ["--speed", f"{speed:g}"]
    return shlex.join(words)
