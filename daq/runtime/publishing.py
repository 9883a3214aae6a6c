"""The bench's side of MQTT: which broker, and what is said to it when."""

import asyncio
import contextlib
import dataclasses
from collections.abc import AsyncIterator, Callable
from pathlib import Path

from daq.config.bench import Bench
from daq.config.models import BrokerModel
from daq.errors import InputError, NetworkError
from daq.messages import (
    BenchFacts,
    BenchState,
    Health,
    InstrumentFacts,
    InstrumentHealth,
    Topics,
    render_description,
    render_health,
    render_live,
    render_state,
)
from daq.records import Reading
from daq.runtime.beginning import SOFTWARE
from daq.runtime.broker import (
    EMBEDDED_HOST,
    BrokerState,
    EmbeddedBroker,
    Publisher,
    TlsSettings,
)
from daq.runtime.clock import Clock
from daq.runtime.snapshot import Snapshot
from daq.runtime.store import Store
from daq.wording import without_seconds


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
        client_id: str,
        on_state: Callable[[str, str], None],
    ) -> None:
        """Prepare; nothing is sent before `run`.

        Args:
            bench: Its [broker] table gives user, password and encryption.
            address: Host and port.
            base: Folder that files named in the bench are relative to.
            store: Holds the outbox.
            clock: For UTC.
            client_id: Unique at the broker.
            on_state: Told "ok" or "away" with a sentence.

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
        self._silent = {i.name for i in bench.instruments if not i.channels}
        broker = bench.broker
        self._required = broker is not None and broker.required
        self._publisher = Publisher(
            host=address[0],
            port=address[1],
            client_id=client_id,
            topics=self.topics,
            outbox=store,
            on_state=self._state_changed,
            utc_text=clock.utc_text,
            user=broker.user if broker else None,
            password=_password(broker, base),
            tls=_tls(broker, base),
        )
        facts = BenchFacts(
            bench=bench.name,
            software=SOFTWARE,
            speed=clock.speed,
            instruments=tuple(
                InstrumentFacts(i.name, i.title) for i in bench.instruments
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
        utc_s = self._clock.offset.utc_us_at(reading.at_s) / 1e6
        payload = render_live(
            reading, bench=self._bench.name, channels=self._bench.channels, utc_s=utc_s
        )
        self._publisher.publish_live(self.topics.live(reading.instrument), payload)

    def snapshot(self, snapshot: Snapshot) -> None:
        """Tell the session's state where it has changed."""
        state = BenchState(
            at_utc="",
            stage=snapshot.stage.name,
            # The count has a field of its own, for programs.
            instruction=without_seconds(snapshot.instruction),
            condition=snapshot.condition.name if snapshot.condition else None,
            trial=snapshot.trial.number if snapshot.trial else None,
            done=snapshot.session.done,
            total=snapshot.session.total,
            seconds_left=snapshot.stage.seconds_left,
        )
        if state != self._last_state:
            self._last_state = state
            told = dataclasses.replace(state, at_utc=snapshot.clock.utc)
            self._publisher.set_retained(self.topics.state, render_state(told))

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
        )
        self._publisher.set_retained(self.topics.health, render_health(health), qos=0)

    def _state_changed(self, state: BrokerState, text: str) -> None:
        if not self._first_state.done():
            self._first_state.set_result((state, text))
        self._on_state(state, text)


def _password(broker: BrokerModel | None, base: Path) -> str | None:
    if broker is None or broker.password_file is None:
        return None
    path = base / broker.password_file
    try:
        return path.read_text(encoding="utf-8").splitlines()[0]
    except (OSError, IndexError) as exc:
        msg = f"{path}: no password can be read from it ({exc}), expected it on the first line"
        raise InputError(msg) from exc


def _tls(broker: BrokerModel | None, base: Path) -> TlsSettings | None:
    if broker is None or not broker.tls:
        return None
    return TlsSettings(ca_file=base / broker.ca_file if broker.ca_file else None)
