"""When a session over spoiled wires proves that nothing false was kept, and when it proves nothing."""

import json
import os
import time
import tty
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random

import numpy as np
import pytest
from scipy import stats  # type: ignore[import-untyped]  # it ships no types

from daq.records import GapReason
from tests.campaigns.wire_faults_between import OTHERS, Between, Wire
from tests.campaigns.wire_faults_found import (
    HEAD,
    REQUIRED,
    Session,
    Trial,
    wrong_of_all,
)
from tests.campaigns.wire_faults_meters import METERS
from tests.campaigns.wire_faults_spoiling import (
    Answer,
    Fault,
    answer_of,
    has_changed,
    spoil,
)
from tests.system.command_line import Daq

COUNTS = {
    "answers": {"mains": 1500, "power": 300, "vane": 300},
    "spoiled": {"mains": 50, "power": 10, "vane": 10},
}
ERRORS = dict.fromkeys((*REQUIRED, "power_analyser_power", "vane_velocity"), 0.4)
SOUND = Session(
    fault=Fault.CUT,
    counts=COUNTS,
    readings=2000,
    reasons={"reply cut short": 60, "line was busy": 40},
    left_out=0,
    off_protected=0,
    off_unprotected=2,
    trials=(Trial("finished", ""),),
    errors=ERRORS,
    code=0,
)
REFUSED = replace(
    SOUND,
    trials=(Trial("not settled", "machine_meter_power: drifting"),),
    errors={},
    code=1,
)


def without(**counts: int) -> dict[str, dict[str, int]]:
    return {**COUNTS, "spoiled": {**COUNTS["spoiled"], **counts}}


def errors(count: int, *, outside: int, by: float = 1.2) -> dict[str, float]:
    """So many averages, of which some lie outside of their expanded uncertainty."""
    names = [*REQUIRED, *(f"duct_sensor_{number}" for number in range(count - 2))]
    return {name: by if place < outside else 0.5 for place, name in enumerate(names)}


@pytest.mark.parametrize("session", [SOUND, REFUSED])
def test_a_trial_that_is_finished_or_says_why_not_is_met(session: Session) -> None:
    assert session.is_met, session.wrong
    assert session.cells()[-1] == "met"
    assert len(session.cells()) == len(HEAD)


@pytest.mark.parametrize(
    ("session", "words"),
    [
        (replace(SOUND, counts={}), "nothing spoiled"),
        (replace(SOUND, counts=without(mains=0, power=0, vane=0)), "nothing spoiled"),
        (replace(SOUND, readings=0), "no reading"),
        (replace(SOUND, reasons={}), "0 told of 60"),
        # A busy line is no answer to a fault.
        (replace(SOUND, reasons={"line was busy": 500}), "0 told of 60"),
        # A power factor without load is none, whatever becomes of the wires.
        (replace(SOUND, reasons={}, left_out=150), "0 told of 60"),
        (
            replace(SOUND, counts=without(mains=490), reasons={"no reply": 60}),
            "60 told of 500",
        ),
        (replace(SOUND, off_protected=1), "1 values off"),
        (replace(SOUND, trials=()), "no trial"),
        (replace(SOUND, errors={}), "without the averages"),
        (replace(SOUND, errors={REQUIRED[0]: 0.1}), "without the averages"),
        (replace(SOUND, code=5), "exit code 5"),
        (replace(REFUSED, code=0), "exit code 0"),
        (replace(REFUSED, trials=(Trial("not settled", ""),)), "without a reason"),
    ],
)
def test_a_session_that_proves_nothing_is_not_met(session: Session, words: str) -> None:
    assert not session.is_met
    assert words in session.wrong
    assert str(session.cells()[-1]).startswith("NOT MET: ")


def test_an_overrange_is_told_by_a_gap_or_a_value_left_out() -> None:
    overrange = replace(SOUND, fault=Fault.OVERRANGE)
    told = replace(overrange, reasons={GapReason.IMPLAUSIBLE: 20}, left_out=40)
    assert told.is_met
    assert "0 told of 60" in replace(overrange, reasons={}).wrong


@pytest.mark.parametrize("error", [40.0, 1.71, float("nan"), float("inf")])
@pytest.mark.parametrize(
    "channel", ["machine_meter_power", "power_analyser_power", "vane_velocity"]
)
def test_an_average_far_off_is_not_met_on_a_protected_wire_or_an_unprotected_one(
    channel: str, error: float
) -> None:
    session = replace(SOUND, errors={**ERRORS, channel: error})
    assert channel in session.wrong


def test_as_many_averages_may_lie_outside_as_chance_allows() -> None:
    # Scipy's quantile: of 20 intervals of 95 % more than 5 miss in one case of a thousand.
    most = int(stats.binom.ppf(0.999, 20, 0.05))
    assert most == 5
    assert replace(SOUND, errors=errors(20, outside=most)).is_met
    assert not replace(SOUND, errors=errors(20, outside=most + 1)).is_met


def test_all_sessions_together_may_miss_as_often_as_chance_allows() -> None:
    sessions = [replace(SOUND, errors=errors(20, outside=n)) for n in (5, 5, 3, 0, 0)]
    assert all(session.is_met for session in sessions)
    assert wrong_of_all(sessions) == ""
    # 14 of 100 are more than the 13 of the binomial quantile, though no session has more than 5 of 20.
    assert stats.binom.ppf(0.999, 100, 0.05) == 13
    worse = [*sessions[:-1], replace(SOUND, errors=errors(20, outside=1))]
    assert all(session.is_met for session in worse)
    assert "14 of 100 averages outside U" in wrong_of_all(worse)


def test_a_campaign_that_refused_every_trial_proves_nothing() -> None:
    assert "no average" in wrong_of_all([REFUSED, REFUSED])


def test_averages_of_a_stuck_value_are_published_and_called_undetectable() -> None:
    stuck = replace(
        SOUND, fault=Fault.STUCK, reasons={}, errors={**ERRORS, REQUIRED[0]: 9.0}
    )
    assert stuck.is_met
    assert stuck.cells()[1] == "undetectable: looks settled where it stuck"
    assert stuck.cells()[-1] == "published"
    assert not replace(stuck, counts={}).is_met
    assert not replace(stuck, trials=()).is_met


def test_what_stuck_while_it_was_still_changing_is_called_settled_where_it_stuck(
    run: Daq, tmp_path: Path
) -> None:
    # A machine that settles at 400 W with a time constant of 40 s; its meter hangs after 60 s, 4.5 W below that.
    random = np.random.default_rng(1)
    times_s = np.arange(0.0, 300.0, 0.5)
    watts = 400.0 - 20.0 * np.exp(-times_s / 40.0) + random.normal(0.0, 0.4, 600)
    watts[times_s >= 60.0] = 395.5
    lines = [f"{t:.1f},{w:.1f}" for t, w in zip(times_s, watts, strict=True)]
    file = tmp_path / "stuck.csv"
    file.write_text("\n".join(["t_s,power_W", *lines, ""]), encoding="utf-8")
    told = run("settle", file, "--tol", "0.005", "--json")
    facts = json.loads(told.out)
    assert (told.code, facts["settled"]) == (0, True)
    assert facts["mean"] == pytest.approx(395.5, abs=0.05)


# ---- the program in between

LINES = {
    "power": b"+2.3012E+02,+1.234E+00,+2.8390E+02,+9.98E-01\n",
    "vane": b"V=+7.16 m/s T=+21.6 C\r\n",
    "pressure": b"#01,+123.4*56\r\n",
}
PATIENCE_S = 10.0


def handed_on(line: str, fault: Fault, folder: Path) -> tuple[bytes, int]:
    """What the daemon hears of one answer on a line, every one of them spoiled, and how many of them count as spoiled."""
    far, meter = os.openpty()
    tty.setraw(meter)
    tty.setraw(far)
    wire = Wire(line, far, folder / line, char_s=1e-5)
    wire.plug()
    between = Between([wire], faults=(fault,), share=1.0, seed=1)
    until_s = time.monotonic() + PATIENCE_S
    os.write(meter, LINES[line])
    between.run(
        lambda: (
            (between.answers[line] > 0 and not wire.waiting)
            or time.monotonic() > until_s
        )
    )
    heard = os.read(wire.hidden, 4096)
    wire.unplug()
    for descriptor in (far, meter):
        os.close(descriptor)
    return heard, between.spoiled[line]


@pytest.mark.pty
@pytest.mark.parametrize("line", ["power", "vane"])
def test_an_answer_that_came_as_it_was_meant_is_not_counted_as_spoiled(
    line: str, tmp_path: Path
) -> None:
    # Neither says whose it is, so there is no other unit's reply to put in its place.
    assert handed_on(line, Fault.FOREIGN, tmp_path) == (LINES[line], 0)


@pytest.mark.pty
def test_an_answer_with_another_in_its_place_is_counted_as_spoiled(
    tmp_path: Path,
) -> None:
    heard, spoiled = handed_on("pressure", Fault.FOREIGN, tmp_path)
    assert heard.startswith(b"#03,+123.4*")
    assert spoiled == 1


SAME = Answer(b"1,2\n", b"M?\n", 0.01, is_text=True, old=b"1,2\n", stuck=b"1,2\n")


@pytest.mark.parametrize(
    "fault",
    [Fault.OLD, Fault.STUCK, Fault.FOREIGN, Fault.OTHER_QUESTION, Fault.OVERRANGE],
)
def test_no_other_answer_or_one_that_says_the_same_changes_nothing(
    fault: Fault,
) -> None:
    random = Random(1)  # noqa: S311  # chance of a test, no secret
    assert not has_changed(SAME, spoil(fault, SAME, random))


@pytest.mark.parametrize(
    "fault", [fault for fault in Fault if fault is not Fault.MIXED]
)
def test_every_fault_changes_an_answer_that_it_can_change(fault: Fault) -> None:
    random = Random(2)  # noqa: S311  # chance of a test, no secret
    for number in range(20, 60):
        answer = answer_of(METERS["modbus-rtu"], number, b"\x07\x04\x00", 0.01)
        assert has_changed(answer, spoil(fault, answer, random))


def test_a_meter_that_is_stuck_says_the_same_for_a_while_and_then_goes_on() -> None:
    wire = Wire("power", -1, near_link=None, char_s=0.0)  # type: ignore[arg-type]  # never plugged
    between = Between([wire], faults=(Fault.STUCK,), share=1.0, seed=3)
    said = [
        between.said_by_stuck(wire, b"MEAS?", b"%09d" % number)
        for number in range(1000)
    ]
    changes = [place for place in range(1, 1000) if said[place] != said[place - 1]]
    assert said[0] == b"%09d" % 0
    assert 120 < between.spoiled["power"] < 1000
    # Whatever is said is what was true at that moment, or when it began to be stuck.
    assert all(int(each) <= number for number, each in enumerate(said))
    assert len(changes) < 1000 - 2 * 119
    longest = max(b - a for a, b in pairwise(changes))
    assert longest >= 120


def test_a_frame_that_was_asked_for_can_be_replaced_by_one_of_another_length() -> None:
    frame = b"\x55\xaa\x00\x02\x00\x10\x00\x00"
    other, overrange = OTHERS["asked"].other, OTHERS["asked"].overrange
    assert other is not None
    assert overrange is not None
    assert len(other(frame)) < len(frame) == len(overrange(frame))
