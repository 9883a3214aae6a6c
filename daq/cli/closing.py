"""What is said once `daq run` and `daq serve` have ended: where the results are, and how to go on."""

import contextlib
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path

from daq.cli.counted import counted
from daq.cli.said import kept_whole
from daq.errors import StoreFailingError
from daq.records import TrialState
from daq.runtime.display import Outcome

UNWATCHED = (
    "Nothing watches the machine any more: if it still runs, switch off at the plug."
)
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
    return "\n".join([*_how_to_go_on(outcome, again), _results(store)]) + "\n"


def closing_of_serve(*, bench: str, stated_store: str | None, speed: float) -> str:
    """A line for the operator."""
    again = _command("serve", bench, stated_store=stated_store, speed=speed)
    return (
        "The service has ended: the meters are not read any more, and nothing watches a machine that still runs: switch it"
        " off at the plug."
        f" Go on with: {again}; it takes up by itself the session that was in hand.\n"
    )


def _how_to_go_on(outcome: Outcome, again: str) -> Iterator[str]:
    if outcome.in_hand is not None or outcome.is_machine_on:
        yield UNWATCHED
    by_position = {result.planned.position: result.state for result in outcome.results}
    left = [
        line
        for line in outcome.order
        if line.position not in outcome.skipped
        and by_position.get(line.position) not in _DONE_WITH
    ]
    if left:
        yield f"Session {outcome.session} can go on, {counted(len(left), 'trial')} to come: {kept_whole(again)}"


def _results(store: Path) -> str:
    file = shlex.quote(str(store))
    compare, report = (
        kept_whole(f"daq {what} {file}") for what in ("compare", "report")
    )
    return f"Results are in {file}; {compare} says what was lost, {report} makes a page of it."


@contextlib.contextmanager
def telling_of_the_machine() -> Iterator[None]:
    """A service that ends with readings that it could not write says the rest, too: nobody else does."""
    try:
        yield
    except StoreFailingError:
        sys.stderr.write(f"{UNWATCHED}\n")
        raise


def _command(name: str, *files: str, stated_store: str | None, speed: float) -> str:
    words = ["daq", name, *files]
    if stated_store is not None:
        words += ["--store", stated_store]
    if speed != 1.0:
        # A session goes on at the speed it was begun with, or not at all.
        words += ["--speed", f"{speed:g}"]
    return shlex.join(words)
