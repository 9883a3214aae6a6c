"""Stops the service with each signal in each state of its sessions, and looks at what it leaves behind.

    python tests/campaigns/signals.py [--rounds 1 --seed 1 --only SIGHUP]

The real `daq serve` on simulated meters and a simulated person, at 24 times the speed of life, and a Mosquitto beside it. Each time: the exit code is
that of the first signal, the process is gone within 3 s, no log lies beside the store, which is whole, the broker says that the bench is offline, nothing was said of a
traceback, and the next service takes up the session. Exit code 1 where anything of that is not so or was not tried (`signals_verdict`), 130 where an interrupt broke it off.
"""

import argparse
import asyncio
import json
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.benchmarks.measuring import percentile, say, show_table
from tests.campaigns.arguments import BROKEN_OFF, a_count
from tests.campaigns.kills_moments import Moment, reach
from tests.campaigns.kills_service import SPEED, KilledService, NotStartedError, pause
from tests.campaigns.signals_verdict import KINDS, MOMENTS, Sent, Stop, unmeasured
from tests.runtime.brokers import Mosquitto
from tests.system.bench_process import BenchFolder, Simulators
from tests.system.serving import quick_filters

WITHIN_S = 3.0
STATUS = "steadybench/filters/status"
_ANSWERED_WITHIN_S = 10.0


_NUMBERS = {
    Sent.TERM: signal.SIGTERM,
    Sent.INT: signal.SIGINT,
    Sent.INT_TWICE: signal.SIGINT,
    Sent.HUP: signal.SIGHUP,
}


def send(service: KilledService, sent: Sent, random: Random) -> tuple[int, float, bool]:
    """Send it; returns the exit code, that of a kill where it does not end, how long the process lived on [s], and whether it was sent again."""
    was_sent_again = False
    began_s = time.monotonic()
    service.process.send_signal(_NUMBERS[sent])
    if sent is Sent.INT_TWICE:
        pause(random.uniform(0.0, 0.3))
        if not service.has_ended:
            service.process.send_signal(signal.SIGINT)
            was_sent_again = True
    try:
        code = service.finish()
    except subprocess.TimeoutExpired:
        service.kill()
        code = -signal.SIGKILL
    return code, time.monotonic() - began_s, was_sent_again


def retained_status(port: int) -> str:
    """What a client that connects now is told of the bench: online or offline."""
    heard: list[str] = []
    told = threading.Event()

    def on_message(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        heard.append(json.loads(message.payload)["state"])
        told.set()

    def on_connect(client: mqtt.Client, *_: object) -> None:
        client.subscribe(STATUS, 1)

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_connect = on_connect
    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.loop_start()
    told.wait(_ANSWERED_WITHIN_S)
    client.disconnect()
    client.loop_stop()
    return heard[0] if heard else "nothing"


def stop_at(
    service: KilledService, moment: Moment, sent: Sent, *, port: int, random: Random
) -> Stop:
    """Stop the service at this moment, and look at what it leaves behind."""
    reached = reach(moment, service, random)
    said_before = len(service.said())
    code, took_s, was_sent_again = send(service, sent, random)
    said = service.said()[said_before:]
    store = service.bench.store
    left = [p.name for p in store.parent.glob(f"{store.name}-*") if p.is_file()]
    with closing(sqlite3.connect(store)) as connection:
        whole = connection.execute("PRAGMA integrity_check").fetchall()
    status = retained_status(port)
    faults = {
        "exit code": "" if code == 128 + _NUMBERS[sent] else f"{code}",
        "too late": "" if took_s <= WITHIN_S else f"{took_s:.1f} s",
        "log left": " ".join(left),
        "not whole": "" if whole == [("ok",)] else str(whole[:2]),
        "not offline": "" if status == "offline" else status,
        "traceback": said[-400:] if "Traceback" in said else "",
    }
    wrong = {kind: text for kind, text in faults.items() if text}
    return Stop(moment, reached, sent, took_s, wrong, was_sent_again)


@contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    """A broker of the system; its port."""
    broker = Mosquitto(folder)
    asyncio.run(broker.start())
    try:
        yield broker.port
    finally:
        asyncio.run(broker.stop())


def run_session(
    bench: BenchFolder, sent: Sent, moments: Sequence[Moment], *, port: int, seed: int
) -> Iterator[Stop]:
    """A session that is stopped at each of these moments by the same signal."""
    random = Random(seed)  # noqa: S311 - moments, no secret
    bench.edit("bench.toml", "[page]", f'[broker]\nhost = "127.0.0.1"\nport = {port}\n\n[page]')  # fmt: skip
    simulators = Simulators(bench, "--speed", SPEED, seed=seed)
    has_begun = False
    try:
        for moment in moments:
            service = KilledService(bench)
            try:
                if moment is not Moment.RESUMING:
                    has_begun = _in_hand(service, moment, has_begun=has_begun)
                yield stop_at(service, moment, sent, port=port, random=random)
            finally:
                service.end()
    finally:
        simulators.stop()


def _in_hand(service: KilledService, moment: Moment, *, has_begun: bool) -> bool:
    """Wait until the service has begun, or taken up, its session; whether there is one."""
    state = service.wait_ready()
    service.bench.wait_for(lambda s: s["broker"]["state"] == "ok")
    if has_begun and state["session"] is None:
        msg = f"{moment}: the session was not taken up"
        raise NotStartedError(msg)
    if not has_begun and moment is not Moment.IDLE:
        service.start_session("filters")
        return True
    return has_begun


def show(stops: Sequence[Stop]) -> None:
    """The table of counts."""
    rows: list[list[object]] = []
    for moment in (*MOMENTS, Moment.ANOTHER):
        for sent in Sent:
            of_it = [s for s in stops if (s.moment, s.sent) == (moment, sent)]
            if not of_it:
                continue
            slowest_s = percentile([s.took_s for s in of_it], 100.0)
            counts = [sum(kind in s.wrong for s in of_it) for kind in KINDS]
            rows.append([moment, sent, len(of_it), f"{slowest_s:.2f}", *counts])
    head = ["state", "signal", "stops", "slowest / s", *KINDS]
    show_table("stopped by signals", head, rows)


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=a_count, default=1)
    parser.add_argument("--only", choices=[str(sent) for sent in Sent])
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    # What a shell or nohup has this process ignore, the services would ignore while they start.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
    sent = [Sent(options.only)] if options.only else [*Sent]
    stops: list[Stop] = []
    is_broken_off = False
    try:
        for stop in stopped(sent, rounds=options.rounds, seed=options.seed):
            stops.append(stop)
            words = stop.wrong or "in order"
            say(f"{stop.sent}, {stop.moment}: {stop.took_s:.2f} s, {words}")
    except KeyboardInterrupt:
        is_broken_off = True
        say("NOT MEASURED: broken off")
    show(stops)
    lacking = [*unmeasured(stops, sent=sent, rounds=options.rounds)]
    for line in lacking:
        say(f"NOT MEASURED: {line}")
    if is_broken_off:
        return BROKEN_OFF
    return 1 if lacking or any(stop.wrong for stop in stops) else 0


def stopped(sent: Sequence[Sent], *, rounds: int, seed: int) -> Iterator[Stop]:
    """All stops, one session after the other."""
    with tempfile.TemporaryDirectory() as place, mosquitto(Path(place)) as port:
        for number in range(rounds):
            for each in sent:
                with tempfile.TemporaryDirectory() as folder:
                    bench = quick_filters(Path(folder))
                    yield from run_session(
                        bench, each, MOMENTS, port=port, seed=seed + number
                    )


if __name__ == "__main__":
    sys.exit(main())
