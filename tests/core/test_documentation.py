"""What README.md and DEVELOPERS.md name is there, and what is there is named."""

import re
import sqlite3
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from daq.cli import main
from daq.config import accuracy, compared, models, serving, surroundings, wires
from daq.config.bench import parse_profile
from daq.config.checked import Model
from daq.config.secrets import PasswordModel
from daq.runtime.snapshot import Snapshot
from daq.runtime.store.schema import migrate
from daq.runtime.web.files import static_routes
from daq.settling.parameters import Parameters
from daq.settling.presets import PRESETS
from daq.units import UNITS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TEXTS = pytest.mark.parametrize(
    "text", [README, DEVELOPERS], ids=["README.md", "DEVELOPERS.md"]
)

ELSEWHERE = {
    ".venv/bin/daq",  # made by the installation
    "daq/_bundle",  # only in a wheel
    "daq/physics",  # reserved for what may come
}
SUFFIXES = (".py", ".toml", ".md", ".js", ".html", ".css")
TABLES: Mapping[str, Mapping[str, type[BaseModel]]] = MappingProxyType(
    {
        "Profile": {
            "top level": models.Profile,
            "`[line]`": wires.LineSettings,
            "`[wire]` of modbus-rtu": wires.ModbusRtuWire,
            "`[wire]` of modbus-ascii": wires.ModbusAsciiWire,
            "`[wire]` of query-lines": wires.QueryLinesWire,
            "`[wire]` of streamed-lines": wires.StreamedLinesWire,
            "`[wire]` of fixed-frames": wires.FixedFramesWire,
            "`[wire.checksum]`": wires.FrameChecksumModel,
            "`[[field]]`": models.FieldModel,
            "`[field.sign]`, `[field.overrange_bits]`": wires.BitsModel,
            "`[field.point]`": wires.PointModel,
            "`[field.accuracy]`": accuracy.AccuracyModel,
            "`[field.accuracy.certificate]`": accuracy.CertificateModel,
        },
        "Bench": {
            "top level": models.BenchModel,
            "`[page]`": serving.PageModel,
            "`[idle]`": serving.IdleModel,
            "`[broker]`": models.BrokerModel,
            "`[[instrument]]`": models.InstrumentModel,
            "`[[instrument.channel]]`": models.ChannelModel,
            "`[[typed]]`": models.TypedModel,
            "`[air]`": surroundings.AirModel,
            "`[[airflow]]`": surroundings.AirflowModel,
            "`[airflow.pitot]`": surroundings.PitotModel,
            "`[airflow.orifice]`": surroundings.OrificeModel,
        },
        "Plan": {
            "top level": models.PlanModel,
            "`[machine]`": models.MachineModel,
            "`[machine.nameplate]`": compared.NameplateModel,
            "`[[condition]]`": models.ConditionModel,
            "`[condition.lead]`": compared.LeadModel,
            "`[order]`": models.OrderModel,
            "`[start]`": models.StartModel,
            "`[settling]`": models.SettlingModel,
            "`[settling.normalise]`": models.NormaliseModel,
            "`[averaging]`": models.AveragingModel,
            "`[[limit]]`": models.LimitModel,
            "`[prices]`": compared.PricesModel,
            "`[circuit]`": compared.CircuitModel,
            "`[comparison]`": compared.ComparisonModel,
            "`[comparison.spread.NAME]`": compared.SpreadModel,
        },
    }
)
"""The tables of each file, as the configuration reference heads them."""


def _section(title: str, *, level: int = 2) -> str:
    """Text below a heading of DEVELOPERS.md, down to the next one as high."""
    marks = "#" * level
    pattern = rf"^{marks} (?:\d+\. )?{re.escape(title)}\n(.*?)(?=^#{{2,{level}}} |\Z)"
    found = re.search(pattern, DEVELOPERS, flags=re.MULTILINE | re.DOTALL)
    assert found, f"no section {title!r}"
    return found[1]


def _without_blocks(text: str) -> str:
    return re.sub(r"^ *```.*?^ *```", "", text, flags=re.MULTILINE | re.DOTALL)


def _codes(text: str) -> list[str]:
    """What stands in backticks, on one line each."""
    found = re.findall(r"`([^`]+)`", _without_blocks(text))
    return [" ".join(code.split()) for code in found]


def _blocks(language: str, text: str) -> list[str]:
    return re.findall(
        rf"^```{language}\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL
    )


# ---- paths


def _named_paths(text: str) -> set[str]:
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    return {name for name in [*_codes(text), *links] if _is_path(name)}


def _is_path(name: str) -> bool:
    if name in ELSEWHERE or name in UNITS or name in SUFFIXES:
        return False
    if not re.fullmatch(r"[\w.-][\w./-]*", name):
        return False
    return "/" in name or name.endswith(SUFFIXES)


def _exists(name: str) -> bool:
    if (ROOT / name).exists():
        return True
    folders = ("daq", "simulators", "configs", "tests")
    return "/" not in name and any(
        next((ROOT / folder).rglob(name), None) for folder in folders
    )


@TEXTS
def test_every_path_that_is_named_exists(text: str) -> None:
    named = _named_paths(text)
    assert named
    assert sorted(name for name in named if not _exists(name)) == []


def test_a_path_that_does_not_exist_is_found() -> None:
    named = _named_paths("see `daq/nowhere.py`, `nothing.toml`, `m3/h` and [it](lost/)")
    assert named == {"daq/nowhere.py", "nothing.toml", "lost/"}
    assert not any(map(_exists, named))


def test_every_section_that_readme_sends_to_exists() -> None:
    sent_to = re.findall(r'DEVELOPERS\.md, "([^"]+)"', " ".join(README.split()))
    assert sent_to
    headings = re.findall(r"^#+ (?:\d+\. )?(.+)$", DEVELOPERS, flags=re.MULTILINE)
    assert set(sent_to) <= set(headings)


# ---- commands


def _commands(text: str) -> set[str]:
    return set(re.findall(r"\bdaq ([a-z]+)\b", "\n".join([*_codes(text), *_shell()])))


def _shell() -> list[str]:
    return [*_blocks("sh", README), *_blocks("sh", DEVELOPERS)]


@pytest.mark.parametrize("command", sorted(_commands(README) | _commands(DEVELOPERS)))
def test_every_command_that_is_named_has_help(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    assert ended.value.code == 0
    assert capsys.readouterr().out.startswith(f"usage: daq {command} ")


def test_readme_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    listed = re.findall(r"^  ([a-z]+) ", capsys.readouterr().out, flags=re.MULTILINE)
    assert listed
    assert set(listed) <= _commands(README)


# ---- presets


def test_readme_shows_the_presets_as_the_command_prints_them(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit):
        main(["settle", "--presets"])
    printed, _, _ = capsys.readouterr().out.partition("\n\n")
    # Columns stand two blanks apart, words one.
    expected = [re.split(r"  +", line) for line in printed.splitlines()]
    head = f"| {' | '.join(expected[0])} |\n"
    assert head in README
    table, _, _ = README[README.index(head) :].partition("\n\n")
    rows = [line.strip("| ").split(" | ") for line in table.splitlines()]
    assert [rows[0], *rows[2:]] == expected
    assert {row[0] for row in rows[2:]} == set(PRESETS)


def _parameters_in(section: str) -> set[str]:
    """Parameters of the rule that are named beside what is done with them."""
    return {code for code in _codes(section) if re.fullmatch(r"[a-z]+(_[a-z]+)+", code)}


def test_every_parameter_that_is_named_exists() -> None:
    rule = _section("Settling, averages and uncertainty")
    text, _, _ = rule.partition("### Uncertainty")
    named = _parameters_in(text)
    assert {"tau_max_s", "least_s", "accept_probability"} <= named
    elsewhere = {"plain_mean", "smallest_tolerance", "trial_longest_s"}
    known = {field.name for field in fields(Parameters)}
    assert named - elsewhere - known == set()


# ---- profiles


def test_the_examples_of_profiles_are_good_and_show_every_wire_protocol() -> None:
    texts = _blocks("toml", _section("An instrument by profile", level=3))
    shown = [parse_profile(text, file="example").wire.protocol for text in texts]
    wires = get_args(models.Profile.model_fields["wire"].annotation)
    known = {get_args(w.model_fields["protocol"].annotation)[0] for w in wires}
    assert known == set(shown)
    assert len(shown) == len(known)


def test_the_examples_of_profiles_show_every_key() -> None:
    text = "\n".join(_blocks("toml", _section("An instrument by profile", level=3)))
    keys = {key for model in TABLES["Profile"].values() for key in model.model_fields}
    assert sorted(k for k in keys if not re.search(rf"\b{k}\b *[=\]]", text)) == []


# ---- the map


def _mapped() -> set[str]:
    """Modules and folders of the map; a folder stands for its __init__.py."""
    found: set[str] = set()
    folder = ""
    for line in _section("The map").splitlines():
        if heading := re.match(r"- \*\*`([^`]+)`\*\*", line):
            folder = heading[1]
            found.add(f"{folder}__init__.py")
        elif listed := re.match(r"  - ((?:`[^`]+`(?:, )?)+):", line):
            found |= {f"{folder}{name}" for name in _codes(listed[1])}
    return found


def test_the_map_holds_every_module_and_no_other() -> None:
    packages = ("daq", "simulators")
    there = {
        path.relative_to(ROOT).as_posix()
        for package in packages
        for path in (ROOT / package).rglob("*.py")
    }
    mapped = {name for name in _mapped() if name.startswith(packages)}
    assert there - mapped == set()
    assert mapped - there == set()


def test_the_map_holds_every_file_of_the_page_and_of_the_configurations() -> None:
    named = set(_codes(_section("The map")))
    static = {path.name for path in (ROOT / "daq/runtime/web/static").iterdir()}
    assert static - named == set()
    configs = {p.relative_to(ROOT).as_posix() for p in ROOT.glob("configs/*/*.toml")}
    missing = {
        name
        for name in configs - named
        if not {f"{Path(name).parent}/", Path(name).name} <= named
    }
    assert missing == set()


# ---- names in the code


def _defined() -> set[str]:
    """Names of all functions, classes and constants of the program and its tests."""
    pattern = (
        r"^ *(?:(?:async )?def|class|const|export function) (\w+)|^([A-Z_]+)\b[^=]*="
    )
    found = {
        name
        for folder in ("daq", "simulators", "tests")
        for path in (ROOT / folder).rglob("*.[pj][ys]")
        for pair in re.findall(pattern, path.read_text(encoding="utf-8"), re.MULTILINE)
        for name in pair
    }
    return found | set(models.Profile.model_fields)


@pytest.mark.parametrize(
    "section",
    [
        "One reading's journey",
        "Recipes",
        "Settling, averages and uncertainty",
    ],
)
def test_every_name_of_the_code_exists(section: str) -> None:
    # A capital or an underscore in front, dots behind it or not, or one of our verbs.
    shape = r"_?[A-Z]\w+(?:\.\w+)*|_\w+|(?:parse|read|render|open|finish)_\w*[a-z]"
    named = [code for code in _codes(_section(section)) if re.fullmatch(shape, code)]
    parts = {part for name in named for part in name.split(".")}
    assert parts
    assert parts - _defined() == set()


# ---- configuration


def _entries(file: str) -> dict[str, str]:
    """The entries of one file in the configuration reference, under their heads."""
    text = _section(file, level=3)
    parts = re.split(r"^- \*\*(.+?)\*\*", text, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def _default(entry: str, key: str) -> Any:
    """The default that an entry shows; None where it names the key without one."""
    for code in _codes(entry):
        if code == key:
            return None
        if code.startswith(f"{key} = "):
            return tomllib.loads(code)[key]
    return ...


def _expected_default(model: type[BaseModel], key: str) -> Any:
    field = model.model_fields[key]
    value = (
        None if field.is_required() else field.get_default(call_default_factory=True)
    )
    is_table = isinstance(value, BaseModel) or key in {"channel", "limit"}
    if is_table and not isinstance(value, str | int | float):
        return None
    return list(value) if isinstance(value, tuple) else value


KEYS = [
    pytest.param(file, table, model, key, id=f"{file} {table} {key}")
    for file, tables in TABLES.items()
    for table, model in tables.items()
    for key in model.model_fields
]


@pytest.mark.parametrize(("file", "table", "model", "key"), KEYS)
def test_every_key_is_in_the_reference_with_its_default(
    file: str, table: str, model: type[BaseModel], key: str
) -> None:
    assert _default(_entries(file)[table], key) == _expected_default(model, key)


def test_the_reference_holds_every_table_and_no_other() -> None:
    for file, tables in TABLES.items():
        assert set(_entries(file)) == set(tables)
    shown = {model for tables in TABLES.values() for model in tables.values()}
    there = {
        value
        for module in (models, accuracy, compared, serving, surroundings, wires)
        for value in vars(module).values()
        if isinstance(value, type) and issubclass(value, Model)
    }
    assert there - {Model, models.ShownModel, PasswordModel} == shown


# ---- messages, page, store


def test_every_file_of_the_page_is_told() -> None:
    served = {str(getattr(route, "path", "")) for route in static_routes()}
    told = {"/", *(f"/{code}" for code in _codes(_section("The map")))}
    library = {"/uplot.js", "/uplot.css"}
    assert "/" in served
    assert served - told - library == set()


def _keys_of(record: type) -> Iterator[str]:
    """Names of a record's fields and of those of the records in it."""
    for field in fields(record):
        yield field.name
        for part in (field.type, *_parts(field.type)):
            if isinstance(part, type) and is_dataclass(part):
                yield from _keys_of(part)


def _parts(annotation: object) -> Iterator[object]:
    for part in get_args(annotation):
        yield part
        yield from _parts(part)


def test_every_key_of_the_snapshot_is_told() -> None:
    told = set(_codes(_section("Messages")))
    keys = set(_keys_of(Snapshot))
    assert {"urgency", "holding_back", "seconds_left"} <= keys
    assert keys - told == set()


def test_every_table_and_view_of_the_store_is_told() -> None:
    with closing(sqlite3.connect(":memory:")) as connection:
        migrate(connection)
        rows = connection.execute(
            "SELECT name FROM sqlite_master WHERE type IN ('table', 'view')"
        ).fetchall()
    ours = {name for (name,) in rows if "sqlite_" not in name}
    assert "trial_averages" in ours
    assert ours - set(_codes(_section("The store"))) == set()
