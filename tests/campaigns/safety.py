"""How soon an alarm is where somebody sees it: on the page, at a broker, on the terminal; and how soon it shows that the service is gone.

    python tests/campaigns/safety.py [--speed 1] [--rounds 1]      # about four minutes a round at the speed of life

The real `daq run` on a terminal, on simulated meters that are read once a second, with a Mosquitto that the bench names, through a relay that can be
frozen as a lost host is. A limit's delay counts from the reading that broke it to the alarm, each as it arrived, in polls of its meter. The page's side is
an event stream that is judged as the page judges it: gone when it breaks off, or has been silent for longer than `LOST_AFTER_S` of link.js. Exit
code 1 where anything comes later than it must, or before its cause, or was not measured (`safety_verdict`).
"""

import argparse
import re
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.measuring import say, show_table
from tests.campaigns.arguments import a_count, a_span, unless_broken_off
from tests.campaigns.safety_bench import (
    LIMITS,
    Stream,
    Watched,
    watched,
)
from tests.campaigns.safety_verdict import (
    DEAD_WITHIN_S,
    HUNG_WITHIN_S,
    REDRAWN_WITHIN_S,
    SILENT_WITHIN_S,
    Delay,
    told_within_s,
    unmeasured,
)
from tests.system.bench_process import ROOT

_ON_ABOVE_A = 0.8
_LINK_JS = ROOT / "daq/runtime/web/static/link.js"


def lost_after_s() -> float:
    """After how much silence the page says that it has lost the bench [s], as it stands in the page's own code."""
    found = re.search(r"LOST_AFTER_S = ([\d.]+);", _LINK_JS.read_text(encoding="utf-8"))
    if found is None:
        msg = f"{_LINK_JS}: no LOST_AFTER_S"
        raise ValueError(msg)
    return float(found[1])


# ---- what is measured


def limits_broken(bench: Watched) -> list[Delay]:
    """Break each limit by switching on."""
    bench.switch_on()
    delays: list[Delay] = []
    most_s = told_within_s(bench.speed)
    for channel, side, limit, for_s, reason in LIMITS:
        broken_s = _broken_s(bench.stream, channel, side, limit, for_s)
        for where, ear in (("page", bench.stream), ("broker", bench.subscriber)):
            at_s = ear.find(_alarm_with(f"({reason})"))
            what = f"{channel} {side} its limit"
            delays.append(Delay(what, where, at_s - broken_s, most_s))
    return delays


def overdue(bench: Watched) -> list[Delay]:
    """Nobody switches off after the longest time: counted from the moment at which the time was up."""
    words = "nobody switched it off"
    page_s = bench.stream.find(_alarm_with(words))
    broker_s = bench.subscriber.find(_alarm_with(words))
    drawn_s = bench.screen.find_drawn("has run longer")
    # The page's clock is that of a moment between asking and the answer: from asking on is never too early.
    asked_s = time.monotonic()
    state = bench.bench.state()
    since_s = next(a["since_s"] for a in state["alarms"] if words in a["text"])
    up_s = asked_s - (state["clock"]["now_s"] - since_s) / bench.speed
    most_s = told_within_s(bench.speed)
    return [
        Delay("time", "page", page_s - up_s, most_s),
        Delay("time", "broker", broker_s - up_s, most_s),
        Delay("time", "terminal", drawn_s - up_s, most_s + REDRAWN_WITHIN_S),
    ]


def _broken_s(
    stream: Stream, channel: str, side: str, limit: float, for_s: float
) -> float:
    """When the reading arrived that broke the limit: the first that has been beyond it for so long.

    Below a limit only the time counts in which the machine is known to run, by the current read before.
    """
    known_on_s: list[float] = []
    beyond_s: list[float] = []

    def is_breaking(name: str, told: Any) -> bool:
        if name != "reading":
            return False
        if (told["values"].get("current") or 0.0) > _ON_ABOVE_A:
            known_on_s.append(told["at_s"])
        value = told["values"].get(channel)
        if value is None or (side == "below" and not known_on_s):
            return False
        if not (value > limit if side == "above" else value < limit):
            beyond_s.clear()
            return False
        beyond_s.append(told["at_s"])
        until_s = beyond_s[-1] if side == "above" else min(beyond_s[-1], known_on_s[-1])
        held_s = until_s - beyond_s[0]
        return held_s >= for_s and (side == "above" or held_s > 0.0)

    return stream.find(is_breaking)


def _alarm_with(words: str) -> Callable[[str, Any], bool]:
    def is_there(name: str, told: Any) -> bool:
        return name == "state" and any(
            words in a["text"] for a in told.get("alarms", ())
        )

    return is_there


def lost_meter(bench: Watched) -> list[Delay]:
    """Pull the anemometer's plug while the machine runs."""
    bench.simulators.say("unplug air")
    begun_s = time.monotonic()

    # The first ever heard: one from before the plug was pulled is no alarm about it.
    is_alarmed = _alarm_with("anemometer is not heard while the machine runs")
    page_s = bench.stream.find(is_alarmed)
    broker_s = bench.subscriber.find(is_alarmed)
    drawn_s = bench.screen.find_drawn("anemometer is not heard")
    bench.simulators.say("plug air")
    most_s = SILENT_WITHIN_S
    return [
        Delay("a lost meter", "page", page_s - begun_s, most_s),
        Delay("a lost meter", "broker", broker_s - begun_s, most_s),
        Delay("a lost meter", "terminal", drawn_s - begun_s, most_s),
    ]


def gone(
    bench: Watched, what: str, end: Callable[[], None], at_most_s: float
) -> list[Delay]:
    """End the service, or what leads to it, in some way."""
    begun_s = time.monotonic()
    end()
    offline_s = bench.subscriber.find(
        lambda name, told: name == "status" and told["state"] == "offline",
        since_s=begun_s,
    )
    return [
        Delay(
            what, "page", _page_says_lost_s(bench.stream, begun_s) - begun_s, at_most_s
        ),
        Delay(what, "broker", offline_s - begun_s, at_most_s),
    ]


def _page_says_lost_s(stream: Stream, begun_s: float) -> float:
    """By the page's own rule: the stream has broken off, or was silent for so long."""
    silent_s = lost_after_s()
    while time.monotonic() < begun_s + HUNG_WITHIN_S + silent_s:
        ended = stream.all("gone")
        if ended:
            return ended[0][0]
        if time.monotonic() > stream.last_s + silent_s:
            return max(stream.last_s, begun_s) + silent_s
        time.sleep(0.05)  # noqa: TID251  # silence is waited for
    return time.monotonic()


def _round(speed: float) -> Iterator[Delay]:
    with watched(speed=speed) as bench:
        yield from limits_broken(bench)
        yield from overdue(bench)
        yield from lost_meter(bench)
        yield from gone(
            bench, "killed", lambda: bench.signal(signal.SIGKILL), DEAD_WITHIN_S
        )
    with watched(speed=speed) as bench:
        yield from gone(
            bench, "hung (SIGSTOP)", lambda: bench.signal(signal.SIGSTOP), HUNG_WITHIN_S
        )
    with watched(speed=speed) as bench:

        def lose_host() -> None:
            bench.to_broker.freeze()
            bench.to_page.freeze()

        yield from gone(bench, "lost host", lose_host, HUNG_WITHIN_S)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--speed", type=a_span, default=1.0)
    parser.add_argument("--rounds", type=a_count, default=1)
    options = parser.parse_args()
    delays = [delay for _ in range(options.rounds) for delay in _round(options.speed)]
    show_table(
        "from the cause to the alarm",
        ("what", "where", "delay [s]", "at most [s]", ""),
        [each.cells for each in delays],
    )
    lacking = [*unmeasured(delays, rounds=options.rounds)]
    for words in lacking:
        say(f"NOT MEASURED: {words}")
    late = sum(delay.is_late for delay in delays)
    early = sum(delay.is_early for delay in delays)
    say(f"\n{len(delays)} delays, {late} too long, {early} before their cause")
    return 1 if late or early or lacking else 0


if __name__ == "__main__":
    sys.exit(unless_broken_off(main))
