"""Messages taken apart again: what the program tells, and what anybody else may send."""

import json
import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import InputError
from daq.messages import (
    About,
    AverageTold,
    Topics,
    parse_answer,
    parse_description,
    parse_health,
    parse_live,
    parse_result,
    parse_slip,
    parse_state,
    parse_status,
    render_live,
    render_state,
    render_status,
)
from daq.records import Reading
from daq.units import UNITS
from tests.core.message_examples import (
    EXAMPLES,
    HEALTH,
    IDLE,
    POWER,
    SLIP,
    STATE,
    TOPICS,
    UTC_S,
)

PARSERS: dict[str, Callable[[bytes | str], object]] = {
    "status": parse_status,
    "bench": parse_description,
    "state": parse_state,
    "slip": parse_slip,
    "live": parse_live,
    "result": parse_result,
    "health": parse_health,
    "answer": parse_answer,
}
EVERY_PARSER = pytest.mark.parametrize("about", PARSERS)


def changed(about: str, **values: object) -> str:
    return json.dumps({**json.loads(EXAMPLES[about]), **values})


# ---- what the bench tells


def test_what_was_told_is_read_again() -> None:
    assert parse_status(render_status(online=True))
    assert not parse_status(render_status(online=False))
    assert parse_state(EXAMPLES["state"]) == STATE
    assert parse_state(render_state(IDLE)) == IDLE
    assert parse_slip(EXAMPLES["slip"]) == SLIP
    assert parse_health(EXAMPLES["health"]) == HEALTH


def test_the_description_leads_from_a_channel_to_its_topic() -> None:
    bench = parse_description(EXAMPLES["bench"])
    (channel,) = bench.channels
    assert (channel.name, channel.unit, channel.resolution) == ("power", "W", 0.1)
    assert channel.interval_s == 0.5
    assert bench.instruments[0].name == channel.instrument
    assert bench.topics == ("steadybench/leads/live/meter-1",)


def test_of_a_result_the_required_channels_are_read() -> None:
    payload = json.loads(EXAMPLES["result"])
    payload["averages"].append({**payload["averages"][0], "required": False})
    result = parse_result(json.dumps(payload))
    assert result.averages == (AverageTold("power", "W", 1385.5, 7.9),)
    assert (result.session, result.revision, result.state) == (3, 1, "finished")


# Down to -40 degC or so; what is read is what was shown, whatever its unit is published in.
@pytest.mark.parametrize("unit", UNITS)
@given(value=st.floats(-1e6, 1e6))
def test_a_live_value_comes_back_in_the_channels_own_unit(
    unit: str, value: float
) -> None:
    channel = replace(POWER, unit=unit)
    reading = Reading("meter-1", 0.0, (value,))
    pack = parse_live(
        render_live(reading, bench="leads", channels=[channel], utc_s=UTC_S)
    )
    assert pack.at_utc_s == UTC_S
    assert pack.interval_s == 0.5
    back = pack.value_of("power", unit)
    # Two conversions, each rounded, and an offset of up to 460.
    assert back == pytest.approx(value, rel=1e-12, abs=1e-9)


def test_a_value_that_was_left_out_is_none() -> None:
    text = render_live(
        Reading("meter-1", 0.0, (None,)), bench="b", channels=[POWER], utc_s=UTC_S
    )
    assert parse_live(text).value_of("power", "W") is None
    assert parse_live(EXAMPLES["live"]).value_of("power", "cubits") is None


def test_a_base_name_holds_from_its_record_on() -> None:
    # RFC 8428, 4.1: base fields apply to their record and those that follow.
    pack = parse_live(
        '[{"n":"a","v":1},{"bn":"x:","bt":1e9,"n":"b","v":2},{"n":"c","v":3}]'
    )
    assert pack.values == {"a": 1.0, "b": 2.0, "c": 3.0}
    assert pack.at_utc_s == 1e9


def test_keys_that_are_not_known_are_passed_over() -> None:
    assert parse_state(changed("state", weather="fine")) == STATE


def test_keys_that_were_added_later_may_be_absent() -> None:
    old = json.loads(render_state(IDLE))
    for key in ("seconds_left", "skipped", "urgency", "session", "alarms"):
        del old[key]
    assert parse_state(json.dumps(old)) == IDLE
    health = json.loads(EXAMPLES["health"])
    del health["uptime_s"], health["software"]
    read = parse_health(json.dumps(health))
    assert (read.uptime_s, read.software) == (0.0, "")


# ---- what anybody may send


@pytest.mark.parametrize(
    ("about", "values", "words"),
    [
        ("status", {"state": "asleep"}, r"status: state is 'asleep', expected"),
        ("state", {"done": "1"}, r"state: done is '1', expected a whole number"),
        ("state", {"done": -1}, r"done is -1, expected a whole number"),
        ("state", {"done": True}, r"done is True, expected a whole number"),
        ("state", {"seconds_left": 10**400}, r"expected a number"),
        ("state", {"stage": None}, r"stage is None, expected a text"),
        ("state", {"session": []}, r"session is \[\], expected an object"),
        ("state", {"alarms": [1]}, r"alarms is \[1\], expected a list of objects"),
        ("state", {"session": {}}, r"state.session: number is missing"),
        ("bench", {"speed": 0}, r"speed is 0, expected a number above 0"),
        ("slip", {"lines": "no"}, r"lines is 'no', expected a list of objects"),
        ("answer", {"taken": 1}, r"taken is 1, expected true or false"),
        ("health", {"format": 2}, r"format is 2, expected 1; the bench may be newer"),
    ],
)
def test_what_does_not_fit_is_refused_by_key(
    about: str, values: dict[str, object], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        PARSERS[about](changed(about, **values))


@EVERY_PARSER
@pytest.mark.parametrize(
    "rubbish",
    [
        b"",
        b"\xff\xfe\x00",
        b"online",
        b"[" * 100_000,
        b"NaN",
        b"12",
        b"[1]",
        b"null",
        b'"' + b"x" * 2_000_000 + b'"',
        b'{"format":' + b"9" * 5000 + b"}",
    ],
    ids=[
        "empty",
        "bytes",
        "word",
        "deep",
        "nan",
        "number",
        "list",
        "null",
        "large",
        "long",
    ],
)
def test_rubbish_is_refused_in_words(about: str, rubbish: bytes) -> None:
    with pytest.raises(InputError, match="expected"):
        PARSERS[about](rubbish)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=8,
)


@pytest.mark.slow
@EVERY_PARSER
@given(data=st.data())
def test_a_message_with_anything_in_it_is_read_or_refused_and_never_fails(
    about: str, data: st.DataObject
) -> None:
    message = json.loads(EXAMPLES[about])
    spoilt = message[0] if isinstance(message, list) else message
    key = data.draw(st.sampled_from(sorted(spoilt)))
    spoilt[key] = data.draw(JSON)
    try:
        PARSERS[about](json.dumps(message))
    except InputError as exc:
        refusal = str(exc)
    else:
        refusal = "expected nothing else"
    assert "expected" in refusal


@pytest.mark.slow
@EVERY_PARSER
@given(cut=st.integers(0, 2000))
def test_a_message_cut_short_is_refused(about: str, cut: int) -> None:
    whole = EXAMPLES[about].encode()
    with pytest.raises(InputError, match="no JSON"):
        PARSERS[about](whole[: cut % len(whole)])


def test_what_a_terminal_would_obey_is_taken_out_of_texts() -> None:
    state = parse_state(
        changed("state", instruction="\x1b[2J\u202eup\ud800\x9b31m\r\nnow")
    )
    assert state.instruction == " [2J up 31m now"
    with pytest.raises(InputError) as caught:
        parse_state(changed("state", done="\x1b[2J"))
    assert "\x1b" not in str(caught.value)


@pytest.mark.parametrize(
    "unseen",
    ["\u061c", "\u200b", "\u200d", "\u2060", "\ufeff", "\u00ad", "\U000e0041"],
)
def test_what_nobody_could_see_is_taken_out_of_texts(unseen: str) -> None:
    state = parse_state(changed("state", instruction=f"fit{unseen * 2}it"))
    assert state.instruction == "fit it"


# ---- topics


@given(bench=st.text(), root=st.text())
def test_a_topic_tells_what_it_is_about(bench: str, root: str) -> None:
    topics = Topics(bench=bench, root=root)
    assert topics.about(topics.status) is About.STATUS
    assert topics.about(topics.description) is About.DESCRIPTION
    assert topics.about(topics.live("meter-1")) is About.LIVE
    assert topics.about(topics.ask) is About.ASK


@pytest.mark.parametrize(
    "topic",
    [
        "steadybench/leads",
        "steadybench/leads/",
        "steadybench/leads/weather",
        "steadybench/leads/state/x",
        "steadybench/leads/live",
        "steadybench/leads/live/a/b",
        "steadybench/hoses/state",
        "",
    ],
)
def test_a_topic_that_is_none_of_the_benchs_is_about_nothing(topic: str) -> None:
    assert TOPICS.about(topic) is None


def test_no_number_that_is_read_is_infinite() -> None:
    spoilt = EXAMPLES["live"].replace("1386.2", "1e999")
    assert "1e999" in spoilt
    with pytest.raises(InputError, match="expected a number"):
        parse_live(spoilt)
    assert math.isfinite(parse_live(EXAMPLES["live"]).values["power"])
