"""Whether a meter stopped measuring while it answered on, seen from how it moves in the session's other trials."""

import numpy as np
import pytest

from daq.comparison.standing_still import StoodStill, WindowReadings, stood_still


def shown(random, *, scatter=1.0, count=120, asked_each=1):
    """Readings of a display with steps of 0.1; asked several times between two refreshes."""
    level = 230.0 + random.uniform(-0.05, 0.05)
    values = random.normal(level, 0.1 * scatter, count // asked_each + 1)
    return np.repeat(np.round(values, 1), asked_each)[:count]


def session(*windows):
    return [WindowReadings(number, each) for number, each in enumerate(windows, 1)]


def held(values, *, since=0):
    """HOLD is pressed, or the meter hangs."""
    values = values.copy()
    values[since:] = values[since]
    return values


@pytest.fixture
def random():
    return np.random.default_rng(20)


def test_a_trial_with_hold_pressed_is_named(random):
    windows = [shown(random) for _ in range(6)]
    windows[3] = held(windows[3])
    (found,) = stood_still("volts", session(*windows))
    assert (found.trial, found.channel) == (4, "volts")
    assert (found.equal, found.count) == (120, 120)
    assert 2 <= found.usual <= 8


def test_a_meter_that_hangs_halfway_through_is_named_too(random):
    windows = [shown(random) for _ in range(4)]
    windows[0] = held(windows[0], since=60)
    (found,) = stood_still("volts", session(*windows))
    assert found.trial == 1
    assert 60 <= found.equal <= 70


def test_two_that_hang_do_not_excuse_each_other(random):
    windows = [shown(random) for _ in range(6)]
    windows[1], windows[4] = held(windows[1], since=40), held(windows[4], since=40)
    found = stood_still("volts", session(*windows))
    assert [each.trial for each in found] == [2, 5]


def test_the_trials_must_show_how_the_channel_moves(random):
    # Of two trials nobody can say which is the odd one.
    one, other = shown(random), held(shown(random))
    assert stood_still("volts", session(one, other)) == ()
    assert len(stood_still("volts", session(one, other, shown(random)))) == 1
    # Where it stood still in most of them, that is how it moves.
    windows = [one, *(held(shown(random)) for _ in range(3)), shown(random)]
    assert stood_still("volts", session(*windows)) == ()
    assert stood_still("volts", ()) == ()


def test_a_short_stretch_is_none(random):
    windows = [shown(random, scatter=20.0) for _ in range(4)]
    windows[2][50:70] = windows[2][50]
    (found,) = stood_still("volts", session(*windows))
    assert found.equal == 20
    windows[2][60] += 1.0
    assert stood_still("volts", session(*windows)) == ()


def test_six_times_the_usual_is_no_more_than_the_usual():
    # One, two, … and each value four times: no scatter here is a matter of chance.
    moving = np.repeat([1.0, 3.0, 2.0, 5.0] * 8, 4)
    six_times = np.concatenate((np.full(24, 9.0), moving))
    assert stood_still("volts", session(moving, moving, six_times)) == ()
    more = np.concatenate((np.full(25, 9.0), moving))
    found = stood_still("volts", session(moving, moving, more))
    assert found == (StoodStill(3, "volts", 25, len(more), 4),)


def test_a_display_too_coarse_for_its_scatter_may_stand_still(random):
    # Noise of a fifth of a step: at the edge of a step it toggles, in the middle nothing ever moves.
    windows = [230.0 + 0.1 * random.integers(0, 2, 120) for _ in range(5)]
    assert stood_still("volts", session(*windows, np.full(120, 230.0))) == ()


def test_a_temperature_that_creeps_may_stand_still():
    creeping = [np.round(20.0 + 0.01 * np.arange(120) + 0.3 * n, 1) for n in range(5)]
    assert stood_still("air", session(*creeping, np.full(120, 22.0))) == ()


@pytest.mark.parametrize("asked_each", [1, 2, 4])
def test_how_often_a_meter_is_asked_between_two_refreshes_cancels(random, asked_each):
    windows = [shown(random, count=400, asked_each=asked_each) for _ in range(5)]
    assert stood_still("volts", session(*windows)) == ()
    windows[2] = held(windows[2])
    found = stood_still("volts", session(*windows))
    assert [each.trial for each in found] == [3]


def test_sound_sessions_are_not_doubted(random):
    for _ in range(200):
        scatter, count = random.uniform(0.1, 5.0), int(random.integers(40, 400))
        each = int(random.integers(1, 9))
        windows = [
            shown(random, scatter=scatter, count=count, asked_each=each)
            for _ in range(int(random.integers(3, 13)))
        ]
        assert stood_still("volts", session(*windows)) == ()


def test_binary_fractions_do_not_hide_a_wide_change():
    assert 0.3 - 0.1 < 2.0 * (0.2 - 0.1)
    moving = np.array([0.1, 0.3, 0.1, 0.2] * 15)
    found = stood_still("suction", session(moving, moving, np.full(60, 0.2)))
    assert [each.trial for each in found] == [3]


def test_readings_that_are_not_there_say_nothing(random):
    windows = [shown(random) for _ in range(3)]
    assert stood_still("volts", session(*windows, np.empty(0))) == ()
