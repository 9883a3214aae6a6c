"""A supply that wanders by 0.4 %, at which power never holds still: normalised it settles, on the power at 230 V.

The truth at 230 V is the simulators' physics, which shares no code with the program under test: power and voltage at the
supply's end with two voltages behind the mains' impedance, and the power law between the two points.
"""

import asyncio
import json
import math
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from daq.cli.run import outcome_json
from daq.cli.screens import outcome_lines
from daq.records import NormalisedBy
from daq.runtime.display import Outcome
from simulators.config import load_simulation
from simulators.rig import Rig
from tests.benchmarks.simulated_session import Compared, SimulatedSession
from tests.runtime.stored_bench import ORDER, POWER, SUPPLY, opened, result, run_trial
from tests.system.command_line import Daq, edit
from tests.system.conftest import CONFIGS

LEADS = ("2.5 mm2, 25 m", "1.5 mm2, 25 m", "1.0 mm2, 40 m")
REFERENCE_V = 230.0
NORMALISE = f"""
[settling.normalise]
reference = "supply_voltage"
channels = ["power"]
voltage = {REFERENCE_V}
"""


def ask_for_normalising(plan: Path) -> None:
    edit(plan, "repeats = 2 ", "repeats = 1 ")
    required = 'required = ["machine_voltage", "power", "velocity"]'
    edit(plan, required, 'required = ["power"]')
    with plan.open("a", encoding="utf-8") as file:
        file.write(NORMALISE)


@pytest.fixture
def wandering(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The shipped leads on a wandering supply; sessions without wires take them from here."""
    shutil.copytree(CONFIGS, tmp_path / "configs")
    folder = tmp_path / "configs" / "leads"
    edit(folder / "simulation.toml", "wander_percent = 0.04", "wander_percent = 0.4")
    edit(folder / "simulation.toml", "wander_time_s = 15", "wander_time_s = 30")
    ask_for_normalising(folder / "plan.toml")
    monkeypatch.setattr("tests.benchmarks.simulated_session.bundle", lambda: tmp_path)
    return folder


def truth(simulation: Path, nominal_v: float) -> dict[tuple[str, str, str], float]:
    """What the physics settles at with that voltage behind the mains."""
    changed = simulation.with_name(f"{nominal_v:g}.toml")
    shutil.copyfile(simulation, changed)
    edit(changed, "nominal_v = 230", f"nominal_v = {nominal_v:g}")
    entries = Rig(load_simulation(changed), seed=1).truth()["entries"]
    assert isinstance(entries, list)
    return {(e["condition"], e["place"], e["quantity"]): e["value"] for e in entries}


def power_law(simulation: Path) -> Callable[[str], tuple[float, float]]:
    """Power at the reference voltage [W] and exponent, by condition."""
    low, high = truth(simulation, 230.0), truth(simulation, 233.0)

    def of(condition: str) -> tuple[float, float]:
        voltage = (condition, "supply end", "voltage")
        power = (condition, "machine end", "power")
        exponent = math.log(high[power] / low[power]) / math.log(
            high[voltage] / low[voltage]
        )
        return low[power] * (REFERENCE_V / low[voltage]) ** exponent, exponent

    return of


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_power_on_a_wandering_supply_settles_at_the_reference_voltage(
    wandering: Path, seed: int
) -> None:
    told = SimulatedSession("leads", seed).run()
    assert told.not_settled == 0
    of = power_law(wandering / "simulation.toml")
    trials: list[Compared] = [c for c in told.compared if c.required]
    assert len(trials) == 1 + len(LEADS)
    for trial in trials:
        power, exponent = of(trial.condition)
        average, by = trial.average, trial.average.normalised
        assert by is not None
        assert (by.reference, by.reference_v) == ("supply_voltage", REFERENCE_V)
        # Four standard uncertainties: in eight trials 95 % would fail by chance.
        assert by.exponent == pytest.approx(exponent, abs=4.0 * by.std_uncertainty)
        assert abs(average.mean - power) <= average.expanded_uncertainty
        # The mains are below 230 V at their end, so the plain mean is lower.
        assert average.plain_mean < average.mean
        names = [part.name for part in average.contributions]
        assert names[-2:] == ["exponent of the voltage", "reference voltage"]


def test_check_says_in_one_line_what_is_normalised(
    run: Daq, scenario: Callable[[str], Path]
) -> None:
    folder = scenario("leads")
    files = [folder / name for name in ("bench.toml", "plan.toml")]
    plain = run("check", *files, "--files-only").out.splitlines()[-1]
    assert plain == (
        f"{files[1]}: no fault. Nothing is normalised to a reference voltage: the plan does not ask for it"
        " (supply_voltage could serve)."
    )
    ask_for_normalising(files[1])
    asked = run("check", *files, "--files-only").out.splitlines()[-1]
    assert asked.endswith(": no fault. Normalised to 230 V by supply_voltage: power.")


def test_check_says_why_nothing_can_be_normalised(run: Daq) -> None:
    folder = CONFIGS / "filters"
    told = run("check", folder / "bench.toml", folder / "plan.toml", "--files-only")
    assert told.out.endswith(
        "No voltage upstream of what the conditions change: nothing is normalised.\n"
    )


def test_check_refuses_the_machines_own_voltage_where_leads_are_compared(
    run: Daq, scenario: Callable[[str], Path]
) -> None:
    folder = scenario("leads")
    ask_for_normalising(folder / "plan.toml")
    ours = '\nreference = "{}"'
    edit(
        folder / "plan.toml",
        ours.format("supply_voltage"),
        ours.format("machine_voltage"),
    )
    told = run("check", folder / "bench.toml", folder / "plan.toml", "--files-only")
    assert told.code == 2
    assert told.says_only(
        "settling.normalise.reference: 'machine_voltage' is measured at 'machine end'",
        "to normalise to it would delete what they do",
    )


# ---- what is told of it

NORMALISED = replace(
    POWER,
    mean=1402.5,
    normalised=NormalisedBy("supply", REFERENCE_V, 1.8, 0.05, 40.0, 228.2),
)


async def _store(path: Path) -> None:
    async with opened(path) as store:
        await run_trial(store, result("7a1", NORMALISED, SUPPLY))


def test_the_budget_says_at_which_voltage_and_tells_the_plain_mean(
    run: Daq, tmp_path: Path
) -> None:
    path = tmp_path / "bench.db"
    asyncio.run(_store(path))
    told = run("budget", path).out.splitlines()
    at = told.index("  1402.5 ± 7.9 W   (k = 1.96, 95 %)")
    assert told[at + 1] == "  at 230 V by supply; plain mean 1383.3 W"
    assert max(map(len, told)) <= 80
    assert sum("plain mean" in line for line in told) == 1
    (trial,) = json.loads(run("budget", path, "--json").out)["trials"]
    facts = {a["channel"]: a for a in trial["averages"]}
    assert (facts["power"]["mean"], facts["power"]["plain_mean"]) == (1402.5, 1383.3)
    assert facts["power"]["normalised_by"] == "supply"
    assert facts["power"]["reference_v"] == REFERENCE_V
    assert facts["supply"]["reference_v"] is None


def test_the_end_of_a_run_says_at_which_voltage_a_mean_holds(tmp_path: Path) -> None:
    results = (result("7a1", NORMALISED, SUPPLY),)
    outcome = Outcome(1, ORDER[:1], results, None, None)
    (line,) = outcome_lines(outcome)
    assert "power at 230 V 1402.5 ± 7.9 W   supply 229.0 ± 7.9 V" in line
    (trial,) = json.loads(outcome_json(outcome, tmp_path))["trials"]
    power, supply = trial["averages"]
    assert (power["mean"], power["plain_mean"]) == (1402.5, 1383.3)
    assert (power["normalised_to_v"], supply["normalised_to_v"]) == (REFERENCE_V, None)
