"""What a lead's loop may have by what the plan says of it: sizes, gauges, kinds of conductor, entered figures."""

import pytest

from daq.comparison.lead_ranges import LeadRange, lead_range
from daq.comparison.rules import LeadFacts


def ranged(lead: LeadFacts) -> LeadRange:
    found = lead_range(lead)
    assert found is not None
    return found


def test_a_size_allows_from_nominal_copper_to_the_standard_s_maximum_and_contacts() -> (
    None
):
    # IEC 60228:2004, table 3: 7.98 ohm/km for 2.5 mm²; 1/58 ohm mm²/m by IEC 60028; contacts 20 milliohms.
    found = ranged(LeadFacts(area_mm2=2.5, length_m=25.0))
    assert found.low_ohm == pytest.approx(50.0 / 58.0 / 2.5)
    assert found.high_ohm == pytest.approx(0.050 * 7.98 + 0.02)
    assert found.smaller_ohm == pytest.approx(50.0 / 58.0 / 1.5)
    assert "IEC 60228" in found.source


@pytest.mark.parametrize(
    ("conductor", "most_ohm_per_km"),
    # IEC 60228:2004, tables 3 (plain, tinned) and 1 (solid), for 1.5 mm².
    [("flexible", 13.3), ("flexible tinned", 13.7), ("solid", 12.1)],
)
def test_the_kind_of_conductor_has_its_own_maximum(
    conductor: str, most_ohm_per_km: float
) -> None:
    found = ranged(LeadFacts(area_mm2=1.5, length_m=10.0, conductor=conductor))
    assert found.high_ohm == pytest.approx(0.020 * most_ohm_per_km + 0.02)


def test_a_gauge_allows_solid_copper_to_stranded_with_tolerance() -> None:
    # ASTM B258: 2.525 ohm per 1000 ft for 14 AWG; 4.016 for 16 AWG, the next that cords are sold in. Loops of 200 ft.
    found = ranged(LeadFacts(awg=14, length_m=100.0 * 0.3048))
    assert found.low_ohm == pytest.approx(0.505, rel=1e-3)
    assert found.high_ohm == pytest.approx(1.0404 * 0.505 + 0.02, rel=1e-3)
    assert found.smaller_ohm == pytest.approx(0.8032, rel=1e-3)


def test_a_size_that_no_standard_lists_has_no_maximum() -> None:
    for conductor in ("flexible", "solid"):
        found = ranged(LeadFacts(area_mm2=2.0, length_m=10.0, conductor=conductor))
        assert found.high_ohm is None
        assert found.smaller_ohm == pytest.approx(20.0 / 58.0 / 1.5)
        assert "does not list" in found.source


def test_the_thinnest_size_and_gauge_have_none_below() -> None:
    assert ranged(LeadFacts(area_mm2=0.5, length_m=10.0)).smaller_ohm is None
    assert ranged(LeadFacts(awg=24, length_m=10.0)).smaller_ohm is None


def test_a_size_that_is_no_lead_s_allows_nothing() -> None:
    assert lead_range(LeadFacts(area_mm2=120.0, length_m=10.0)) is None


def test_without_a_size_what_the_plan_enters_as_measured_counts() -> None:
    lead = LeadFacts(loop_ohm=0.40, loop_expanded_uncertainty_ohm=0.02)
    found = ranged(lead)
    assert (found.low_ohm, found.high_ohm) == pytest.approx((0.38, 0.42))
    assert found.smaller_ohm is None
    assert "measured" in found.source


def test_a_length_alone_allows_nothing() -> None:
    assert lead_range(LeadFacts(length_m=10.0)) is None
    assert lead_range(LeadFacts(area_mm2=1.5)) is None
