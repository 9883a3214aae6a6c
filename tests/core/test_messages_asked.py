"""Operations that are asked for over MQTT: which messages are honest wishes."""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import InputError
from daq.messages import (
    ASKABLE,
    Ask,
    AsksTaken,
    ask_id_of,
    parse_ask,
    render_ask,
    utc_s_of,
)
from daq.messages.form import Fields
from tests.core.message_examples import ASK_ID, EXAMPLES, UTC_S

SENT = "2026-01-05T10:12:13.250Z"


def asked(**values: object) -> bytes:
    return json.dumps({**json.loads(EXAMPLES["ask"]), **values}).encode()


def wish(number: int = 1, *, sent_s: float = UTC_S) -> Ask:
    return Ask(
        f"00000000-0000-0000-0000-{number:012d}", sent_s, "skip", Fields("ask", {})
    )


def test_a_wish_is_read_as_it_was_made() -> None:
    ask = parse_ask(
        render_ask(
            ASK_ID, sent_utc=SENT, operation="note", details={"text": "hose kinked"}
        ).encode()
    )
    assert (ask.ask_id, ask.operation, ask.sent_utc_s) == (ASK_ID, "note", UTC_S)
    assert ask.details.text("text") == "hose kinked"


def test_three_operations_can_be_asked_for() -> None:
    assert ASKABLE == ("start", "skip", "note")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"operation": "stop"}, "operation is 'stop', expected one of start, skip"),
        ({"operation": None}, "expected a text"),
        ({"id": "7"}, "id is '7', expected a UUID"),
        ({"text": "x"}, "text is 'x', expected no such key, skip takes reason only"),
        ({"plan": "x"}, "expected no such key"),
        ({"format": 2}, "format is 2, expected 1"),
        ({"sent_utc": 12}, "expected a text"),
        ({"sent_utc": "2026-01-05T10:12:13"}, "expected RFC 3339"),
        ({"sent_utc": "2026-01-05 10:12:13Z"}, "expected RFC 3339"),
        ({"sent_utc": "2026-13-05T10:12:13Z"}, "expected a time that there is"),
        ({"reason": "x" * 4096}, "bytes, expected at most 4096"),
    ],
)
def test_a_message_that_is_no_honest_wish_is_refused(
    values: dict[str, object], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        parse_ask(asked(**values))


def test_the_id_is_had_where_the_rest_is_no_good() -> None:
    assert ask_id_of(asked(operation="fly")) == ASK_ID
    assert ask_id_of(asked(id=ASK_ID.upper())) == ASK_ID
    assert ask_id_of(asked(id="7")) is None
    assert ask_id_of(b"skip") is None
    assert ask_id_of(asked(reason="x" * 5000)) is None


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(payload: bytes) -> None:
    ask_id_of(payload)
    with pytest.raises(InputError):
        parse_ask(payload)


@given(
    st.datetimes(datetime(1970, 1, 2), datetime(2200, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - zone is given beside it
)
def test_a_time_of_rfc_3339_is_seconds_since_1970(moment: datetime) -> None:
    text = moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    assert utc_s_of(text) == pytest.approx(since.total_seconds(), abs=1e-5)


def test_a_time_with_an_offset_is_the_same_moment() -> None:
    # RFC 3339, 5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z.
    assert utc_s_of("1996-12-19T16:39:57-08:00") == utc_s_of("1996-12-20T00:39:57Z")


# ---- once, and in time


@pytest.mark.parametrize("late_s", [-10.0, 0.0, 10.0])
def test_a_wish_within_ten_seconds_is_taken_once(late_s: float) -> None:
    taken = AsksTaken()
    taken.take(wish(), now_utc_s=UTC_S + late_s)
    with pytest.raises(InputError, match="this id was taken before"):
        taken.take(wish(), now_utc_s=UTC_S + late_s)
    taken.take(wish(2), now_utc_s=UTC_S + late_s)


def test_a_wish_that_is_too_old_or_from_the_future_is_not_taken() -> None:
    taken = AsksTaken()
    with pytest.raises(InputError, match="sent 11 s ago, expected at most 10 s"):
        taken.take(wish(), now_utc_s=UTC_S + 10.6)
    with pytest.raises(InputError, match="sent 11 s ahead of this computer's time"):
        taken.take(wish(), now_utc_s=UTC_S - 10.6)


@pytest.mark.slow
@given(st.lists(st.tuples(st.integers(0, 30), st.floats(0.0, 2.0)), max_size=200))
def test_whatever_comes_in_whatever_order_nothing_is_taken_twice(
    comings: list[tuple[int, float]],
) -> None:
    taken, now_s, carried_out = AsksTaken(), UTC_S, set()
    for number, passes_s in comings:
        now_s += passes_s
        ask = wish(number, sent_s=UTC_S + number)
        try:
            taken.take(ask, now_utc_s=now_s)
        except InputError:
            continue
        assert number not in carried_out
        carried_out.add(number)


def test_memory_is_bounded_and_still_nothing_is_taken_twice() -> None:
    taken = AsksTaken()
    for number in range(1000):
        taken.take(wish(number), now_utc_s=UTC_S)
    with pytest.raises(InputError, match="more than 1000 within 20 s"):
        taken.take(wish(1000), now_utc_s=UTC_S)
    later_s = UTC_S + 10.5
    for number in range(1000, 1500):
        taken.take(wish(number, sent_s=later_s), now_utc_s=later_s)
    # The first were forgotten, and are too old to be taken again.
    with pytest.raises(InputError, match="expected at most 10 s"):
        taken.take(wish(0), now_utc_s=later_s)
