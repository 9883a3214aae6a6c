"""A session begins, or goes on where it was interrupted."""

import dataclasses
import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256

import daq
from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.errors import InputError, OperationRefusedError, Refusal
from daq.operations import SameAsBefore
from daq.records import CUT_OFF, PlannedTrial, SessionFacts, TrialResult, TrialState
from daq.runtime.changed_since import Texts, changed_since
from daq.runtime.clock import Clock
from daq.runtime.store import Store, StoredSession
from daq.settling import RULE
from daq.wording import ANOTHER_DAY_QUESTION

SOFTWARE = f"steadybench {daq.__version__}, rule {RULE}"
_SEEDS = 2**31

ANOTHER_DAY_H = 8.0
"""A session that nobody worked on for so long is taken up as on another day: machine, meters and room may have changed."""


@dataclass(frozen=True, slots=True)
class Beginning:
    """A session that begins or goes on.

    Attributes:
        facts: What identifies it.
        order: Every planned trial.
        earlier: Trials that ended before the interruption.
        words: What to tell the user.
        skipped: Positions of lines that are left out.
        is_paused: Whether it was left while paused.
        numbers: Trials' numbers in the store, by their UUID.
        is_another_day: It is taken up on another day, and has to begin with a baseline.
        worked_on_utc: When it was last worked on, RFC 3339.
    """

    facts: SessionFacts
    order: tuple[PlannedTrial, ...]
    earlier: tuple[TrialResult, ...]
    words: str
    skipped: frozenset[int] = frozenset()
    is_paused: bool = False
    numbers: Mapping[str, int] = field(default_factory=dict)
    is_another_day: bool = False
    worked_on_utc: str = ""


async def begin_or_resume(
    store: Store,
    bench: Bench,
    plan: Plan,
    clock: Clock,
    *,
    new_session: bool,
    same: SameAsBefore | None = None,
) -> Beginning:
    """Resume the plan's unfinished session if plan and bench still say the same; else begin one.

    Args:
        store: Open.
        bench: The meters.
        plan: To be carried out.
        clock: Of the service.
        new_session: Begin anew whatever there is.
        same: The operator's answers, where a session is taken up on another day.

    Raises:
        InputError: If trials of the unfinished session are done, and it could not go on as it was begun.
        OperationRefusedError: If it is taken up on another day, and nobody said yet that all is as it was.
    """
    digest = _digest(bench, plan)
    found = await store.open_session(plan.name)
    if found is None:
        return await _begin(store, bench, plan, clock, digest=digest, before="")
    change = _what_changed(found, bench, plan, clock)
    if change is None and not new_session:
        is_another_day = bool(found.ended) and is_long_ago(found.worked_on_utc, clock)
        if is_another_day:
            _ask_what_is_the_same(found, same)
        return await _resume(store, found, clock, is_another_day=is_another_day)
    done = len(_done_positions(found))
    number = found.facts.number
    if done and not new_session:
        msg = (
            f"session {number} of this plan is unfinished ({done} of {len(found.order)} trials are done), but {change}; "
            "put that back to go on, or begin anew with --new"
        )
        raise InputError(msg)
    await store.end_session(number, state="abandoned", ended_utc=clock.utc_text())
    before = f"Session {number} stays unfinished. "
    return await _begin(store, bench, plan, clock, digest=digest, before=before)


def is_long_ago(worked_on_utc: str, clock: Clock) -> bool:
    """Whether a session that was last worked on then is taken up on another day."""
    return seconds_since(worked_on_utc, clock) >= ANOTHER_DAY_H * 3600.0


def seconds_since(utc: str, clock: Clock) -> float:
    """Real time since then [s]."""
    now, then = (datetime.fromisoformat(text) for text in (clock.utc_text(), utc))
    return (now - then).total_seconds()


def _ask_what_is_the_same(found: StoredSession, same: SameAsBefore | None) -> None:
    number = found.facts.number
    if same is None:
        text = f"session {number} {ANOTHER_DAY_QUESTION}"
        raise OperationRefusedError(Refusal.ANOTHER_DAY, text)
    names = {
        "machine": "another machine",
        "meters": "other meters",
        "room": "another room",
    }
    changed = [names[n] for n, kept in dataclasses.asdict(same).items() if not kept]
    if changed:
        text = (
            f"session {number} cannot go on with {' and '.join(changed)}:"
            " its trials could not be compared; begin anew"
        )
        raise OperationRefusedError(Refusal.NOT_THE_SAME, text)


def _digest(bench: Bench, plan: Plan) -> str:
    """What a session's trials must have in common: comments, ports and paths do not count."""
    meaning = dataclasses.asdict(dataclasses.replace(plan, text=""))
    text = json.dumps([bench.name, meaning], sort_keys=True, default=str)
    return sha256(text.encode()).hexdigest()


def _what_changed(
    found: StoredSession, bench: Bench, plan: Plan, clock: Clock
) -> str | None:
    if found.plan_digest != _digest(bench, plan):
        before = Texts(plan=found.plan_text, bench=found.bench_text)
        return changed_since(before, Texts(plan=plan.text, bench=bench.text))
    if found.facts.speed != clock.speed:
        return f"it was begun with --speed {found.facts.speed:g}, not {clock.speed:g}"
    return None


def _done_positions(found: StoredSession) -> set[int]:
    return {
        r.planned.position
        for r in found.ended
        if r.state not in {TrialState.UNFINISHED, TrialState.SET_ASIDE}
    }


async def _begin(
    store: Store, bench: Bench, plan: Plan, clock: Clock, *, digest: str, before: str
) -> Beginning:
    # A seed that nobody chose is drawn once and stored, so that the order can be told again.
    seed = plan.seed if plan.seed is not None else uuid.uuid4().int % _SEEDS
    order = plan.order(seed)
    facts = SessionFacts(
        session_id=str(uuid.uuid4()),
        number=0,
        bench=bench.name,
        plan=plan.name,
        machine=plan.machine,
        started_utc=clock.utc_text(),
        speed=clock.speed,
        software=SOFTWARE,
    )
    number = await store.begin_session(
        facts,
        plan_digest=digest,
        plan_text=plan.text,
        bench_text=bench.text,
        seed=seed,
        order=order,
    )
    words = f"{before}Session {number} begins: {_trials(len(order))}."
    return Beginning(dataclasses.replace(facts, number=number), order, (), words)


def _trials(count: int) -> str:
    return "1 trial" if count == 1 else f"{count} trials"


async def resume_in_service(
    store: Store, found: StoredSession, bench: Bench, plan: Plan, clock: Clock
) -> Beginning:
    """Take up the session that was in hand when the program ended; a finished one is shown, and can be asked for more.

    Raises:
        InputError: If it could not go on as it was begun.
    """
    change = _what_changed(found, bench, plan, clock)
    if change is not None:
        msg = f"{change}; put that back and start it, or begin anew"
        raise InputError(msg)
    return await _resume(store, found, clock, is_another_day=False)


def _with_lines_of(found: StoredSession) -> tuple[PlannedTrial, ...]:
    """The order; a line whose trial was written before the line itself, when the program was killed, is put back."""
    known = {line.position for line in found.order}
    lost = {
        r.planned.position: r.planned
        for r in found.ended
        if r.planned.position not in known
    }
    return (*found.order, *lost.values())


async def _resume(
    store: Store, found: StoredSession, clock: Clock, *, is_another_day: bool
) -> Beginning:
    for trial in found.running:
        await store.mark_unfinished(trial.number, CUT_OFF)
    if is_another_day:
        await store.touch_session(found.facts.number, clock.utc_text())
    again = await store.stored_session(found.facts.number) or found
    order = _with_lines_of(again)
    done = _done_positions(again)
    words = (
        f"Session {found.facts.number} goes on: "
        f"{len(done)} of {len(order)} trials are done."
    )
    return Beginning(
        found.facts,
        order,
        again.ended,
        words,
        skipped=again.skipped,
        is_paused=again.paused,
        numbers=again.numbers,
        is_another_day=is_another_day,
        worked_on_utc=again.worked_on_utc,
    )
