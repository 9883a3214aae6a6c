"""A trial says which of its channels could not be normalised, and why."""

from dataclasses import dataclass, field, replace
from typing import cast

import pytest

from daq.records import Accuracy, Channel, Window
from daq.settling.group import SettlingGroup
from daq.settling.level import LevelEstimate
from daq.settling.normalising import Normalising, NotFitted, WhyNotFitted
from daq.settling.parameters import STANDARD
from daq.trials.judging import SessionRules, settled_averages
from daq.trials.switching import StartRule
from daq.typed import TypedReadings

POWER = Channel(
    *("power", "Power", "power", "W", "machine end", "meter", 1), Accuracy(), 1.0
)
RULES = SessionRules(
    channels=(POWER,),
    required=("power",),
    tolerances={"power": 0.005},
    start=StartRule(None, 0.0, 0.0, 2.0),
    limits=(),
    parameters=STANDARD,
    target=None,
    longest_s=900.0,
    normalising=Normalising("supply", ("power",), 230.0),
)


WINDOW = Window(130.0, 190.0)


@dataclass
class Confirmed:
    """Stands for a group that has confirmed a window, without the readings that it takes."""

    refusals: dict[str, NotFitted] = field(default_factory=dict)
    window: Window = WINDOW

    def levels(self) -> dict[str, LevelEstimate]:
        return {"power": LevelEstimate(1172.0, 1172.0, 0.6, 12.0, 0.0, 1.4, 60, 13.0)}

    def spikes(self) -> dict[str, int]:
        return {}

    def not_normalised(self) -> dict[str, NotFitted]:
        return self.refusals


REFUSED = {"power": NotFitted(WhyNotFitted.WITH_TIME, 0.83, 0.7)}


@pytest.mark.parametrize(
    ("rules", "refusals", "notes"),
    [
        (
            RULES,
            REFUSED,
            (
                "power: not normalised to 230 V, voltage and elapsed time ran together"
                " (correlation 0.83, at most 0.7)",
            ),
        ),
        (RULES, {}, ()),
        (replace(RULES, normalising=None), REFUSED, ()),
    ],
)
def test_the_note_names_what_was_not_normalised(
    rules: SessionRules, refusals: dict[str, NotFitted], notes: tuple[str, ...]
) -> None:
    group = cast("SettlingGroup", Confirmed(refusals))
    judgement = settled_averages(group, rules, idle={}, typed=TypedReadings(()))
    assert judgement.notes == notes
    assert judgement.averages[0].mean == 1172.0
