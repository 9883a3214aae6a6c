"""`daq import` into a session of which typed readings were taken back: they count no more with a log than without."""

import asyncio
import csv
import json
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from daq.cli import export, import_, reanalyse
from daq.config.bench import parse_bench
from daq.operations import Start, TakeBack, TypedReading
from tests.runtime.attended_bench import AttendedBench, attended
from tests.runtime.conftest import BENCH, MAINS, PLAN, Computer

NAME = "outlet_velocity"
TYPED = f"""
[[typed]]
name = "{NAME}"
title = "Outlet velocity"
quantity = "velocity"
unit = "m/s"
resolution = 0.1
high = 40
place = "outlet"
"""
WRONG, RIGHT = ("14.1", "14.2", "14.3"), ("12.3", "12.4", "12.3")


async def type_one(service: AttendedBench, shown: str) -> None:
    """The machine runs until a reading is asked for, which is typed."""
    for _ in range(300):
        if service.session.asking() is not None:
            await service.ask(TypedReading(NAME, shown, as_typed=True))
            return
        service.read(6.0, 1400.0 + 0.3 * (service.clock.bench_s() % 3))
    raise AssertionError(service.session.stage)


async def record(folder: Path) -> Path:
    """One trial with six typed readings, three of them taken back; the machine is off before there are five."""
    profiles = {"mains": ("mains.toml", MAINS)}
    polled = BENCH[: BENCH.index('[[instrument]]\nname = "anemometer"')]
    bench = parse_bench(polled + TYPED, file="bench.toml", find_profile=profiles.get)
    plan = PLAN.replace("longest_s = 60", "longest_s = 200")
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    async with attended(folder, bench, Computer()) as service:
        await service.ask(Start("leads"))
        service.stand_still()
        for shown in WRONG:
            await type_one(service, shown)
            await service.ask(TakeBack(NAME))
        for shown in RIGHT:
            await type_one(service, shown)
        service.read(6.0, 1400.0)
        service.stand_still()
        await service.written()
        return service.path


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return asyncio.run(record(tmp_path))


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Volts, two readings a second, by the session's own clock."""
    volts = (f"{0.5 * n:.1f},{229.0 + 0.1 * (n % 3):.1f}" for n in range(1200))
    file = tmp_path / "volts.csv"
    file.write_text("\n".join(["elapsed_s,Volts", *volts, ""]), encoding="utf-8")
    return file


def imported(store: Path, log: Path, *more: str) -> str:
    out = StringIO()
    words = (str(store), str(log), "--column", "Volts=volts:V:supply end", "--offset", "0")  # fmt: skip
    with redirect_stdout(out):
        import_.run([*words, *more])
    return out.getvalue()


def channels_after(trial: dict[str, Any]) -> list[str]:
    return [average["channel"] for average in trial["after"]["averages"]]


@pytest.mark.slow
def test_readings_taken_back_stay_out_of_the_averages_when_a_log_is_imported(
    store: Path, log: Path
) -> None:
    facts = json.loads(imported(store, log, "--json"))
    (trial,) = facts["reanalysis"]["trials"]
    assert NAME not in channels_after(trial)
    assert trial["after"]["state"] == trial["before"]["state"]


@pytest.mark.slow
def test_readings_taken_back_stay_out_whenever_the_trial_is_judged_again_after_that(
    store: Path, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    imported(store, log)
    reanalyse.run([str(store), "--even-so", "--json"])
    (trial,) = json.loads(capsys.readouterr().out)["trials"]
    assert NAME not in channels_after(trial)
    assert "volts" in channels_after(trial)
    assert f"{NAME}: too few typed readings: 3 of 5" in trial["after"]["note"]


@pytest.mark.slow
def test_exported_readings_tell_which_were_taken_back(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    export.run([str(store), "--table", "readings", "--instrument", NAME])
    rows = list(csv.DictReader(StringIO(capsys.readouterr().out)))
    told = [(row[f"{NAME}_m_per_s"], row["taken_back"]) for row in rows]
    assert told == [(v, "1") for v in WRONG] + [(v, "0") for v in RIGHT]
    export.run([str(store), "--table", "readings", "--instrument", "meter"])
    assert "taken_back" not in capsys.readouterr().out.splitlines()[0]
