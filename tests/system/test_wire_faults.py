"""The fault campaign on the wires in its short form; that a sabotaged program fails it; the daemon over spoiled lines.

The full form is `tests/campaigns/wire_faults.py` and `tests/campaigns/wire_faults_sessions.py`.
"""

import contextlib
import json
import math
import re
import signal
import sqlite3
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from scipy import stats  # type: ignore[import-untyped]  # it ships no types

from daq.checksums import LineChecksum
from daq.protocols.fixed_frames import FrameChecksum
from daq.records import Gap, GapReason, Reading
from daq.runtime.poller import LinePoller
from simulators.wires import query_lines, streamed_lines
from tests.campaigns.wire_faults import Row, main
from tests.campaigns.wire_faults_classes import binomial_bound, class_of
from tests.campaigns.wire_faults_driven import run_cell, run_frames
from tests.campaigns.wire_faults_meters import CHECKSUMS, METERS, Meter
from tests.campaigns.wire_faults_sessions import Folder, between
from tests.campaigns.wire_faults_spoiling import Fault, faults_of, resampled
from tests.system.bench_process import ROOT, Run, Simulators

RTU = METERS["modbus-rtu"]
ANALYSER = METERS["query-lines, shipped analyser"]
PLAIN_ANALYSER = METERS["query-lines, shipped analyser, plain numbers"]
VANE = METERS["streamed-lines, shipped vane"]

# ---- the campaign itself


@pytest.mark.parametrize("name", sorted(CHECKSUMS))
def test_the_meters_checksums_are_those_of_the_catalogues(name: str) -> None:
    # Check values over "123456789": CRC-16/MODBUS 0x4B37, CRC-16/IBM-3740 0x29B1, CRC-8/SMBUS 0xF4; the sum of the
    # digits' codes is 477 = 0x1DD, their exclusive-or 0x31.
    expected = {
        "sum8": 0xDD,
        "lrc8": 0x23,
        "xor8": 0x31,
        "crc8": 0xF4,
        "crc16-modbus": 0x4B37,
        "crc16-ccitt": 0x29B1,
    }
    assert CHECKSUMS[name][1](b"123456789") == expected[name]


@pytest.mark.parametrize("share", [2.0**-16, 2.0**-8, 1 / 24])
@pytest.mark.parametrize("trials", [1, 300, 20_000])
def test_the_bound_is_the_binomial_quantile(trials: int, share: float) -> None:
    assert binomial_bound(trials, share) == stats.binom.ppf(0.999, trials, share)


def test_what_is_read_at_the_right_speed_is_what_was_sent() -> None:
    assert resampled(b"\x00\x55\xffMETER", 1.0) == b"\x00\x55\xffMETER"
    assert resampled(b"METER", 2.0) != b"METER"


# ---- the shipped meters whose lines nothing protects


def simulated_analyser(values: tuple[float, ...]) -> bytes | None:
    steps = map(Decimal, ("0.01", "0.001", "0.1", "0.001"))
    fields = [query_lines.Field(*each) for each in zip(values, steps, strict=True)]
    return query_lines.answer(b"MEAS?\n", identity=(), fields=fields)


def simulated_vane(values: tuple[float, ...]) -> bytes:
    velocity, temperature = values
    return streamed_lines.encode_line(
        [
            streamed_lines.Labelled("V", velocity, 2, "m/s"),
            streamed_lines.Labelled("T", temperature, 1, "C"),
        ]
    )


@pytest.mark.parametrize(
    ("meter", "simulated"), [(ANALYSER, simulated_analyser), (VANE, simulated_vane)]
)
def test_the_lines_that_are_spoiled_are_those_of_the_scenario_with_every_meter(
    meter: Meter, simulated: Callable[[tuple[float, ...]], bytes | None]
) -> None:
    lengths = set()
    for number in range(1, 200):
        shown = zip(meter.expected(number), meter.scales, strict=True)
        values = [raw * scale for raw, scale in shown]
        assert meter.said(number) == simulated(tuple(values))
        values[meter.overranged] = math.inf
        assert meter.said(number, overrange=True) == simulated(tuple(values))
        lengths.add(len(meter.said(number)))
    assert len(lengths) > 1


@pytest.mark.parametrize(
    ("meter", "file"),
    [
        (ANALYSER, "power-analyser-query.toml"),
        (PLAIN_ANALYSER, "power-analyser-query.toml"),
        (VANE, "vane-anemometer-stream.toml"),
    ],
)
def test_they_are_read_by_the_shipped_profile_but_for_its_pace(
    meter: Meter, file: str
) -> None:
    profile = tomllib.loads(meter.profile)
    shipped = tomllib.loads((ROOT / "configs" / "profiles" / file).read_text())
    assert profile.pop("refresh_s") < shipped.pop("refresh_s")
    for each in (profile, shipped):
        each["wire"].pop("worst_reply_s", None)
    assert profile == shipped


@pytest.mark.slow
@pytest.mark.parametrize("fault", [Fault.FLIPPED, Fault.TAKEN, Fault.INSERTED])
@pytest.mark.parametrize(
    "meter", [ANALYSER, PLAIN_ANALYSER, VANE], ids=lambda meter: meter.name
)
def test_no_more_spoiled_lines_pass_than_were_measured(
    meter: Meter, fault: Fault
) -> None:
    row = Row(meter, fault, run_cell(meter, fault, spoiled=200, seed=3))
    assert row.promised.is_measured
    assert row.is_met, row.cells()


def first_number(text: str) -> float | None:
    """The first number in a text, whatever else is in it."""
    found = re.search(r"[+-]?[0-9]+(?:\.[0-9]+)?(?:E[+-]?[0-9]+)?", text)
    return float(found[0]) if found else None


@pytest.mark.slow
@pytest.mark.parametrize("meter", [ANALYSER, VANE], ids=lambda meter: meter.name)
def test_a_program_that_takes_more_for_a_number_exceeds_what_was_measured(
    meter: Meter,
) -> None:
    module = "streamed_lines" if meter.is_streamed else "query_lines"
    with patch(f"daq.protocols.{module}.number_from_text", first_number):
        tally = run_cell(meter, Fault.FLIPPED, spoiled=250)
    assert Row(meter, Fault.FLIPPED, tally).is_exceeded


# ---- faults


@pytest.mark.slow
@pytest.mark.parametrize("fault", faults_of(RTU))
def test_a_fault_on_modbus_rtu_makes_no_more_false_readings_than_its_class_allows(
    fault: Fault,
) -> None:
    row = Row(RTU, fault, run_cell(RTU, fault, spoiled=40))
    assert row.tally.spoiled >= 40
    assert row.is_met, row.cells()


@pytest.mark.slow
@pytest.mark.parametrize("name", METERS)
def test_faults_mixed_make_no_more_false_readings_than_their_class_allows(
    name: str,
) -> None:
    meter = METERS[name]
    row = Row(meter, Fault.MIXED, run_cell(meter, Fault.MIXED, spoiled=100))
    assert row.tally.true > 20
    assert row.is_met, row.cells()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "reasons"),
    [
        (Fault.SILENT, {GapReason.NO_REPLY}),
        (Fault.LATE, {GapReason.NO_REPLY}),
        (Fault.CUT, {GapReason.CUT, GapReason.GARBLED}),
        (Fault.FLIPPED, {GapReason.GARBLED, GapReason.CUT, GapReason.FOREIGN}),
        (Fault.FOREIGN, {GapReason.FOREIGN}),
        (Fault.ECHO, {GapReason.FOREIGN}),
        (Fault.PORT_LOST, {GapReason.PORT_LOST}),
        (Fault.OVERRANGE, {GapReason.IMPLAUSIBLE}),
    ],
)
def test_every_lost_reading_is_a_gap_with_the_faults_reason(
    fault: Fault, reasons: set[GapReason]
) -> None:
    tally = run_cell(RTU, fault, spoiled=60)
    gaps = {r: n for r, n in tally.reasons.items() if r is not GapReason.MISSED}
    assert gaps.keys() <= reasons
    # Every question has its reading or its gap, but for the last one, which is cut off by the end.
    assert tally.answers - 1 <= tally.true + sum(gaps.values()) <= tally.answers
    assert sum(gaps.values()) >= 59


def test_what_no_wire_can_tell_is_not_promised() -> None:
    for fault in (Fault.OLD, Fault.STUCK, Fault.TWICE, Fault.TOO_LATE):
        promised = class_of(RTU, fault)
        assert (promised.name, promised.bound(100)) == ("undetectable", None)


# ---- sabotage: the campaign fails where the program is made worse


@contextlib.contextmanager
def no_draining() -> Iterator[None]:
    async def at_once(_self: LinePoller, _worst_reply_s: float) -> None:
        """Ask again without waiting for what may still come."""

    with patch.object(LinePoller, "_drain", at_once):
        yield


def ignored_crc() -> contextlib.AbstractContextManager[object]:
    return patch("daq.protocols.modbus.rtu.crc16_modbus", lambda _: 0)


def ignored_in_lines() -> contextlib.AbstractContextManager[object]:
    return patch.object(LineChecksum, "fault_in", lambda _self, _line: "")


def ignored_in_frames() -> contextlib.AbstractContextManager[object]:
    return patch.object(FrameChecksum, "fault_in", lambda _self, _frame: "")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sabotage", "meter", "fault"),
    [
        (no_draining, "modbus-rtu", Fault.LATE),
        (no_draining, "query-lines, address and xor8", Fault.LATE),
        (ignored_crc, "modbus-rtu", Fault.FLIPPED),
        (ignored_in_lines, "query-lines, address and xor8", Fault.FLIPPED),
        (ignored_in_frames, "frames asked for, crc16-ccitt", Fault.FLIPPED),
    ],
)
def test_a_sabotaged_program_fails_the_campaign(
    sabotage: Callable[[], contextlib.AbstractContextManager[object]],
    meter: str,
    fault: Fault,
) -> None:
    with sabotage():
        worse = Row(METERS[meter], fault, run_cell(METERS[meter], fault, spoiled=250))
    assert not worse.is_met, worse.cells()
    sound = Row(METERS[meter], fault, run_cell(METERS[meter], fault, spoiled=60))
    assert sound.is_met, sound.cells()


Told = Callable[[Reading | Gap], Reading | Gap | None]
"""What becomes of an outcome; None: it is not told."""


@contextlib.contextmanager
def telling(becomes: Told) -> Iterator[None]:
    tell = LinePoller._tell

    def worse(self: LinePoller, talk: Any, outcome: Reading | Gap, flags: int) -> None:
        told = becomes(outcome)
        if told is not None:
            tell(self, talk, told, flags)

    with patch.object(LinePoller, "_tell", worse):
        yield


def nothing(_outcome: Reading | Gap) -> None:
    """Nobody hears of anything."""


def no_gap(outcome: Reading | Gap) -> Reading | None:
    return outcome if isinstance(outcome, Reading) else None


def no_missed_poll(outcome: Reading | Gap) -> Reading | Gap | None:
    is_missed = isinstance(outcome, Gap) and outcome.reason is GapReason.MISSED
    return None if is_missed else outcome


def one_poll_each(outcome: Reading | Gap) -> Reading | Gap:
    return replace(outcome, polls=1) if isinstance(outcome, Gap) else outcome


def no_reading(outcome: Reading | Gap) -> Gap:
    """Every reading is called garbled, so that nothing false can come through."""
    if isinstance(outcome, Gap):
        return outcome
    return Gap(outcome.instrument, outcome.at_s, GapReason.GARBLED)


POLLED = ("modbus-rtu", "modbus-rtu, two blocks", "frames asked for, crc16-ccitt")
STREAMED = ("streamed-lines, xor8", "frames streamed, crc16-ccitt")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("becomes", "meter"),
    [
        *((b, m) for b in (nothing, no_gap, no_reading) for m in (*POLLED, *STREAMED)),
        *((b, m) for b in (no_missed_poll, one_poll_each) for m in POLLED),
    ],
)
def test_a_row_without_all_readings_and_gaps_proves_nothing(
    becomes: Told, meter: str
) -> None:
    # Of a storm a whole drain is missed, more than one slot.
    fault = Fault.LATE if meter in POLLED else Fault.FLIPPED
    with telling(becomes):
        worse = Row(METERS[meter], fault, run_cell(METERS[meter], fault, spoiled=60))
    assert not worse.is_exceeded
    assert not worse.is_met
    assert str(worse.cells()[-1]).startswith("UNPROVEN: ")
    sound = Row(METERS[meter], fault, run_cell(METERS[meter], fault, spoiled=60))
    assert sound.is_met, sound.cells()


@pytest.mark.slow
def test_one_poll_that_goes_untold_among_hundreds_is_found() -> None:
    seen = 0

    def all_but_two(outcome: Reading | Gap) -> Reading | Gap | None:
        nonlocal seen
        seen += 1
        return None if seen in {50, 51} else outcome

    with telling(all_but_two):
        worse = Row(RTU, Fault.CUT, run_cell(RTU, Fault.CUT, spoiled=100))
    assert not worse.is_met, worse.cells()


@pytest.mark.parametrize("meter", ["modbus-rtu", "frames streamed, crc16-ccitt"])
def test_frames_of_noise_by_the_protocol_alone_are_each_accounted_for(
    meter: str,
) -> None:
    tally = run_frames(METERS[meter], Fault.NOISE, spoiled=300)
    assert Row(METERS[meter], Fault.NOISE, tally, is_alone=True).is_met
    # As if a third of them had left nothing behind.
    tally.spoiled += 150
    assert not Row(METERS[meter], Fault.NOISE, tally, is_alone=True).is_met


@pytest.mark.slow
def test_the_command_fails_a_program_that_tells_no_gap(
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = ["--meter", "modbus-rtu, two", "--spoiled", "24", "--frames", "0"]
    with telling(no_gap):
        assert main(words) == 1
    said = capsys.readouterr().out
    assert "0 rows beyond their bound" in said
    assert ", 0 that prove nothing" not in said


@pytest.mark.slow
def test_the_command_writes_its_table_and_fails_a_sabotaged_program(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "table.md"
    words = ["--meter", "modbus-rtu, two", "--spoiled", "24", "--frames", "0"]
    assert main([*words, "--table", str(table)]) == 0
    lines = table.read_text(encoding="utf-8").splitlines()
    assert len(lines) == 2 + len(faults_of(METERS["modbus-rtu, two blocks"]))
    assert "0 rows beyond their bound" in capsys.readouterr().out
    with no_draining():
        assert main([*words, "--spoiled", "40"]) == 1


@pytest.mark.slow
def test_only_wires_without_a_checksum_can_be_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "table.csv"
    words = ["--unprotected", "--spoiled", "40", "--frames", "10000"]
    words += ["--table", str(table)]
    assert main([*words, "--meter", "streamed-lines"]) == 0
    rows = table.read_text(encoding="utf-8").splitlines()[1:]
    names = [name for name, meter in METERS.items() if name.startswith("streamed-lines") and not meter.checksum]  # fmt: skip
    assert {row.split('"')[1] for row in rows} == set(names)
    # Noise by the protocol alone is the last row of each.
    assert len(rows) == sum(1 + len(faults_of(METERS[name])) for name in names)
    with pytest.raises(SystemExit):
        main([*words, "--meter", "modbus"])
    assert VANE.name in capsys.readouterr().err


# ---- the daemon

CRC_16 = ("supply_meter", "machine_meter", "duct_sensor", "duct_loop")
ENOUGH = 5


@pytest.mark.slow
@pytest.mark.pty
@pytest.mark.timeout(120)
def test_the_daemon_keeps_nothing_false_of_lines_on_which_all_faults_are_mixed(
    tmp_path: Path,
) -> None:
    bench = Folder(tmp_path)
    simulators = Simulators(bench, "--ports", str(tmp_path / "far"), alone=True)
    try:
        with between(bench, Fault.MIXED, share=0.1, seed=2) as counts:
            run = Run(bench)
            try:
                bench.wait_for(
                    lambda s: all(i["readings"] >= ENOUGH for i in s["instruments"])
                )
                run.signal(signal.SIGTERM)
                code, _, words = run.finish(within_s=20)
            finally:
                run.end()
    finally:
        simulators.stop()
    assert code == 128 + signal.SIGTERM, words
    assert sum(counts["spoiled"].values()) > 20
    with contextlib.closing(sqlite3.connect(bench.store)) as store:
        reasons = dict(
            store.execute("SELECT reason, count(*) FROM gaps GROUP BY reason")
        )
        columns = store.execute(
            "SELECT table_name, column_name FROM channels"
        ).fetchall()
        for table, column in columns:
            if not table.endswith(CRC_16):
                continue
            statement = f'SELECT "{column}" FROM "{table}"'  # noqa: S608  # names from the store itself
            found = [value for (value,) in store.execute(statement)]
            values = [value for value in found if value is not None]
            # The machine stands still: every channel shows one level and its noise.
            assert max(values) - min(values) < 0.05 * abs(max(values)) + 0.5, column
    assert "reply garbled" in reasons
    assert len(reasons) >= 3, json.dumps(reasons)
