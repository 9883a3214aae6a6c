"""The air of the bench: what its file says, against what is stated or measured today."""

import math

from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import Entry
from daq.checklist.pressures import EXPECTED, KINDS, Stated, bench_lines, parse_stated
from daq.checklist.ticks import YES
from daq.comparison.rules import Air
from daq.physics.atmosphere import (
    PressureKind,
    PressureStatement,
    StationPressure,
    station_pressure,
)
from daq.wording import sentence

AIR = "air"
REASON = (
    "Standard airflow goes with the density of the air, and a pressure reduced to sea level, taken for the bench's own,"
    " makes it 12 % too dense at 914 m."
)
_COVERAGE = 2.0


def air_question(air: Air | None) -> str:
    """What is to be answered, for a bench that does not measure its pressure."""
    return f"What is the air pressure today? {KINDS}\n{sentence(_expected(air))}"


def _expected(air: Air | None) -> str:
    if air is not None and air.pressure_hpa is not None:
        return f'{EXPECTED}, or "yes" if the {air.pressure_hpa:g} hPa of the bench are of today'
    return EXPECTED


def needs_answer(air: Air | None) -> bool:
    """Whether somebody has to say what the pressure is."""
    return air is None or not (air.pressure_channel or air.pressure_hpa is None)


def parse_air_answer(text: str) -> str:
    """An answer that can be kept.

    Raises:
        ValueError: If it is neither yes nor a statement of pressure.
    """
    if text.strip().casefold() in {YES, "y"}:
        return YES
    parse_stated(text)
    return text.strip()


def judge_air(
    air: Air | None,
    *,
    has_airflow: bool,
    entry: Entry | None,
    measured_hpa: float | None,
    measured_c: float | None = None,
) -> Item:
    """How the bench's air stands.

    Args:
        air: Of the bench; None where it says nothing.
        has_airflow: Whether an airflow is made on this bench.
        entry: What was answered today.
        measured_hpa: What its barometer's channel shows [hPa].
        measured_c: What its thermometer's channel shows [°C].
    """
    if not has_airflow:
        return _item(ItemVerdict.NOT_APPLICABLE, "no airflow is made on this bench")
    if air is not None and air.pressure_channel:
        return _by_channel(air, measured_hpa)
    bench_c = air.temperature_c if air is not None else None
    stated = _stated(entry, bench_c if measured_c is None else measured_c)
    if stated is not None and stated.at_bench.looks_reduced:
        return _looks_reduced(stated.at_bench)
    return _without_table(stated) if air is None else _by_file(air, stated, entry)


def _by_file(air: Air, stated: Stated | None, entry: Entry | None) -> Item:
    """By the figures in the bench's file."""
    own = _of_bench(air)
    if own.looks_reduced:
        return _looks_reduced(own)
    if stated is not None:
        return _compared(own, stated)
    shown = _shown(own)
    if air.pressure_hpa is None:
        words = f"from the altitude alone, {shown}: a barometer would know it ten times better"
        return _item(ItemVerdict.DONE, words, own)
    if entry is None:
        words = f"the bench states {shown} at the bench, of some day: what is it today, {_expected(air)}"
        return _item(ItemVerdict.TO_DO, words, own)
    return _item(ItemVerdict.DONE, f"{shown}, of today by {entry.utc}", own)


def _stated(entry: Entry | None, bench_air_c: float | None) -> Stated | None:
    """What was stated; None for no answer, and for one that only said yes."""
    if entry is None or entry.answer == YES:
        return None
    return parse_stated(entry.answer, bench_air_c=bench_air_c)


def _without_table(stated: Stated | None) -> Item:
    if stated is None:
        words = f"the bench has no table [air]: what is the pressure, {_expected(None)}"
        return _item(ItemVerdict.TO_DO, words)
    words = (
        f"{_shown(stated.at_bench)} follows from what was stated{_taken(stated)}; write a table [air] into the bench with"
        f" temperature_c and {bench_lines(stated)}"
    )
    return _item(ItemVerdict.TO_DO, words, stated.at_bench)


def _by_channel(air: Air, measured_hpa: float | None) -> Item:
    if measured_hpa is None:
        words = f"{air.pressure_channel} gave no reading: see what the check says of its meter"
        return _item(ItemVerdict.TO_DO, words)
    statement = PressureStatement(
        PressureKind.STATION, measured_hpa * 100.0, air.altitude_m
    )
    try:
        measured = station_pressure(statement)
    except ValueError as exc:
        return _item(ItemVerdict.REFUSED, f"{air.pressure_channel}: {exc}")
    if measured.looks_reduced:
        return _looks_reduced(measured)
    words = f"{air.pressure_channel} shows {measured_hpa:.1f} hPa"
    return _item(ItemVerdict.DONE, words, measured)


def _looks_reduced(pressure: StationPressure) -> Item:
    words = (
        f"{pressure.pressure_pa / 100.0:.1f} hPa cannot be the bench's own at its altitude, it looks reduced to sea"
        ' level: state it as QNH or QFF, or set pressure_kind = "sea level"; a sensor may be set to show either'
    )
    return _item(ItemVerdict.REFUSED, words, pressure)


def _compared(own: StationPressure, stated: Stated) -> Item:
    """What the bench says against what was stated today."""
    apart_pa = stated.at_bench.pressure_pa - own.pressure_pa
    u_pa = math.hypot(own.std_uncertainty_pa, stated.at_bench.std_uncertainty_pa)
    words = f"{_shown(stated.at_bench)} by what was stated{_taken(stated)}, {_shown(own)} by the bench"
    if abs(apart_pa) <= _COVERAGE * u_pa:
        return _item(ItemVerdict.DONE, words, stated.at_bench)
    words += f": write {bench_lines(stated)} into its [air]"
    return _item(ItemVerdict.TO_DO, words, stated.at_bench)


def _taken(stated: Stated) -> str:
    return f" (taken back with {stated.taken})" if stated.taken else ""


def _of_bench(air: Air) -> StationPressure:
    """The pressure that the comparison will take."""
    kind = air.pressure_kind or PressureKind.ALTITUDE
    return station_pressure(
        PressureStatement(
            kind,
            None if air.pressure_hpa is None else air.pressure_hpa * 100.0,
            air.altitude_m,
            air.pressure_u_hpa * 100.0,
        )
    )


def _shown(pressure: StationPressure) -> str:
    expanded_hpa = _COVERAGE * pressure.std_uncertainty_pa / 100.0
    return f"{pressure.pressure_pa / 100.0:.1f} ± {expanded_hpa:.1f} hPa"


def _item(
    verdict: ItemVerdict, finding: str, pressure: StationPressure | None = None
) -> Item:
    if pressure is None:
        return Item(AIR, verdict, finding, REASON)
    figures = {
        "pressure_pa": pressure.pressure_pa,
        "std_uncertainty_pa": pressure.std_uncertainty_pa,
    }
    return Item(AIR, verdict, finding, REASON, figures)
