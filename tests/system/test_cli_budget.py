"""`daq budget` through the whole program, on a stored session."""

import asyncio
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daq.records import (
    Accuracy,
    Channel,
    PlannedTrial,
    SessionFacts,
    TrialResult,
    TrialState,
    Window,
)
from daq.runtime.store import Store
from daq.settling.level import LevelEstimate
from daq.trials.averaging import trial_averages
from tests.system.command_line import Daq

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
WINDOW = Window(130.0, 190.0)
SUPPLY = Channel(
    *("supply", "Supply voltage", "voltage", "V", "supply end", "meter", 0),
    accuracy=Accuracy(percent_of_reading=0.5, counts=2, resolution=0.1),
    interval_s=1.0,
)
FLOW = Channel(
    *("flow", "Airflow", "airflow", "m3/h", "outlet", "meter", 1),
    accuracy=Accuracy(
        gain_percent=1.0,
        offset=5.0,
        certificate_u=0.8,
        certificate_k=2.0,
        resolution=0.01,
    ),
    interval_s=1.0,
    subtract_idle=True,
)
LEVELS = {
    "supply": LevelEstimate(120.0, 120.1, 0.12, 8.0, 0.0, 0.28, 60, 9.0),
    "flow": LevelEstimate(200.5, 200.4, 0.3, 12.0, 0.0, 0.65, 60, 13.0),
}
IDLE = {"flow": [0.4, 0.6] * 10}
ORDER = (
    PlannedTrial(1, "long lead", 1, baseline=True),
    PlannedTrial(2, "short lead", 1, baseline=False),
)


async def _fill(path: Path) -> None:
    """A finished trial with averages of two channels, and one that did not settle."""
    loop = asyncio.get_running_loop()
    meters = {"meter": (SUPPLY, FLOW)}
    store = Store.open(path, instruments=meters, on_trouble=lambda _: None, loop=loop)
    clock_id = await store.add_clock("boot", monotonic_s=0.0, utc_us=0, speed=1.0)
    facts = SessionFacts("s", 0, "bench", "leads", "Blower", "1970-01-01", 1.0, "test")
    session = await store.begin_session(
        facts, plan_digest="", plan_text="", bench_text="", seed=1, order=ORDER
    )
    averages = trial_averages(
        [SUPPLY, FLOW], LEVELS, WINDOW, required=["supply"], idle=IDLE
    )
    results = (
        TrialResult(
            *("t1", ORDER[0], 1, TrialState.FINISHED, 100.0, 200.0, averages),
            idle=Window(38.0, 98.0),
        ),
        TrialResult(
            *("t2", ORDER[1], 1, TrialState.NOT_SETTLED, 300.0, 400.0),
            note="supply: drifting",
        ),
    )
    for result in results:
        trial = store.begin_trial(
            session,
            result.planned,
            attempt=1,
            uuid=result.trial_id,
            clock_id=clock_id,
            started_s=result.started_s,
        )
        await store.end_trial(trial, result, rule_json="{}", outbox=None)
    await store.close()


@pytest.fixture
def store(folder: Path) -> Path:
    path = folder / "bench.db"
    asyncio.run(_fill(path))
    return path


def _section(text: str, channel: str) -> list[str]:
    """Lines of one average's budget."""
    lines = text.splitlines()
    (start,) = (n for n, line in enumerate(lines) if line.endswith(f"({channel})"))
    return lines[start : start + 16]


def _row(section: list[str], name: str) -> str:
    """What stands in the row of that name, with single blanks between."""
    (row,) = (line for line in section if line.startswith(f"  {name}  "))
    return " ".join(row.removeprefix(f"  {name}").split())


def test_each_contribution_is_shown_with_kind_value_freedom_and_share(
    run: Daq, store: Path
) -> None:
    told = run("budget", store)
    assert (told.code, told.err) == (0, "")
    section = _section(told.out, "supply")
    # u_B = (0.5 % of 120 V + 2 x 0.1 V)/sqrt(3) = 0.46188 V beside u_A = 0.12 V with 8 degrees of freedom:
    # u_c = 0.47721 V, nu_eff 2001, k = 1.961, U = 0.936 V; shares 6.3 % and 93.7 % of the variance.
    assert section[1] == "  120.00 ± 0.94 V   (k = 1.96, 95 %)"
    assert _row(section, "scatter and drift") == "A normal 0.12 8 6.3 %"
    assert _row(section, "accuracy") == "B rectangular 0.46 infinite 93.7 %"
    assert _row(section, "combined") == "0.48 2000"
    assert _row(section, "expanded, k = 1.96") == "0.94"
    assert "  accuracy: 0.5 % of reading + 2 counts of 0.1" in section


def test_the_zero_and_the_certificate_are_shown(run: Daq, store: Path) -> None:
    section = _section(run("budget", store, "--trial", "1").out, "flow")
    # Gain 1 % of 200.5 over the root of 3: 1.158; U/k = 0.4; zero: 0.1/sqrt(19) = 0.023 with 19 degrees of
    # freedom, and the stated offset falls away; scatter 0.3: u_c = 1.26. Mean 200.5 less 0.5.
    assert section[1].startswith("  200.0 ± 2.5 m³/h")
    assert _row(section, "zero") == "A normal 0.023 19 0.0 %"
    assert "rectangular 1.2 infinite" in _row(section, "gain")
    assert _row(section, "certificate").startswith("B normal 0.40")
    assert not any("offset" in line for line in section)
    assert "  zero: 0.5 subtracted, 20 idle readings" in section
    assert "  certificate: U = 0.8, k = 2" in section


def test_a_trial_without_an_average_says_why(run: Daq, store: Path) -> None:
    told = run("budget", store)
    assert (
        "Trial 2: short lead (not settled)\n  No average: supply: drifting\n"
        in told.out
    )
    alone = run("budget", store, "--trial", "2")
    # What was asked for is not there: exit code 1 as for all that did not settle.
    assert (alone.code, alone.err) == (1, "")
    assert "No average: supply: drifting" in alone.out
    assert "long lead" not in alone.out


def test_the_budget_fits_a_terminal_of_80_columns(run: Daq, store: Path) -> None:
    assert max(map(len, run("budget", store).out.splitlines())) <= 80


def test_programs_get_the_same_facts(run: Daq, store: Path) -> None:
    told = run("budget", store, "--json")
    assert (told.code, told.err) == (0, "")
    facts: dict[str, Any] = json.loads(told.out)
    assert (facts["format"], facts["session"]) == (1, 1)
    first, second = facts["trials"]
    assert (second["state"], second["averages"]) == ("not settled", [])
    supply = next(a for a in first["averages"] if a["channel"] == "supply")
    assert supply["recorded"]
    scatter, accuracy = supply["contributions"]
    assert (scatter["kind"], scatter["degrees_of_freedom"]) == ("A", 8.0)
    assert (accuracy["kind"], accuracy["degrees_of_freedom"]) == ("B", None)
    assert accuracy["std_uncertainty"] == pytest.approx(0.46188, abs=1e-5)
    shares = [part["share_percent"] for part in supply["contributions"]]
    assert sum(shares) == pytest.approx(100.0)
    flow = next(a for a in first["averages"] if a["channel"] == "flow")
    assert flow["zero_offset"] == pytest.approx(0.5)


def test_a_store_of_the_format_before_shows_types_a_and_b_and_says_what_is_missing(
    run: Daq, folder: Path
) -> None:
    path = folder / "old.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    before = path.read_bytes()
    told = run("budget", path)
    assert (told.code, told.err) == (0, "")
    section = _section(told.out, "power")
    # Stored: u_A 0.5 W with 30, u_B 4.0 W, u_c 4.031 W.
    assert _row(section, "type A") == "A 0.50 30 1.5 %"
    assert _row(section, "type B") == "B 4.0 infinite 98.5 %"
    assert any(
        "was not recorded by the version that measured this" in x for x in section
    )
    facts = json.loads(run("budget", path, "--json").out)
    assert not facts["trials"][0]["averages"][0]["recorded"]
    assert path.read_bytes() == before


def test_what_is_not_there_is_named(run: Daq, store: Path, folder: Path) -> None:
    told = run("budget", store, "--trial", "9")
    assert (told.code, told.out) == (2, "")
    assert told.says_only("no trial 9, it holds 1 to 2")
    told = run("budget", store, "--session", "3")
    assert told.code == 2
    assert told.says_only("no session 3, it holds only 1")
    told = run("budget", folder / "absent.db")
    assert told.code == 4
    assert told.says_only("absent.db: no results file there")


def test_a_store_without_a_trial_has_no_budget(run: Daq, folder: Path) -> None:
    async def empty() -> None:
        loop = asyncio.get_running_loop()
        made = Store.open(
            folder / "bench.db", instruments={}, on_trouble=lambda _: None, loop=loop
        )
        await made.close()

    asyncio.run(empty())
    told = run("budget", folder / "bench.db")
    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("No trial is stored yet")
    facts = json.loads(run("budget", folder / "bench.db", "--json").out)
    assert facts == {"format": 1, "session": None, "analysis": 0, "trials": []}


def test_the_command_has_help(run: Daq) -> None:
    told = run("budget", "--help")
    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("usage: daq budget ")
