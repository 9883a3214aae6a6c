"""The simulation file: which bench is simulated, with which conditions and meters.

Builds the models' own records from a TOML file and refuses what does not fit together:
a meter where nothing of its kind can be measured, two meters on one line that cannot
share it, unknown keys. Every fault of a file is told, as `file: key: what, expected`.
"""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from simulators.kinds import KINDS, Kind
from simulators.models.air import Duct, Fan, Flutter, Resistance
from simulators.models.lead import Lead
from simulators.models.machine import SeriesMotor
from simulators.models.operating import Condition, Parts, quantities_at
from simulators.models.supply import Supply
from simulators.tables import ConfigError, Table
from simulators.wires.framing import Framing, parse_framing

FORMAT = 1
SMALL = 1e-12
"""Least value of what may be as small as it likes, but not zero."""


@dataclass(frozen=True)
class LineSettings:
    """One serial line."""

    name: str
    framing: Framing


@dataclass(frozen=True)
class MeterSettings:
    """One meter: what it is, where it is put, and on which line it answers."""

    name: str
    kind_name: str
    kind: Kind
    line: str
    unit: int
    place: str


@dataclass(frozen=True)
class Simulation:
    """Everything that a simulation file says."""

    scenario: str
    parts: Parts
    conditions: tuple[Condition, ...]
    lines: tuple[LineSettings, ...]
    meters: tuple[MeterSettings, ...]

    def meters_on(self, line: str) -> tuple[MeterSettings, ...]:
        """The meters that share a line."""
        return tuple(meter for meter in self.meters if meter.line == line)


def load_simulation(file: Path) -> Simulation:
    """Read a simulation file.

    Raises:
        ConfigError: If it cannot be read, or says something that does not fit.
    """
    try:
        content = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as exc:
        raise ConfigError([f"{file}: {exc}, expected a TOML file"]) from exc
    problems: list[str] = []
    simulation = _simulation(Table(content, path="", problems=problems))
    if problems:
        raise ConfigError([f"{file}: {problem}" for problem in problems])
    return simulation


def _simulation(root: Table) -> Simulation:
    root.whole("format", least=FORMAT, most=FORMAT)
    scenario = root.text("scenario")
    parts = _parts(root)
    conditions = _conditions(root)
    lines = tuple(_line(table) for table in root.tables("lines"))
    meters = _meters(root, parts, lines)
    root.finish()
    return Simulation(scenario, parts, conditions, lines, meters)


def _parts(root: Table) -> Parts:
    room = root.table("room")
    duct = root.table("duct")
    parts = Parts(
        supply=_supply(root.table("supply")),
        motor=_motor(root.table("motor")),
        fan=_fan(root.table("fan")),
        duct=_duct(duct),
        air_place=duct.text("place", ("duct", "outlet")),
        room_c=room.number("temperature_c", least=-40, most=60),
        room_percent_rh=room.number("humidity_percent", 45.0, most=100),
        room_hpa=room.number("barometric_hpa", 1000.0, least=300, most=1100),
    )
    duct.finish()
    room.finish()
    return parts


def _supply(table: Table) -> Supply:
    supply = Supply(
        nominal_v=table.number("nominal_v", least=1, most=1000),
        resistance_ohm=table.number("resistance_ohm"),
        reactance_ohm=table.number("reactance_ohm"),
        wander_percent=table.number("wander_percent", most=10),
        wander_time_s=table.number("wander_time_s", least=0.1),
    )
    table.finish()
    return supply


def _motor(table: Table) -> SeriesMotor:
    motor = SeriesMotor(
        winding_ohm=table.number("winding_ohm", least=SMALL),
        reactance_ohm=table.number("reactance_ohm"),
        torque_constant_nm_per_a2=table.number(
            "torque_constant_nm_per_a2", least=SMALL
        ),
        friction_nm=table.number("friction_nm"),
        inertia_kg_m2=table.number("inertia_kg_m2", least=SMALL),
        heating_k_per_w=table.number("heating_k_per_w"),
        warming_s=table.number("warming_s", least=0.1),
        cooling_s=table.number("cooling_s", least=0.1),
    )
    table.finish()
    return motor


def _fan(table: Table) -> Fan:
    fan = Fan(
        pressure_pa_s2=table.number("pressure_pa_s2", least=SMALL),
        droop_pa_s2_per_m2=table.number("droop_pa_s2_per_m2", least=SMALL),
        churning_nm_s2=table.number("churning_nm_s2", least=SMALL),
        turning_nm_s2_per_m=table.number("turning_nm_s2_per_m"),
    )
    table.finish()
    return fan


def _duct(table: Table) -> Duct:
    return Duct(
        area_m2=table.number("area_m2", least=SMALL),
        resistance=_resistance(table),
        heat_capacity_j_per_k=table.number("heat_capacity_j_per_k", least=1),
        wall_loss_w_per_k=table.number("wall_loss_w_per_k", least=0.01),
    )


def _resistance(table: Table) -> Resistance:
    return Resistance(
        table.number("linear_pa_s_per_m", 0.0),
        table.number("quadratic_pa_s2_per_m2", 0.0),
    )


def _conditions(root: Table) -> tuple[Condition, ...]:
    usual = root.table("lead")
    tables = root.tables("conditions")
    conditions = tuple(_condition(table, usual) for table in tables)
    _refuse_twice(root, "conditions", [condition.name for condition in conditions])
    return conditions


def _condition(table: Table, usual_lead: Table) -> Condition:
    filter_table = table.table("filter")
    condition = Condition(
        name=table.text("name"),
        lead=_lead(table.table("lead", defaults=usual_lead)),
        filter=_resistance(filter_table),
        flutter=_flutter(filter_table),
    )
    filter_table.finish()
    table.finish()
    return condition


def _flutter(table: Table) -> Flutter | None:
    percent = table.number("flutter_percent", 0.0, most=100)
    period_s = table.number("flutter_s", 10.0, least=0.2)
    return Flutter(percent / 100, period_s) if percent else None


def _lead(table: Table) -> Lead:
    lead = Lead(
        length_m=table.number("length_m", least=0.01),
        area_mm2=table.number("area_mm2", least=0.01),
        contact_ohm=table.number("contact_ohm"),
        reactance_ohm_per_m=table.number("reactance_ohm_per_m"),
        heating_k_m_per_w=table.number("heating_k_m_per_w"),
        time_constant_s=table.number("time_constant_s", least=0.1),
    )
    table.finish()
    return lead


def _line(table: Table) -> LineSettings:
    name = table.text("name")
    if "/" in name:
        table.report("name", f"got {name!r}, expected a name without /")
    baud = table.whole("baud", least=50, most=4_000_000)
    shape = table.text("framing")
    try:
        framing = parse_framing(baud, shape)
    except ValueError as exc:
        table.report("framing", str(exc))
        framing = parse_framing(9600, "8N1")
    table.finish()
    return LineSettings(name, framing)


def _meters(
    root: Table, parts: Parts, lines: Sequence[LineSettings]
) -> tuple[MeterSettings, ...]:
    names = [line.name for line in lines]
    meters = tuple(_meter(table, parts, names) for table in root.tables("meters"))
    _refuse_twice(root, "lines", names)
    _refuse_twice(root, "meters", [meter.name for meter in meters])
    for line in names:
        _refuse_crowd(root, line, [meter for meter in meters if meter.line == line])
    return meters


def _meter(table: Table, parts: Parts, lines: Sequence[str]) -> MeterSettings:
    kind_name = table.text("kind", sorted(KINDS))
    kind = _kind(table, KINDS.get(kind_name, KINDS["ac-meter-float"]))
    place = table.text("place")
    missing = set(kind.quantities) - set(
        quantities_at(place, air_place=parts.air_place)
    )
    if missing:
        what = ", ".join(sorted(missing))
        expected = (
            f"supply end, machine end, {parts.air_place} or room, where these exist"
        )
        table.report("place", f"no {what} at {place!r}, expected {expected}")
    meter = MeterSettings(
        name=table.text("name"),
        kind_name=kind_name,
        kind=kind,
        line=table.text("line", lines),
        unit=table.whole("unit", least=1, most=247) if kind.has_unit else 0,
        place=place,
    )
    table.finish()
    return meter


def _kind(table: Table, usual: Kind) -> Kind:
    """The usual kind, with the times that the file sets itself."""
    kind = replace(
        usual,
        refresh_s=table.number("refresh_s", usual.refresh_s, least=0.1),
        averaging_s=table.number("averaging_s", usual.averaging_s, least=0.1),
        least_reply_s=table.number("least_reply_s", usual.least_reply_s),
        most_reply_s=table.number("most_reply_s", usual.most_reply_s),
        worst_reply_s=table.number("worst_reply_s", usual.worst_reply_s),
        timeout_s=table.number("timeout_s", usual.timeout_s),
    )
    if usual.interval_s is None:
        return kind
    interval_s = table.number("interval_s", usual.interval_s, least=0.1)
    return replace(kind, interval_s=interval_s)


def _refuse_twice(root: Table, key: str, names: Sequence[str]) -> None:
    for name in sorted({name for name in names if names.count(name) > 1}):
        root.report(key, f"{name!r} stands there twice, expected names that differ")


def _refuse_crowd(root: Table, line: str, meters: Sequence[MeterSettings]) -> None:
    if not meters:
        root.report("lines", f"nothing is on {line!r}, expected at least one meter")
    if len(meters) > 1 and not all(meter.kind.has_unit for meter in meters):
        names = ", ".join(meter.name for meter in meters)
        root.report(
            "meters", f"{names} share {line!r}, expected units that have addresses"
        )
    if len({meter.kind.frame_end for meter in meters}) > 1:
        names = ", ".join(meter.name for meter in meters)
        root.report("meters", f"{names} share {line!r}, expected one kind of frames")
    units = [str(meter.unit) for meter in meters if meter.kind.has_unit]
    _refuse_twice(root, f"meters: units on {line!r}", units)
