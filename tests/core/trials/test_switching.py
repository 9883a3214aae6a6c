"""On and off, told from one channel."""

from daq.trials.switching import StartRule, Switch, SwitchDetector, Switched

RULE = StartRule("current", on_above=0.8, off_below=0.4, least_off_s=2.0)


def _told(
    readings: list[tuple[float, float]], detector: SwitchDetector | None = None
) -> list[Switched]:
    detector = detector or SwitchDetector(RULE)
    told = [detector.feed(at_s, value) for at_s, value in readings]
    return [switched for switched in told if switched is not None]


def test_a_machine_that_draws_nothing_is_off_from_the_first_reading() -> None:
    assert _told([(5.0, 0.0)]) == [Switched(Switch.OFF, 5.0)]


def test_a_machine_found_between_the_thresholds_is_unknown() -> None:
    detector = SwitchDetector(RULE)
    assert _told([(1.0, 0.6), (2.0, 0.8), (3.0, 0.4)], detector) == []
    assert detector.state is Switch.UNKNOWN


def test_the_threshold_itself_is_not_above_it() -> None:
    assert _told([(1.0, 0.0), (2.0, 0.8), (3.0, 0.81)])[-1] == Switched(Switch.ON, 3.0)


def test_between_the_thresholds_the_machine_stays_as_it_was() -> None:
    told = _told([(0.0, 0.0), (1.0, 0.6), (2.0, 3.0), (3.0, 0.5), (9.0, 0.5)])
    assert told == [Switched(Switch.OFF, 0.0), Switched(Switch.ON, 2.0)]


def test_a_dip_shorter_than_the_least_off_time_is_no_switching_off() -> None:
    told = _told([(0.0, 3.0), (1.0, 0.0), (2.9, 0.0), (3.0, 3.0), (4.0, 0.0), (5.9, 0)])
    assert told == [Switched(Switch.ON, 0.0)]


def test_switching_off_is_dated_to_when_it_began() -> None:
    told = _told([(0.0, 3.0), (10.0, 0.1), (11.0, 0.0), (12.0, 0.0)])
    assert told[-1] == Switched(Switch.OFF, 10.0)


def test_a_reading_between_the_thresholds_interrupts_the_off_time() -> None:
    told = _told([(0.0, 3.0), (1.0, 0.0), (2.5, 0.6), (3.0, 0.0), (4.9, 0.0)])
    assert told == [Switched(Switch.ON, 0.0)]
