"""`daq run` with a typed channel of which too few readings came: it asks whether to repeat the trial, and ends at a word."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.system.bench_process import BenchFolder, Simulators, Terminal, run_command

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(240)]

TYPED = """
[[typed]]
name = "read_velocity"
title = "Velocity by eye"
quantity = "velocity"
unit = "m/s"
resolution = 0.1
place = "outlet"
"""


@pytest.fixture
def bench() -> Iterator[BenchFolder]:
    """A plan of one trial."""
    # A socket beside the store needs a folder that is not too deep.
    with tempfile.TemporaryDirectory(prefix="sb-") as folder:
        bench = BenchFolder(Path(folder), "leads")
        bench.edit("bench.toml", "# The vane anemometer sits", f"{TYPED}\n# ")
        bench.edit("plan.toml", 'preset = "standard"', 'preset = "quick"')
        bench.edit("plan.toml", "# tolerance = 0.005", "tolerance = 0.03 #")
        bench.edit("plan.toml", '["machine_voltage", "power", "velocity"]', '["power"]')
        bench.edit("plan.toml", "# [averaging]", "[averaging]\nlongest_s = 120")
        bench.edit("plan.toml", "repeats = 2", "repeats = 1")
        plan = bench.path / "plan.toml"
        first, _, others = plan.read_text(encoding="utf-8").partition(
            '[[condition]]\nname = "2.5 mm2, 25 m"'
        )
        rest = others[others.index("[prices]") :]
        plan.write_text(first + rest, encoding="utf-8")
        yield bench


@pytest.fixture
def simulators(bench: BenchFolder) -> Iterator[Simulators]:
    simulators = Simulators(bench, alone=True)
    yield simulators
    simulators.stop()


def until_lacking(bench: BenchFolder, simulators: Simulators) -> dict:
    """A trial in which nobody types anything; the machine still runs."""
    simulators.say("on")
    state = bench.wait_for(lambda s: s["stage"]["name"] in {"done", "not-settled"})
    assert state["stage"]["name"] == "done", state["events"]
    return state


def is_waiting(state: dict) -> bool:
    return bool(state["stage"]["name"] == "waiting")


def is_over(state: dict) -> bool:
    return bool(state["stage"]["name"] == "finished")


def test_a_run_asks_whether_to_repeat_and_ends_when_told_to(
    bench: BenchFolder, simulators: Simulators
) -> None:
    simulators.say("off")
    terminal = Terminal(run_command(bench))
    bench.wait_for(lambda s: all(i["state"] == "ok" for i in s["instruments"]))
    simulators.say("fit at the outlet")
    state = until_lacking(bench, simulators)
    assert state["instruction"].startswith("Switch off: only 0 of 5 readings of")
    events = [event["text"] for event in state["events"]]
    assert any("was not typed in time" in text for text in events)
    simulators.say("off")
    state = bench.wait_for(is_over)
    words = "Finished, but at the outlet has no average of Velocity by eye. Repeat it, or end?"
    assert state["instruction"] == words
    assert state["repeat_offer"]["number"] == 1
    terminal.press(b"r")
    bench.wait_for(is_waiting)
    # This one is repeated while the machine still runs.
    assert until_lacking(bench, simulators)["repeat_offer"]["number"] == 2
    terminal.press(b"r")
    bench.wait_for(lambda s: s["repeat_offer"] is None)
    simulators.say("off")
    bench.wait_for(is_waiting)
    until_lacking(bench, simulators)
    simulators.say("off")
    assert bench.wait_for(is_over)["session"]["total"] == 3
    assert terminal.process.poll() is None
    terminal.press(b"e")
    assert terminal.finish() == 0
    assert b"not typed in time; you will be asked again" in terminal.drawn
    assert b"Traceback" not in terminal.drawn
