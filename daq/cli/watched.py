"""What is known of a bench from its messages alone, and how old it is.

Pure: takes messages with the moments of their arrival and says what is new in sentences; draws nothing. Ages count from
arrival, by the clock of whoever follows: the clocks of two machines need not agree.
"""

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from daq.alarm_words import NOBODY_WATCHES
from daq.cli.told_alarms import Alarm, ToldAlarms
from daq.errors import InputError
from daq.messages import (
    About,
    BenchState,
    FollowedBench,
    FollowedChannel,
    FollowedResult,
    Health,
    LivePack,
    Slip,
    Topics,
    parse_answer,
    parse_description,
    parse_health,
    parse_live,
    parse_result,
    parse_slip,
    parse_state,
    parse_status,
    printable,
)
from daq.wording import (
    decimals_of,
    shown_average,
    shown_value,
)

OLD_LEAST_S = 2.0
OLD_INTERVALS = 2.5
"""A value is old after the larger of so many seconds and so many of its expected intervals."""
SILENT_S = 10.0
"""A bench that says nothing for so long is told of; health comes about once a second."""
_EVENTS = 20
_MOST_INSTRUMENTS = 1000
_MOST_RESULTS = 10_000


@dataclass(frozen=True, slots=True)
class ChannelView:
    """One channel as a screen shows it: its value, and words for what is wrong with it or how old it is."""

    name: str
    title: str
    place: str
    value: str
    words: str
    is_old: bool
    required: bool


class Watched:
    """Collects what one bench tells.

    Args:
        topics: Of the bench.
        now_s: Present time by any monotonic clock [s]; all others are by the same.
    """

    def __init__(self, topics: Topics, *, now_s: float) -> None:
        self.is_online: bool | None = None
        self.bench: FollowedBench | None = None
        self.state: BenchState | None = None
        self.slip = Slip(None, ())
        self.health: Health | None = None
        self.events: deque[str] = deque(maxlen=_EVENTS)
        self._topics = topics
        self._heard_s = now_s
        self._live: dict[str, tuple[LivePack, float]] = {}
        self._revisions: dict[str, int] = {}
        self._not_understood = ""
        self._alarms_told = ToldAlarms()
        self._takers: Mapping[About, Callable[[bytes], list[str]]] = MappingProxyType(
            {
                About.STATUS: self._take_status,
                About.DESCRIPTION: self._take_description,
                About.STATE: self._take_state,
                About.SLIP: self._take_slip,
                About.RESULT: self._take_result,
                About.HEALTH: self._take_health,
                About.ANSWER: self._take_answer,
            }
        )

    def take(
        self, topic: str, payload: bytes, *, is_kept: bool, now_s: float
    ) -> list[str]:
        """Take a message as it came; returns what is new, in sentences.

        Args:
            topic: Where it was published.
            payload: As it came; what cannot be understood is told once and passed over.
            is_kept: The broker had kept it.
            now_s: When it arrived [s].
        """
        about = self._topics.about(topic)
        if about is None or about is About.ASK:
            return []
        try:
            if about is About.LIVE:
                self._take_live(topic, payload, now_s)
                news = []
            else:
                news = self._takers[about](payload)
        except InputError as exc:
            return self._misunderstood(topic, str(exc))
        if not is_kept:
            self._heard_s = now_s
        return news

    def silent_s(self, now_s: float) -> float | None:
        """How long nothing was heard of a bench that should be there [s]; None while that is as it should be."""
        silent_s = now_s - self._heard_s
        return silent_s if self.is_online and silent_s > SILENT_S else None

    def channels(self, now_s: float) -> list[ChannelView]:
        """Every channel as it stands."""
        bench, session = self.bench, self.state.session if self.state else None
        if bench is None:
            return []
        required = session.required if session else ()
        names = [each.name for each in bench.instruments]
        topics = dict(zip(names, bench.topics, strict=True))
        return [
            self._channel(
                channel,
                self._live.get(topics.get(channel.instrument, "")),
                now_s=now_s,
                speed=bench.speed,
                required=channel.name in required,
            )
            for channel in bench.channels
        ]

    def _channel(
        self,
        channel: FollowedChannel,
        live: tuple[LivePack, float] | None,
        *,
        now_s: float,
        speed: float,
        required: bool,
    ) -> ChannelView:
        shown, words, is_old = "", "no reading yet", True
        if live is not None:
            pack, at_s = live
            interval_s = pack.interval_s or channel.interval_s
            age_s = now_s - at_s
            is_old = age_s > max(OLD_LEAST_S, OLD_INTERVALS * interval_s / speed)
            value = pack.value_of(channel.name, channel.unit)
            if value is None:
                words = "no value: over range, or the meter shows none"
            else:
                decimals = decimals_of(channel.resolution)
                shown = shown_value(value, channel.unit, decimals)
                words = ""
            if is_old:
                words = f"old: {age_in_words(age_s)} ago"
        return ChannelView(
            channel.name,
            channel.title,
            channel.place,
            shown,
            words,
            is_old,
            required,
        )

    # ---- message by message

    def _take_status(self, payload: bytes) -> list[str]:
        before, self.is_online = self.is_online, parse_status(payload)
        if before == self.is_online:
            return []
        if self.is_online:
            return ["The bench is online."]
        return [
            "The bench is offline: its service has ended or has lost its broker. "
            f"{NOBODY_WATCHES}"
        ]

    def _take_description(self, payload: bytes) -> list[str]:
        self.bench = parse_description(payload)
        return []

    def _take_state(self, payload: bytes) -> list[str]:
        self.state = parse_state(payload)
        alarms = (Alarm(each.text, each.since_utc) for each in self.state.alarms)
        return [f"Alarm: {alarm.text}" for alarm in self._alarms_told.news(alarms).begun]  # fmt: skip

    def _take_slip(self, payload: bytes) -> list[str]:
        self.slip = parse_slip(payload)
        return []

    def _take_result(self, payload: bytes) -> list[str]:
        result = parse_result(payload)
        if result.revision <= self._revisions.get(result.trial_id, -1):
            return []
        if len(self._revisions) >= _MOST_RESULTS:
            del self._revisions[next(iter(self._revisions))]
        self._revisions[result.trial_id] = result.revision
        return [_result_sentence(result)]

    def _take_health(self, payload: bytes) -> list[str]:
        before, self.health = self.health, parse_health(payload)
        if before is None:
            return []
        states = {each.name: each.state for each in before.instruments}
        news = [
            f"{each.name}: {each.state}, {each.text}."
            for each in self.health.instruments
            if states.get(each.name, each.state) != each.state
        ]
        if self.health.store_state != before.store_state:
            news.append(
                f"Store {self.health.store_state}. {self.health.store_text}".rstrip()
            )
        return news

    def _take_answer(self, payload: bytes) -> list[str]:
        answer = parse_answer(payload)
        return [
            f"Asked over MQTT, {'taken' if answer.taken else 'not taken'}: {answer.text}"
        ]

    def _take_live(self, topic: str, payload: bytes, now_s: float) -> None:
        pack = parse_live(payload)
        if topic in self._live or len(self._live) < _MOST_INSTRUMENTS:
            self._live[topic] = pack, now_s

    def _misunderstood(self, topic: str, text: str) -> list[str]:
        """Told once as long as it is the same: whoever sends rubbish sends it again."""
        words = f"Not understood, on {printable(topic)}: {text}"
        if words == self._not_understood:
            return []
        self._not_understood = words
        return [words]


def _result_sentence(result: FollowedResult) -> str:
    name = result.condition
    if result.repeat > 1:
        name += f", repeat {result.repeat}"
    averages = "".join(
        f"   {a.channel} {shown_average(a.mean, a.expanded_uncertainty, a.unit)}"
        for a in result.averages
    )
    note = f" ({result.note})" if result.note else ""
    anew = ", told anew" if result.revision > 1 else ""
    return f"{name}: {result.state}{anew}{averages}{note}"


def age_in_words(seconds: float) -> str:
    """An age as people say it."""
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    minutes = seconds / 60.0
    return f"{minutes:.0f} min" if minutes < 120.0 else f"{minutes / 60.0:.0f} h"
