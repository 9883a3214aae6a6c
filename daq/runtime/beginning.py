"""A session begins, or goes on where it was interrupted."""

import dataclasses
import uuid
from dataclasses import dataclass
from hashlib import sha256

import daq
from daq.config.bench import Bench
from daq.config.plan import Plan
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
    """Resume the plan's unfinished session if the plan is still the same; else begin one."""
    digest = sha256(plan.text.encode()).hexdigest()
    found = await store.open_session(plan.name)
    if found is None:
        return await _begin(store, bench, plan, clock, digest=digest, before="")
    if new_session or found.plan_digest != digest:
        why = "as asked" if new_session else "the plan has changed since"
        await store.end_session(
            found.facts.number, state="abandoned", ended_utc=clock.utc_text()
        )
        before = f"Session {found.facts.number} stays unfinished ({why}). "
        return await _begin(store, bench, plan, clock, digest=digest, before=before)
    return await _resume(store, found)


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
    again = await store.open_session(found.facts.plan)
    ended = found.ended if again is None else again.ended
    done = {r.planned.position for r in ended if r.state is not TrialState.UNFINISHED}
    words = (
        f"Session {found.facts.number} goes on: "
        f"{len(done)} of {len(found.order)} trials are done."
    )
    return Beginning(found.facts, found.order, ended, words)
