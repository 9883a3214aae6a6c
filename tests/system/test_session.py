"""Whole sessions: separately started simulators, `daq run`, exports, MQTT; with faults, and killed and resumed.

The truth that averages are held against is the simulators' physics, which shares no code with the program under test.
"""

import asyncio
import csv
import io
import itertools
import json
import signal
import sqlite3
import subprocess
import sys
import threading
from collections import Counter

import aiomqtt
import jsonschema
import pytest

from daq.messages import result_schema
from tests.system.bench_process import (
    ROOT,
    BenchFolder,
    Run,
    Simulators,
    Terminal,
    averages_against_truth,
    reanalysed,
    run_command,
)

pytestmark = [
    pytest.mark.alone,
    pytest.mark.slow,
    pytest.mark.pty,
    pytest.mark.timeout(240),
]

LEADS = ["at the outlet", "2.5 mm2, 25 m", "1.5 mm2, 25 m", "1.0 mm2, 40 m"]
ONCE = ("plan.toml", "repeats = 2 ", "repeats = 1 ")
"""Each condition once: a session of the shipped plan takes twice as long."""
LEADS_PLACES = {
    "supply_voltage": ("supply end", "voltage"),
    "machine_voltage": ("machine end", "voltage"),
    "current": ("machine end", "current"),
    "power": ("machine end", "power"),
    "velocity": ("outlet", "velocity"),
    "air_temperature": ("outlet", "temperature"),
}
FILTERS = ["no filter", "coarse filter", "medium filter", "fine filter"]
FILTERS_PLACES = {
    "voltage": ("machine end", "voltage"),
    "current": ("machine end", "current"),
    "power": ("machine end", "power"),
    "velocity": ("duct", "velocity"),
    "air_temperature": ("duct", "temperature"),
}
ALLOWED = 1.7


def export(store, *options):
    done = subprocess.run(
        [sys.executable, "-m", "daq", "export", str(store), *options],
        cwd=ROOT,
        capture_output=True,
        check=True,
        timeout=30,
    )
    return done.stdout.decode("utf-8")


def ask(store, statement):
    connection = sqlite3.connect(store)
    try:
        return connection.execute(statement).fetchall()
    finally:
        connection.close()


@pytest.fixture
def simulated(tmp_path):
    """Makes a bench folder with running simulators; stops them at the end."""
    running: list[Simulators] = []

    def start(scenario, *options, seed=1, edits=(), alone=False):
        folder = tmp_path / f"bench{len(running)}"
        folder.mkdir()
        bench = BenchFolder(folder, scenario)
        for edit in edits:
            bench.edit(*edit)
        simulators = Simulators(bench, *options, seed=seed, alone=alone)
        running.append(simulators)
        return bench, simulators

    yield start
    for simulators in running:
        simulators.stop()


class Subscriber:
    """Collects what the embedded broker sends, in a thread with a loop of its own."""

    def __init__(self, port):
        self.messages = []
        self._port = port
        self._connected = threading.Event()
        self._thread = threading.Thread(
            target=lambda: asyncio.run(self._listen()), daemon=True
        )
        self._thread.start()
        assert self._connected.wait(10)

    async def _listen(self):
        try:
            async with aiomqtt.Client(
                "127.0.0.1", self._port, identifier="watcher"
            ) as client:
                await client.subscribe("steadybench/#", qos=1)
                self._connected.set()
                async for message in client.messages:
                    self.messages.append((str(message.topic), message.payload.decode()))
        except aiomqtt.MqttError:
            # The broker ends with the session.
            return

    def join(self):
        self._thread.join(20)
        assert not self._thread.is_alive()

    def payloads(self, topic):
        return [json.loads(payload) for name, payload in self.messages if name == topic]


def test_a_session_on_polite_meters_gives_true_averages_and_tells_everybody(simulated):
    bench, simulators = simulated("leads", seed=3, edits=[ONCE])
    run = Run(bench)
    state = bench.wait_for(lambda s: s["broker"]["state"] == "ok")
    watcher = Subscriber(int(state["broker"]["text"].rsplit(":", 1)[1]))
    code, outcome, words = run.finish()
    watcher.join()

    assert code == 0, words
    assert [t["condition"] for t in outcome["trials"]] == LEADS
    shares = averages_against_truth(outcome, simulators.truth(), LEADS_PLACES)
    assert len(shares) == len(LEADS) * len(LEADS_PLACES)
    assert max(shares) <= ALLOWED
    counts = simulators.counts()
    assert counts["mains"]["requests"] > 1000
    assert counts["mains"]["violations"] == 0

    # Every result once for each trial, as the published schema has it.
    results = watcher.payloads("steadybench/leads/result")
    assert [r["condition"] for r in results] == LEADS
    assert len({r["id"] for r in results}) == len(LEADS)
    for result in results:
        jsonschema.validate(result, result_schema())
    live = watcher.payloads("steadybench/leads/live/meter-machine-end")
    assert {record["n"] for record in live[0]} >= {
        "machine_voltage",
        "current",
        "power",
    }
    assert watcher.payloads("steadybench/leads/status")[0]["state"] == "online"
    stages = {s["stage"] for s in watcher.payloads("steadybench/leads/state")}
    assert {"settling", "averaging", "done", "finished"} <= stages
    # The countdown is told in round figures, anew only when it has changed.
    told = [
        (s["trial"], s["instruction"], s["seconds_left"])
        for s in watcher.payloads("steadybench/leads/state")
        if s["stage"] == "averaging"
    ]
    assert {instruction for _, instruction, _ in told} == {"Keep it running."}
    assert all(left is None or left % 5.0 == 0.0 for _, _, left in told)
    # Asked for once more, a retained state comes twice.
    assert sum(before == after for before, after in itertools.pairwise(told)) <= 1

    # The exports hold each condition once, with units and uncertainties.
    tidy = list(csv.DictReader(io.StringIO(export(bench.store))))
    assert Counter((r["condition"], r["channel"]) for r in tidy) == Counter(
        (condition, channel) for condition in LEADS for channel in LEADS_PLACES
    )
    assert {r["unit"] for r in tidy if r["channel"] == "power"} == {"W"}
    assert all(float(r["expanded_uncertainty"]) > 0 for r in tidy)
    wide = list(csv.DictReader(io.StringIO(export(bench.store, "--table", "wide"))))
    assert [r["condition"] for r in wide] == LEADS
    assert all(float(r["power_mean_w"]) > 0 for r in wide)
    document = json.loads(export(bench.store, "--format", "json"))
    assert len(document["averages"]) == len(tidy)
    readings = json.loads(
        export(bench.store, "--table", "readings", "--format", "json")
    )
    assert {i["instrument"] for i in readings["instruments"]} == {
        "meter-supply-end",
        "meter-machine-end",
        "anemometer",
    }
    rows = ask(
        bench.store,
        "SELECT condition, mean, expanded_uncertainty, unit FROM trial_averages",
    )
    assert len(rows) == len(tidy)


def test_faults_on_every_line_and_a_lost_meter_make_gaps_and_no_wrong_average(
    simulated,
):
    # Two meters at different rates: the supply end is polled half as often as the machine end.
    slower = ("bench.toml", "unit = 1\ninterval_s = 1.0", "unit = 1\ninterval_s = 2.0")
    bench, simulators = simulated(
        "leads", "--faults", "mixed", seed=5, edits=[slower, ONCE]
    )
    run = Run(bench)
    second = LEADS[1]
    bench.wait_for(
        lambda s: (
            s["stage"]["name"] in {"settling", "averaging"}
            and s["condition"]["name"] == second
        )
    )
    simulators.say("unplug air")
    lost = bench.wait_for(lambda s: any(i["state"] == "lost" for i in s["instruments"]))
    since_s = lost["clock"]["now_s"]
    # The other line goes on undisturbed all the while.
    before = {i["name"]: i["readings"] for i in lost["instruments"]}
    later = bench.wait_for(lambda s: s["clock"]["now_s"] >= since_s + 20.0)
    after = {i["name"]: i["readings"] for i in later["instruments"]}
    assert after["meter-machine-end"] - before["meter-machine-end"] >= 10
    assert after["anemometer"] == before["anemometer"]
    simulators.say("plug air")
    bench.wait_for(lambda s: all(i["state"] == "ok" for i in s["instruments"]))
    code, outcome, words = run.finish()

    assert code == 0, words
    assert [t["condition"] for t in outcome["trials"]] == LEADS
    shares = averages_against_truth(outcome, simulators.truth(), LEADS_PLACES)
    assert len(shares) == len(LEADS) * len(LEADS_PLACES)
    assert max(shares) <= ALLOWED
    reasons = {
        reason for (reason,) in ask(bench.store, "SELECT DISTINCT reason FROM gaps")
    }
    assert {"no reply", "reply cut short", "reply garbled", "port lost"} <= reasons
    assert "reply of another unit or to another question" in reasons
    # No spoiled reply became a reading: everything kept is near what the physics allows.
    ((low, high),) = ask(
        bench.store,
        "SELECT min(machine_voltage_v), max(machine_voltage_v) FROM readings_meter_machine_end",
    )
    assert low > 200.0
    assert high < 240.0
    polls = dict(
        ask(bench.store, "SELECT 'supply', count(*) FROM readings_meter_supply_end")
        + ask(bench.store, "SELECT 'machine', count(*) FROM readings_meter_machine_end")
    )
    assert 0.4 < polls["supply"] / polls["machine"] < 0.6
    assert simulators.counts()["mains"]["violations"] == 0
    # Judged again from the store, everything comes out the same to the bit.
    again = reanalysed(bench.store)
    assert again["reproduced"] is True
    assert sum(len(t["after"]["averages"]) for t in again["trials"]) == len(shares)


def test_a_killed_session_is_resumed_and_completed_with_nothing_lost(simulated):
    bench, simulators = simulated("filters", seed=2)
    first = Run(bench)
    bench.wait_for(
        lambda s: (
            s["stage"]["name"] == "averaging" and s["condition"]["name"] == FILTERS[1]
        )
    )
    killed_at_s = bench.state()["clock"]["now_s"]
    first.kill()
    assert ask(bench.store, "PRAGMA integrity_check") == [("ok",)]
    # Durable within 1.2 s of real time, which are 14.4 s of the bench's.
    ((newest_s,),) = ask(bench.store, "SELECT max(at_s) FROM readings_power_analyser")
    assert newest_s >= killed_at_s - 1.2 * 12
    ((before,),) = ask(bench.store, "SELECT count(*) FROM readings_power_analyser")

    code, outcome, words = Run(bench).finish()
    assert code == 0, words
    assert "Session 1 goes on: 1 of 4 trials are done." in words
    assert [t["condition"] for t in outcome["trials"]] == FILTERS
    shares = averages_against_truth(outcome, simulators.truth(), FILTERS_PLACES)
    assert len(shares) == len(FILTERS) * len(FILTERS_PLACES)
    assert max(shares) <= ALLOWED
    trials = ask(
        bench.store, "SELECT condition, attempt, state FROM trials ORDER BY id"
    )
    assert trials == [
        (FILTERS[0], 1, "finished"),
        (FILTERS[1], 1, "unfinished"),
        (FILTERS[1], 2, "finished"),
        (FILTERS[2], 1, "finished"),
        (FILTERS[3], 1, "finished"),
    ]
    ((after,),) = ask(bench.store, "SELECT count(*) FROM readings_power_analyser")
    assert after > before
    tidy = list(csv.DictReader(io.StringIO(export(bench.store))))
    assert set(Counter((r["condition"], r["channel"]) for r in tidy).values()) == {1}
    assert {r["condition"] for r in tidy} == set(FILTERS)
    again = reanalysed(bench.store)
    assert again["reproduced"] is True
    assert [t["after"]["state"] for t in again["trials"]] == [
        state for _, _, state in trials
    ]


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)]
)
def test_a_signal_ends_a_session_in_order_and_leaves_it_to_be_resumed(
    simulated, number, code
):
    bench, _ = simulated("filters")
    run = Run(bench)
    bench.wait_for(lambda s: s["stage"]["name"] == "settling")
    run.signal(number)
    returned, outcome, words = run.finish(within_s=10)
    assert returned == code, words
    assert outcome["stopped_by"] == number.name
    assert "Traceback" not in words
    assert ask(bench.store, "SELECT state FROM sessions") == [("open",)]
    assert not (bench.path / "bench.db-wal").exists()


@pytest.mark.parametrize(
    ("own_page", "code", "words"), [(False, 5, "page port"), (True, 4, "is writing it")]
)
def test_a_second_program_on_the_same_bench_is_turned_away(
    simulated, own_page, code, words
):
    bench, _ = simulated("filters")
    run = Run(bench)
    bench.wait_for(lambda s: s["instruments"][0]["readings"] > 3)
    other = bench.path / "other.db"
    if own_page:
        bench.edit("bench.toml", f"port = {bench.page_port}", "port = 0")
    options = () if own_page else ("--store", str(other))
    returned, _, said = Run(bench, *options).finish(within_s=20)
    assert returned == code
    assert words in said
    assert bench.state()["session"]["state"] == "running"
    run.signal(signal.SIGTERM)
    assert run.finish(within_s=10)[0] == 143


def is_ready(state):
    return state["stage"]["name"] == "waiting" and all(
        i["state"] == "ok" for i in state["instruments"]
    )


def test_a_meter_that_falls_silent_is_named_and_stands_in_the_record_and_in_the_log(
    simulated,
):
    bench, simulators = simulated("filters", alone=True)
    run = Run(bench)
    bench.wait_for(is_ready)
    simulators.say("fit no filter")
    simulators.say("on")
    bench.wait_for(lambda s: s["stage"]["name"] == "settling")
    simulators.say("fault duct-air silent")
    state = bench.wait_for(lambda s: "silent" in s["instruction"])
    assert state["instruction"].startswith(
        "Duct velocity: its meter has been silent for"
    )
    assert state["instruction"].endswith("Check its plug.")
    simulators.say("fault duct-air none")
    state = bench.wait_for(
        lambda s: any("answers again" in e["text"] for e in s["events"])
    )
    assert "silent" not in state["instruction"]
    run.signal(signal.SIGTERM)
    code, _, log = run.finish(within_s=15)
    assert code == 143, log
    events = [
        text
        for (text,) in ask(
            bench.store, "SELECT text FROM events WHERE kind = 'meter' ORDER BY id"
        )
    ]
    assert len(events) == 2
    assert events[0].startswith("duct-sensor: silent, no reading for ")
    assert events[1] == "duct-sensor: it answers again."
    for text in events:
        assert log.count(text) == 1
    # One line for the instruction, however long it lasted.
    assert log.count("its meter has been silent for") == 1


def test_enter_is_not_taken_while_the_start_channel_says_that_the_machine_runs(
    simulated,
):
    bench, simulators = simulated("filters", alone=True)
    terminal = Terminal(run_command(bench))
    bench.wait_for(is_ready)
    simulators.say("fit no filter")
    simulators.say("on")
    running = bench.wait_for(lambda s: s["stage"]["name"] == "settling")
    terminal.press(b"\r")
    state = bench.wait_for(
        lambda s: any("believed rather than the key" in e["text"] for e in s["events"])
    )
    assert state["trial"]["started_s"] == running["trial"]["started_s"]
    assert "start channel" in state["events"][0]["text"]
    assert state["events"][0]["text"].endswith("Asked from the terminal.")
    terminal.signal(signal.SIGINT)
    assert terminal.finish() == 130
    assert ask(bench.store, "SELECT count(*) FROM trials") == [(1,)]


START = '[start]\nchannel = "current"\non_above = 0.15\noff_below = 0.05\n'


@pytest.mark.parametrize("options", [[], ["--plain"], ["--json"]])
def test_a_plan_that_needs_the_enter_key_is_refused_where_there_is_no_keyboard(
    tmp_path, options
):
    bench = BenchFolder(tmp_path, "filters")
    bench.edit("plan.toml", START, "")
    done = subprocess.run(
        run_command(bench, *options),
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 2
    assert "without a start channel the Enter key starts a trial" in done.stderr
    assert "there is no keyboard here" in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert not bench.store.exists()


def test_a_log_that_nobody_reads_any_more_does_not_end_the_session(simulated):
    bench, simulators = simulated("filters", alone=True)
    run = subprocess.Popen(
        run_command(bench, "--plain"),
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert run.stdout is not None
        assert "Links with their keys" in run.stdout.readline()
        assert "Session 1 begins" in run.stdout.readline()
        run.stdout.close()
        bench.wait_for(is_ready)
        simulators.say("fit no filter")
        # Every stage is a line that nobody takes.
        simulators.say("on")
        bench.wait_for(lambda s: s["stage"]["name"] == "settling")
        simulators.say("off")
        state = bench.wait_for(lambda s: s["slip"][0]["state"] == "unfinished")
        count = state["instruments"][0]["readings"]
        bench.wait_for(lambda s: s["instruments"][0]["readings"] > count + 5)
        run.send_signal(signal.SIGTERM)
        code = run.wait(15)
        assert run.stderr is not None
        assert (code, run.stderr.read()) == (143, "")
    finally:
        run.kill()
        run.communicate()
