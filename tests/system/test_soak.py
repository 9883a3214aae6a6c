"""Minutes of simulated time of the service with twelve channels, ten polls a second, and every fault of the soak test once or more.

The whole day is tests/campaigns/soak.py.
"""

from pathlib import Path

import pytest

from tests.campaigns.soak import soak
from tests.campaigns.soak_faults import Fault
from tests.campaigns.soak_findings import untold_slots
from tests.campaigns.soak_machine import A_SECOND, CHANNELS, CYCLE, Machine, tenth_of

FAULTY_MIN, FAULTLESS_MIN = 2.0, 2.1


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_faults_one_after_the_other_cost_their_readings_and_falsify_nothing(
    tmp_path: Path,
) -> None:
    run = soak(tmp_path, hours=FAULTY_MIN / 60.0, seed=1, fault_every_s=9.0)
    found = run.findings
    assert set(run.faults) == set(Fault)
    assert found.false == 0
    assert found.unaccounted == 0
    assert found.gaps.total() > len(Fault)
    assert found.readings > 0.7 * FAULTY_MIN * 60 * A_SECOND
    assert found.sessions >= 1
    assert (found.averages.differ, found.averages.beyond) == (0, 0)


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_without_faults_every_poll_is_a_reading_and_every_average_is_what_it_must_be(
    tmp_path: Path,
) -> None:
    run = soak(tmp_path, hours=FAULTLESS_MIN / 60.0, seed=1, is_faulty=False)
    found = run.findings
    assert found.gaps.total() == 0
    assert found.readings == found.tenths
    assert found.false == 0
    assert (found.averages.same, found.averages.differ) == (CHANNELS, 0)


def test_the_machines_figures_depend_on_the_seed_and_the_moment_alone() -> None:
    one, other = Machine(1), Machine(1)
    later = [one.values(tenth) for tenth in (5 * CYCLE + 900, 7, CYCLE + 900)]
    assert [other.values(CYCLE + 900), other.values(7)] == [later[2], later[1]]
    assert Machine(2).values(CYCLE + 900) != later[2]


@pytest.mark.parametrize("tenth", [0, 65_535, 65_536, 864_000])
def test_a_reading_tells_which_tenth_of_a_second_it_is_of(tenth: int) -> None:
    count = Machine(1).values(tenth)[-1]
    for late_s in (-1.0, 0.0, 1.0):
        assert tenth_of(count, tenth / A_SECOND + late_s) == tenth


def test_a_poll_served_late_is_not_lost_and_a_lost_one_is() -> None:
    in_time = [number / A_SECOND for number in range(20)]
    late = [at_s + (0.09 if at_s in (0.5, 0.6, 1.9) else 0.0) for at_s in in_time]
    assert untold_slots(late) == 0
    del late[8]
    assert untold_slots(late) == 1
    del late[3:5]
    assert untold_slots(late) == 3
    assert untold_slots([]) == untold_slots([7.0]) == 0
