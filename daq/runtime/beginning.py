"""A session begins, or goes on where it was interrupted."""

import dataclasses
import json
import uuid
from dataclasses import dataclass
from hashlib import sha256

import daq
from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.errors import InputError
from daq.records import PlannedTrial, SessionFacts, TrialResult, TrialState
from daq.runtime.clock import Clock
from daq.runtime.store import Store, StoredSession

SOFTWARE = f"steadybench {daq.__version__}"
_SEEDS = 2**31


@dataclass(frozen=True, slots=True)
class Beginning:
    """A session that begins or goes on.

    Attributes:
        facts: What identifies it.
        order: Every planned trial.
        earlier: Trials that ended before the interruption.
        words: What to tell the user.
    """

    facts: SessionFacts
    order: tuple[PlannedTrial, ...]
    earlier: tuple[TrialResult, ...]
    words: str


async def begin_or_resume(
    store: Store, bench: Bench, plan: Plan, clock: Clock, *, new_session: bool
) -> Beginning:
    """Resume the plan's unfinished session if plan and bench still say the same; else begin one.

    Raises:
        InputError: If trials of the unfinished session are done, and it could not go on as it was begun.
    """
    digest = _digest(bench, plan)
    found = await store.open_session(plan.name)
    if found is None:
        return await _begin(store, bench, plan, clock, digest=digest, before="")
    change = _what_changed(found, digest, clock)
    if change is None and not new_session:
        return await _resume(store, found)
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


def _digest(bench: Bench, plan: Plan) -> str:
    """What a session's trials must have in common: comments, ports and paths do not count."""
    meaning = dataclasses.asdict(dataclasses.replace(plan, text=""))
    text = json.dumps([bench.name, meaning], sort_keys=True, default=str)
    return sha256(text.encode()).hexdigest()


def _what_changed(found: StoredSession, digest: str, clock: Clock) -> str | None:
    if found.plan_digest != digest:
        return "the plan, or a channel of the bench, has changed since"
    if found.facts.speed != clock.speed:
        return f"it was begun with --speed {found.facts.speed:g}, not {clock.speed:g}"
    return None


def _done_positions(found: StoredSession) -> set[int]:
    return {
        r.planned.position for r in found.ended if r.state is not TrialState.UNFINISHED
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
    words = f"{before}Session {number} begins: {len(order)} trials."
    return Beginning(dataclasses.replace(facts, number=number), order, (), words)


async def _resume(store: Store, found: StoredSession) -> Beginning:
    for trial in found.running:
        await store.mark_unfinished(
            trial.number, "the program was stopped while it ran"
        )
    again = await store.open_session(found.facts.plan) or found
    done = _done_positions(again)
    words = (
        f"Session {found.facts.number} goes on: "
        f"{len(done)} of {len(found.order)} trials are done."
    )
    return Beginning(found.facts, found.order, again.ended, words)
