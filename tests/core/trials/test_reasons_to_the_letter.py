"""What is said of a machine at rest and of what has not settled, word by word."""

from dataclasses import replace

import pytest

from daq.records import Accuracy, Channel
from daq.settling.verdicts import HeldBackBy
from daq.trials.judging import LoadWatch, SessionRules
from daq.trials.reasons import REASONS, Reason, noted
from daq.trials.switching import StartRule
from tests.core.trials.session_bench import RULES

WORDS = {
    HeldBackBy.NO_LOAD: Reason(
        "nothing rises above rest",
        "switch the machine on",
        "nothing ever rose above what the meter shows at rest",
        "switch the machine on, and see whether this is the right meter, column and range",
    ),
    HeldBackBy.TOO_SHORT: Reason(
        "too little time yet",
        "keep it running",
        "it ended before there was enough to judge by",
        "let it run for some minutes after switching on",
    ),
    HeldBackBy.DRIFT: Reason(
        "it still drifts",
        "keep it running",
        "it was still drifting: the change that may be yet to come does not fit the tolerance",
        "let it run longer, or allow a wider tolerance",
    ),
    HeldBackBy.NOISE: Reason(
        "its noise hides whether it drifts",
        "steady supply and airflow, or wait",
        "the scatter of the readings hides whether it drifts",
        "steady the supply or the airflow, let it run longer, or allow a wider tolerance",
    ),
    HeldBackBy.RESOLUTION: Reason(
        "its display is too coarse to tell",
        "choose a finer range",
        "one step of the display is too much of the tolerance to tell",
        "choose a finer range or meter, let it run longer, or allow a wider tolerance",
    ),
    HeldBackBy.HUNTING: Reason(
        "it swings to and fro",
        "look for a loose hose or flap",
        "it swings to and fro by more than the tolerance",
        "look for a hose that pulses, a flap, a control that hunts or a load that comes and goes",
    ),
    HeldBackBy.STEP: Reason(
        "it made a step",
        "touch nothing and wait",
        "it made a step, and what followed was not long enough to settle anew",
        "find out what changed at that moment, then repeat with nothing touched",
    ),
    HeldBackBy.GAPS: Reason(
        "too many of its readings are missing",
        "look at the meter and its cable",
        "too many of its readings are missing",
        "look at the meter, its cable and its supply, then repeat",
    ),
}


@pytest.mark.parametrize("reason", HeldBackBy)
def test_every_reason_tells_what_is_seen_and_what_to_do(reason: HeldBackBy) -> None:
    assert REASONS[reason] == WORDS[reason]


def test_a_remedy_is_told_once_however_many_channels_need_it() -> None:
    assert noted(
        [
            ("power", HeldBackBy.DRIFT),
            ("flow", HeldBackBy.DRIFT),
            ("rpm", HeldBackBy.GAPS),
        ]
    ) == (
        "power: drifting (let it run longer, or allow a wider tolerance)",
        "flow: drifting",
        "rpm: gaps (look at the meter, its cable and its supply, then repeat)",
    )


def _watched(quantity: str, unit: str, *, start: StartRule | None = None) -> LoadWatch:
    """A trial that waits for one channel, whose display has steps of a tenth."""
    shown = Channel(
        *("shown", "Shown", quantity, unit, "", "meter", 0),
        accuracy=Accuracy(resolution=0.1),
        interval_s=1.0,
    )
    rules: SessionRules = replace(
        RULES,
        channels=(shown,),
        required=("shown",),
        start=start or StartRule(None, on_above=0.0, off_below=0.0, least_off_s=2.0),
    )
    return LoadWatch(rules)


@pytest.mark.parametrize(
    ("quantity", "unit"),
    [
        ("power", "W"),
        ("apparent power", "VA"),
        ("current", "A"),
        ("airflow", "m3/h"),
        ("velocity", "m/s"),
        ("pressure", "Pa"),
        ("rotational speed", "rpm"),
    ],
)
def test_a_machine_at_rest_has_none_of_what_it_moves_and_draws(
    quantity: str, unit: str
) -> None:
    watch = _watched(quantity, unit)
    assert watch.idle() == ()
    # Five steps of the display are rest, on either side.
    for value in (0.0, 0.5, -0.5):
        watch.feed("shown", value)
        assert watch.idle() == ("shown",)
    watch.feed("shown", -0.51)
    assert (watch.idle(), watch.has_risen) == ((), True)
    watch.feed("shown", 0.0)
    assert watch.idle() == ()


@pytest.mark.parametrize(
    ("quantity", "unit"),
    [("voltage", "V"), ("temperature", "Cel"), ("power factor", "1"), ("energy", "Wh")],
)
def test_what_is_there_with_the_machine_off_tells_of_no_load(
    quantity: str, unit: str
) -> None:
    watch = _watched(quantity, unit)
    watch.feed("shown", 0.0)
    assert watch.idle() == ()


@pytest.mark.parametrize(("on_above", "rest"), [(0.25, 0.25), (0.8, 0.5)])
def test_what_begins_a_trial_by_itself_is_no_rest(on_above: float, rest: float) -> None:
    start = StartRule("shown", on_above=on_above, off_below=0.1, least_off_s=2.0)
    watch = _watched("current", "A", start=start)
    watch.feed("shown", rest)
    assert watch.idle() == ("shown",)
    watch.feed("shown", rest + 0.01)
    assert watch.idle() == ()
