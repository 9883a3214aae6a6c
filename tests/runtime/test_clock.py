"""Bench time, wire time and UTC, with the computer's clocks in the test's hand."""

import time

import pytest

from daq.runtime.clock import Clock, ClockOffset, rfc3339
from tests.runtime.conftest import RFC_US, Computer

MINUTE_S = 60.0
STEP_US = 50_000
"""An offset is recorded every minute and at any step over 50 ms (DEVELOPERS.md, "Time and units")."""


# ---- bench time


@pytest.mark.parametrize("speed", [1.0, 12.0])
def test_bench_time_is_wire_time_times_the_speed(
    computer: Computer, speed: float
) -> None:
    clock = computer.clock(speed=speed)
    assert clock.bench_s() == 1000.0 * speed
    computer.pass_s(2.5)
    assert clock.wire_s() == 1002.5
    assert clock.bench_s() == 1002.5 * speed
    assert clock.bench_from_wire(1001.0) == 1001.0 * speed


def test_a_duration_on_the_bench_is_shorter_in_a_fast_demonstration(
    computer: Computer,
) -> None:
    assert computer.clock(speed=1.0).real_s(6.0) == 6.0
    assert computer.clock(speed=12.0).real_s(6.0) == 0.5


def test_a_changed_utc_leaves_bench_time_alone(computer: Computer) -> None:
    clock = computer.clock(speed=12.0)
    before = clock.bench_s()
    computer.utc_us -= 3600 * 1_000_000
    assert clock.bench_s() == before


def test_the_computers_own_clocks_go_forward_within_one_boot() -> None:
    first, second = Clock(), Clock()
    assert first.bench_s() <= second.bench_s() <= first.bench_s()
    assert first.offset.monotonic_s <= second.offset.monotonic_s
    assert first.offset.boot_id == second.offset.boot_id != ""


@pytest.mark.skipif(
    not hasattr(time, "CLOCK_BOOTTIME"), reason="the system has no such clock"
)
def test_bench_time_is_read_from_the_clock_that_goes_on_while_the_computer_sleeps(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # clock_gettime(2): CLOCK_MONOTONIC stands still while the system is suspended, CLOCK_BOOTTIME does not. Here the
    # computer has slept for an hour of the two since it was started.
    shown_s = {time.CLOCK_MONOTONIC: 3600.0, time.CLOCK_BOOTTIME: 7200.0}
    monkeypatch.setattr(time, "clock_gettime", shown_s.__getitem__)
    clock = Clock(speed=12.0)
    assert clock.wire_s() == 7200.0
    assert clock.bench_s() == clock.offset.monotonic_s == 12.0 * 7200.0
    # And it sleeps for another one.
    shown_s[time.CLOCK_BOOTTIME] += 3600.0
    assert clock.wire_s() == 10_800.0


# ---- offsets


def test_an_offset_ties_both_clocks_together(computer: Computer) -> None:
    offset = computer.clock(speed=12.0).offset
    assert offset == ClockOffset("boot", 12_000.0, RFC_US, 12.0)
    # 24 bench seconds at twelvefold speed are two real ones.
    assert offset.utc_us_at(12_024.0) == RFC_US + 2_000_000
    assert offset.utc_us_at(11_988.0) == RFC_US - 1_000_000


@pytest.mark.parametrize("speed", [1.0, 12.0])
def test_a_new_offset_is_due_every_minute_and_not_before(
    computer: Computer, speed: float
) -> None:
    clock = computer.clock(speed=speed)
    for minute in range(1, 4):
        before = clock.offset
        computer.pass_s(MINUTE_S - 0.25)
        assert clock.offset_at(clock.bench_s()) == before
        computer.pass_s(0.25)
        fresh = clock.offset_at(clock.bench_s())
        assert fresh == clock.offset
        assert fresh.monotonic_s == (1000.0 + minute * MINUTE_S) * speed
        assert fresh.utc_us == RFC_US + minute * 60_000_000
        assert clock.offset_at(clock.bench_s()) == fresh


@pytest.mark.parametrize("speed", [1.0, 12.0])
@pytest.mark.parametrize("step_us", [STEP_US + 1, -STEP_US - 1, 3_600_000_000])
def test_a_step_of_utc_makes_a_new_offset_at_once(
    computer: Computer, speed: float, step_us: int
) -> None:
    clock = computer.clock(speed=speed)
    computer.pass_s(1.0)
    computer.utc_us += step_us
    fresh = clock.offset_at(clock.bench_s())
    assert fresh.utc_us == RFC_US + 1_000_000 + step_us
    computer.pass_s(1.0)
    assert clock.offset_at(clock.bench_s()) == fresh


@pytest.mark.parametrize("step_us", [STEP_US, -STEP_US, 1, 0])
def test_a_smaller_step_of_utc_makes_none(computer: Computer, step_us: int) -> None:
    clock = computer.clock()
    before = clock.offset
    computer.pass_s(1.0)
    computer.utc_us += step_us
    assert clock.offset_at(clock.bench_s()) == before


def test_small_steps_that_add_up_make_one(computer: Computer) -> None:
    clock = computer.clock()
    found = []
    for _ in range(4):
        computer.pass_s(1.0)
        computer.utc_us += 20_000
        before = clock.offset
        found.append(clock.offset_at(clock.bench_s()) != before)
    # 20 and 40 ms are no step, 60 ms is one, and the fourth counts from there.
    assert found == [False, False, True, False]


# ---- UTC


@pytest.mark.parametrize(
    ("utc_us", "text"),
    [
        # RFC 3339, section 5.8: 1985-04-12T23:20:50.52Z.
        (RFC_US, "1985-04-12T23:20:50.520Z"),
        # The same section: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z: 26 years of
        # 365 days, 6 leap days, and 354 days of 1996.
        (
            ((26 * 365 + 6 + 354) * 86_400 + 39 * 60 + 57) * 1_000_000,
            "1996-12-20T00:39:57.000Z",
        ),
        # The same section: 1937-01-01T12:00:27.87+00:20, so 11:40:27.87 UTC; from there to
        # 1970 are 33 years of 365 days and 8 leap days.
        (
            (-(33 * 365 + 8) * 86_400 + 11 * 3600 + 40 * 60 + 27) * 1_000_000 + 870_000,
            "1937-01-01T11:40:27.870Z",
        ),
        (0, "1970-01-01T00:00:00.000Z"),
        # Cut, not rounded: a text never lies in the next second.
        (999_999, "1970-01-01T00:00:00.999Z"),
    ],
)
def test_utc_is_written_as_rfc_3339_has_it(utc_us: int, text: str) -> None:
    assert rfc3339(utc_us) == text


def test_without_a_time_the_text_is_of_now(computer: Computer) -> None:
    clock = computer.clock()
    computer.pass_s(9.48)
    assert clock.utc_text() == "1985-04-12T23:21:00.000Z"


def test_a_readings_utc_holds_across_a_step(computer: Computer) -> None:
    clock = computer.clock(speed=12.0)
    before = clock.offset
    computer.pass_s(2.0)
    read_s = clock.bench_s()
    assert clock.utc_text(read_s) == "1985-04-12T23:20:52.520Z"
    # Somebody sets the clock back by an hour, seconds before the next reading.
    computer.utc_us -= 3600 * 1_000_000
    computer.pass_s(3.0)
    # What comes is told anew; what was stored with the offset of its time, as before.
    assert clock.utc_text(clock.bench_s()) == "1985-04-12T22:20:55.520Z"
    assert rfc3339(before.utc_us_at(read_s)) == "1985-04-12T23:20:52.520Z"
    assert clock.offset_at(read_s) == before
    assert clock.utc_text(read_s) == "1985-04-12T23:20:52.520Z"
    # On the bench three real seconds have passed, whatever UTC says.
    assert clock.bench_s() - read_s == 36.0


def test_each_moment_keeps_the_utc_of_its_time_over_several_steps(
    computer: Computer,
) -> None:
    clock = computer.clock()
    moments = [clock.bench_s()]
    for hours in (1, -2):
        computer.pass_s(1.0)
        computer.utc_us += hours * 3_600_000_000
        moments.append(clock.bench_s())
        clock.utc_text(moments[-1])
    assert [clock.utc_text(at_s) for at_s in moments] == [
        "1985-04-12T23:20:50.520Z",
        "1985-04-13T00:20:51.520Z",
        "1985-04-12T22:20:52.520Z",
    ]


def test_what_came_between_two_looks_has_the_newer_utc(computer: Computer) -> None:
    clock = computer.clock()
    computer.pass_s(1.0)
    computer.utc_us += 3_600_000_000
    read_s = clock.bench_s()
    computer.pass_s(0.5)
    # Nobody looked in between, and whoever tells it now shows the new time.
    assert clock.utc_text(read_s) == "1985-04-13T00:20:51.520Z"
