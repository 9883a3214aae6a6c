"""Topics and payloads: SenML by RFC 8428, results by their own published schema."""

import json
import math
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from daq.messages import (
    BenchFacts,
    BenchState,
    Health,
    InstrumentFacts,
    InstrumentHealth,
    Topics,
    render_description,
    render_health,
    render_live,
    render_result,
    render_state,
    render_status,
    result_schema,
)
from daq.records import (
    Accuracy,
    Channel,
    PlannedTrial,
    Reading,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
)
from daq.units import UNITS

# 2026-01-05T10:12:13.25Z; seconds counted by hand: 20 458 days after 1970-01-01.
UTC_S = 20_458 * 86_400 + 10 * 3600 + 12 * 60 + 13.25

# RFC 8428, 12.1, the symbols that a bench can need; VA: RFC 8798, 2.
SENML_REGISTRY = {
    "V",
    "A",
    "W",
    "VA",
    "Hz",
    "J",
    "m/s",
    "m3/s",
    "Pa",
    "Cel",
    "%RH",
    "1/min",
    "/",
    "s",
}
# RFC 8428, 4.5.1.
SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")


def channel(name: str, unit: str, index: int, instrument: str = "meter-1") -> Channel:
    return Channel(
        name=name,
        title=name.title(),
        quantity=UNITS[unit].quantity,
        unit=unit,
        place="duct",
        instrument=instrument,
        field_index=index,
        accuracy=Accuracy(percent_of_reading=1.0),
        interval_s=0.5,
    )


CHANNELS = (
    channel("airflow", "m3/h", 0),
    channel("air_temperature", "degF", 1),
    channel("voltage", "V", 0, "meter-2"),
)

AVERAGE = TrialAverage(
    channel="power",
    unit="W",
    required=True,
    mean=1385.5,
    plain_mean=1385.25,
    std_uncertainty_type_a=0.5,
    degrees_of_freedom_a=29.5,
    std_uncertainty_type_b=4.0,
    std_uncertainty=4.031128874149275,
    degrees_of_freedom=math.inf,
    coverage_factor=1.96,
    expanded_uncertainty=7.9,
    count=60,
    effective_count=30.5,
    window=Window(130.0, 190.0),
)

RESULT = TrialResult(
    trial_id="0b0e6a5e-3f6e-4f0e-9a51-0d6a0d1c2b3a",
    planned=PlannedTrial(position=2, condition="lead, 25 m", repeat=1, baseline=False),
    attempt=1,
    state=TrialState.FINISHED,
    started_s=100.0,
    ended_s=195.0,
    averages=(AVERAGE,),
)

SESSION = SessionFacts(
    session_id="5b7f1c8e-93f4-4f5c-8a57-2e1f3f2ad901",
    number=3,
    bench="leads",
    plan="leads, long",
    machine="Drying blower 1.4 kW",
    started_utc="2026-01-05T10:00:00Z",
    speed=1.0,
    software="steadybench 0.1.0",
)


def result_payload(result: TrialResult = RESULT) -> dict[str, Any]:
    text = render_result(
        result,
        SESSION,
        started_utc="2026-01-05T10:12:13.250Z",
        decided_utc="2026-01-05T10:13:48.250Z",
        revision=1,
    )
    payload: dict[str, Any] = json.loads(text)
    return payload


def is_valid(payload: object) -> bool:
    return Draft202012Validator(result_schema()).is_valid(payload)


def resolve(pack: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Resolved records (RFC 8428, 4.6), written from the RFC for these tests alone."""
    base: dict[str, Any] = {}
    records = []
    for record in pack:
        base |= {key: value for key, value in record.items() if key[0] == "b"}
        resolved = {
            "n": base.get("bn", "") + record.get("n", ""),
            "t": base.get("bt", 0) + record.get("t", 0),
            "v": base.get("bv", 0) + record["v"],
        }
        if unit := record.get("u", base.get("bu")):
            resolved["u"] = unit
        records.append(resolved)
    return records


def live(
    values: tuple[float | None, ...], bench: str = "leads"
) -> list[dict[str, Any]]:
    reading = Reading("meter-1", at_s=812.5, values=values)
    text = render_live(reading, bench=bench, channels=CHANNELS, utc_s=UTC_S)
    return resolve(json.loads(text))


def test_topics_lie_below_root_and_bench() -> None:
    topics = Topics(bench="leads")
    assert topics.status == "steadybench/leads/status"
    assert topics.description == "steadybench/leads/bench"
    assert topics.state == "steadybench/leads/state"
    assert topics.live("meter-1") == "steadybench/leads/live/meter-1"
    assert topics.result == "steadybench/leads/result"
    assert topics.health == "steadybench/leads/health"


def test_a_root_may_have_several_levels_but_none_is_empty() -> None:
    assert Topics(root="/hall 3//blowers/", bench="b").state == "hall 3/blowers/b/state"
    assert Topics(root="", bench="b").state == "_/b/state"


def test_a_root_does_not_enter_the_brokers_own_topics() -> None:
    assert Topics(root="$SYS", bench="b").state == "_SYS/b/state"


# MQTT 5.0: 4.7.1 (+ and # not in a topic name), 1.5.4 (no NUL), 4.7.3 (case kept).
@pytest.mark.parametrize(
    ("name", "level"),
    [
        ("1/2 inch", "1_2 inch"),
        ("A+B", "A_B"),
        ("#1", "_1"),
        ("a\0b", "a_b"),
        ("", "_"),
    ],
)
def test_what_a_level_cannot_hold_is_replaced(name: str, level: str) -> None:
    assert Topics(bench=name).live(name) == f"steadybench/{level}/live/{level}"


@given(bench=st.text(), instrument=st.text())
def test_any_name_gives_a_topic_of_four_levels(bench: str, instrument: str) -> None:
    topic = Topics(bench=bench).live(instrument)
    assert topic.count("/") == 3
    assert not set("+#\0") & set(topic)
    assert topic.encode()


def test_status_is_one_word() -> None:
    assert json.loads(render_status(online=True)) == {"format": 1, "state": "online"}
    assert json.loads(render_status(online=False)) == {"format": 1, "state": "offline"}


def test_the_resolver_of_these_tests_follows_the_rfc() -> None:
    # RFC 8428, 5.1.2 (shortened), with the resolved form of 5.1.4.
    pack = json.loads(
        '[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A",'
        '"bver":5,"n":"voltage","u":"V","v":120.1},{"n":"current","t":-5,"v":1.2}]'
    )
    voltage, current = resolve(pack)
    assert voltage == {
        "n": "urn:dev:ow:10e2073a0108006:voltage",
        "u": "V",
        "t": 1276020076.001,
        "v": 120.1,
    }
    assert current["n"] == "urn:dev:ow:10e2073a0108006:current"
    assert current["u"] == "A"
    assert current["t"] == pytest.approx(1276020071.001, abs=1e-6)


def test_a_live_pack_resolves_to_names_absolute_times_and_registered_units() -> None:
    # 360 m3/h = 0.1 m3/s; 68 degF = 20 Cel: both by definition of the units.
    airflow, temperature, interval = live((360.0, 68.0))
    assert airflow == {
        "n": "leads:meter-1:airflow",
        "t": UTC_S,
        "u": "m3/s",
        "v": pytest.approx(0.1),
    }
    assert temperature == {
        "n": "leads:meter-1:air_temperature",
        "t": UTC_S,
        "u": "Cel",
        "v": pytest.approx(20.0),
    }
    assert interval == {
        "n": "leads:meter-1:expected_interval",
        "t": UTC_S,
        "u": "s",
        "v": 0.5,
    }


@pytest.mark.parametrize("unit", UNITS)
def test_every_unit_of_a_bench_is_published_in_one_of_the_registry(unit: str) -> None:
    reading = Reading("meter-1", 0.0, (1.0,))
    text = render_live(
        reading, bench="b", channels=[channel("c", unit, 0)], utc_s=UTC_S
    )
    assert {record["u"] for record in json.loads(text)} <= SENML_REGISTRY


def test_a_missing_value_is_left_out() -> None:
    assert [record["n"] for record in live((None, 68.0))] == [
        "leads:meter-1:air_temperature",
        "leads:meter-1:expected_interval",
    ]


def test_a_pack_without_any_value_still_tells_the_interval() -> None:
    assert [record["n"] for record in live((None, None))] == [
        "leads:meter-1:expected_interval"
    ]


@given(bench=st.text(), instrument=st.text())
def test_names_keep_to_the_characters_of_senml(bench: str, instrument: str) -> None:
    reading = Reading(instrument, 0.0, (1.0,))
    own = channel("airflow", "m3/h", 0, instrument)
    text = render_live(reading, bench=bench, channels=[own], utc_s=UTC_S)
    for record in resolve(json.loads(text)):
        assert SENML_NAME.fullmatch(record["n"])
        assert record["n"].count(":") == 2


def test_a_clock_that_was_never_set_gives_no_time_rather_than_a_relative_one() -> None:
    # RFC 8428, 4.5.3: below 2^28 = 268 435 456 relative, from there on absolute; no
    # time at all is zero, roughly now.
    reading = Reading("meter-1", 0.0, (1.0, 2.0))
    first, *rest = json.loads(
        render_live(reading, bench="b", channels=CHANNELS, utc_s=268_435_455.9)
    )
    assert "bt" not in first
    assert all("t" not in record for record in (first, *rest))
    first, *_ = json.loads(
        render_live(reading, bench="b", channels=CHANNELS, utc_s=268_435_456.0)
    )
    assert first["bt"] == 268_435_456.0


def test_a_reading_of_an_instrument_without_channels_is_refused() -> None:
    with pytest.raises(ValueError, match="meter-9: no channel"):
        render_live(
            Reading("meter-9", 0.0, ()), bench="b", channels=CHANNELS, utc_s=UTC_S
        )


def test_not_a_number_is_never_published() -> None:
    with pytest.raises(ValueError, match="JSON"):
        live((math.nan, 68.0))


def test_the_description_names_instruments_their_topics_and_channels() -> None:
    facts = BenchFacts(
        bench="leads",
        software="steadybench 0.1.0",
        speed=12.0,
        instruments=(InstrumentFacts("meter-1", "Airflow meter"),),
        channels=CHANNELS[:1],
    )
    description = json.loads(render_description(facts, Topics(bench="leads")))
    assert description["format"] == 1
    assert description["speed"] == 12.0
    assert description["instruments"] == [
        {
            "name": "meter-1",
            "title": "Airflow meter",
            "topic": "steadybench/leads/live/meter-1",
        }
    ]
    (airflow,) = description["channels"]
    assert airflow["unit"] == "m3/h"
    assert airflow["place"] == "duct"
    assert airflow["interval_s"] == 0.5
    assert airflow["accuracy"]["percent_of_reading"] == 1.0


def test_the_state_outside_a_session_has_no_condition() -> None:
    state = BenchState(
        at_utc="2026-01-05T10:12:13Z",
        stage="waiting",
        instruction="",
        condition=None,
        trial=None,
        done=0,
        total=0,
    )
    assert json.loads(render_state(state)) == {
        "format": 1,
        "at_utc": "2026-01-05T10:12:13Z",
        "stage": "waiting",
        "instruction": "",
        "condition": None,
        "trial": None,
        "done": 0,
        "total": 0,
        "seconds_left": None,
        "skipped": 0,
        "urgency": "wait",
        "session": None,
        "alarms": [],
    }


def test_the_state_of_a_trial_tells_how_much_longer_it_takes() -> None:
    state = BenchState(
        at_utc="2026-01-05T10:12:13Z",
        stage="averaging",
        instruction="Keep it running.",
        condition="lead, 25 m",
        trial=2,
        done=1,
        total=4,
        seconds_left=40.0,
    )
    told = json.loads(render_state(state))
    assert (told["format"], told["seconds_left"]) == (1, 40.0)


def test_health_counts_what_was_dropped() -> None:
    health = Health(
        at_utc="2026-01-05T10:12:13Z",
        store_state="ok",
        store_text="written 0.4 s ago",
        live_dropped=7,
        instruments=(InstrumentHealth("meter-1", "ok", "answers", 812, 3),),
    )
    payload = json.loads(render_health(health))
    assert payload["live_dropped"] == 7
    assert payload["instruments"][0]["gaps"] == 3


def test_the_schema_is_a_schema_and_describes_every_key() -> None:
    schema = result_schema()
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    objects: list[dict[str, Any]] = [schema]
    while objects:
        node = objects.pop()
        for name, part in node["properties"].items():
            assert part["description"], name
            inner = part.get("items", part)
            if inner.get("type") == "object":
                objects.append(inner)


def test_a_result_carries_every_figure_and_fits_the_schema() -> None:
    payload = result_payload()
    assert is_valid(payload)
    assert payload == {
        "format": 1,
        "id": "0b0e6a5e-3f6e-4f0e-9a51-0d6a0d1c2b3a",
        "session": {
            "session_id": "5b7f1c8e-93f4-4f5c-8a57-2e1f3f2ad901",
            "number": 3,
            "bench": "leads",
            "plan": "leads, long",
            "machine": "Drying blower 1.4 kW",
            "started_utc": "2026-01-05T10:00:00Z",
            "speed": 1.0,
            "software": "steadybench 0.1.0",
        },
        "position": 2,
        "condition": "lead, 25 m",
        "repeat": 1,
        "baseline": False,
        "attempt": 1,
        "state": "finished",
        "note": "",
        "started_utc": "2026-01-05T10:12:13.250Z",
        "decided_utc": "2026-01-05T10:13:48.250Z",
        "revision": 1,
        "averages": [
            {
                "channel": "power",
                "unit": "W",
                "required": True,
                "mean": 1385.5,
                "plain_mean": 1385.25,
                "std_uncertainty_type_a": 0.5,
                "degrees_of_freedom_a": 29.5,
                "std_uncertainty_type_b": 4.0,
                "std_uncertainty": 4.031128874149275,
                "degrees_of_freedom": None,
                "coverage_factor": 1.96,
                "expanded_uncertainty": 7.9,
                "count": 60,
                "effective_count": 30.5,
                "window_start_s": 30.0,
                "window_end_s": 90.0,
            }
        ],
    }


@pytest.mark.parametrize(
    "state", [state for state in TrialState if state is not TrialState.RUNNING]
)
def test_however_a_trial_ended_its_result_fits_the_schema(state: TrialState) -> None:
    ended = replace(RESULT, state=state, averages=(), note="switched off too soon")
    assert is_valid(result_payload(ended))


def test_a_running_trial_is_not_a_result() -> None:
    with pytest.raises(ValueError, match="still runs"):
        result_payload(replace(RESULT, state=TrialState.RUNNING))


def test_a_mean_that_is_no_number_is_not_published() -> None:
    broken = replace(RESULT, averages=(replace(AVERAGE, mean=math.nan),))
    with pytest.raises(ValueError, match="JSON"):
        result_payload(broken)


@pytest.mark.parametrize(
    "change",
    [
        {"format": 2},
        {"id": "7"},
        {"state": "running"},
        {"state": "good"},
        {"repeat": "1"},
        {"baseline": None},
        {"started_utc": "2026-01-05 10:12:13"},
        {"decided_utc": "2026-01-05T10:12:13"},
        {"averages": [{"channel": "power", "mean": 1385.5}]},
    ],
    ids=json.dumps,
)
def test_a_wrong_result_does_not_fit_the_schema(change: dict[str, object]) -> None:
    assert not is_valid(result_payload() | change)


@pytest.mark.parametrize("key", sorted(result_payload()))
def test_no_key_of_a_result_may_be_missing(key: str) -> None:
    payload = result_payload()
    del payload[key]
    assert not is_valid(payload)
