"""Every bench, plan and profile that ships with the program is good, and its JSON Schema says the same."""

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import BaseModel

from daq.config.bench import Bench, parse_bench, parse_profile
from daq.config.models import BenchModel, PlanModel, Profile
from daq.config.plan import parse_plan
from daq.config.wires import PROTOCOLS
from daq.units import UNITS

CONFIGS = Path(__file__).parents[3] / "configs"
BENCHES = sorted(CONFIGS.glob("*/bench.toml"))
PLANS = sorted(CONFIGS.glob("*/plan.toml"))
PROFILES = sorted((CONFIGS / "profiles").glob("*.toml"))
SHIPPED: list[tuple[Path, type[BaseModel]]] = [
    *((path, BenchModel) for path in BENCHES),
    *((path, PlanModel) for path in PLANS),
    *((path, Profile) for path in PROFILES),
]
AS_MODEL = pytest.mark.parametrize(
    ("path", "model"), SHIPPED, ids=[str(p.relative_to(CONFIGS)) for p, _ in SHIPPED]
)


def _find_profile(name: str) -> tuple[str, str] | None:
    path = CONFIGS / "profiles" / f"{name}.toml"
    return (str(path), path.read_text(encoding="utf-8")) if path.is_file() else None


def _bench(path: Path) -> Bench:
    return parse_bench(
        path.read_text(encoding="utf-8"), file=str(path), find_profile=_find_profile
    )


def _validator(model: type[BaseModel]) -> Draft202012Validator:
    schema = json.loads(json.dumps(model.model_json_schema()))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def _parsed(path: Path) -> dict[str, Any]:
    return tomllib.loads(path.read_text(encoding="utf-8"))


def test_there_are_shipped_files_of_every_kind() -> None:
    assert BENCHES
    assert PLANS
    assert PROFILES


@pytest.mark.parametrize("path", PROFILES, ids=lambda p: p.stem)
def test_a_shipped_profile_is_whole(path: Path) -> None:
    profile = parse_profile(path.read_text(encoding="utf-8"), file=str(path))
    for field in profile.field:
        assert UNITS[field.unit].quantity == field.quantity
        # A reading outside of these limits is a gap, so zero must lie within.
        assert field.low is not None
        assert field.high is not None
        # The air of the room has a pressure whether or not the machine runs.
        least = 300.0 if field.name == "barometric_pressure" else 0.0
        assert field.low <= least < field.high


@pytest.mark.parametrize("path", BENCHES, ids=lambda p: p.parent.name)
def test_a_shipped_bench_is_whole_and_can_talk(path: Path) -> None:
    bench = _bench(path)
    names = [channel.name for channel in bench.channels]
    assert len(set(names)) == len(names) > 0
    for instrument in bench.instruments:
        protocol = instrument.make_protocol(speed=1.0)
        assert bool(protocol.query(0.0)) is not instrument.is_streamed


@pytest.mark.parametrize("path", PLANS, ids=lambda p: p.parent.name)
def test_a_shipped_plan_fits_its_bench(path: Path) -> None:
    bench = _bench(path.parent / "bench.toml")
    plan = parse_plan(path.read_text(encoding="utf-8"), file=str(path), bench=bench)
    assert plan.baseline in plan.instructions
    assert len(plan.order(seed=1)) >= 2
    assert plan.rules.limits


def test_every_protocol_has_a_shipped_profile() -> None:
    assert {_parsed(path)["wire"]["protocol"] for path in PROFILES} == set(PROTOCOLS)


def test_the_bench_of_all_meters_has_every_shipped_profile() -> None:
    bench = _parsed(CONFIGS / "all-meters" / "bench.toml")
    used = {instrument["profile"] for instrument in bench["instrument"]}
    assert used == {path.stem for path in PROFILES}


@pytest.mark.parametrize(
    ("current_ma", "is_reading"),
    [(0.0, False), (3.599, False), (3.601, True), (4.0, True), (20.0, True), (20.5, False)],
)  # fmt: skip
def test_a_loop_that_has_failed_or_is_at_its_end_gives_no_reading(
    current_ma: float, *, is_reading: bool
) -> None:
    # NAMUR NE 43: a failure below 3.6 mA, saturation at 20.5 mA.
    text = (CONFIGS / "profiles" / "velocity-loop-modbus.toml").read_text(
        encoding="utf-8"
    )
    (field,) = parse_profile(text, file="velocity-loop-modbus.toml").field
    assert field.low is not None
    assert field.high is not None
    velocity = round(current_ma * 1000) * field.scale + field.offset
    assert (field.low <= velocity <= field.high) is is_reading
    if current_ma in (4.0, 20.0):
        # The two ends of the range.
        assert velocity == pytest.approx({4.0: 0.0, 20.0: 30.0}[current_ma], abs=1e-9)


@AS_MODEL
def test_the_schema_accepts_a_shipped_file(path: Path, model: type[BaseModel]) -> None:
    errors = list(_validator(model).iter_errors(_parsed(path)))
    assert errors == []


@AS_MODEL
def test_the_schema_refuses_an_unknown_key(path: Path, model: type[BaseModel]) -> None:
    validator = _validator(model)
    top = _parsed(path) | {"unknown": 1}
    assert not validator.is_valid(top)
    array = {BenchModel: "instrument", PlanModel: "condition", Profile: "field"}[model]
    nested = _parsed(path)
    nested[array][0]["unknown"] = 1
    assert not validator.is_valid(nested)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("unit", "psi"),
        ("quantity", "luminance"),
        ("resolution", 0),
        ("name", "9 lives"),
    ],
)
def test_the_schema_refuses_what_the_program_refuses(key: str, value: object) -> None:
    profile = _parsed(PROFILES[0])
    profile["field"][0][key] = value
    assert not _validator(Profile).is_valid(profile)


def test_every_unit_and_protocol_stands_in_the_schema_for_an_editor_to_offer() -> None:
    text = json.dumps(Profile.model_json_schema())
    for symbol in UNITS:
        assert json.dumps(symbol) in text
    for protocol in PROTOCOLS:
        assert f'"{protocol}"' in text
