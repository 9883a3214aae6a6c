"""Until when a machine was known to be on: by the channel where it sees it, by the operator where not."""

from daq.trials.switching import StartRule, Switch, SwitchDetector, Switched

RULE = StartRule("current", on_above=0.8, off_below=0.4, least_off_s=2.0)


def test_a_machine_whose_current_falls_was_on_at_its_last_reading_that_said_so() -> (
    None
):
    detector = SwitchDetector(RULE)
    assert detector.known_on_s(0.0) is None
    detector.feed(1.0, 3.0)
    # Not below the lower threshold: still on.
    detector.feed(2.0, 0.4)
    # Below it for less than two seconds: not yet certainly off.
    assert detector.feed(3.0, 0.1) is None
    assert detector.known_on_s(3.5) == 2.0
    assert detector.feed(5.0, 0.1) == Switched(Switch.OFF, 3.0)
    assert detector.known_on_s(6.0) == 2.0


def test_a_machine_that_only_the_operator_calls_on_is_on_until_he_says_otherwise() -> (
    None
):
    detector = SwitchDetector(RULE)
    detector.told(Switch.ON, 1.0)
    detector.feed(2.0, 0.0)
    assert detector.known_on_s(9.0) == 9.0
    # Once its current has risen, the channel tells.
    detector.feed(10.0, 3.0)
    assert detector.known_on_s(11.0) == 10.0
