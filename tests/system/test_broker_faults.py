"""Results reach a subscriber whose session the broker keeps, whatever becomes of the way to the broker or of the broker.

`tests/campaigns/brokers.py` does the same with the whole service in sessions, and measures how long after the broker's return it is live again.
"""

import json
import signal
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from tests.campaigns import brokers
from tests.campaigns.brokers import held_mb
from tests.campaigns.brokers_gate import Gate, Way
from tests.campaigns.brokers_verdict import (
    OWN_GROWTH_MB,
    Outcome,
    Polls,
    Trouble,
    is_seen,
)
from tests.campaigns.brokers_witness import (
    OTHER_WORD,
    USER,
    WORD,
    Delivery,
    KeepingBroker,
    Received,
    Witness,
    delivery,
)
from tests.runtime.brokers import LIVE, TOPICS, Bench
from tests.runtime.waiting import until

RESULTS = 20


class Scene:
    """A broker that keeps what it holds, the way to it, a publisher and a witness."""

    def __init__(self, folder: Path) -> None:
        self.broker = KeepingBroker(folder, is_encrypted=False)
        self.gate = Gate(self.broker.port)
        self.bench = Bench(self.gate.port, user=USER, password=WORD)

    def fill_outbox(self) -> None:
        for number in range(RESULTS):
            payload = json.dumps({"id": f"id-{number}", "revision": 1})
            entry = number, f"id-{number}", TOPICS.result, payload
            self.bench.outbox.waiting.append(entry)
        self.bench.publisher.wake_outbox()

    def tell_live(self) -> None:
        self.bench.publisher.publish_live(LIVE, json.dumps([{"bt": time.time()}]))

    async def restart(self, *, word: str = WORD) -> None:
        self.broker.end(orderly=True)
        self.broker.set_up(word=word)
        await self.broker.start()


Act = Callable[[Scene], Awaitable[None]]


def way(to: Way) -> Act:
    async def act(scene: Scene) -> None:
        scene.gate.be(to)

    return act


def sent(number: signal.Signals) -> Act:
    async def act(scene: Scene) -> None:
        scene.broker.signal(number)

    return act


def restarted(word: str) -> Act:
    return lambda scene: scene.restart(word=word)


@asynccontextmanager
async def set_up(folder: Path) -> AsyncIterator[tuple[Scene, Witness]]:
    scene = Scene(folder)
    await scene.broker.start()
    witness = Witness(scene.broker.witness_port)
    try:
        yield scene, witness
    finally:
        witness.leave()
        scene.gate.close()
        scene.broker.signal(signal.SIGCONT)
        await scene.broker.stop()


@pytest.mark.slow
@pytest.mark.mosquitto
@pytest.mark.parametrize(
    ("begin", "end"),
    [
        pytest.param(way(Way.REFUSING), way(Way.OPEN), id="refusing"),
        pytest.param(way(Way.ABSENT), way(Way.OPEN), id="absent"),
        pytest.param(way(Way.SWALLOWING), way(Way.OPEN), id="says nothing"),
        pytest.param(sent(signal.SIGSTOP), sent(signal.SIGCONT), id="stopped"),
        pytest.param(restarted(OTHER_WORD), restarted(WORD), id="other password"),
    ],
)
async def test_every_result_reaches_the_witness_in_order_after_the_trouble(
    tmp_path: Path, begin: Act, end: Act
) -> None:
    async with set_up(tmp_path) as (scene, witness):
        bench = scene.bench
        async with bench.running():
            await until(lambda: bench.is_("ok"))
            await begin(scene)
            scene.fill_outbox()
            await until(lambda: bench.is_("away"))
            assert bench.outbox.waiting
            await end(scene)
            await until(lambda: bench.is_("ok") and not bench.outbox.waiting)
            await until(lambda: witness.results[-1:] == [received(RESULTS - 1)])
            back_utc_s = time.time()
            scene.tell_live()
            await until(lambda: witness.live_after(back_utc_s) is not None)
    trials = [f"id-{number}" for number in range(RESULTS)]
    came = delivery(witness.results, trials)
    assert (came.received, came.altered, came.disorder) == (RESULTS, 0, 0)


def received(number: int, *, revision: int = 1, text: bytes = b"") -> Received:
    payload = json.dumps({"id": f"id-{number}", "revision": revision}).encode()
    return Received(f"id-{number}", revision, text or payload)


@pytest.mark.parametrize(
    ("results", "found"),
    [
        ([received(0), received(1)], Delivery(2, 0, 0, 0)),
        ([received(0), received(0), received(1)], Delivery(2, 1, 0, 0)),
        ([received(0), received(0, text=b"other")], Delivery(1, 1, 1, 0)),
        ([received(1), received(0)], Delivery(2, 0, 0, 1)),
        ([received(0), received(1), received(0)], Delivery(2, 1, 0, 1)),
        ([received(0, revision=2), received(0)], Delivery(2, 0, 0, 1)),
    ],
)
def test_repeats_and_disorder_are_counted(
    results: list[Received], found: Delivery
) -> None:
    assert delivery(results, ["id-0", "id-1"]) == found


# ---- the campaign: when it proves something

POLLS = Polls(made=300, missed=3)
KEPT = Outcome(
    Trouble.STOPPED,
    sessions=2,
    troubles=7,
    seen=7,
    told=[4, 3],
    came=[Delivery(4, 1, 0, 0), Delivery(3, 0, 0, 0)],
    live_s=[0.1] * 7,
    meanwhile=POLLS,
    otherwise=POLLS,
    growth_mb=3.0,
    held_mb=0.2,
)


def test_sessions_in_which_every_result_came_in_order_are_in_order() -> None:
    assert KEPT.is_in_order, KEPT.wrong
    quiet = replace(KEPT, trouble=Trouble.NONE, seen=0, live_s=[])
    assert quiet.is_in_order, quiet.wrong
    slow = replace(KEPT, trouble=Trouble.SLOW, seen=0, slowed=200)
    assert slow.is_in_order, slow.wrong


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (Outcome(), "no session"),
        (Outcome(Trouble.EXPIRED), "no session"),
        (replace(KEPT, troubles=1), "a session without trouble"),
        (replace(KEPT, told=[7, 0]), "a session without a result"),
        (replace(KEPT, told=[7]), "a session without a result"),
        (replace(KEPT, seen=6), "a trouble that the service did not see"),
        (
            replace(KEPT, trouble=Trouble.EXPIRED, seen=0),
            "a trouble that the service did not see",
        ),
        (replace(KEPT, trouble=Trouble.SLOW), "a way that held nothing back"),
        (replace(KEPT, live_s=[0.1] * 6), "a return that was not timed"),
        (replace(KEPT, meanwhile=Polls()), "no polls meanwhile"),
        (replace(KEPT, otherwise=Polls()), "no polls otherwise"),
        # As many as were told in all, but not of the session that told them.
        (replace(KEPT, told=[3, 4]), "results missing"),
        (replace(KEPT, came=KEPT.came[:1]), "results missing"),
        (
            replace(KEPT, came=[Delivery(4, 1, 1, 0), Delivery(3, 0, 0, 0)]),
            "results altered or out of order",
        ),
        (
            replace(KEPT, came=[Delivery(4, 1, 0, 0), Delivery(3, 0, 0, 1)]),
            "results altered or out of order",
        ),
        (replace(KEPT, live_s=[0.1] * 6 + [float("inf")]), "live too late"),
        (replace(KEPT, meanwhile=Polls(made=90, missed=10)), "polls missed"),
        (replace(KEPT, growth_mb=OWN_GROWTH_MB + 0.3), "memory grew too much"),
    ],
)
def test_sessions_that_broke_or_tried_nothing_are_not_in_order(
    outcome: Outcome, words: str
) -> None:
    assert not outcome.is_in_order
    assert outcome.wrong == words


@pytest.mark.parametrize(
    ("trouble", "text", "is_told"),
    [
        (Trouble.STOPPED, "away since 10:12:13: nobody answers", True),
        (Trouble.EXPIRED, "away since 10:12:13: nobody answers", False),
        (Trouble.EXPIRED, "its certificate is not trusted (unable to get", False),
        (Trouble.EXPIRED, "is not trusted (certificate has expired)", True),
        (Trouble.WRONG_WORD, "away since 10:12:13: nobody answers", False),
        (Trouble.WRONG_WORD, "it refuses the user name or the password", True),
    ],
)
def test_a_trouble_is_seen_where_the_service_says_away_and_why(
    trouble: Trouble, text: str, *, is_told: bool
) -> None:
    assert is_seen(trouble, "away", text) is is_told
    assert not is_seen(trouble, "ok", text)


def test_no_session_is_a_wrong_argument(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.argv", ["brokers.py", "--sessions", "0"])
    with pytest.raises(SystemExit) as ended:
        brokers.main()
    assert ended.value.code == 2
    assert "argument --sessions: must be 1 or more" in capsys.readouterr().err


def test_a_campaign_whose_trouble_nobody_saw_is_not_passed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    unseen = replace(KEPT, trouble=Trouble.EXPIRED, seen=0)
    monkeypatch.setattr(brokers, "troubled", lambda *_args, **_options: unseen)
    monkeypatch.setattr("sys.argv", ["brokers.py", "--only", "expired"])
    assert brokers.main() == 1
    told = capsys.readouterr().out
    assert "WRONG: certificate expired: a trouble that the service did not see" in told


def test_what_may_be_held_follows_from_the_stated_bounds() -> None:
    # Two payloads a topic, and 33 of the largest: a result, 16 answers, 16 wishes.
    assert held_mb({"live": 1000, "result": 3000}) == (2 * 4000 + 33 * 3000) / 1e6
    assert held_mb({}) == 0.0
