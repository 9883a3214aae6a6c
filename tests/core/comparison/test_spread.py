"""The nearest spread between trials that is known well enough, and no other."""

import math

import pytest

from daq.comparison.spread import (
    SpreadSource,
    StatedSpread,
    pooled_spread,
    usable_spread,
)
from daq.repeats import Spread

OWN = Spread(1.0, 4)
STATED = StatedSpread(percent=0.5, degrees_of_freedom=12, source="twelve starts in May")


def test_this_sessions_repeats_are_taken_where_they_are_enough():
    found = usable_spread(OWN, earlier=[(1, Spread(9.0, 50))], stated=STATED)
    assert found is not None
    assert (found.std_dev, found.degrees_of_freedom) == (1.0, 4)
    assert found.source is SpreadSource.SESSION
    assert found.detail == "4 degrees of freedom from this session's repeats"


def test_too_few_repeats_are_pooled_with_earlier_sessions():
    # JCGM 100:2008 (GUM), 4.2.4: s^2 = (1 * 4 + 3 * 1 + 2 * 2.25) / 6.
    found = usable_spread(
        Spread(2.0, 1), earlier=[(3, Spread(1.0, 3)), (5, Spread(1.5, 2))]
    )
    assert found is not None
    assert found.std_dev == pytest.approx(math.sqrt(11.5 / 6.0))
    assert found.source is SpreadSource.EARLIER
    assert found.detail == "6 degrees of freedom, with sessions 3, 5"


def test_an_earlier_session_is_enough_where_nothing_was_repeated_now():
    found = usable_spread(None, earlier=[(2, Spread(1.0, 3))])
    assert found is not None
    assert found.detail == "3 degrees of freedom, with session 2"


def test_earlier_sessions_come_before_what_the_plan_states():
    found = usable_spread(None, earlier=[(2, Spread(1.0, 3))], stated=STATED)
    assert found is not None
    assert found.source is SpreadSource.EARLIER


def test_what_the_plan_states_is_taken_where_earlier_sessions_are_too_few():
    found = usable_spread(
        None, earlier=[(2, Spread(1.0, 1))], stated=STATED, baseline_mean=-200.0
    )
    assert found is not None
    # 0.5 % of 200; a suction's sign has nothing to do with it.
    assert found.std_dev == pytest.approx(1.0)
    assert found.source is SpreadSource.STATED
    assert found.detail == (
        "0.5 % with 12 degrees of freedom, stated in the plan: twelve starts in May"
    )


@pytest.mark.parametrize(
    ("own", "earlier", "stated"),
    [
        (None, [], None),
        (Spread(1.0, 2), [], None),
        (Spread(1.0, 1), [(1, Spread(1.0, 1))], None),
        (None, [], StatedSpread(0.5, 2.0, "three starts")),
    ],
)
def test_fewer_than_three_degrees_of_freedom_are_not_enough(own, earlier, stated):
    assert usable_spread(own, earlier=earlier, stated=stated, baseline_mean=1.0) is None


def test_three_degrees_of_freedom_are_enough():
    assert usable_spread(Spread(1.0, 3)) is not None


def test_one_degree_of_freedom_is_written_as_one():
    found = usable_spread(Spread(1.0, 1), earlier=[(1, Spread(1.0, 2))])
    assert found is not None
    assert found.detail.startswith("3 degrees")


def test_nothing_pools_to_nothing():
    assert pooled_spread([]) is None


def test_pooled_over_two_groups_it_gives_the_handbooks_t():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3, car mileage: means 20.14458 and 30.48101, standard
    # deviations 6.41470 and 6.10771 of 249 and 79 cars; t with pooled variance = -12.62059.
    pooled = pooled_spread([Spread(6.41470, 248), Spread(6.10771, 78)])
    assert pooled is not None
    assert pooled.degrees_of_freedom == 326
    t = (20.14458 - 30.48101) / (pooled.std_dev * math.sqrt(1 / 249 + 1 / 79))
    assert t == pytest.approx(-12.62059, abs=2e-5)
