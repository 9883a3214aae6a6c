"""The bench's side of MQTT: which broker, what is said to it when, and what may be asked over it.

Knows no session: what the snapshot says of one is told, and that the bench is idle where it says nothing. So it lasts as
long as the service does.
"""

import asyncio
import contextlib
import dataclasses
from collections.abc import AsyncIterator, Awaitable, Callable
from hashlib import sha256
from pathlib import Path

from daq.config.bench import Bench
from daq.config.models import BrokerModel
from daq.errors import NetworkError
from daq.messages import (
    AlarmTold,
    AverageTold,
    BenchFacts,
    BenchState,
    Health,
    InstrumentFacts,
    InstrumentHealth,
    LineTold,
    SessionTold,
    Slip,
    Topics,
    render_description,
    render_health,
    render_live,
    render_slip,
    render_state,
    utc_s_of,
)
from daq.operations import Operation
from daq.records import Reading
from daq.runtime.beginning import SOFTWARE
from daq.runtime.broker import (
    EMBEDDED_HOST,
    Asking,
    BrokerState,
    EmbeddedBroker,
    Publisher,
    TlsSettings,
)
from daq.runtime.clock import Clock
from daq.runtime.secrets import read_secret
from daq.runtime.snapshot import SlipLine, Snapshot
from daq.runtime.standing_texts import standing_alarm, standing_instruction
from daq.runtime.store import Store

_STATE_EVERY_S = 0.25
"""State and slip are told at most so often [s]."""


@contextlib.asynccontextmanager
async def chosen_broker(broker: BrokerModel | None) -> AsyncIterator[tuple[str, int]]:
    """Host and port of the broker that the bench names, or of an embedded one while this lasts.

    Raises:
        NetworkError: If the embedded one does not come up.
    """
    if broker is not None:
        yield broker.host, broker.port
        return
    embedded = EmbeddedBroker()
    port = await embedded.start()
    try:
        yield EMBEDDED_HOST, port
    finally:
        await embedded.stop()


class Publishing:
    """Says to the broker what the bench has to say."""

    def __init__(
        self,
        bench: Bench,
        *,
        address: tuple[str, int],
        base: Path,
        store: Store,
        clock: Clock,
        on_state: Callable[[str, str], None],
        on_ask: Callable[[Operation], Awaitable[str]] | None = None,
    ) -> None:
        """Prepare; nothing is sent before `run`.

        Args:
            bench: Its [broker] table gives user, password and encryption.
            address: Host and port.
            base: Folder that files named in the bench are relative to.
            store: Holds the outbox.
            clock: For UTC.
            on_state: Told "ok" or "away" with a sentence.
            on_ask: Carries out an operation that the bench file allows, and returns a sentence that says so;
                OperationRefusedError becomes the answer. None: nothing can be asked.

        Raises:
            InputError: If a password or certificate file is no good.
        """
        self.topics = Topics(bench=bench.name)
        self._bench = bench
        self._clock = clock
        self._on_state = on_state
        self._first_state: asyncio.Future[tuple[str, str]] = (
            asyncio.get_running_loop().create_future()
        )
        self._last_state: BenchState | None = None
        self._last_slip: Slip | None = None
        self._began_s = clock.wire_s()
        self._silent = {i.name for i in bench.instruments if not i.channels}
        broker = bench.broker
        self._required = broker is not None and broker.required
        self._asking = None if on_ask is None else self._listener(on_ask)
        self._publisher = Publisher(
            host=address[0],
            port=address[1],
            client_id=_client_id(bench, base, clock),
            topics=self.topics,
            outbox=store,
            on_state=self._state_changed,
            utc_text=clock.utc_text,
            user=broker.user if broker else None,
            password=_password(broker, base),
            tls=_tls(broker, base),
            on_ask=self._asking.arrived if self._asking else None,
        )
        self._describe()

    def _listener(self, on_ask: Callable[[Operation], Awaitable[str]]) -> Asking | None:
        """None where the bench file allows no operation: then not even the topic is subscribed to."""
        broker = self._bench.broker
        if broker is None or not broker.operations:
            return None
        return Asking(
            allowed=broker.operations,
            on_ask=on_ask,
            answer=lambda payload: self._publisher.answer(payload),  # noqa: PLW0108 - the publisher is made later
            utc_s=lambda: utc_s_of(self._clock.utc_text()),
        )

    def _describe(self) -> None:
        bench = self._bench
        facts = BenchFacts(
            bench=bench.name,
            software=SOFTWARE,
            speed=self._clock.speed,
            instruments=(
                *(InstrumentFacts(i.name, i.title) for i in bench.instruments),
                *(
                    InstrumentFacts(m.channel.instrument, m.channel.title)
                    for m in bench.typed
                ),
            ),
            channels=bench.channels,
        )
        self._publisher.set_retained(
            self.topics.description, render_description(facts, self.topics)
        )

    async def run(self) -> None:
        """Publish until cancelled.

        Raises:
            NetworkError: If the bench requires its broker and it is not there at the start.
        """
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._publisher.run())
            if self._asking is not None:
                tasks.create_task(self._asking.run())
            state, text = await self._first_state
            if self._required and state != "ok":
                msg = f"the broker that the bench requires is not there: {text}"
                raise NetworkError(msg)

    async def wait_results_sent(self, timeout_s: float) -> bool:
        """Wait until the broker has every result, at most so long; tell whether it has."""
        return await self._publisher.wait_results_sent(timeout_s)

    def result_stored(self) -> None:
        """A result waits in the outbox."""
        self._publisher.wake_outbox()

    def reading(self, reading: Reading) -> None:
        """Send a reading, unless a newer one comes first."""
        if reading.instrument in self._silent:
            return
        utc_s = self._clock.utc_us_at(reading.at_s) / 1e6
        payload = render_live(
            reading, bench=self._bench.name, channels=self._bench.channels, utc_s=utc_s
        )
        self._publisher.publish_live(self.topics.live(reading.instrument), payload)

    def snapshot(self, snapshot: Snapshot) -> None:
        """Tell state and slip where they have changed."""
        state = self._state(snapshot)
        if state != self._last_state:
            # An alarm waits for nothing.
            is_alarm = self._last_state and state.alarms != self._last_state.alarms
            every_s = 0.0 if is_alarm else _STATE_EVERY_S
            self._last_state = state
            told = dataclasses.replace(state, at_utc=snapshot.clock.utc)
            self._publisher.set_retained(
                self.topics.state, render_state(told), every_s=every_s
            )
        slip = _slip(snapshot)
        if slip != self._last_slip:
            self._last_slip = slip
            self._publisher.set_retained(
                self.topics.slip, render_slip(slip), every_s=_STATE_EVERY_S
            )

    def _state(self, snapshot: Snapshot) -> BenchState:
        session = snapshot.session
        return BenchState(
            at_utc="",
            stage=snapshot.stage.name,
            # The count has a field of its own, for programs.
            instruction=standing_instruction(snapshot),
            condition=snapshot.condition.name if snapshot.condition else None,
            trial=snapshot.trial.number if snapshot.trial else None,
            done=session.done if session else 0,
            total=session.total if session else 0,
            seconds_left=snapshot.stage.seconds_left,
            skipped=session.skipped if session else 0,
            urgency=snapshot.urgency,
            session=_session(snapshot),
            alarms=tuple(
                AlarmTold(
                    standing_alarm(alarm.text, snapshot),
                    self._clock.utc_text(alarm.since_s),
                )
                for alarm in snapshot.alarms
            ),
        )

    def health(self, snapshot: Snapshot) -> None:
        """Tell how the parts fare."""
        health = Health(
            at_utc=snapshot.clock.utc,
            store_state=snapshot.store.state,
            store_text=snapshot.store.text,
            live_dropped=self._publisher.live_dropped,
            instruments=tuple(
                InstrumentHealth(i.name, i.state, i.text, i.readings, i.gaps)
                for i in snapshot.instruments
            ),
            uptime_s=round(self._clock.wire_s() - self._began_s, 1),
            software=SOFTWARE,
        )
        self._publisher.set_retained(self.topics.health, render_health(health), qos=0)

    def _state_changed(self, state: BrokerState, text: str) -> None:
        if not self._first_state.done():
            self._first_state.set_result((state, text))
        self._on_state(state, text)


def _client_id(bench: Bench, base: Path, clock: Clock) -> str:
    """The same until the computer is started anew.

    A service that was killed then takes its old connection over, and the broker sends the last will of that one before
    the new one says that it is online, not after it.
    """
    once = f"{clock.offset.boot_id} {base.resolve()}"
    return f"steadybench-{bench.name}-{sha256(once.encode()).hexdigest()[:8]}"


def _session(snapshot: Snapshot) -> SessionTold | None:
    session = snapshot.session
    if session is None:
        return None
    return SessionTold(
        number=session.number,
        plan=snapshot.plan,
        machine=snapshot.machine,
        state=session.state,
        required=tuple(c.name for c in snapshot.channels if c.required),
    )


def _slip(snapshot: Snapshot) -> Slip:
    required = {c.name for c in snapshot.channels if c.required}
    session = snapshot.session
    return Slip(
        session=session.number if session else None,
        lines=tuple(_line(line, required) for line in snapshot.slip),
    )


def _line(line: SlipLine, required: set[str]) -> LineTold:
    return LineTold(
        position=line.position,
        condition=line.condition,
        repeat=line.repeat,
        baseline=line.baseline,
        state=line.state,
        note=line.note or "",
        averages=tuple(
            AverageTold(name, each.unit, each.mean, each.expanded_uncertainty)
            for name, each in line.averages.items()
            if name in required
        ),
    )


def _password(broker: BrokerModel | None, base: Path) -> str | None:
    place = broker.password_place if broker is not None else None
    if place is None:
        return None
    return read_secret(place, key="broker.password", base=base)


def _tls(broker: BrokerModel | None, base: Path) -> TlsSettings | None:
    if broker is None or not broker.tls:
        return None
    return TlsSettings(ca_file=base / broker.ca_file if broker.ca_file else None)
