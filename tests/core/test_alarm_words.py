"""What alarms and cautions say: what happened, what it may mean, what to do, ending at the plug; in whole sentences and without blame.

The alarms are found in the program, so that a new one is not overlooked here.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.advice import cautions
from daq.alarm_words import (
    LEFT_RUNNING_TEXT,
    MAY_RUN_TEXT,
    NOBODY_WATCHES,
    SEEN_RUNNING_TEXT,
    breach_text,
    lost_meter_text,
    overdue_text,
    store_damaged_text,
    store_failing_text,
    unseen_limit_text,
    unseen_start_text,
)
from daq.comparison.lead_watch import LeadWatch
from daq.comparison.rules import ConditionFacts, LeadFacts
from daq.records import Accuracy, Channel
from daq.trials.limits import Breach, Limit
from daq.wording import (
    without_seconds,
)

ROOT = Path(__file__).parents[2]
REVIEWED = {
    "breach_text": "a limit that is broken",
    "overdue_text": "a machine that nobody switches off",
    "warning.text": "a lead that seems to be another one",
    "lost_meter_text": "a meter that is not heard while the machine runs",
    "self.store.text": "a store that cannot be written",
    "unseen_limit_text": "a channel with a limit that shows no usable value",
    "unseen_start_text": "a start channel that shows no usable value",
    "LEFT_RUNNING_TEXT": "a machine that runs on after its session was stopped",
    "SEEN_RUNNING_TEXT": "a machine that ran already when the program was started",
    "MAY_RUN_TEXT": "a machine that ran when the program ended, and that no channel sees",
}
"""What alarms are made of, as it stands in the program."""
BLAME = re.compile(r"\b(you (have|did|must|should|forgot)|your|wrongly|careless\w*|fault of|please|sorry)\b", re.IGNORECASE)  # fmt: skip


def _alarms_made() -> Iterator[str]:
    """The texts that the program makes alarms of, as they are written there."""
    for path in (ROOT / "daq").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not node.args:
                continue
            if not isinstance(node.func, ast.Name) or node.func.id != "AlarmLine":
                continue
            text = node.args[0]
            yield ast.unparse(text.func if isinstance(text, ast.Call) else text)


def test_every_alarm_of_the_program_is_reviewed_here() -> None:
    assert set(_alarms_made()) == set(REVIEWED)


def _channel(name: str, quantity: str, unit: str, place: str = "machine end") -> Channel:  # fmt: skip
    accuracy = Accuracy(percent_of_reading=0.2, counts=1, resolution=0.1)
    return Channel(name, name.capitalize(), quantity, unit, place, "meter", 0, accuracy, 1.0)  # fmt: skip


CURRENT = _channel("current", "current", "A")
VOLTAGE = _channel("voltage", "voltage", "V")
TEMPERATURE = _channel("temperature", "temperature", "Cel", "duct")


def _breach(channel: Channel, value: float | None, *, above: float | None = None, below: float | None = None) -> str:  # fmt: skip
    limit = Limit(channel.name, above=above, below=below, for_s=3.0, reason="rating of the plug")  # fmt: skip
    return breach_text(Breach(limit, value, 10.0, 13.0), channel)


def _wrong_lead() -> str:
    """A thin long lead under 8 A where a thick short one was called for."""
    conditions = (
        ConditionFacts("short", lead=LeadFacts(area_mm2=2.5, length_m=0.5)),
        ConditionFacts("thick", ("lead",), lead=LeadFacts(area_mm2=2.5, length_m=25.0)),
        ConditionFacts("thin", ("lead",), lead=LeadFacts(area_mm2=1.0, length_m=40.0)),
    )
    supply = _channel("supply", "voltage", "V", "supply end")
    watch = LeadWatch((supply, VOLTAGE, CURRENT), conditions, baseline="short")
    for second in range(140):
        at_s, is_on = float(second), second >= 40
        if second == 40:
            watch.machine_on("thick", at_s)
        amperes, wobble_v = (8.0 if is_on else 0.0), 0.01 * (second % 3)
        watch.feed("supply", at_s, 230.0 + wobble_v)
        # 80 m of copper of 1 mm² have 1.38 ohm (1/58 ohm mm²/m, IEC 60028).
        watch.feed("voltage", at_s, 230.0 + wobble_v - 1.38 * amperes)
        watch.feed("current", at_s, amperes)
        said = watch.warning(at_s)
        if said is not None:
            return said.text
    raise AssertionError("a lead of four times the resistance is not noticed")


ALARMS = {
    "current": _breach(CURRENT, 13.4, above=13.0),
    "over range": _breach(CURRENT, None, above=13.0),
    "left running": LEFT_RUNNING_TEXT,
    "seen running": SEEN_RUNNING_TEXT,
    "may run": MAY_RUN_TEXT,
    "unseen limit": unseen_limit_text("Casing"),
    "unseen start": unseen_start_text("Current"),
    "temperature": _breach(TEMPERATURE, 81.2, above=80.0),
    "overvoltage": _breach(VOLTAGE, 254.1, above=253.0),
    "low voltage": _breach(VOLTAGE, 205.3, below=207.0),
    "time": overdue_text(900.0),
    "lead": _wrong_lead(),
    "meter": lost_meter_text(
        "anemometer", "no reading for 4 s: no reply; check its plug and its display"
    ),
    "meter by word": lost_meter_text(
        "mains", "no reading for 4 s: no reply", by_word=True
    ),
    "missed polls": lost_meter_text(
        "mains",
        "no reading for 12 s: 12 polls were due while this computer was busy or asleep",
        was_missed=True,
    ),
    "spoilt store": store_damaged_text(
        "bench.db: it is damaged (malformed) and is left as it is"
    ),
    "store": store_failing_text(
        "bench.db: the disk is full (database or disk is full)"
    ),
}


@pytest.mark.parametrize("text", ALARMS.values(), ids=ALARMS.keys())
def test_an_alarm_says_what_happened_and_may_mean_and_what_to_do_at_the_plug(
    text: str,
) -> None:
    said, *meant, to_do = re.split(r"(?<=[.?]) (?=[A-Z])", text)
    assert said
    assert any(re.search(r"\b(may|in doubt)\b", each) for each in [*meant, to_do])
    assert re.search(r"\bswitch off at the plug\b", to_do, re.IGNORECASE)


@pytest.mark.parametrize("text", ALARMS.values(), ids=ALARMS.keys())
def test_an_alarm_is_whole_sentences_without_shouting_or_blame(text: str) -> None:
    assert text.endswith(".")
    assert "!" not in text
    assert not BLAME.search(text)


def test_an_alarm_names_the_channel_the_figure_the_limit_and_what_it_protects() -> None:
    for figure in ("Current", "13.4 A", "13.0 A", "rating of the plug", "for 3 s"):
        assert figure in ALARMS["current"]
    assert "is below 207.0 V" in ALARMS["low voltage"]
    for figure in ("Current shows no usable value for 3 s", "may be above 13.0 A", "rating of the plug"):  # fmt: skip
        assert figure in ALARMS["over range"]
    assert "longer than the plan's 900 s" in ALARMS["time"]


def test_a_time_that_the_plan_does_not_state_is_not_called_the_plans() -> None:
    told = overdue_text(900.0, is_stated=False)
    assert "longer than 900 s (the plan states no other) and nobody" in told


def test_an_alarm_reads_well_for_those_who_are_told_of_changes_only() -> None:
    for text in ALARMS.values():
        told = without_seconds(text)
        assert re.search(r"\bswitch off at the plug\b", told, re.IGNORECASE)
        assert "  " not in told
        assert " ." not in told


def test_whoever_hears_no_service_is_sent_to_the_plug_where_a_machine_runs() -> None:
    assert NOBODY_WATCHES.startswith("If the machine runs")
    assert NOBODY_WATCHES.endswith("switch off at the plug.")


# ---- cautions


def _cautions(*, is_sure: bool) -> dict[str, str]:
    """Every caution from measured figures."""
    return {
        "lead": cautions.over_lead_rating("It drew 13 A", "10 A", is_sure=is_sure),
        "reference": cautions.over_reference("It drew 13 A", "10 A", is_sure=is_sure),
        "plug": cautions.over_plug_rating("It drew 13 A", "10 A", is_sure=is_sure),
        "circuit": cautions.over_circuit_rating("It drew 17 A", "16 A", is_sure=is_sure),
        "share": cautions.over_circuit_share("It drew 13 A", "12.8 A", "16 A", is_sure=is_sure),
        "voltage": cautions.under_voltage("It had 200 V", "207 V", is_sure=is_sure),
        "plan": cautions.beyond_plan("It drew 13 A", "12 A", is_sure=is_sure),
        "drop": cautions.over_drop("The lead took 12 V", "9 V", is_sure=is_sure),
        "own current": cautions.below_own_current("6 A", "10 A"),
        "coiled": cautions.coiled("20 W"),
        "warm": cautions.warm_lead("20 W"),
    }  # fmt: skip


def _name_of(kind: str) -> str:
    return {
        "own current": "below_own_current",
        "lead": "over_lead_rating",
        "reference": "over_reference",
        "plug": "over_plug_rating",
        "circuit": "over_circuit_rating",
        "share": "over_circuit_share",
        "voltage": "under_voltage",
        "plan": "beyond_plan",
        "drop": "over_drop",
        "coiled": "coiled",
        "warm": "warm_lead",
    }[kind]


def test_every_caution_of_the_program_is_reviewed_here() -> None:
    tree = ast.parse(Path(cautions.__file__).read_text(encoding="utf-8"))
    made = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
    assert {_name_of(kind) for kind in _cautions(is_sure=True)} == made


@pytest.mark.parametrize("is_sure", [True, False])
def test_a_caution_ends_at_the_plug_or_with_somebody_who_is_licensed(
    *, is_sure: bool
) -> None:
    for kind, text in _cautions(is_sure=is_sure).items():
        assert re.search(r"switch off at the plug|licensed person", text, re.IGNORECASE), kind  # fmt: skip
        assert text.endswith("."), kind
        assert "!" not in text, kind
        assert not BLAME.search(text), kind


def test_what_is_not_sure_is_not_said_as_if_it_were() -> None:
    sure, unsure = _cautions(is_sure=True), _cautions(is_sure=False)
    for kind in set(sure) - {"own current", "coiled", "warm"}:
        assert "may be" in unsure[kind], kind
        assert "may be" not in sure[kind], kind


def test_cautions_defer_to_local_codes_the_makers_and_licensed_practice() -> None:
    for words in ("local electrical code", "makers' instructions", "licensed practice"):
        assert words in cautions.DEFERENCE
    assert "permit nothing" in cautions.DEFERENCE


def test_the_general_cautions_say_that_the_program_switches_nothing_off() -> None:
    general = " ".join(cautions.GENERAL_CAUTIONS)
    for words in (
        "switches nothing off",
        "Never leave a running machine alone",
        "Loss of readings is no reason for it to run on: switch off at the plug",
        "none is an approval",
    ):
        assert words in general
