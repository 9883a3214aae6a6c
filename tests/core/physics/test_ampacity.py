"""Reference ampacities, the 80 % practice and recommended drops."""

import pytest

from daq.physics.ampacity import (
    NEVER_PERMISSION,
    RECOMMENDED_DROPS,
    circuit_limit_a,
    cord_ampacity,
    cord_set_ampacity,
)


@pytest.mark.parametrize(
    ("gauge", "three_a", "two_a"),
    # NFPA 70, table 400.5(A)(1), columns A and B, as public reprints give it.
    [(18, 7, 10), (16, 10, 13), (14, 15, 18), (12, 20, 25), (10, 25, 30)],
)
def test_cords_have_the_table_s_ampacity(
    gauge: int, three_a: float, two_a: float
) -> None:
    two, three = cord_ampacity(gauge), cord_ampacity(gauge, loaded_conductors=3)
    assert two is not None
    assert three is not None
    assert (three.current_a, two.current_a) == (three_a, two_a)


def test_a_size_between_has_a_figure_for_two_loaded_conductors_only() -> None:
    # The same table: 17 AWG, 12 A in column B.
    two = cord_ampacity(17)
    assert two is not None
    assert two.current_a == 12.0
    assert cord_ampacity(17, loaded_conductors=3) is None
    assert cord_ampacity(20) is None


@pytest.mark.parametrize(
    ("gauge", "short_a", "long_a"),
    # Makers' pages on North American cord sets, no published standard: to 50 ft, and to 100 ft.
    [(18, 10, 7), (16, 13, 10), (14, 18, 13), (12, 25, 18), (10, 30, 25)],
)
def test_a_longer_cord_set_is_rated_lower(
    gauge: int, short_a: float, long_a: float
) -> None:
    short = cord_set_ampacity(gauge, 50.0 * 0.3048)
    longer = cord_set_ampacity(gauge, 100.0 * 0.3048)
    assert short is not None
    assert longer is not None
    assert (short.current_a, longer.current_a) == (short_a, long_a)
    assert cord_set_ampacity(gauge, 150.0 * 0.3048) is None


def test_every_figure_names_its_source_edition_and_evidence() -> None:
    for each in (cord_ampacity(12), cord_set_ampacity(12, 10.0)):
        assert each is not None
        assert all((each.source, each.edition, each.evidence, each.holds_for))
    assert "not permission" in NEVER_PERMISSION


def test_a_plug_in_load_takes_80_percent_of_its_circuit() -> None:
    # NFPA 70, 210.23(A)(1) in editions to 2020; common practice elsewhere: 12 A of 15 A, 16 A of 20 A.
    assert circuit_limit_a(15.0) == pytest.approx(12.0)
    assert circuit_limit_a(20.0) == pytest.approx(16.0)


def test_recommended_drops_are_three_and_five_percent() -> None:
    # IEC 60364-5-52:2009, table G.52.1, public supply; informational notes of NFPA 70.
    assert [each.percent for each in RECOMMENDED_DROPS] == [3.0, 5.0]
    assert all("G.52.1" in each.source for each in RECOMMENDED_DROPS)


def test_impossible_questions_are_refused() -> None:
    with pytest.raises(ValueError, match="4 loaded conductors"):
        cord_ampacity(12, loaded_conductors=4)
    with pytest.raises(ValueError, match="length 0 m"):
        cord_set_ampacity(12, 0.0)
    with pytest.raises(ValueError, match="circuit of 0 A"):
        circuit_limit_a(0.0)
