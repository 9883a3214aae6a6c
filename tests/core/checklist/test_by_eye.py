"""What is asked of meters that only the operator can read."""

import pytest

from daq.checklist.by_eye import pair_by_eye, zero_by_eye
from daq.checklist.items import ItemVerdict
from daq.checklist.kept import Kept
from daq.checklist.ticks import judge_tick
from daq.records import Accuracy, Channel

NOW = "2026-11-30T08:00:00.000Z"
METER = Accuracy(percent_of_reading=0.3, counts=1, resolution=0.1)


def typed(name: str, quantity: str, unit: str, accuracy: Accuracy) -> Channel:
    return Channel(name, name, quantity, unit, "", name, 0, accuracy, 60.0)


VANE = typed("velocity", "velocity", "m/s", Accuracy(resolution=0.1))
BOTH = (typed("supply", "voltage", "V", METER), typed("machine", "voltage", "V", METER))


def test_a_zero_by_eye_says_what_to_look_at_and_is_to_do_until_answered() -> None:
    tick = zero_by_eye("zero:velocity", VANE, "velocity [m/s] of velocity (typed)")
    item = judge_tick(tick, Kept((), NOW))
    assert item.verdict is ItemVerdict.TO_DO
    # Two steps of its display.
    assert "velocity is read by eye" in item.finding
    assert "within ± 0.2 m/s of zero" in item.finding


@pytest.mark.parametrize(
    ("answer", "verdict"), [("yes", ItemVerdict.DONE), ("no", ItemVerdict.REFUSED)]
)
def test_what_was_seen_by_eye_counts(answer: str, verdict: ItemVerdict) -> None:
    tick = pair_by_eye("pair:machine", BOTH, "both")
    kept = Kept((), NOW).with_entry("pair:machine", "both", answer, NOW)
    assert judge_tick(tick, kept).verdict is verdict


def test_a_pair_by_eye_says_how_far_apart_both_makers_allow() -> None:
    question = pair_by_eye("pair:machine", BOTH, "both").question
    # 1.96 sqrt(2) (0.003 U + 0.1 V) / sqrt(3) at 120 V and at 230 V.
    assert "0.74 V at 120 V, 1.3 V at 230 V" in question


def test_a_pair_by_eye_without_stated_accuracies_names_no_figure() -> None:
    bare = (BOTH[0], typed("machine", "voltage", "V", Accuracy(resolution=0.1)))
    assert "are not stated" in pair_by_eye("pair:machine", bare, "both").question
