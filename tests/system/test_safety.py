"""The hands-off part is safe: what alarms, how soon by the program's own clock, and where somebody sees it.

The delays of the running program are measured by tests/campaigns/safety.py; here the clock is the test's, or an alarm has to come at all.
"""

import signal
from pathlib import Path
from typing import Any

import pytest

from daq.config.bench import Bench, parse_bench
from daq.config.plan import parse_plan
from daq.records import Gap, GapReason, Reading
from daq.runtime import daemon, publishing
from daq.runtime.broker import connection
from daq.runtime.snapshot import Snapshot
from tests.campaigns.safety import gone, limits_broken, lost_after_s, lost_meter
from tests.campaigns.safety_bench import LIMITS, watched
from tests.campaigns.safety_verdict import (
    DEAD_WITHIN_S,
    HUNG_WITHIN_S,
    OWN_PACE_S,
    POLLS,
)
from tests.runtime.conftest import BENCH, MAINS, PLAN, VANE, Computer, Rehearsal

INTERVAL_S = 1.0
LIMITED = (
    PLAN
    + """
[[limit]]
channel = "power"
below = 1000
for_s = 2.0
reason = "a stalled machine"
[[limit]]
channel = "velocity"
above = 40.0
for_s = 0.0
reason = "the fan's range"
"""
)


def _bench() -> Bench:
    profiles = {"mains": ("mains.toml", MAINS), "vane": ("vane.toml", VANE)}
    return parse_bench(BENCH, file="bench.toml", find_profile=profiles.get)


@pytest.fixture
def computer() -> Computer:
    return Computer()


@pytest.fixture
def rehearsal(computer: Computer) -> Rehearsal:
    """A session whose machine has just been switched on."""
    bench = _bench()
    rehearsal = Rehearsal(
        bench, parse_plan(LIMITED, file="plan.toml", bench=bench), computer
    )
    rehearsal.stand_still()
    for _ in range(4):
        rehearsal.read(6.0, 1400.0)
    return rehearsal


def alarms(rehearsal: Rehearsal) -> list[str]:
    return [alarm.text for alarm in rehearsal.board.snapshot().alarms]


# ---- by the test's clock


@pytest.mark.parametrize(
    ("amperes", "watts", "for_s", "words"),
    [(14.0, 1400.0, 3.0, "rating of the plug"), (6.0, 700.0, 2.0, "a stalled machine")],
    ids=["above", "below"],
)
def test_a_limit_alarms_with_the_very_reading_that_breaks_it(
    rehearsal: Rehearsal, amperes: float, watts: float, for_s: float, words: str
) -> None:
    for _ in range(round(for_s / INTERVAL_S)):
        rehearsal.read(amperes, watts)
        assert alarms(rehearsal) == []
    rehearsal.read(amperes, watts)
    (text,) = alarms(rehearsal)
    assert words in text
    assert rehearsal.board.snapshot().urgency == "danger"


def test_a_limit_of_another_meter_alarms_as_soon(rehearsal: Rehearsal) -> None:
    rehearsal.take(Reading("anemometer", rehearsal.clock.bench_s(), (41.0,)))
    (text,) = alarms(rehearsal)
    assert "Outlet velocity 41.00 m/s is above 40.00 m/s (the fan's range)" in text


def test_a_machine_that_nobody_switches_off_alarms_when_its_time_is_up_and_not_before(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    trial = rehearsal.session.trial()
    assert trial is not None
    left_s = trial.started_s + 300.0 - rehearsal.clock.bench_s()
    computer.pass_s(left_s - 0.1)
    rehearsal.session.tick(rehearsal.clock.bench_s())
    assert not any("longer than the plan" in text for text in alarms(rehearsal))
    # No reading is needed: time alone tells, also while every meter is silent.
    computer.pass_s(0.2)
    rehearsal.session.tick(rehearsal.clock.bench_s())
    assert any("longer than the plan's 300 s" in text for text in alarms(rehearsal))
    assert rehearsal.board.snapshot().urgency == "danger"


def test_a_meter_that_falls_silent_under_a_running_machine_is_told_of_with_what_to_do(
    rehearsal: Rehearsal, computer: Computer
) -> None:
    for _ in range(3):
        computer.pass_s(INTERVAL_S)
        at_s = rehearsal.clock.bench_s()
        rehearsal.take(Gap("meter", at_s, GapReason.NO_REPLY, "nothing came"))
    snapshot = rehearsal.board.snapshot()
    ill = {i.name: (i.state, i.text) for i in snapshot.instruments}
    assert ill["meter"][0] == "silent"
    assert "check its plug and its display" in ill["meter"][1]
    assert snapshot.instruction.startswith("Power: its meter has been silent for 3 s.")
    (text,) = alarms(rehearsal)
    assert text.startswith("meter is not heard while the machine runs")
    assert _is_urgent(snapshot)


def _is_urgent(snapshot: Snapshot) -> bool:
    return snapshot.urgency in {"action", "danger"}


def test_what_the_program_promises_by_its_own_constants_is_soon_enough() -> None:
    # Screens and broker are told with the change, the time is looked at so often at least, and MQTT holds it back so long at most.
    told_s = daemon._SCREENS_S + publishing._STATE_EVERY_S
    assert told_s <= OWN_PACE_S / 2 < POLLS * INTERVAL_S
    # A broken connection shows at once, on the page and at the broker; a silent one after so long.
    assert lost_after_s() <= DEAD_WITHIN_S
    # MQTT 3.1.1, 3.1.2.10: the broker gives a client up after one and a half times its keep-alive.
    assert 1.5 * connection.KEEPALIVE_S <= HUNG_WITHIN_S - 10.0


# ---- the running program


@pytest.mark.slow
@pytest.mark.pty
@pytest.mark.mosquitto
@pytest.mark.timeout(240)
def test_limits_a_lost_meter_and_the_services_death_reach_page_broker_and_terminal() -> (
    None
):
    with watched(speed=12.0) as bench:
        told = limits_broken(bench)
        assert {(delay.what.split()[0], delay.where) for delay in told} == {
            (limit[0], where) for limit in LIMITS for where in ("page", "broker")
        }
        bench.screen.find_drawn("! Current")
        assert b"\a" in bench.terminal.drawn
        lost = lost_meter(bench)
        assert len(lost) == 3
        killed = gone(bench, "killed", _killing(bench), DEAD_WITHIN_S)
        assert {delay.where for delay in killed} == {"page", "broker"}
    assert [each for each in (*told, *lost, *killed) if each.is_early] == []


def _killing(bench: Any) -> Any:
    return lambda: bench.signal(signal.SIGKILL)


def test_the_page_and_this_test_read_the_same_rule() -> None:
    source = Path(__file__).parents[2] / "daq/runtime/web/static/link.js"
    text = source.read_text(encoding="utf-8")
    assert "link.failed || silence_s() > LOST_AFTER_S" in text
