"""Both voltmeters of a bench are read on one outlet: what load meters show meanwhile, held against the plan."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from daq.checklist.items import Item
from daq.checklist.kept import Kept
from daq.cli.checked_answers import Answers
from daq.cli.checked_walk import Walk
from daq.config.bench import Bench, Instrument, parse_bench
from daq.config.plan import Plan, parse_plan
from daq.records import Reading
from tests.runtime.conftest import PLAN, Computer

METER = """
format = 1
title = "Mains meter"
refresh_s = 1.0
[wire]
protocol = "query-lines"
request = "?"
parts = 2
[[field]]
name = "volts"
quantity = "voltage"
unit = "V"
position = 0
resolution = 0.1
[[field]]
name = "power"
quantity = "power"
unit = "W"
position = 1
resolution = 0.1
"""
NEAR, FAR = (
    f"""
[[instrument]]
name = "{name}"
profile = "mains"
port = "ports/{name}"
place = "{place}"
[[instrument.channel]]
field = "volts"
name = "{name}_volts"
[[instrument.channel]]
field = "power"
name = "{name}_power"
"""
    for name, place in (("near", "supply end"), ("far", "machine end"))
)
BENCH = f'format = 1\nname = "leads"\n{NEAR}{FAR}'
BY_POWER = PLAN[: PLAN.index("[[limit]]")].replace('"power"', '"far_power"')
BY_POWER = BY_POWER.replace(
    'channel = "current"\non_above = 1.0\noff_below = 0.5',
    'channel = "far_power"\non_above = 400\noff_below = 100',
)


@pytest.fixture
def bench() -> Bench:
    profiles = {"mains": ("mains.toml", METER)}
    return parse_bench(BENCH, file="bench.toml", find_profile=profiles.get)


def pair_at(
    watts: float, bench: Bench, folder: Path, computer: Computer, plan: Plan | None
) -> Item:
    """The item of both voltmeters while the far one shows a power."""

    def read(instruments: Sequence[Instrument]) -> Mapping[str, tuple[Reading, ...]]:
        shown = {"near": 0.0, "far": watts}
        return {
            i.name: tuple(
                Reading(i.name, float(n), (230.0, shown[i.name])) for n in range(20)
            )
            for i in instruments
        }

    clock, answers = computer.clock(), Answers({"pair": "yes"}, None)
    kept = Kept((), clock.utc_text())
    walk = Walk(bench, plan, folder / "bench.db", answers, read, kept, clock)
    return next(walk.after_talking({}))


def test_a_pair_is_read_though_a_load_meter_shows_standby(
    bench: Bench, tmp_path: Path, computer: Computer
) -> None:
    item = pair_at(0.6, bench, tmp_path, computer, None)
    assert (item.name, item.verdict.value) == ("pair:far_volts", "done")
    assert item.finding.endswith("; far_power shows 0.6 W, taken for standby")
    still = pair_at(0.0, bench, tmp_path, computer, None)
    assert "standby" not in still.finding


def test_the_start_channel_of_the_plan_tells_whether_the_machine_is_off(
    bench: Bench, tmp_path: Path, computer: Computer
) -> None:
    plan = parse_plan(BY_POWER, file="plan.toml", bench=bench)
    for watts, without_plan, with_plan in (
        (60.0, "refused", "done"),
        (150.0, "refused", "refused"),
    ):
        item = pair_at(watts, bench, tmp_path, computer, None)
        assert item.verdict.value == without_plan
        item = pair_at(watts, bench, tmp_path, computer, plan)
        assert item.verdict.value == with_plan
